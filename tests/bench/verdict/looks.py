"""How often a trial that changes nothing is ever called better or worse while it runs and is looked at every hour."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import accumulate

import numpy as np
from scipy.linalg import solve_triangular

from dashboards.analysis.anytime import widening
from dashboards.analysis.block_series import BlockSeries
from dashboards.analysis.effect import estimate_effect
from dashboards.analysis.outlook import Stay, planned_timetable
from tests.bench.verdict.oracle import NORMAL_95, covariance
from tests.bench.verdict.parts import Wanted, clearly_more, head, line, over, share
from tests.bench.verdict.worlds import Family, draw

HOUR_S = 3600
BEFORE_H = 72  # of version 1, before the first change
WEEK_H = 168
WASHOUT_S = 120.0
FLOORS_DB = (0.0, 0.3, 0.6)
SAMPLE_S = 10
FINEST_S, GROWTH = 30, 4  # blocks of the known noise: at a distance d from a change at most d / GROWTH wide
LOOKS_H = (1, 2, 4, 8, 12, 24, 36, 48, 72, 96, 120, 144, 156, 168)  # where everything is estimated
ORDERS = {"AB": (BEFORE_H, WEEK_H), "turns of 12 h": (BEFORE_H, *(12,) * 14)}
QUICK_LOOKS_H, QUICK_WORLDS, QUICK_FLOORS_DB = (2, 12, 48), 4, (0.3,)


def run(wanted: Wanted) -> list[str]:
    """Print both tables. Returns what is clearly missed."""
    return _known(wanted) + _estimated(wanted)


# The noise is known: the rule alone, looked at every hour.


@dataclass(frozen=True)
class Path:
    """At every look: the estimate of a null effect over its own standard deviation (looks, worlds), its variance and
    the share of the planned information (looks,)."""

    z: np.ndarray
    variance: np.ndarray
    share: np.ndarray

    def ever_beyond(self, bounds: np.ndarray, looks: int) -> np.ndarray:
        """Of each world, whether it was further out than ``bounds`` (looks,) at one of the first so many looks."""
        beyond: np.ndarray = (np.abs(self.z) > bounds[:, None])[:looks].any(axis=0)
        return beyond


def timetable(hours: Sequence[float]) -> list[Stay]:
    """Versions by turns, the first change at the start of a day."""
    ends = list(accumulate(hours))
    return [
        Stay(bool(k % 2), HOUR_S * (end - lasts - hours[0]), HOUR_S * lasts)
        for k, (lasts, end) in enumerate(zip(hours, ends, strict=True))
    ]


def cut_at(stays: Sequence[Stay], end_s: float) -> list[Stay]:
    """The stays as they were at ``end_s``."""
    return [replace(stay, lasts_s=min(stay.lasts_s, end_s - stay.starts_s)) for stay in stays if stay.starts_s < end_s]


def series_of(stays: Sequence[Stay]) -> BlockSeries:
    """Blocks with no means, after the washout, fine near the changes and cut at every hour."""
    rows = []
    for k, stay in enumerate(stays):
        at_s, end_s = round(stay.starts_s + WASHOUT_S * (k > 0)), round(stay.ends_s)
        while at_s < end_s:
            since_s = at_s - stay.starts_s if k else np.inf
            left_s = end_s - at_s if k + 1 < len(stays) else np.inf
            width_s = max(FINEST_S, min(HOUR_S, since_s / GROWTH, left_s / (1 + GROWTH)) // SAMPLE_S * SAMPLE_S)
            length_s = min(round(width_s), HOUR_S - at_s % HOUR_S, end_s - at_s)
            rows.append((k, stay.is_b, at_s, length_s))
            at_s += length_s
    index, is_b, starts_s, lengths_s = (np.array(column) for column in zip(*rows, strict=True))
    mid_s = starts_s + lengths_s / 2
    n_samples = lengths_s / SAMPLE_S
    return BlockSeries(
        mid_s=mid_s,
        local_s=mid_s,
        length_s=SAMPLE_S * np.sqrt(n_samples**2 - 1),  # what stands for so many single samples
        mean=np.zeros(len(mid_s)),
        n_samples=n_samples,
        version=1 + is_b,
        is_b=is_b.astype(bool),
        placement=np.zeros(len(mid_s), int),
        source=np.zeros(len(mid_s), int),
        stay=index,
        stay_spread=np.full(len(stays), np.nan),
        covered_s=float(lengths_s.sum()),
    )


def path(family: Family, stays: Sequence[Stay], worlds: int, rng: np.random.Generator) -> Path:
    """Generalised least squares after every hour from the first change on."""
    normal, right = _normal_equations(family, stays, worlds, rng)
    spread = np.linalg.inv(normal)
    estimate = np.einsum("kj,jkw->kw", spread[:, 1], right)
    variance = spread[:, 1, 1]
    at_plan: dict[tuple[Stay, ...], float] = {}
    share = np.empty_like(variance)
    for k in range(len(share)):
        plan = tuple(planned_timetable(cut_at(stays, HOUR_S * (k + 1))))
        if plan not in at_plan:
            at_plan[plan] = np.linalg.inv(_normal_equations(family, plan, 0, rng)[0][-1])[1, 1]
        share[k] = at_plan[plan] / variance[k]
    return Path(estimate / np.sqrt(variance)[:, None], variance, share)


def _normal_equations(
    family: Family, stays: Sequence[Stay], worlds: int, rng: np.random.Generator
) -> tuple[np.ndarray, np.ndarray]:
    """X'X (looks, 2, 2) and X'y (2, looks, worlds), whitened, of all that was read up to each look.

    A Cholesky factor in order of time whitens every beginning of the record at once, so that those of each look are
    sums over the blocks so far. White noise is what null worlds are, whitened.
    """
    series = series_of(stays)
    factor = np.linalg.cholesky(covariance(family, series, drifts_s=HOUR_S * (BEFORE_H + WEEK_H)))
    x = solve_triangular(factor, np.column_stack([np.ones(len(series.mean)), series.is_b]), lower=True)
    looks_s = np.arange(HOUR_S, stays[-1].ends_s + 1, HOUR_S)
    upto = np.searchsorted(series.mid_s, looks_s) - 1
    normal = np.cumsum(x[:, :, None] * x[:, None, :], axis=0)[upto]
    y = rng.standard_normal((len(x), worlds))
    return normal, np.array([np.cumsum(x[:, k, None] * y, axis=0)[upto] for k in range(2)])


def _known(wanted: Wanted) -> list[str]:
    worlds = 10 * wanted.worlds
    print(
        f"The noise is known; {BEFORE_H} h of version 1, then a look every hour. Ever wrong within a week (168 looks), and "
        f"within three for a trial that runs on beyond its plan.\n"
    )
    head(
        *("order", "floor, dB", "worlds", "single looks, a week", "anytime, a week", "anytime, three weeks"),
        *("anytime, once, at the end", "price in width at the end of the plan"),
    )
    missed = []
    for k, floor_db in enumerate(QUICK_FLOORS_DB if wanted.quick else FLOORS_DB):
        for j, (order, hours) in enumerate(ORDERS.items()):
            longer = (*hours[:-1], hours[-1] + 2 * WEEK_H) if len(hours) == 2 else (*hours, *(12,) * 28)
            asked = hours if wanted.quick else longer
            seen = path(Family((), flicker_sd=floor_db), timetable(asked), worlds, wanted.rng(k, j))
            bounds = NORMAL_95 * np.array([widening(share) for share in seen.share])
            plain = np.full_like(bounds, NORMAL_95)
            wrong = seen.ever_beyond(bounds, WEEK_H)
            line(
                order,
                floor_db,
                worlds,
                share(seen.ever_beyond(plain, WEEK_H)),
                share(wrong),
                "" if wanted.quick else share(seen.ever_beyond(bounds, len(bounds))),
                share(np.abs(seen.z[WEEK_H - 1]) > bounds[WEEK_H - 1]),
                float(bounds[WEEK_H - 1] / NORMAL_95),
            )
            if clearly_more(int(wrong.sum()), worlds, 0.05):
                missed.append(f"{order}, noise known: ever wrong in {wrong.sum()} of {worlds} null worlds")
    return missed


# Everything is estimated, as in use.


@dataclass(frozen=True)
class Looks:
    """One null world, at each of the looks."""

    verdicts: tuple[str, ...]
    by_single_look: tuple[bool, ...]  # a single look's interval leaves out zero
    price: float  # of looking early, in width, at the last look
    width: float  # half, of the last single look, dB


def look_often(hours: tuple[int, ...], seed: int, number: int, looks_h: tuple[int, ...]) -> Looks:
    world = draw(Family(hours, flicker_sd=0.3), 0.0, np.random.default_rng([seed, number]))
    effects = []
    for look_h in looks_h:
        blocks = world.readings.blocks(HOUR_S * (BEFORE_H + look_h))
        effects.append(estimate_effect(blocks, 1, 2, "rssi", washout_s=WASHOUT_S))
    if not all(effect.open for effect in effects):
        raise AssertionError("a running trial is open")
    single = [_ends(effect.low, effect.high) for effect in effects]
    anytime_low, anytime_high = _ends(effects[-1].anytime_low, effects[-1].anytime_high)
    width = single[-1][1] - single[-1][0]
    return Looks(
        tuple(effect.verdict for effect in effects),
        tuple(low > 0 or high < 0 for low, high in single),
        (anytime_high - anytime_low) / width,
        width / 2,
    )


def _ends(low: float | None, high: float | None) -> tuple[float, float]:
    if low is None or high is None:
        raise AssertionError("a running trial of days has an interval")
    return low, high


def _estimated(wanted: Wanted) -> list[str]:
    worlds = QUICK_WORLDS if wanted.quick else max(wanted.worlds * 2 // 5, 1)
    looks_h = QUICK_LOOKS_H if wanted.quick else LOOKS_H
    print(
        f"\nEverything is estimated; the same, looked at {len(looks_h)} times, {looks_h[0]} to {looks_h[-1]} h after the "
        "change; a flicker floor of 0.3 dB.\n"
    )
    head(
        *("order", "worlds", "single looks ever wrong", "verdict ever wrong", "no-difference at the end"),
        *("half width at the end", "price in width"),
    )
    missed = []
    for order, hours in ORDERS.items():
        asked = [(hours, wanted.seed, number, looks_h) for number in range(worlds)]
        seen = over(wanted.jobs, look_often, asked, order)
        wrong = [any(verdict in ("better", "worse") for verdict in one.verdicts) for one in seen]
        line(
            order,
            worlds,
            share(any(one.by_single_look) for one in seen),
            share(wrong),
            share(one.verdicts[-1] == "no-difference" for one in seen),
            float(np.median([one.width for one in seen])),
            float(np.median([one.price for one in seen])),
        )
        if clearly_more(sum(wrong), worlds, 0.05):
            missed.append(f"{order}: ever wrong in {sum(wrong)} of {worlds} null worlds")
    return missed
