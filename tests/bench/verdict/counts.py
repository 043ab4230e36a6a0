"""How often intervals of outage minutes and of drop-outs hold the truth, on days that are alike and days that differ, and
how often a running trial that changes nothing is ever called better or worse."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from dashboards.analysis.anytime import widened
from dashboards.analysis.outage_effect import (
    EPISODE_GAP_S,
    OutageRecord,
    dropout_difference,
    outage_difference,
)
from dashboards.analysis.outlook import DAY_S, Stay, counting_share
from tests.bench.verdict.parts import Wanted, clearly_more, head, line, over, share

HOUR_S = 3600.0
LENGTH_MIN = 2.0  # of a loss, on average: exponential
FACTOR = 1.5  # of version 2's rate, where coverage is asked
BEFORE_DAYS = 3.0  # of version 1, before a trial that is looked at early
LOOKS_H = (6, 9, 12, 18, 24, 36, 48, 72, 96, 120, 144, 168)
METRICS = {"outage": (outage_difference, LENGTH_MIN), "drop-outs": (dropout_difference, 1.0)}
RATES_A_DAY, VARIATIONS = (0.5, 2.0, 6.0, 20.0), (0.0, 0.5, 1.0)
DAYS = ((1.0, 1.0), (3.0, 1.0), (3.0, 7.0), (14.0, 3.0), (14.0, 14.0))
QUICK_RATES, QUICK_DAYS, QUICK_WORLDS = (2.0,), ((3.0, 1.0), (3.0, 7.0)), 25


@dataclass(frozen=True)
class Days:
    """Losses of a link: so many a day on average, on days whose rates vary as gamma with a coefficient ``variation``,
    and so many days of either version. The change comes at any hour of a day."""

    rate_a_day: float
    variation: float
    of_a: float
    of_b: float
    factor: float = 1.0


@dataclass(frozen=True)
class Losses:
    """Times in days from the change, shape (n,), and minutes; ``began``: how much of the day was over at the change."""

    at_days: np.ndarray
    minutes: np.ndarray
    began: float

    def record(self, begin: float, end: float) -> OutageRecord:
        """Of the days from ``begin`` to ``end``, by the log's own rule: what is less than an hour apart is one
        episode of several drop-outs."""
        there = (self.at_days >= begin) & (self.at_days < end)
        at, minutes = self.at_days[there], self.minutes[there]
        first = int(np.floor(begin + self.began))
        midnights = np.arange(first, int(np.ceil(end + self.began)) + 1) - self.began
        watched = np.diff(np.clip(midnights, begin, end))
        is_new = np.diff(at, prepend=-np.inf) * DAY_S > EPISODE_GAP_S
        episode = np.cumsum(is_new) - 1
        return OutageRecord(
            watched,
            np.floor(at[is_new] + self.began).astype(int) - first,
            np.bincount(episode, weights=minutes),
            np.bincount(episode).astype(float),
        )


def losses_of(days: Days, rng: np.random.Generator) -> Losses:
    began = rng.uniform()
    day = np.arange(np.floor(began - days.of_a), np.floor(began + days.of_b) + 1)
    squared = days.variation**2
    daily = rng.gamma(1 / squared, squared, len(day)) if squared else np.ones(len(day))
    n = rng.poisson(daily * days.rate_a_day * days.factor)
    at = np.sort(np.repeat(day, n) + rng.uniform(size=n.sum())) - began
    at = at[(at >= 0) | (rng.uniform(size=len(at)) < 1 / days.factor)]  # version 1 has fewer
    return Losses(at, rng.exponential(LENGTH_MIN, len(at)), began)


def run(wanted: Wanted) -> list[str]:
    """Print both tables. Returns what is clearly missed."""
    return _coverage(wanted) + _looks(wanted)


def hold(days: Days, seed: int, number: int) -> tuple[tuple[bool, float], ...]:
    """Of each metric, in one world: whether the interval holds the truth, and its half width."""
    losses = losses_of(days, np.random.default_rng([seed, number]))
    a, b = losses.record(-days.of_a, 0.0), losses.record(0.0, days.of_b)
    seen = []
    for difference, size in METRICS.values():
        _, low, high = difference(a, b, 0.95, 0)
        seen.append((low <= days.rate_a_day * (days.factor - 1) * size <= high, (high - low) / 2))
    return tuple(seen)


def ever_wrong(days: Days, seed: int, number: int) -> tuple[tuple[bool, bool], ...]:
    """Of each metric, in one null world: whether a single look's, and an anytime interval, ever left out zero."""
    losses = losses_of(days, np.random.default_rng([seed, number]))
    a, before = losses.record(-days.of_a, 0.0), Stay(False, -days.of_a * DAY_S, days.of_a * DAY_S)
    wrong = np.zeros((len(METRICS), 2), bool)
    for look_h in LOOKS_H:
        b = losses.record(0.0, look_h * HOUR_S / DAY_S)
        watched = counting_share([before, Stay(True, 0.0, look_h * HOUR_S)])
        for k, (difference, _) in enumerate(METRICS.values()):
            single = difference(a, b, 0.95, 0)
            for j, (low, high) in enumerate((single[1:], widened(*single, watched))):
                wrong[k, j] |= low > 0 or high < 0
    return tuple((bool(one), bool(other)) for one, other in wrong)


