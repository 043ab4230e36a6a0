"""Trends and summaries, against numpy on the samples themselves."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards.analysis.histograms import histogram_quantiles, merge_histograms
from dashboards.analysis.summary import summarise
from dashboards.analysis.trend import MOST_BINS, bin_width_ms, trend
from logger.blocks import encode_histogram

MINUTE_MS, DAY_MS = 60_000, 86_400_000


def blobs(*values_by_block: list[int]) -> pd.Series:
    counted = [dict(zip(*np.unique(values, return_counts=True), strict=True)) for values in values_by_block]
    return pd.Series([encode_histogram({int(v): int(n) for v, n in one.items()}) for one in counted], dtype=object)


@given(st.lists(st.lists(st.integers(-127, 127), min_size=1, max_size=50), min_size=1, max_size=8))
def test_merging_histograms_keeps_every_count(values_by_block):
    counts = merge_histograms(blobs(*values_by_block), np.zeros(len(values_by_block), dtype=int), 1)
    everything = np.concatenate(values_by_block)
    assert counts.sum() == len(everything)
    assert counts[0] @ (np.arange(256) - 128) == everything.sum()


def test_quantiles_are_those_of_the_level_before_it_was_rounded():
    level = np.random.default_rng(1).normal(-61.3, 4, 20_000)
    counts = merge_histograms(blobs(np.round(level).astype(int).tolist()), np.array([0]), 1)
    found = histogram_quantiles(counts, (0.1, 0.5, 0.9))[0]
    assert found == pytest.approx(np.quantile(level, (0.1, 0.5, 0.9)), abs=0.1)


def test_a_constant_level_is_its_own_median_and_nothing_has_none():
    counts = merge_histograms(blobs([-60] * 7, [0]), np.array([0, 2]), 3)
    assert histogram_quantiles(counts, (0.5,))[:, 0] == pytest.approx([-60, np.nan, 0], nan_ok=True)


@pytest.mark.parametrize("days", [0.01, 1, 21, 365, 366, 3650])
def test_bins_grow_with_the_span_and_stay_few(days):
    width_ms = bin_width_ms(days * DAY_MS)
    assert days * DAY_MS / width_ms <= MOST_BINS
    assert width_ms <= max(10_000, 5 * days * DAY_MS / MOST_BINS)


def test_a_year_is_shown_by_the_day():
    assert bin_width_ms(365 * DAY_MS) == DAY_MS


def rows(levels: list[float], **columns: list[object]) -> pd.DataFrame:
    """Blocks of ten minutes, one after the other."""
    n = len(levels)
    started = np.arange(n) * 10 * MINUTE_MS
    frame = pd.DataFrame(
        {
            "source_id": 1, "version": 1, "placement_id": 1, "started_at_utc_ms": started,
            "ended_at_utc_ms": started + 10 * MINUTE_MS, "mean_utc_ms": started + 5.0 * MINUTE_MS,
            "rssi_histogram": blobs(*[[round(level)] * 5 for level in levels]),
            "rssi_n": 5, "rssi_mean_dbm": [float(round(level)) for level in levels],
        }
    )  # fmt: skip
    return frame.assign(**columns)


def test_a_bin_never_mixes_two_versions():
    found = trend(rows([-70, -70, -60, -60], version=[1, 1, 2, 2]), "rssi", width_ms=DAY_MS)
    assert found["median"].tolist() == pytest.approx([-70, -60])
    assert found["joined"].tolist() == [False, False]


def test_a_line_goes_on_where_the_log_did_and_breaks_at_a_gap():
    blocks = rows([-70] * 6)
    blocks.loc[3:, ["started_at_utc_ms", "ended_at_utc_ms", "mean_utc_ms"]] += DAY_MS
    found = trend(blocks, "rssi", width_ms=10 * MINUTE_MS)
    assert found["joined"].tolist() == [False, True, True, False, True, True]


def test_a_laptop_that_is_moved_all_the_time_does_not_make_endless_points():
    n = 6 * MOST_BINS
    found = trend(rows([-70] * n, placement_id=list(range(n))), "rssi", width_ms=60 * MINUTE_MS)
    assert len(found) <= 2 * MOST_BINS


def rate_rows(*rates_by_block: list[float]) -> pd.DataFrame:
    logs = [np.log2(rates) for rates in rates_by_block]
    return rows([0] * len(logs)).assign(
        tx_rate_histogram=blobs(*[np.round(8 * each).astype(int).tolist() for each in logs]),
        tx_rate_n=[len(each) for each in logs], tx_rate_mean_log2=[each.mean() for each in logs],
    )  # fmt: skip


def test_rates_come_back_in_megabits():
    found = trend(rate_rows([390.0, 433.3, 433.3, 433.3, 526.5]), "tx-rate", width_ms=DAY_MS)
    assert found["median"].iloc[0] == pytest.approx(433.3, rel=2 ** (1 / 16) - 1)


def test_a_rate_that_never_left_one_step_has_no_band():
    found = trend(rate_rows([300.0] * 5, [300.0] * 7), "tx-rate", width_ms=DAY_MS).iloc[0]
    assert [found["low"], found["median"], found["high"]] == pytest.approx([300, 300, 300])


def test_a_level_that_never_moved_has_no_band_and_its_neighbour_keeps_its_own():
    blocks = rows([-70, -70, -60, -58], version=[1, 1, 2, 2])
    found = trend(blocks, "rssi", width_ms=DAY_MS)
    assert found.loc[0, ["low", "median", "high"]].tolist() == pytest.approx([-70, -70, -70])
    assert found["low"].iloc[1] < found["high"].iloc[1]


def test_no_histogram_gives_an_empty_trend():
    blocks = rows([-70]).assign(rssi_histogram=b"")
    assert trend(blocks, "rssi", width_ms=DAY_MS).empty


def test_a_summary_weighs_blocks_by_their_samples_and_outages_by_their_time():
    blocks = rows([-70, -60, -60, 0]).assign(
        location="kiln room", band=["5", "5", "5", np.nan], placement_id=[1, 2, 2, 2],
        connected=[True, True, True, False], covered_s=[600.0, 600.0, 600.0, 200.0], n_dropouts=[0, 0, 0, 1],
        tx_rate_n=[1, 3, 0, 0], tx_rate_mean_log2=[np.log2(100), np.log2(200), np.nan, np.nan],
        rx_rate_n=0, rx_rate_mean_log2=np.nan,
        noise_n=[3, 1, 0, 0], noise_mean_dbm=[-92.0, -88.0, np.nan, np.nan],
        busy_n=[1, 3, 0, 0], busy_mean_share=[0.1, 0.5, np.nan, np.nan],
        tx_rate_stale_n=[1, 3, 0, 0], rx_rate_stale_n=0,
    )  # fmt: skip
    blocks = blocks.assign(
        first_utc_ms=blocks["started_at_utc_ms"], last_utc_ms=blocks["started_at_utc_ms"], n_samples=5
    )
    blocks.loc[3, "rssi_histogram"] = b""
    blocks.loc[3, "band"] = "5"
    row = summarise(blocks).iloc[0]
    assert row["n_placements"] == 2
    assert row["hours"] == pytest.approx(2000 / 3600)
    assert (row["n_outages"], row["n_dropouts"]) == (1, 1)
    unseen = summarise(blocks.assign(n_dropouts=0)).iloc[0]  # it was there when a period began
    assert (unseen["n_outages"], unseen["n_dropouts"]) == (1, 0)
    assert row["rssi_median_dbm"] == pytest.approx(-60.25)  # 10 of 15 within -60.5 to -59.5: 2.5 of 10 into it
    assert row["tx_rate_mbps"] == pytest.approx(100 ** (1 / 4) * 200 ** (3 / 4))
    assert row["noise_dbm"] == pytest.approx(-91)
    assert row["busy_percent"] == pytest.approx(40)
    assert row["tx_rate_stale_percent"] == pytest.approx(50)
    assert np.isnan(row["rx_rate_stale_percent"])
    assert np.isnan(row["rx_rate_mbps"])
    assert row["outage_min_per_day"] == pytest.approx(1440 * 200 / 2000)
