"""Presence, loads and differences between channels, against what numpy and scipy say of the same numbers."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from dashboards.analysis.air.airtime import (
    Looks,
    busiest_hours,
    by_hours,
    daily_means,
    difference,
    full_sweeps,
    once_each,
    per_look,
    presences,
    t_quantile,
    visits_on,
)


def looks_of(seen, n_looks, *, n_radios=3, asked=True, visits=()):
    """``seen``: (look, radio, RSSI, load) in any order; ``visits``: (look, MHz, active, busy)."""
    seen = np.array(seen, dtype=float).reshape(-1, 4)
    visits = np.array(visits, dtype=float).reshape(-1, 4)
    at = np.arange(n_looks)
    return Looks(
        day=at // 24, hour=at % 24, asked=np.full(n_looks, asked), n_radios=n_radios,
        seen_look=seen[:, 0].astype(int), seen_radio=seen[:, 1].astype(int), seen_rssi_dbm=seen[:, 2], seen_load=seen[:, 3],
        visit_look=visits[:, 0].astype(int), visit_mhz=visits[:, 1].astype(int), visit_noise_dbm=np.full(len(visits), np.nan),
        visit_active_ms=visits[:, 2], visit_busy_ms=visits[:, 3],
    )  # fmt: skip


def test_a_radio_counts_by_the_share_of_looks_in_which_it_was_heard():
    looks = looks_of([(0, 0, -70, 0.2), (1, 0, -60, np.nan), (3, 0, -65, 0.6), (2, 1, np.nan, np.nan)], 4)
    first, second, third = presences(looks, np.ones(4, dtype=bool))
    assert (first.n_heard, first.share, first.rssi_median_dbm, first.load, first.n_load) == (3, 0.75, -65, 0.4, 2)
    assert first.rssi_p95_dbm == pytest.approx(np.percentile([-70, -60, -65], 95))
    assert (second.share, second.rssi_median_dbm, second.load) == (0.25, None, None)
    assert (third.n_heard, third.share) == (0, 0.0)


def test_looks_that_do_not_count_do_not():
    looks = looks_of([(0, 0, -70, 0.2), (1, 0, -60, 0.4)], 4)
    assert presences(looks, np.array([True, False, True, True]))[0].share == pytest.approx(1 / 3)


def test_another_programs_scan_counts_where_it_heard_something_new_off_the_own_channel():
    looks = looks_of(
        [(0, 0, -60, np.nan), (1, 0, -60, np.nan), (1, 2, -80, np.nan), (3, 2, -80, np.nan)], 4, asked=False
    )
    elsewhere = np.array([False, False, True])
    assert full_sweeps(looks, elsewhere).tolist() == [False, True, False, True]
    assert full_sweeps(looks_of([], 4), elsewhere).tolist() == [True] * 4


def test_addresses_of_one_transmitter_count_once_at_a_look():
    looks = looks_of([(0, 0, -60, 0), (0, 1, -60, 0), (1, 1, -60, 0), (1, 2, -80, 0)], 3)
    once = once_each(looks, np.array([1, 1, 2]))
    assert per_look(3, once, np.array([9.0, 1.0, 0.5])).tolist() == [1.0, 1.5, 0.0]


@given(st.lists(st.tuples(st.integers(0, 30), st.integers(0, 2)), max_size=60, unique=True))
def test_sums_at_a_look_are_those_of_a_plain_count(seen):
    looks = looks_of([(look, radio, -60, 0) for look, radio in seen], 31)
    group, weight = np.array([0, 0, 2]), np.array([1.0, 0.0, 0.25])
    plain = [sum(weight[g] for g in {int(group[r]) for at, r in seen if at == look}) for look in range(31)]
    assert per_look(31, once_each(looks, group), weight).tolist() == plain


@pytest.mark.parametrize("n_days", [3, 4, 9, 30, 365])
def test_a_difference_is_judged_by_the_days_like_any_paired_t_test(n_days):
    rng = np.random.default_rng(n_days)
    own, other = rng.normal(3, 1, n_days), rng.normal(1, 1, n_days)
    found = difference(dict(enumerate(own)), dict(enumerate(other)))
    low, high = stats.ttest_rel(own, other).confidence_interval(0.95)
    assert (found.estimate, found.low, found.high) == pytest.approx(((own - other).mean(), low, high))
    wider = difference(dict(enumerate(own)), dict(enumerate(other)), n_compared=5)
    low, high = stats.ttest_rel(own, other).confidence_interval(0.99)
    assert (wider.low, wider.high) == pytest.approx((low, high))


def test_two_days_tell_no_interval_and_no_common_day_tells_nothing():
    assert difference({1: 3.0, 2: 3.0, 7: 9.0}, {1: 1.0, 2: 2.0}).low is None
    assert difference({1: 3.0}, {2: 1.0}) is None


@given(st.floats(0.501, 0.9999), st.integers(1, 800))
def test_the_quantile_of_students_t_is_that_of_scipy(probability, freedom):
    assert t_quantile(probability, freedom) == pytest.approx(stats.t.ppf(probability, freedom), rel=1e-9)


def test_a_coverage_of_95_in_100_of_differences_between_days():
    rng = np.random.default_rng(7)
    held = 0
    for _ in range(2000):
        days = rng.normal(0.3, 0.1, (2, 6)) + rng.normal(0, 0.3, 6)  # what both channels share in a day drops out
        found = difference(dict(enumerate(days[0] + 0.05)), dict(enumerate(days[1])))
        held += found.low <= 0.05 <= found.high
    assert 0.935 <= held / 2000 <= 0.965


def test_days_with_little_do_not_count_and_weights_do():
    day, value = np.array([0, 0, 0, 1, 1, 2]), np.array([1.0, 3.0, np.nan, 5.0, 7.0, 9.0])
    assert daily_means(day, value, np.array([3.0, 1, 1, 1, 1, 1]), 2) == {0: 1.5, 1: 6.0}


def test_the_busiest_time_of_the_day_is_told_where_it_stands_out():
    at = np.arange(24 * 4)
    evening = np.where((at % 24 >= 18) & (at % 24 < 21), 0.5, 0.2)
    hours = by_hours(at % 24, evening, np.ones(96), at // 24)
    assert hours == pytest.approx((0.2,) * 6 + (0.5, 0.2))
    assert busiest_hours(hours) == (18, 21)
    assert busiest_hours(by_hours(at % 24, np.full(96, 0.2), np.ones(96), at // 24)) is None
    assert by_hours(at[:48] % 24, evening[:48], np.ones(48), at[:48] // 24) == (None,) * 8  # two days


def test_counters_that_were_added_up_are_no_visit():
    looks = looks_of(
        [], 4, visits=[(0, 5180, 110, 20), (1, 5180, 9_000_000, 400_000), (2, 5180, 0, 0), (3, 5200, 110, 1)]
    )
    assert visits_on(looks, 5180).tolist() == [True, False, False, False]