def _coverage(wanted: Wanted) -> list[str]:
    worlds = QUICK_WORLDS if wanted.quick else wanted.worlds
    print(
        f"Version 2 loses the link {FACTOR:g} times as often. Share that held, and half width, a day's minutes or number.\n"
    )
    head("losses a day", "days differ by", "days of A, B", "worlds", *_columns("held", "half width"))
    missed = []
    for days in _grid(wanted, QUICK_DAYS if wanted.quick else DAYS):
        seen = over(wanted.jobs, hold, [(days, wanted.seed, k) for k in range(worlds)], _name(days))
        cells: list[object] = []
        for k, metric in enumerate(METRICS):
            cells += [share(one[k][0] for one in seen), float(np.median([one[k][1] for one in seen]))]
            misses = sum(not one[k][0] for one in seen)
            if days.variation <= 0.5 and clearly_more(misses, worlds, 0.07):
                missed.append(f"{metric}, {_name(days)}: intervals missed the truth in {misses} of {worlds} worlds")
        line(days.rate_a_day, days.variation, f"{days.of_a:g}, {days.of_b:g}", worlds, *cells)
    return missed


def _looks(wanted: Wanted) -> list[str]:
    worlds = QUICK_WORLDS if wanted.quick else wanted.worlds
    print(
        f"\nNull worlds, {BEFORE_DAYS:g} days of version 1 and {len(LOOKS_H)} looks within the week after. Ever wrong.\n"
    )
    head("losses a day", "days differ by", "worlds", *_columns("single looks", "anytime"))
    missed = []
    for days in _grid(wanted, ((BEFORE_DAYS, 7.0),), factor=1.0):
        seen = over(wanted.jobs, ever_wrong, [(days, wanted.seed, k) for k in range(worlds)], _name(days))
        cells: list[object] = []
        for k, metric in enumerate(METRICS):
            cells += [share(one[k][0] for one in seen), share(one[k][1] for one in seen)]
            wrong = sum(one[k][1] for one in seen)
            if clearly_more(wrong, worlds, 0.05):
                missed.append(f"{metric}, {_name(days)}: ever wrong in {wrong} of {worlds} null worlds")
        line(days.rate_a_day, days.variation, worlds, *cells)
    return missed


def _grid(wanted: Wanted, lengths: Sequence[tuple[float, float]], factor: float = FACTOR) -> list[Days]:
    rates = QUICK_RATES if wanted.quick else RATES_A_DAY
    return [Days(rate, cv, *days, factor) for rate in rates for cv in VARIATIONS for days in lengths]


def _columns(*what: str) -> list[str]:
    return [f"{metric}: {one}" for metric in METRICS for one in what]


def _name(days: Days) -> str:
    return f"{days.rate_a_day:g} a day +- {days.variation:.0%}, {days.of_a:g} and {days.of_b:g} days"
