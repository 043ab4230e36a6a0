"""How much the level wanders from one stretch of time to the next: the Allan deviation of RSSI by scale.

sigma(tau)^2 = 1/2 <(mean of a stretch of tau - mean of the next)^2>, the overlapping estimator over means of bins of
tau_0, tau = m tau_0 (IEEE Std 1139-2008; Riley, Handbook of Frequency Stability Analysis, NIST SP 1065 (2008), section
5.2.4). The level in dB stands where those have the fractional frequency. Where it stops falling, averaging longer buys
no precision. Gaps stay gaps: a stretch counts where at least half of its bins are there, and no stretch crosses a
placement.

Interval: edf sigma_est^2 / sigma^2 is chi-square (SP 1065, section 5.3) with the equivalent degrees of freedom of its
table 5 (after Howe, Allan & Barnes, 1981), the least of those for white, flicker and random-walk noise: RSSI is a
mixture of the three, and to tell them apart takes longer than a trial lasts. Bursts make differences wilder than those
formulas think: where the record has parts enough, edf is no more than how their variances differ allows.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import chdtri, ndtri, stdtrit

from dashboards.analysis.lasting.interval import Interval

BIN_S = 600.0  # what blocks are in the middle of a period
FINE_BINS_S = (10.0, 60.0)  # only where blocks are that fine: towards the ends of periods
SCALES_S = (600.0, 1800.0, 3600.0, 10_800.0, 21_600.0, 43_200.0, 86_400.0, 259_200.0, 604_800.0, 2_592_000.0)
LEAST_FILLED = 0.5  # of a bin's time, and of a stretch's bins
LEAST_EDF = 2.0
LEAST_PARTS, MOST_PARTS = 8, 16
ROUNDING_VARIANCE = 1 / 12  # dB^2, of whole dB


@dataclass(frozen=True)
class AllanPoint:
    """The Allan deviation (dB) at one scale. ``near_changes``: measured at the ends of periods only."""

    scale_s: float
    deviation_db: Interval
    n_pairs: int
    near_changes: bool


def allan_points(blocks: pd.DataFrame, *, confidence: float = 0.95) -> tuple[AllanPoint, ...]:
    """By scale, of the blocks of one radio that know RSSI. Scales for which the record is too short are left out."""
    points = []
    for bin_s in FINE_BINS_S:
        points += _points(_fine_means(blocks, bin_s), bin_s, (bin_s,), confidence, near_changes=True)
    points += _points(ten_minute_means(blocks), BIN_S, SCALES_S, confidence, near_changes=False)
    return tuple(points)


@dataclass(frozen=True)
class Means:
    """Mean levels of evenly spaced bins, by series (placements or ends of periods, codes from 0) and bin, arrays of
    shape (n,); bins with too little in them are left out."""

    series: np.ndarray
    number: np.ndarray  # of the bin: since 1970 UTC, or since the end of the period
    level_dbm: np.ndarray

    def with_gaps(self) -> list[np.ndarray]:
        """An array per series, NaN where a bin is missing."""
        ends = np.flatnonzero(np.diff(self.series)) + 1
        runs = []
        for at, level in zip(np.split(self.number, ends), np.split(self.level_dbm, ends), strict=True):
            runs.append(np.full(int(np.ptp(at)) + 1 if len(at) else 0, np.nan))
            runs[-1][at - at[:1]] = level
        return runs

    @property
    def at_one_value(self) -> float:
        """The share of bins whose samples were all the same whole dB."""
        off = np.abs(self.level_dbm - np.round(self.level_dbm))
        return float(np.mean(off < 1e-9)) if len(off) else 0.0


def ten_minute_means(blocks: pd.DataFrame) -> Means:
    """By placement and ten minutes of the clock (``BIN_S``), of blocks of one radio that know RSSI."""
    bins = (blocks["mean_utc_ms"] // (1000 * BIN_S)).to_numpy("int64")
    return _means(blocks, placement_codes(blocks), bins, BIN_S)


def placement_codes(blocks: pd.DataFrame) -> np.ndarray:
    """Of each block its placement as its source saw it, from 0."""
    keys = blocks[["source_id", "placement_id"]].to_numpy()
    return np.unique(keys, axis=0, return_inverse=True)[1].ravel()


def _fine_means(blocks: pd.DataFrame, bin_s: float) -> Means:
    """Of shorter bins, from blocks that are no longer; bins are counted from the nearer end of each period."""
    started, ended, period_id, begin, end = (
        blocks[name].to_numpy("float64")
        for name in (
            *("started_at_utc_ms", "ended_at_utc_ms", "period_id"),
            *("period_started_at_utc_ms", "period_ended_at_utc_ms"),
        )
    )
    of_tail = started - begin > end - ended  # False while open
    bins = np.where(of_tail, end - ended, started - begin) // (1000 * bin_s)
    fine = (ended - started <= 1010 * bin_s) & (bins >= 0)
    return _means(blocks[fine], (2 * period_id + of_tail)[fine].astype("int64"), bins[fine].astype("int64"), bin_s)


def _means(blocks: pd.DataFrame, series: np.ndarray, bins: np.ndarray, bin_s: float) -> Means:
    keys, cell = np.unique(np.column_stack([series, bins]), axis=0, return_inverse=True)
    n, level, covered_s = (blocks[name].to_numpy("float64") for name in ("rssi_n", "rssi_mean_dbm", "covered_s"))
    count, total, filled_s = (
        np.bincount(cell.ravel(), weights=weights, minlength=len(keys)) for weights in (n, n * level, covered_s)
    )
    enough = (filled_s >= LEAST_FILLED * bin_s) & (count >= 2)  # one sample is no mean, however long it stands for
    return Means(keys[enough, 0], keys[enough, 1], total[enough] / count[enough])


def _points(
    means: Means, bin_s: float, scales_s: tuple[float, ...], confidence: float, *, near_changes: bool
) -> list[AllanPoint]:
    runs, points = means.with_gaps(), []
    for scale_s in scales_s:
        m = round(scale_s / bin_s)
        differences = np.concatenate([overlapping_differences(values, m) for values in runs] or [np.empty(0)])
        interval = allan_interval(differences, m, confidence, means.at_one_value)
        if interval is not None:
            points.append(AllanPoint(scale_s, interval, len(differences), near_changes))
    return points


def overlapping_differences(values: np.ndarray, m: int) -> np.ndarray:
    """Of each m values' mean to that of the next m, for every beginning; NaN values are gaps."""
    if len(values) < 2 * m:
        return np.empty(0)
    known = np.isfinite(values)
    total = np.concatenate(([0.0], np.cumsum(np.where(known, values - np.nanmean(values), 0.0))))
    count = np.concatenate(([0], np.cumsum(known)))
    n = count[m:] - count[:-m]
    mean = np.where(n >= LEAST_FILLED * m, (total[m:] - total[:-m]) / np.maximum(n, 1), np.nan)
    differences: np.ndarray = mean[m:] - mean[:-m]
    known_differences: np.ndarray = differences[np.isfinite(differences)]
    return known_differences


