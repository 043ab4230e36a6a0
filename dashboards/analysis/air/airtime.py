"""Who is heard on which channel, and how busy it is: over days, not at one moment.

A look is one full scan (all radios heard are told). Shares are of looks, loads are medians, and days are the unit of
uncertainty: looks of one day resemble each other, so that a difference between two channels is judged by how it
changes from day to day (a t interval over days).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from math import atan, cos, pi, sin, sqrt

import numpy as np

LEAST_DAYS = 3  # fewer cannot tell how much days differ
LEAST_LOOKS_A_DAY = 4
HOURS_A_BIN = 3
LONGEST_VISIT_MS = 5_000  # a scan stays on a channel for a tenth of a second; what is longer has been added up
LEAST_VISIT_MS = 5
_PEAK_ABOVE, _PEAK_TIMES = 0.05, 1.3  # a busiest time of the day is told where it stands out by both


@dataclass(frozen=True, slots=True)
class Looks:
    """Full scans as arrays, with one entry per look, per sighting (``seen_*``) and per visit (``visit_*``). Indices
    point into looks and radios; unknown is NaN. Days and hours are local."""

    day: np.ndarray  # int, any origin
    hour: np.ndarray  # int, 0 to 23
    asked: np.ndarray  # bool: linktrial had the card listen on all its channels
    n_radios: int
    seen_look: np.ndarray
    seen_radio: np.ndarray
    seen_rssi_dbm: np.ndarray
    seen_load: np.ndarray  # 0 to 1, of the BSS Load element
    visit_look: np.ndarray
    visit_mhz: np.ndarray
    visit_noise_dbm: np.ndarray
    visit_active_ms: np.ndarray
    visit_busy_ms: np.ndarray


@dataclass(frozen=True, slots=True)
class Presence:
    """One radio over the looks that count. Levels are of its beacons, as this laptop heard them."""

    n_heard: int
    share: float  # of the looks that count
    rssi_median_dbm: float | None
    rssi_p95_dbm: float | None
    load: float | None  # the channel as it finds it: median of its BSS Load element
    n_load: int


@dataclass(frozen=True, slots=True)
class Difference:
    """How much more one channel has than another, in the mean over days; the interval is of 95 %, None where there are
    too few days."""

    estimate: float
    low: float | None
    high: float | None
    n_days: int


def full_sweeps(looks: Looks, elsewhere: np.ndarray) -> np.ndarray:
    """Which looks tell of all channels: those that linktrial asked for; and those that found something new
    ``elsewhere`` (by radio: not on the laptop's own channel), for then somebody else's scan had been there."""
    swept = looks.asked.copy()
    swept[looks.seen_look[elsewhere[looks.seen_radio]]] = True
    return swept


def presences(looks: Looks, counted: np.ndarray) -> list[Presence]:
    """Each radio's, over the looks ``counted``."""
    inside = counted[looks.seen_look]
    radio, rssi, load = looks.seen_radio[inside], looks.seen_rssi_dbm[inside], looks.seen_load[inside]
    order = np.argsort(radio, kind="stable")
    edges = np.searchsorted(radio[order], np.arange(looks.n_radios + 1))
    n_looks = max(int(counted.sum()), 1)
    found = []
    for begin, end in pairwise(edges.tolist()):
        mine = order[begin:end]
        levels, loads = rssi[mine], load[mine]
        levels, loads = levels[~np.isnan(levels)], loads[~np.isnan(loads)]
        median_dbm, p95_dbm = np.percentile(levels, (50, 95)).tolist() if len(levels) else (None, None)
        found.append(
            Presence(
                n_heard=len(mine),
                share=len(mine) / n_looks,
                rssi_median_dbm=median_dbm,
                rssi_p95_dbm=p95_dbm,
                load=median(loads),
                n_load=len(loads),
            )
        )
    return found


def median(values: np.ndarray) -> float | None:
    """None of none. numpy.median loads numpy.ma."""
    return float(np.percentile(values, 50)) if len(values) else None


def once_each(looks: Looks, group: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Looks and groups of sightings: of a group, which numbers one transmitter by radio, one at each look, however many
    of its addresses were heard."""
    n_groups = max(looks.n_radios, 1)
    pairs = looks.seen_look.astype(np.int64) * n_groups + group[looks.seen_radio]
    pairs.sort(kind="stable")  # as they are read they are nearly sorted
    pairs = pairs[np.diff(pairs, prepend=-1) > 0]
    return pairs // n_groups, pairs % n_groups


def per_look(n_looks: int, once: tuple[np.ndarray, np.ndarray], weight: np.ndarray) -> np.ndarray:
    """The sum of ``weight`` (by group) over the groups heard at each look; of ``once_each``."""
    return np.bincount(once[0], weights=weight[once[1]], minlength=n_looks)


def daily_means(day: np.ndarray, value: np.ndarray, weight: np.ndarray, at_least: int) -> dict[int, float]:
    """By day, the weighted mean of ``value``, where there are ``at_least`` values."""
    known = ~np.isnan(value) & (weight > 0)
    days, at = np.unique(day[known], return_inverse=True)
    n = np.bincount(at, minlength=len(days))
    total, of = np.bincount(at, weights=(value * weight)[known]), np.bincount(at, weights=weight[known])
    return {int(days[i]): float(total[i] / of[i]) for i in range(len(days)) if n[i] >= at_least}


def difference(own: Mapping[int, float], other: Mapping[int, float], *, n_compared: int = 1) -> Difference | None:
    """How much more ``own`` has than ``other``, over the days that both have; None without any. With ``n_compared``
    others looked at, the interval is as much wider as picking the best of them asks for (Bonferroni)."""
    days = sorted(own.keys() & other.keys())
    if not days:
        return None
    each = np.array([own[day] - other[day] for day in days])
    mean = float(each.mean())
    if len(days) < LEAST_DAYS:
        return Difference(mean, None, None, len(days))
    spread = float(each.std(ddof=1)) / sqrt(len(days))
    reach = spread * t_quantile(1 - 0.025 / n_compared, len(days) - 1)
    return Difference(mean, mean - reach, mean + reach, len(days))


def t_quantile(probability: float, freedom: int) -> float:
    """The quantile of Student's t for a probability from 0.5 to 1, by halving: for whole degrees of freedom its
    distribution is a finite sum (Abramowitz and Stegun 26.7.3, 26.7.4). scipy takes a quarter of a second to load."""
    low, high = 0.0, 1.0
    while _within(high, freedom) < 2 * probability - 1:
        high *= 2
    for _ in range(60):
        middle = (low + high) / 2
        low, high = (middle, high) if _within(middle, freedom) < 2 * probability - 1 else (low, middle)
    return (low + high) / 2


def _within(reach: float, freedom: int) -> float:
    """The chance that Student's t lies within -reach and reach."""
    angle = atan(reach / sqrt(freedom))
    even = freedom % 2 == 0
    term = 1.0 if even else cos(angle)
    total = term if even or freedom > 1 else 0.0
    for k in range(2 if even else 3, freedom - 1, 2):
        term *= cos(angle) ** 2 * (k - 1) / k
        total += term
    return sin(angle) * total if even else 2 / pi * (angle + sin(angle) * total)


def visits_on(looks: Looks, mhz: int) -> np.ndarray:
    """Which visits were to that channel, for a short while, and tell how busy it was."""
    active = looks.visit_active_ms
    short = (active >= LEAST_VISIT_MS) & (active <= LONGEST_VISIT_MS)
    told: np.ndarray = (looks.visit_mhz == mhz) & short & ~np.isnan(looks.visit_busy_ms)
    return told


def by_hours(hour: np.ndarray, value: np.ndarray, weight: np.ndarray, day: np.ndarray) -> tuple[float | None, ...]:
    """The weighted mean of ``value`` in each bin of HOURS_A_BIN hours, from midnight; None where fewer than LEAST_DAYS
    days have any."""
    found: list[float | None] = []
    known = ~np.isnan(value) & (weight > 0)
    for begin in range(0, 24, HOURS_A_BIN):
        inside = known & (hour >= begin) & (hour < begin + HOURS_A_BIN)
        enough = len(np.unique(day[inside])) >= LEAST_DAYS
        found.append(float(np.average(value[inside], weights=weight[inside])) if enough else None)
    return tuple(found)


def busiest_hours(shares: Sequence[float | None]) -> tuple[int, int] | None:
    """From and to which hour it is busiest, where that stands out from the rest of the day; of ``by_hours``."""
    known = [share for share in shares if share is not None]
    if len(known) < len(shares):
        return None
    usual, most = float(np.percentile(known, 50)), max(known)
    if most < usual + _PEAK_ABOVE or most < _PEAK_TIMES * usual:
        return None
    begin = known.index(most) * HOURS_A_BIN
    return begin, begin + HOURS_A_BIN
