"""How often the 95 % interval of an effect holds the truth, and how wide it is, over families of simulated links.

    python tests/bench/effect_coverage.py [--quick] [--worlds 100] [--seed 1] [--washout 120] [FAMILY ...]

Each world is a link read every 10 s: fast and slow Ornstein-Uhlenbeck noise, a daily sine of random phase,
people blocking the path by day, rounding, drop-outs, starting at a random time of day. Its samples are cut into
blocks as the log cuts them. --quick is a short form with a bound on every family, for automatic runs.
"""

from __future__ import annotations

import argparse
import sys
import time
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from dashboards.analysis.effect import Effect, estimate_effect
from logger.blocks import encode_histogram, stretch_at

STEP_S = 10
EPOCH_UTC_MS = 1_792_000_000_000 // 600_000 * 600_000  # some day in 2026


@dataclass(frozen=True)
class Family:
    """One kind of world. ``stays_h``: lengths of the stays, versions 1 and 2 by turns. Levels in dB, times in s."""

    stays_h: tuple[float, ...]
    fast_sd: float = 1.5
    fast_tau_s: float = 30.0
    slow_sd: float = 1.5
    slow_tau_s: float = 1200.0
    daily: float = 1.0
    blockings_an_hour: float = 0.3
    drift_a_day: float = 0.0
    flicker_sd: float = 0.0
    walk_a_root_hour: float = 0.0
    step_db: float = 1.0  # of rounding
    dropped: float = 0.01
    placement_sd: float = 0.0
    placement_every: int = 0  # stays at one placement; 0: never moved
    hops_at: float = 0.0  # after this part of version 1 the router goes to version 2's channel by itself
    channel_sd: float = 4.0  # what a channel is worth
    study_half_width: float | None = None  # of the method this one was built after


D1 = Family((24, 24), study_half_width=1.31)
H8 = Family((8, 8), study_half_width=1.54)
FAMILIES = {
    "h2": Family((2, 2), study_half_width=1.71),
    "h8": H8,
    "d1": D1,
    "d3": Family((72, 72), study_half_width=1.01),
    "abab12": Family((12,) * 4, study_half_width=0.96),
    "aba24": Family((24,) * 3, study_half_width=0.88),
    "slow": replace(D1, slow_tau_s=7200.0, slow_sd=2.0, study_half_width=1.46),
    "white": replace(H8, slow_sd=0.0, daily=0.0, blockings_an_hour=0.0, study_half_width=0.66),
    "drift": replace(D1, drift_a_day=1.0, study_half_width=1.32),
    "daily3": replace(D1, daily=3.0, study_half_width=1.31),
    "bursts": replace(D1, blockings_an_hour=2.0, study_half_width=1.43),
    "half": replace(H8, step_db=2.0, dropped=0.3, study_half_width=1.70),
    "flicker": replace(D1, slow_sd=0.0, flicker_sd=0.5, study_half_width=None),
    "walk": replace(D1, slow_sd=0.0, walk_a_root_hour=0.3, study_half_width=None),
    "m15": Family((0.25, 0.25)),
    "m5": Family((5 / 60, 5 / 60)),
    "m4": Family((4 / 60, 4 / 60)),  # with a washout of 120 s, hardly two minutes of each version are left
    "places": Family((6,) * 8, placement_sd=3.0, placement_every=2),
    "hop": Family((12, 12), hops_at=0.6),
}


def simulate(family: Family, effect_db: float, rng: np.random.Generator) -> pd.DataFrame:
    """The blocks of one world, as ``load_blocks`` gives them (the columns that effects are drawn from)."""
    n_in = [round(hours * 3600 / STEP_S) for hours in family.stays_h]
    n = sum(n_in)
    stay = np.repeat(np.arange(len(n_in)), n_in)
    t_s = STEP_S * np.arange(n, dtype=float)
    start_s = rng.uniform(0, 86_400) // STEP_S * STEP_S
    clock_s = start_s + t_s
    level = -68 + effect_db * (stay % 2) + family.drift_a_day * t_s / 86_400
    level += _ou(n, family.fast_tau_s, family.fast_sd, rng) + _ou(n, family.slow_tau_s, family.slow_sd, rng)
    level += family.daily * np.sin(2 * np.pi * clock_s / 86_400 + rng.uniform(0, 2 * np.pi))
    for octave in range(10):
        level += _ou(n, 60.0 * 4**octave, family.flicker_sd, rng)
    level += np.cumsum(rng.standard_normal(n)) * family.walk_a_root_hour * np.sqrt(STEP_S / 3600)
    for began in np.flatnonzero(rng.random(n) < family.blockings_an_hour * STEP_S / 3600):
        if 8 <= clock_s[began] % 86_400 / 3600 < 22:
            lasts = max(1, round(rng.exponential(400) / STEP_S))
            level[began : began + lasts] -= rng.gamma(2, 2)
    placement = stay // family.placement_every if family.placement_every else np.zeros(n, int)
    level += (family.placement_sd * rng.standard_normal(placement.max() + 1))[placement]
    hopped = t_s >= family.hops_at * 3600 * family.stays_h[0]
    if family.hops_at:
        level[~hopped] += family.channel_sd * rng.standard_normal()
    rssi = np.round(level / family.step_db) * family.step_db
    rssi[rng.random(n) < family.dropped] = np.nan
    frequency_mhz = np.where(hopped, 5180, 5500)
    return cut(t_s, rssi, stay, 1 + stay % 2, placement, EPOCH_UTC_MS + int(start_s * 1000), frequency_mhz)


