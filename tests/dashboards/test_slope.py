"""The slope of the level over weeks: right where it can be known, and wide where it cannot."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import linregress, theilslopes

from dashboards.analysis.lasting.slope import DAY_S, MONTH_S, slope_per_month
from tests.bench.stability_coverage import A_DAY, STEP_S, bursts, ou, walk


def record(days: float, seed: int = 1, sd: float = 0.5) -> tuple[np.ndarray, np.ndarray]:
    n = int(days * A_DAY)
    return STEP_S * np.arange(n), -60 + sd * np.random.default_rng(seed).standard_normal(n)


def slope(time_s, level_db, placement=None, **how):
    placement = np.zeros(len(time_s), int) if placement is None else placement
    return slope_per_month(time_s, time_s, level_db, placement, **how)


def test_less_than_three_days_cannot_tell():
    assert slope(*record(2.9)) is None
    assert slope(*record(3.0)) is not None
    assert slope(np.empty(0), np.empty(0)) is None


def test_a_line_without_noise_is_found_as_it_is():
    time_s, _ = record(20)
    found = slope(time_s, 2.5 * time_s / MONTH_S)
    assert found.estimate == pytest.approx(2.5, abs=0.01)
    assert found.high - found.low < 0.1


def test_in_white_noise_it_is_near_the_least_squares_slope_and_wider():
    time_s, level = record(30)
    level = level + 1.5 * time_s / MONTH_S
    found, plain = slope(time_s, level), linregress(time_s / MONTH_S, level)
    assert found.estimate == pytest.approx(plain.slope, abs=2 * plain.stderr)
    assert found.high - found.low > 2 * 1.96 * plain.stderr
    assert found.low <= 1.5 <= found.high


def test_shifting_changes_nothing_scaling_scales_and_mirroring_flips_the_sign():
    time_s, level = record(12)
    found = slope(time_s, level)
    for other, factor in ((level + 9, 1), (3 * level, 3), (-level, -1)):
        again = slope(time_s, other)
        ends = sorted(factor * end for end in (found.low, found.high))
        assert again.estimate == pytest.approx(factor * found.estimate, rel=1e-3, abs=1e-6)
        assert [again.low, again.high] == pytest.approx(ends, rel=1e-3)


def test_moving_the_laptop_is_no_slope():
    time_s, level = record(20)
    placement = (time_s // (5 * DAY_S)).astype(int)
    found, moved = slope(time_s, level, placement), slope(time_s, level + 4 * placement, placement)
    assert [moved.estimate, moved.low, moved.high] == pytest.approx([found.estimate, found.low, found.high], abs=1e-6)


def test_placements_that_are_too_many_leave_nothing_to_tell():
    time_s, level = record(4)
    assert slope(time_s, level, (time_s // STEP_S).astype(int)) is None


def test_the_day_of_one_who_logs_in_the_evenings_is_no_slope():
    """Logged later every evening, on a daily wave of 3 dB: the mean level of a date rises though nothing does."""
    time_s, level = record(20, sd=0.3)
    level = level + 3 * np.sin(2 * np.pi * time_s / DAY_S)
    hour, date = time_s % DAY_S / 3600, time_s // DAY_S
    here = (hour - date / 5) % 24 < 4
    naive = linregress(time_s[here] / MONTH_S, level[here])
    found = slope(time_s[here], level[here])
    assert abs(naive.slope) > 5 * naive.stderr
    assert found.low <= 0 <= found.high


def test_bursts_hardly_move_it():
    time_s, level = record(30)
    found, burst = slope(time_s, level), slope(time_s, level + bursts(len(level), np.random.default_rng(2)))
    assert abs(burst.estimate - found.estimate) < 0.5


@pytest.mark.parametrize("days", [3, 20])
def test_a_random_walk_is_not_taken_for_a_slope_where_theil_and_sen_take_it_for_one(days):
    held, naive_held, worlds = 0, 0, 40
    for world in range(worlds):
        rng = np.random.default_rng([9, world])
        n = days * A_DAY
        time_s, level = STEP_S * np.arange(n), walk(n, 1.2, rng) + ou(n, 1200, 0.5, rng)
        found = slope(time_s, level)
        held += found.low <= 0 <= found.high
        hourly = level.reshape(-1, 6).mean(axis=1)
        naive = theilslopes(hourly)
        naive_held += naive.low_slope <= 0 <= naive.high_slope
    assert held >= 0.875 * worlds  # 6 of 40 have a chance of 1 % at 95 %
    assert naive_held <= 0.5 * worlds


def test_more_confidence_takes_a_wider_interval():
    time_s, level = record(10)
    narrow, wide = (slope(time_s, level, confidence=confidence) for confidence in (0.8, 0.99))
    assert wide.low < narrow.low < narrow.high < wide.high
