"""How the level differs by the hour of the day: 10-90 % of the samples in each hour, and day against night."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import stdtrit

from dashboards.analysis.histograms import CELLS, histogram_quantiles, merge_histograms
from dashboards.analysis.lasting.allan import placement_codes
from dashboards.analysis.lasting.interval import Interval
from dashboards.analysis.wall_clock import ahead_of_utc_s

HOURS = 24
DAY_BEGINS_H, DAY_ENDS_H = 8, 22  # people are about; the rest is night
LEAST_HOURS = 4  # of the day and of the night, for a date to count
LEAST_DATES = 3


@dataclass(frozen=True)
class HourSpread:
    """RSSI in one hour of the wall clock: ``low``, ``median`` and ``high`` are 10, 50 and 90 % of the samples, dBm."""

    hour: int
    low_dbm: float
    median_dbm: float
    high_dbm: float
    n_samples: int


def wall_clock_s(blocks: pd.DataFrame) -> np.ndarray:
    """When each block was, in seconds since 1970 of the clock on the wall where it was logged."""
    utc_ms = blocks["mean_utc_ms"].to_numpy("float64")
    return np.asarray(utc_ms / 1000.0 + ahead_of_utc_s(utc_ms, blocks["time_zone"].to_numpy(object)))


def hour_spreads(blocks: pd.DataFrame, local_s: np.ndarray) -> tuple[HourSpread, ...]:
    """By hour, of the blocks of one radio that know RSSI; an hour without samples is left out. ``local_s``: when each
    block was on the wall clock, in seconds from any midnight.

    Each placement is shifted, by whole dB, to the mean level of the one that was logged longest: else an hour's spread
    would be that of the spots where the laptop happened to stand at that hour."""
    hour = (local_s // 3600 % HOURS).astype("int64")
    placement = placement_codes(blocks)
    if not len(placement):
        return ()
    n_placements = int(placement.max()) + 1
    of_placement = merge_histograms(blocks["rssi_histogram"], placement * HOURS + hour, n_placements * HOURS)
    of_placement = of_placement.reshape(n_placements, HOURS, CELLS)
    logged = of_placement.sum(axis=1)
    means = logged @ np.arange(CELLS) / np.maximum(logged.sum(axis=1), 1)
    shifts = np.round(means[logged.sum(axis=1).argmax()] - means).astype(int)
    counts = np.sum([_shifted(cells, by) for cells, by in zip(of_placement, shifts, strict=True)], axis=0)
    quantiles = histogram_quantiles(counts, (0.1, 0.5, 0.9))
    return tuple(
        HourSpread(int(at), float(low), float(median), float(high), int(counts[at].sum()))
        for at, (low, median, high) in enumerate(quantiles)
        if counts[at].any()
    )


def _shifted(counts: np.ndarray, steps: int) -> np.ndarray:
    """Columns moved by so many; what would leave the range stays at its end."""
    at = np.clip(np.arange(CELLS) + steps, 0, CELLS - 1)
    moved: np.ndarray = counts @ (at[:, None] == np.arange(CELLS))
    return moved


def day_less_night(blocks: pd.DataFrame, local_s: np.ndarray, *, confidence: float = 0.95) -> Interval | None:
    """Mean level by day less that by night, dB. Each date at one placement is a pair of its own, which takes slow
    wander and moves out; Student's t over the dates, widened where neighbours go together. None under
    ``LEAST_DATES``."""
    if not len(blocks):
        return None
    hour = (local_s // 3600).astype("int64")
    n = blocks["rssi_n"].to_numpy("float64")
    total = n * blocks["rssi_mean_dbm"].to_numpy("float64")
    hours, of_hour = np.unique(np.column_stack([placement_codes(blocks), hour]), axis=0, return_inverse=True)
    level = np.bincount(of_hour.ravel(), weights=total) / np.bincount(of_hour.ravel(), weights=n)
    by_day = (hours[:, 1] % HOURS >= DAY_BEGINS_H) & (hours[:, 1] % HOURS < DAY_ENDS_H)
    dates, of_date = np.unique(np.column_stack([hours[:, 0], hours[:, 1] // HOURS]), axis=0, return_inverse=True)
    of_part = 2 * of_date.ravel() + by_day
    count = np.bincount(of_part, minlength=2 * len(dates)).reshape(-1, 2)
    sums = np.bincount(of_part, weights=level, minlength=2 * len(dates)).reshape(-1, 2)
    whole = (count >= LEAST_HOURS).all(axis=1)
    night, day = (sums[whole] / count[whole]).T
    return mean_of_dates(day - night, confidence)


def mean_of_dates(values: np.ndarray, confidence: float) -> Interval | None:
    """The mean of one value per date, in order; Student's t, the error widened by sqrt((1 + r) / (1 - r)) where the
    correlation r of neighbours is above 0 (first-order autoregression: Priestley, Spectral Analysis and Time Series,
    1981, section 5.3.2), with what its estimate falls short by in so few dates added."""
    n = len(values)
    if n < LEAST_DATES:
        return None
    mean = float(values.mean())
    rest = values - mean
    squares = float(rest @ rest)
    together = min(max(0.0, float(rest[1:] @ rest[:-1]) / squares + 1 / n), 0.9) if squares > 0 else 0.0
    error = np.sqrt(squares / (n - 1) / n * (1 + together) / (1 - together))
    reach = float(stdtrit(n - 1, (1 + confidence) / 2) * error)
    return Interval(mean, mean - reach, mean + reach)
