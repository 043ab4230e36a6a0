"""From block rows to a series: nothing is lost, no change is crossed, it stays fine where it matters."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from dashboards.analysis.block_series import MOST_BLOCKS, after_washout, number_stays, series_from_blocks
from tests.bench.verdict.worlds import EPOCH_UTC_MS, FAMILIES, Family, cut, simulate


def series_of(blocks: pd.DataFrame):
    return series_from_blocks(number_stays(blocks), "rssi_mean_dbm", "rssi_n", "rssi_histogram", 2)


@pytest.fixture(scope="module")
def three_days_each():
    return simulate(FAMILIES["d3"], 0.0, np.random.default_rng(1))


def test_merging_keeps_every_sample_and_the_mean_of_each_version(three_days_each):
    series = series_of(three_days_each)
    assert len(series.mean) <= MOST_BLOCKS < len(three_days_each)
    for version in (1, 2):
        rows = three_days_each[three_days_each["version"] == version]
        own = series.is_b == (version == 2)
        assert series.n_samples[own].sum() == rows["rssi_n"].sum()
        merged = np.average(series.mean[own], weights=series.n_samples[own])
        assert merged == pytest.approx(np.average(rows["rssi_mean_dbm"], weights=rows["rssi_n"]))


def test_blocks_stay_fine_at_the_change_and_coarse_elsewhere(three_days_each):
    series = series_of(three_days_each)
    change_s = series.mid_s[series.is_b].min()
    near = np.abs(series.mid_s - change_s) < 60
    assert series.length_s[near].max() <= 20
    assert series.length_s[0] > 600  # nothing changed before the first block


def test_lengths_never_reach_past_the_neighbouring_blocks(three_days_each):
    series = series_of(three_days_each)
    gaps_s = np.diff(series.mid_s)
    assert np.all(gaps_s > 0)
    assert np.all((series.length_s[1:] + series.length_s[:-1]) / 2 <= gaps_s + 1e-6)


def test_many_switches_still_give_few_blocks_each_within_one_stay():
    series = series_of(simulate(Family((0.5,) * 60), 0.0, np.random.default_rng(2)))
    assert len(series.mean) <= MOST_BLOCKS
    assert np.array_equal(np.unique(series.stay), np.arange(60))
    assert np.array_equal(series.is_b, series.stay % 2 == 1)


def test_periods_that_abut_with_nothing_changed_are_one_stay():
    t_s = 10.0 * np.arange(1080)
    period = np.repeat([0, 1, 2], 360)
    blocks = cut(t_s, -60 + 0 * t_s, period, np.where(period == 2, 2, 1), 0 * period, EPOCH_UTC_MS)
    stays = number_stays(blocks.sample(frac=1, random_state=1))
    assert stays.groupby("period_id")["stay"].first().tolist() == [0, 0, 1]
    kept = after_washout(stays, 120.0)
    assert (kept["period_id"] == 2).sum() == (stays["period_id"] == 2).sum()
    assert kept[kept["period_id"] == 3]["started_at_utc_ms"].min() >= EPOCH_UTC_MS + 7_200_000 + 120_000


def test_a_gap_between_periods_of_one_version_parts_two_stays():
    t_s = np.append(10.0 * np.arange(360), 90_000 + 10.0 * np.arange(360))
    period = np.repeat([0, 1], 360)
    stays = number_stays(cut(t_s, -60 + 0 * t_s, period, 1 + 0 * period, 0 * period, EPOCH_UTC_MS))
    assert stays["stay"].nunique() == 2


def test_links_that_share_a_stretch_are_pooled():
    blocks = simulate(FAMILIES["m15"], 0.0, np.random.default_rng(3))
    twice = pd.concat([blocks, blocks.assign(link_id=2, rssi_mean_dbm=blocks["rssi_mean_dbm"] + 2)])
    one, pooled = series_of(blocks), series_of(twice)
    assert pooled.mean == pytest.approx(one.mean + 1)
    assert pooled.n_samples == pytest.approx(2 * one.n_samples)
    assert pooled.mid_s == pytest.approx(one.mid_s)


def test_the_day_is_that_of_the_wall_clock_across_a_change_of_the_hour():
    # Vienna leaves summer time on 2026-10-25 at 01:00 UTC.
    t_s = 600.0 * np.arange(48)
    begin = 1_792_886_400_000  # 2026-10-25 00:00 UTC
    series = series_of(
        cut(t_s, -60 + t_s % 7, t_s.astype(int) // 14_400, 1 + 0 * t_s.astype(int), 0 * t_s.astype(int), begin)
    )
    ahead_s = series.local_s - series.mid_s
    assert ahead_s[series.mid_s < 3_000] == pytest.approx(7200)
    assert ahead_s[series.mid_s > 5_000] == pytest.approx(3600)
