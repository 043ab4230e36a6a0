"""Outages counted, against exact Poisson intervals and hand computation."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import poisson

from dashboards.analysis.lasting.outage_count import count_outages, pearson_dispersion, poisson_interval

DAY_MS = 86_400_000
HOUR_MS = 3_600_000


def watched(days: float) -> pd.DataFrame:
    whole = int(np.ceil(days))
    covered = np.minimum(1.0, days - np.arange(whole)) * 86_400
    return pd.DataFrame({"started_at_utc_ms": np.arange(whole) * DAY_MS, "covered_s": covered})


def spells(*at_hours_and_minutes: tuple[float, float], n_dropouts: int = 1) -> pd.DataFrame:
    at = np.array([hour for hour, _ in at_hours_and_minutes], dtype=float)
    minutes = np.array([minute for _, minute in at_hours_and_minutes], dtype=float)
    return pd.DataFrame(
        {
            "started_at_utc_ms": at * HOUR_MS, "ended_at_utc_ms": at * HOUR_MS + 60_000 * minutes,
            "lasted_s": 60 * minutes, "n_dropouts": n_dropouts,
        }
    )  # fmt: skip


@pytest.mark.parametrize(
    ("n", "low", "high"), [(0, 0.0, 3.6889), (1, 0.0253, 5.5716), (3, 0.6187, 8.7673), (10, 4.7954, 18.3904)]
)
def test_counts_have_garwoods_interval(n, low, high):
    """Published values of the exact 95 % interval (Garwood 1936)."""
    found = poisson_interval(n, 1.0, 0.025)
    assert [found.low, found.high] == pytest.approx([low, high], abs=2e-4)


@given(st.integers(1, 200))
def test_each_end_is_the_mean_at_which_the_count_is_just_that_unlikely(n):
    found = poisson_interval(n, 1.0, 0.025)
    assert poisson.sf(n - 1, found.low) == pytest.approx(0.025, rel=1e-6)
    assert poisson.cdf(n, found.high) == pytest.approx(0.025, rel=1e-6)


def test_three_single_outages_in_nine_days():
    found = count_outages(watched(9), spells((10, 30.0), (80, 6.0), (150, 5.0)))
    assert found.days == pytest.approx(9)
    assert (found.count.estimate, found.minutes.estimate, found.longest_min.estimate) == (3, 41, 30)
    assert [found.count.low, found.count.high] == pytest.approx([0.6187, 8.7673], abs=2e-4)
    assert found.between_days.estimate == pytest.approx(3)
    assert [found.between_days.low, found.between_days.high] == pytest.approx([9 / 8.7673, 9 / 0.6187], rel=1e-3)
    assert found.minutes.low < 41 < found.minutes.high
    assert found.longest_min.low < 30 < found.longest_min.high


def test_none_seen_leaves_a_rate_that_may_be_and_lengths_that_nobody_knows():
    found = count_outages(watched(9), spells())
    assert (found.count.estimate, found.minutes.estimate, found.minutes.high) == (0, 0, None)
    assert found.count.high == pytest.approx(3.6889, abs=1e-4)
    assert (found.between_days.estimate, found.between_days.high) == (None, None)
    assert found.between_days.low == pytest.approx(9 / 3.6889, rel=1e-4)


def test_outages_in_clumps_tell_less_than_as_many_apart():
    apart = count_outages(watched(10), spells(*((24 * day + 5, 2.0) for day in range(8))))
    clumps = count_outages(watched(10), spells(*((24 * day + 5 + n / 4, 2.0) for day in (1, 7) for n in range(4))))
    assert apart.count.estimate == clumps.count.estimate == 8
    assert clumps.count.high > 1.5 * apart.count.high
    assert clumps.count.low < 0.5 * apart.count.low


def test_a_row_of_several_short_ones_counts_as_several_of_equal_length():
    found = count_outages(watched(3), spells((5, 8.0), n_dropouts=4))
    assert (found.count.estimate, found.longest_min.estimate, found.minutes.estimate) == (4, 2, 8)


def test_days_that_differ_are_over_dispersed_and_even_ones_are_not():
    assert pearson_dispersion(np.array([2.0, 2, 2, 2]), np.ones(4)) == 1
    by_hand = ((8 - 2) ** 2 / 2 + 3 * (0 - 2) ** 2 / 2) / 3
    assert pearson_dispersion(np.array([8.0, 0, 0, 0]), np.ones(4)) == pytest.approx(by_hand)
    assert pearson_dispersion(np.array([3.0, 0.0]), np.ones(2)) == 1  # too little to tell


def test_a_few_hours_tell_nothing():
    assert count_outages(watched(0.2), spells()) is None
    assert count_outages(watched(0.25), spells()) is not None


def test_the_same_seed_gives_the_same_and_longer_outages_scale_the_minutes():
    some = spells((10, 3.0), (40, 6.0), (80, 5.0))
    one, again = (count_outages(watched(9), some, seed=3) for _ in range(2))
    assert one == again
    tripled = count_outages(watched(9), some.assign(lasted_s=3 * some["lasted_s"]), seed=3)
    assert [tripled.minutes.low, tripled.minutes.high] == pytest.approx([3 * one.minutes.low, 3 * one.minutes.high])
    assert tripled.longest_min.high == pytest.approx(3 * one.longest_min.high)
