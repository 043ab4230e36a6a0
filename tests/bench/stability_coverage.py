"""How often the 95 % intervals of long-term stability hold the truth, over families of simulated noise.

    python tests/bench/stability_coverage.py [--worlds 200] [--seed 1] [--quick] [slope | allan | day | outages | rate ...]

Worlds are made of ten-minute means, so that 200 of them take seconds: what blocks add is tested elsewhere. A share of 200
has a standard error of .015 about .95. --quick is a short form with a bound on every cell, for automatic runs.
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.signal import lfilter
from scipy.stats import norm, theilslopes

from dashboards.analysis.lasting.allan import allan_interval, overlapping_differences
from dashboards.analysis.lasting.daily_spread import DAY_BEGINS_H, DAY_ENDS_H, mean_of_dates
from dashboards.analysis.lasting.interval import Interval
from dashboards.analysis.lasting.outage_count import count_outages
from dashboards.analysis.lasting.slope import slope_per_month
from dashboards.analysis.lasting.under_rate import share_interval

STEP_S = 600.0
A_DAY = 144  # steps
DAY_MS = 86_400_000


def ou(n: int, tau_s: float, sd: float, rng: np.random.Generator) -> np.ndarray:
    """Ornstein-Uhlenbeck noise, shape (n,), one value per step."""
    keep = np.exp(-STEP_S / tau_s)
    kicks = rng.standard_normal(n) * sd
    kicks[1:] *= np.sqrt(1 - keep**2)
    return np.asarray(lfilter([1.0], [1.0, -keep], kicks))


def walk(n: int, sd_a_root_day: float, rng: np.random.Generator) -> np.ndarray:
    return np.cumsum(rng.standard_normal(n)) * sd_a_root_day / np.sqrt(A_DAY)


def flicker(n: int, sd: float, rng: np.random.Generator) -> np.ndarray:
    return np.sum([ou(n, STEP_S * 4.0**octave, sd, rng) for octave in range(12)], axis=0)


def bursts(n: int, rng: np.random.Generator) -> np.ndarray:
    """Eight a day, half an hour and several dB each."""
    level = np.zeros(n)
    for began in np.flatnonzero(rng.random(n) < 8 / A_DAY):
        level[began : began + 1 + rng.poisson(2)] -= rng.gamma(2, 2)
    return level


def day_wave(n: int, amplitude: float, rng: np.random.Generator) -> np.ndarray:
    return amplitude * np.sin(2 * np.pi * (np.arange(n) / A_DAY + rng.random()))


Noise = Callable[[int, np.random.Generator], np.ndarray]
H, D = 3600.0, 86_400.0
NOISES: dict[str, Noise] = {
    "white .5 dB": lambda n, rng: 0.5 * rng.standard_normal(n),
    "OU 30 min, 1.5 dB": lambda n, rng: ou(n, H / 2, 1.5, rng),
    "OU 6 h, 1.5 dB": lambda n, rng: ou(n, 6 * H, 1.5, rng),
    "OU 1 day, 1 dB": lambda n, rng: ou(n, D, 1.0, rng),
    "OU 3 days, 1 dB": lambda n, rng: ou(n, 3 * D, 1.0, rng),
    "OU 10 days, 1 dB": lambda n, rng: ou(n, 10 * D, 1.0, rng),
    "flicker .4 dB": lambda n, rng: flicker(n, 0.4, rng) + 0.3 * rng.standard_normal(n),
    "walk 1.2 dB a root day": lambda n, rng: walk(n, 1.2, rng) + 0.5 * rng.standard_normal(n),
    "walk .25, OU 30 min": lambda n, rng: walk(n, 0.25, rng) + ou(n, H / 2, 1.2, rng),
    "day 3 dB, OU 1 day .4": lambda n, rng: ou(n, H / 3, 1.0, rng) + day_wave(n, 3.0, rng) + ou(n, D, 0.4, rng),
    "bursts, flicker .2": lambda n, rng: bursts(n, rng) + flicker(n, 0.2, rng),
    "evenings only, OU 1 day": lambda n, rng: _evenings(ou(n, D, 1.0, rng) + day_wave(n, 1.0, rng), rng),
    "moved every 2 days, flicker .3": lambda n, rng: flicker(n, 0.3, rng) + 0.3 * rng.standard_normal(n),
}


def _evenings(level: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Five hours a day, three days of ten not at all: the rest is NaN."""
    hour = np.arange(len(level)) % A_DAY / 6
    out = (hour < 18) | (hour >= 23) | np.repeat(rng.random(len(level) // A_DAY + 1) < 0.3, A_DAY)[: len(level)]
    return np.where(out, np.nan, level)


@dataclass
class Cell:
    """One cell of the table: how often the truth was held, and half the median width."""

    held: list[bool]
    widths: list[float]

    def add(self, low: float | None, high: float | None, truth: float) -> None:
        low, high = -np.inf if low is None else low, np.inf if high is None else high
        self.held.append(low <= truth <= high)
        self.widths.append((high - low) / 2)

    def take(self, interval: Interval | None, truth: float) -> None:
        if interval is not None:
            self.add(interval.low, interval.high, truth)

    def __str__(self) -> str:
        if not self.held:
            return ""
        return f"{np.mean(self.held):.3f} / {np.median(self.widths):.3g}"


Row = tuple[str, list[Cell]]


@dataclass(frozen=True)
class Part:
    """A table of the bench; ``rows(worlds, seed)``."""

    title: str
    columns: tuple[str, ...]
    rows: Callable[[int, int], Iterator[Row]]


SLOPE_DAYS = (3, 5, 9, 20, 60)
ALLAN_SCALES = {"10 min": 1, "1 h": 6, "6 h": 36, "1 day": 144}
RATE_DAYS = (3, 9, 30)


def slope_rows(worlds: int, seed: int) -> Iterator[Row]:
    """dB a month; truth by turns 0 and 3. The last column is Theil and Sen's interval on daily medians at 60 days."""
    for name, noise in NOISES.items():
        cells = [Cell([], []) for _ in range(6)]
        for cell, days in zip(cells, SLOPE_DAYS, strict=False):
            for world in range(worlds):
                rng = np.random.default_rng([seed, world, days])
                n, truth = days * A_DAY, 3.0 * (world % 2)
                time_s = STEP_S * (np.arange(n) + rng.integers(A_DAY) * (not name.startswith("evenings")))
                level = noise(n, rng) + truth * time_s / (30 * D)
                placement = (np.arange(n) // (2 * A_DAY)) * name.startswith("moved")
                level += 3 * rng.standard_normal(placement.max() + 1)[placement]
                known = np.isfinite(level)
                found = slope_per_month(time_s[known], time_s[known], level[known], placement[known])
                cell.take(found, truth)
                if days == 60 and known.all():
                    daily = np.median(level.reshape(-1, A_DAY), axis=1)
                    slope = theilslopes(daily, np.arange(days) / 30)
                    cells[5].add(slope.low_slope, slope.high_slope, truth)
        yield name, cells


def allan_truth(name: str, m: int, seed: int) -> float:
    """By a record of a million points; a random walk's in closed form, for it has no end."""
    if name.startswith("walk 1.2"):
        return float(np.sqrt(1.2**2 / A_DAY * (2 * m**2 + 1) / (6 * m) + 0.25 / m))
    if name.startswith("walk"):
        return float(
            np.sqrt(0.25**2 / A_DAY * (2 * m**2 + 1) / (6 * m) + allan_truth("OU 30 min, 1.2 dB", m, seed) ** 2)
        )
    noise: Noise = NOISES.get(name, lambda n, rng: ou(n, H / 2, 1.2, rng))
    differences = overlapping_differences(noise(1_000_000 // A_DAY * A_DAY, np.random.default_rng([seed, 99])), m)
    return float(np.sqrt(np.mean(differences**2) / 2))


def allan_rows(worlds: int, seed: int) -> Iterator[Row]:
    """dB, of nine days."""
    for name, noise in NOISES.items():
        if name.startswith(("evenings", "moved", "day")):
            continue
        cells = [Cell([], []) for _ in ALLAN_SCALES]
        truths = [allan_truth(name, m, seed) for m in ALLAN_SCALES.values()]
        for world in range(worlds):
            level = noise(9 * A_DAY, np.random.default_rng([seed, world]))
            for cell, m, truth in zip(cells, ALLAN_SCALES.values(), truths, strict=True):
                cell.take(allan_interval(overlapping_differences(level, m), m), truth)
        yield name, cells


def day_rows(worlds: int, seed: int) -> Iterator[Row]:
    """dB, day less night, of worlds whose day is 1 dB louder than the night."""
    hour = np.arange(A_DAY) / 6
    by_day = (hour >= DAY_BEGINS_H) & (hour < DAY_ENDS_H)
    for name, noise in NOISES.items():
        if name.startswith(("evenings", "moved", "day")):
            continue
        cells = [Cell([], []) for _ in SLOPE_DAYS]
        for cell, days in zip(cells, SLOPE_DAYS, strict=True):
            for world in range(worlds):
                level = noise(days * A_DAY, np.random.default_rng([seed, world, days])).reshape(days, A_DAY) + by_day
                cell.take(mean_of_dates(level[:, by_day].mean(1) - level[:, ~by_day].mean(1), 0.95), 1.0)
        yield name, cells


def outage_rows(worlds: int, seed: int) -> Iterator[Row]:
    """Of so many days: the mean count and minutes, the longest of another record as long, and the time between."""
    for days in (3, 20):
        for a_day in (0.1, 1.0, 8.0):
            for clump, spread in ((1.0, "exponential"), (4.0, "exponential"), (1.0, "lognormal"), (4.0, "lognormal")):
                cells = [Cell([], []) for _ in range(4)]
                for world in range(worlds):
                    rng = np.random.default_rng([seed, world, days])
                    spells = _outages(days, a_day, clump, spread, rng)
                    again = _outages(days, a_day, clump, spread, rng)
                    found = count_outages(_watched(days), spells)
                    assert found is not None
                    mean_min = 3.0 if spread == "exponential" else 3.0 * np.exp(0.5)
                    cells[0].take(found.count, days * a_day)
                    cells[1].take(found.minutes, days * a_day * mean_min)
                    cells[2].take(found.longest_min, float(again["lasted_s"].max()) / 60 if len(again) else 0.0)
                    cells[3].take(found.between_days, 1 / a_day)
                yield f"{days} days, {a_day:g} a day in clumps of {clump:g}, {spread}", cells


def _watched(days: int) -> pd.DataFrame:
    return pd.DataFrame({"started_at_utc_ms": np.arange(days) * DAY_MS, "covered_s": 86_400.0})


def _outages(days: int, a_day: float, clump: float, spread: str, rng: np.random.Generator) -> pd.DataFrame:
    """Spells whose clumps are a Poisson process, each of a geometric number of outages within the hour."""
    starts = np.sort(rng.uniform(0, days, rng.poisson(a_day / clump * days)))
    sizes = rng.geometric(1 / clump, len(starts))
    began = np.sort(np.repeat(starts, sizes) + np.concatenate([np.arange(size) / 96 for size in sizes] or [[]]))
    lengths_min = rng.exponential(3.0, len(began)) if spread == "exponential" else 3 * rng.lognormal(0, 1, len(began))
    return pd.DataFrame(
        {
            "started_at_utc_ms": began * DAY_MS, "ended_at_utc_ms": began * DAY_MS + 60_000 * lengths_min,
            "lasted_s": 60 * lengths_min, "n_dropouts": 1,
        }
    )  # fmt: skip


def rate_rows(worlds: int, seed: int) -> Iterator[Row]:
    """Percent of the time under a rate: a level with memory is under a threshold, by day more than by night."""
    for memory, tau_s in (("10 min", 600.0), ("1 h", H), ("6 h", 6 * H), ("1 day", D)):
        for share in (0.002, 0.02, 0.2, 0.6):
            cells = [Cell([], []) for _ in RATE_DAYS]
            for cell, days in zip(cells, RATE_DAYS, strict=True):
                n = days * A_DAY
                wave = 0.5 * np.sin(2 * np.pi * np.arange(n) / A_DAY)
                truth = float(np.mean(norm.cdf(norm.ppf(share) + wave)))
                for world in range(worlds):
                    rng = np.random.default_rng([seed, world, days])
                    under = (ou(n, tau_s, 1.0, rng) < norm.ppf(share) + wave).astype(float)
                    low, high = share_interval(under, np.full(n, STEP_S), 0.95)
                    cell.add(100 * low, 100 * high, 100 * truth)
            yield f"{100 * share:g} %, memory of {memory}", cells


_DAYS = tuple(f"{days} days" for days in SLOPE_DAYS)
PARTS = {
    "slope": Part("slope, dB a month", (*_DAYS, "Theil-Sen, 60 days"), slope_rows),
    "allan": Part("Allan deviation over 9 days, dB", tuple(ALLAN_SCALES), allan_rows),
    "day": Part("day less night, dB", _DAYS, day_rows),
    "outages": Part("outages", ("count", "minutes", "longest", "days between"), outage_rows),
    "rate": Part("time under a rate, %", tuple(f"{days} days" for days in RATE_DAYS), rate_rows),
}


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("parts", nargs="*", metavar="PART", help=", ".join(PARTS))
    parser.add_argument("--worlds", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--quick", action="store_true", help="12 worlds a cell; fails where fewer than 5 hold")
    wanted = parser.parse_args(arguments)
    if unknown := [name for name in wanted.parts if name not in PARTS]:
        parser.error(f"no part {unknown[0]}; there are {', '.join(PARTS)}")
    failed = False
    for name in wanted.parts or PARTS:
        part = PARTS[name]
        print(f"\n| {part.title} | {' | '.join(part.columns)} |\n| --- {'| --- ' * len(part.columns)}|")
        for family, cells in part.rows(12 if wanted.quick else wanted.worlds, wanted.seed):
            print(f"| {family} | {' | '.join(map(str, cells))} |", flush=True)
            # So few have a chance of 1 in 10 million at 95 %, and of 1 in 200 at the 70 % of the one cell that is known
            # to miss. Theil and Sen's column is there to be missed.
            failed |= wanted.quick and any(cell.held and np.sum(cell.held) < 5 for cell in cells[:5])
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
