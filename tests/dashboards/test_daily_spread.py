"""The hours of the day, against numpy on the samples themselves, and day against night."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from scipy.stats import ttest_1samp

from dashboards.analysis.lasting.daily_spread import day_less_night, hour_spreads, mean_of_dates, wall_clock_s
from tests.dashboards.test_trend import blobs

HOUR_MS = 3_600_000


def hourly(levels_by_hour: list[list[int]], **columns: object) -> pd.DataFrame:
    """A block per hour."""
    frame = pd.DataFrame(
        {
            "source_id": 1, "placement_id": 1, "rssi_histogram": blobs(*levels_by_hour),
            "rssi_n": [len(each) for each in levels_by_hour],
            "rssi_mean_dbm": [float(np.mean(each)) for each in levels_by_hour],
        }
    )  # fmt: skip
    return frame.assign(**columns)


def test_an_hours_quantiles_are_those_of_its_samples_over_all_dates():
    rng = np.random.default_rng(1)
    samples = np.round(rng.normal(-60, 3, (48, 2000))).astype(int)
    found = hour_spreads(hourly(samples.tolist()), np.arange(48) * 3600.0)
    assert [one.hour for one in found] == list(range(24))
    both = np.concatenate([samples[5], samples[29]])
    near = np.quantile(both + rng.uniform(-0.5, 0.5, len(both)), (0.1, 0.5, 0.9))
    assert [found[5].low_dbm, found[5].median_dbm, found[5].high_dbm] == pytest.approx(near, abs=0.15)
    assert found[5].n_samples == 4000


def test_an_hour_without_samples_is_left_out():
    found = hour_spreads(hourly([[-60] * 5, [-61] * 5]), np.array([3.0, 7.0]) * 3600)
    assert [one.hour for one in found] == [3, 7]
    assert hour_spreads(hourly([[-60]]).iloc[:0], np.empty(0)) == ()


def test_placements_are_set_on_one_level_so_that_moving_is_no_spread():
    still = [[-60, -61, -62, -61]] * 3
    blocks = hourly([*still, [-50, -51, -52, -51]], placement_id=[1, 1, 1, 2])
    found = hour_spreads(blocks, np.full(4, 3600.0))[0]
    alone = hour_spreads(hourly(still), np.full(3, 3600.0))[0]
    assert [found.low_dbm, found.high_dbm] == pytest.approx([alone.low_dbm, alone.high_dbm])


def test_the_wall_clock_goes_by_each_blocks_zone_and_by_summer_time():
    times = pd.Series(pd.to_datetime(["2026-01-10 12:00", "2026-07-10 12:00", "2026-07-10 12:00"], utc=True))
    blocks = pd.DataFrame({"mean_utc_ms": times.dt.as_unit("ms").astype("int64").astype(float)})
    blocks["time_zone"] = ["Europe/Vienna", "Europe/Vienna", "Asia/Tokyo"]
    assert (wall_clock_s(blocks) % 86_400 / 3600).tolist() == [13, 14, 21]


def nights_and_days(differences: list[float]) -> tuple[pd.DataFrame, np.ndarray]:
    hours = np.arange(24 * len(differences))
    by_day = (hours % 24 >= 8) & (hours % 24 < 22)
    level = -60 + np.where(by_day, np.repeat(differences, 24), 0.0)
    return hourly([[0]] * len(hours), rssi_mean_dbm=level), hours * 3600.0


def test_day_less_night_is_the_mean_of_the_dates_differences():
    found = day_less_night(*nights_and_days([1.0, 3.0, 1.5, 2.5]))
    assert found.estimate == pytest.approx(2.0)
    assert found.low < 1 < 3 < found.high


def test_fewer_than_three_whole_dates_tell_nothing():
    assert day_less_night(*nights_and_days([1.0, 1.2])) is None
    blocks, hours_s = nights_and_days([1.0] * 9)
    by_day = (hours_s // 3600 % 24 >= 8) & (hours_s // 3600 % 24 < 22)
    assert day_less_night(blocks[by_day], hours_s[by_day]) is None
    assert day_less_night(blocks[:0], hours_s[:0]) is None


def test_a_laptop_moved_at_nightfall_has_no_pair_of_day_and_night():
    blocks, hours_s = nights_and_days([1.0] * 9)
    by_day = (hours_s // 3600 % 24 >= 8) & (hours_s // 3600 % 24 < 22)
    assert day_less_night(blocks.assign(placement_id=by_day.astype(int)), hours_s) is None


def test_where_dates_alternate_the_interval_is_students():
    values = np.array([1.0, -1.0] * 10) + np.linspace(0, 0.1, 20)
    found, student = mean_of_dates(values, 0.95), ttest_1samp(values, 0.0).confidence_interval(0.95)
    assert [found.low, found.high] == pytest.approx([student.low, student.high])


def test_where_neighbouring_dates_go_together_it_is_wider():
    values = np.sin(np.arange(30) / 4)
    found, student = mean_of_dates(values, 0.95), ttest_1samp(values, 0.0).confidence_interval(0.95)
    assert found.high - found.low > 2 * (student.high - student.low)