def cut(
    t_s: np.ndarray,
    rssi: np.ndarray,
    stay: np.ndarray,
    version: np.ndarray,
    placement: np.ndarray,
    begin_utc_ms: int,
    frequency_mhz: np.ndarray | None = None,
) -> pd.DataFrame:
    """Samples (NaN: unknown) into blocks, periods being the stays, by the log's own rule."""
    rows = []
    time_ms = begin_utc_ms + (t_s * 1000).astype(np.int64)
    step_ms = int(np.median(np.diff(time_ms)))
    for k in np.unique(stay):
        inside = np.flatnonzero(stay == k)
        started_ms, ended_ms = int(time_ms[inside[0]]), int(time_ms[inside[-1]]) + step_ms
        i = inside[0]
        while i <= inside[-1]:
            stretch = stretch_at(int(time_ms[i]), started_ms, ended_ms)
            j = int(np.searchsorted(time_ms, stretch.ended_at_utc_ms))
            seen = rssi[i:j][~np.isnan(rssi[i:j])]
            values, counts = np.unique(np.round(seen).astype(int), return_counts=True)
            rows.append(
                {
                    "period_id": int(k) + 1,
                    "source_id": 1,
                    "placement_id": int(placement[i]) + 1,
                    "version": int(version[i]),
                    "link_id": 1,
                    "connected": True,
                    "bssid": "02:00:00:00:00:05",
                    "frequency_mhz": 5180 if frequency_mhz is None else int(frequency_mhz[i]),
                    "time_zone": "Europe/Vienna",
                    "period_started_at_utc_ms": started_ms,
                    "period_ended_at_utc_ms": ended_ms,
                    "started_at_utc_ms": stretch.started_at_utc_ms,
                    "ended_at_utc_ms": stretch.ended_at_utc_ms,
                    "first_utc_ms": int(time_ms[i]),
                    "last_utc_ms": int(time_ms[j - 1]),
                    "mean_utc_ms": float(np.mean(time_ms[i:j])),
                    "covered_s": (j - i) * step_ms / 1000,
                    "n_dropouts": 0,
                    "rssi_n": len(seen),
                    "rssi_mean_dbm": float(seen.mean()) if len(seen) else np.nan,
                    "rssi_histogram": encode_histogram(dict(zip(values.tolist(), counts.tolist(), strict=True))),
                }
            )
            i = j
    return pd.DataFrame(rows)


def _ou(n: int, tau_s: float, sd: float, rng: np.random.Generator) -> np.ndarray:
    from scipy.signal import lfilter

    if sd == 0:
        return np.zeros(n)
    keep = np.exp(-STEP_S / tau_s)
    steps = rng.standard_normal(n) * sd
    steps[1:] *= np.sqrt(1 - keep**2)
    return lfilter([1.0], [1.0, -keep], steps)


@dataclass(frozen=True)
class Tally:
    """What one family showed."""

    worlds: int
    held: float
    half_width: float
    wrong: float  # better or worse where nothing was planted
    seconds: float  # of processor time per effect


def tally(family: Family, worlds: int, seed: int, washout_s: float) -> Tally:
    held, widths, wrong, nulls = [], [], 0, 0
    took_s = 0.0
    for world in range(worlds):
        rng = np.random.default_rng([seed, world])
        truth = (0.0, 1.0, 3.0, -6.0)[world % 4]
        blocks = simulate(family, truth, rng)
        began_s = time.process_time()
        effect: Effect = estimate_effect(blocks, 1, 2, "rssi", washout_s=washout_s)
        took_s += time.process_time() - began_s
        assert effect.low is not None
        assert effect.high is not None
        held.append(effect.low <= truth <= effect.high)
        widths.append((effect.high - effect.low) / 2)
        nulls += truth == 0
        wrong += truth == 0 and effect.verdict in ("better", "worse")
    return Tally(worlds, float(np.mean(held)), float(np.median(widths)), wrong / max(nulls, 1), took_s / worlds)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("families", nargs="*", metavar="FAMILY", help=", ".join(FAMILIES))
    parser.add_argument("--worlds", type=int, default=100)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--washout", type=float, default=120.0, metavar="SECONDS")
    parser.add_argument("--quick", action="store_true", help="5 families, 12 worlds each, fails when one misses")
    wanted = parser.parse_args()
    names = wanted.families or (["h2", "d1", "abab12", "places", "hop"] if wanted.quick else list(FAMILIES))
    if unknown := [name for name in names if name not in FAMILIES]:
        parser.error(f"no family {unknown[0]}; there are {', '.join(FAMILIES)}")
    worlds = 12 if wanted.quick else wanted.worlds
    failed = False
    print("| family | worlds | held the truth | half width, dB | study's | wrong finding | s |")
    print("| --- | --- | --- | --- | --- | --- | --- |")
    for name in names:
        family = FAMILIES[name]
        seen = tally(family, worlds, wanted.seed, wanted.washout)
        study = "" if family.study_half_width is None else f"{family.study_half_width:.2f}"
        print(
            f"| {name} | {seen.worlds} | {seen.held:.3f} | {seen.half_width:.2f} | {study} | {seen.wrong:.2f} "
            f"| {seen.seconds:.2f} |",
            flush=True,
        )
        failed |= wanted.quick and seen.held < 0.75  # 3 misses of 12 have a chance of 0.2 % at 95 %
    return int(failed)


if __name__ == "__main__":
    sys.exit(main())