def allan_interval(
    differences: np.ndarray, m: int, confidence: float = 0.95, at_one_value: float = 0.0
) -> Interval | None:
    """The deviation from ``overlapping_differences``; None where they are worth less than ``LEAST_EDF`` degrees of
    freedom. ``at_one_value``: share of the bins in which all samples were the same whole dB, whose movement the
    rounding hides."""
    n = len(differences) + 2 * m  # points of phase of a record without gaps that has as many differences
    edf = least_edf(n, m)
    variance = float(np.mean(differences**2)) / 2 if len(differences) else 0.0
    if variance > 0:
        edf = min(edf, _edf_by_parts(differences**2, m))
    if not edf >= LEAST_EDF:
        return None
    tail = (1 - confidence) / 2
    low, high = (edf * variance / float(chdtri(edf, chance)) for chance in (tail, 1 - tail))
    high += at_one_value * ROUNDING_VARIANCE
    return Interval(float(np.sqrt(variance)), float(np.sqrt(low)), float(np.sqrt(high)))


def _edf_by_parts(squares: np.ndarray, m: int) -> float:
    """Degrees of freedom of the mean of ``squares`` by how the means of MOST_PARTS parts differ, each at least 4 m
    long: 2 mean^2 / variance of the mean, less for so few parts; infinite where the record has too few such parts."""
    parts = min(MOST_PARTS, len(squares) // (4 * m))
    if parts < LEAST_PARTS:
        return np.inf
    means = np.array([part.mean() for part in np.array_split(squares, parts)])
    if not np.ptp(means) > 0:
        return np.inf
    normal_over_t = float(ndtri(0.975) / stdtrit(parts - 1, 0.975))
    return float(2 * squares.mean() ** 2 * parts / np.var(means, ddof=1)) * normal_over_t**2


def least_edf(n: int, m: int) -> float:
    """Equivalent degrees of freedom of the overlapping Allan variance from ``n`` points of phase (one more than bins),
    the least of three noises; 0 where there is no difference at all. (For flicker noise and m = 1 the table prints
    n - 2 where the square is meant: without it edf would stay below 1 for ever.)"""
    if n <= 2 * m or n < 4:
        return 0.0
    white = (3 * (n - 1) / (2 * m) - 2 * (n - 2) / n) * 4 * m**2 / (4 * m**2 + 5)
    flicker = 2 * (n - 2) ** 2 / (2.3 * n - 4.9) if m == 1 else 5 * n**2 / (4 * m * (n + 3 * m))
    walk = (n - 2) / m * ((n - 1) ** 2 - 3 * m * (n - 1) + 4 * m**2) / (n - 3) ** 2
    return max(0.0, min(white, flicker, walk))
