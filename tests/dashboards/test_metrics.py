"""Noise floor, drop-outs and the share of frames that were sent again: their columns, and how far their intervals can be
trusted."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from dashboards.analysis.block_series import number_stays
from dashboards.analysis.effect import estimate_effect
from dashboards.analysis.histograms import histogram_of
from dashboards.analysis.metric_columns import LEAST_EXPECTED, LEAST_PACKETS, is_told, joined, with_columns
from dashboards.analysis.metrics import METRICS
from dashboards.analysis.outage_effect import OutageRecord, dropout_difference, outage_record
from dashboards.sentences import amount, finding
from tests.bench.verdict.worlds import Family, simulate
from tests.dashboards.test_outage_effect import days_of

RETRY, NOISE = METRICS["retry-share"], METRICS["noise"]


def with_frames(
    blocks: pd.DataFrame, rng: np.random.Generator, *, share: float = 0.1, ratio: float = 1.0, a_second: float = 5.0
) -> pd.DataFrame:
    """Frames that come in bursts, and of version 1 such a ``share`` sent again, of version 2 ``ratio`` times that; it
    follows the level, and varies from block to block."""
    packets = rng.poisson(blocks["covered_s"] * a_second * rng.gamma(2, 0.5, len(blocks)))
    level_db = blocks["rssi_mean_dbm"].fillna(-68.0) + 68.0
    mean = packets * share * np.where(blocks["version"] == 2, ratio, 1.0) * np.exp2(-0.2 * level_db)
    again = rng.poisson(mean * rng.gamma(3, 1 / 3, len(blocks)))
    return blocks.assign(tx_packets=packets, tx_retries=again - again // 10, tx_failed=again // 10)


def frames_only(*cells: tuple[int, int, int], stay: int = 0) -> pd.DataFrame:
    """Ten-minute blocks of one version with (packets, retries, failures)."""
    n = len(cells)
    begin = 600_000 * np.arange(n)
    columns = dict(zip(("tx_packets", "tx_retries", "tx_failed"), np.array(cells).T, strict=True))
    times = {"started_at_utc_ms": begin, "ended_at_utc_ms": begin + 600_000, "mean_utc_ms": begin + 300_000.0}
    return pd.DataFrame(
        {
            "source_id": 1, "version": 1, "stay": stay, "link_id": 1, "covered_s": 600.0, "n_samples": 120,
            "last_utc_ms": begin + 595_000, **times, **columns,
        }
    )  # fmt: skip


def test_a_share_is_retries_and_failures_per_frame_with_half_a_count_added():
    blocks = with_columns(frames_only((200, 15, 4), (400, 0, 0)), RETRY)
    assert blocks["retry_mean_log2"].tolist() == pytest.approx([np.log2(19.5 / 200), np.log2(0.5 / 400)])
    assert blocks["retry_n"].tolist() == [200, 400]


def test_the_half_count_leaves_a_log_share_without_bias_from_eight_on():
    rng = np.random.default_rng(1)
    counts = rng.poisson(LEAST_EXPECTED, 200_000)
    assert np.mean(np.log2(counts + 0.5)) == pytest.approx(np.log2(LEAST_EXPECTED), abs=0.02)
    assert np.mean(np.log2(np.maximum(counts, 1))) < np.log2(LEAST_EXPECTED) - 0.05  # without it


def test_blocks_are_joined_until_each_can_tell_its_share():
    busy = frames_only(*[(400, 40, 0)] * 3)
    assert len(joined({1: busy}, RETRY)[1]) == 3
    idle = frames_only(*[(20, 2, 0)] * 11)  # at 10 % 80 frames are needed, and no less than 50 ever
    [found] = joined({1: idle}, RETRY).values()
    assert found["tx_packets"].tolist() == [80, 140]
    assert found["covered_s"].tolist() == [2400, 4200]
    assert found["ended_at_utc_ms"].tolist() == [2_400_000, 6_600_000]
    assert found["mean_utc_ms"].tolist() == pytest.approx([1_200_000, 4_500_000])
    assert found["retry_mean_log2"].tolist() == pytest.approx([np.log2(8.5 / 80), np.log2(14.5 / 140)])
    assert found["retry_n"].tolist() == pytest.approx([80 * 22.5 / 220, 140 * 22.5 / 220])


def test_joined_blocks_never_reach_over_a_change_and_too_few_frames_are_left_out():
    few = pd.concat([frames_only((30, 20, 0)), frames_only((60, 30, 0), stay=1)], ignore_index=True)
    [found] = joined({1: few}, RETRY).values()
    assert found["stay"].tolist() == [1]
    assert LEAST_PACKETS == 50


def test_other_metrics_are_not_joined():
    blocks = frames_only((20, 2, 0))
    assert joined({1: blocks}, METRICS["rssi"])[1] is blocks


def test_a_driver_that_never_tells_of_retries_tells_no_share():
    blocks = simulate(Family((1, 1)), 0.0, np.random.default_rng(1))
    blocks = with_frames(blocks, np.random.default_rng(2))
    assert is_told(blocks, RETRY)
    mute = blocks.assign(tx_retries=0, tx_failed=0)
    assert not is_told(mute, RETRY)
    half = blocks.assign(tx_retries=blocks["tx_retries"].where(blocks["version"] == 1, 0), tx_failed=0)
    assert is_told(half, RETRY)
    effect = estimate_effect(half, 1, 2, "retry-share")
    assert (effect.estimate, effect.verdict) == (None, "undecided")
    assert "No retry share was recorded with v2." in effect.warnings


def test_too_few_frames_sent_again_are_said_to_be_too_few():
    blocks = simulate(Family((1, 1)), 0.0, np.random.default_rng(1))
    blocks = with_frames(blocks, np.random.default_rng(2), share=0.2)
    once = blocks["tx_retries"].where(blocks["version"] == 1, 0)
    once.iloc[-1] = 3
    effect = estimate_effect(blocks.assign(tx_retries=once, tx_failed=0), 1, 2, "retry-share")
    assert (effect.low, effect.verdict) == (None, "undecided")
    assert (
        "Of retry share, v2 has too few frames sent again: an interval needs about 16 of each version."
        in effect.warnings
    )


def test_half_as_many_frames_sent_again_is_better():
    blocks = simulate(Family((4, 4)), 0.0, np.random.default_rng(4))
    effect = estimate_effect(with_frames(blocks, np.random.default_rng(5), ratio=0.3), 1, 2, "retry-share")
    assert effect.low < 0.3 < effect.high
    assert (effect.verdict, effect.unit) == ("better", "ratio")
    assert finding(effect).startswith("retry share is 0.")


@pytest.mark.slow
@pytest.mark.parametrize(("stays_h", "share", "a_second", "ratio"), [
    ((2, 2), 0.1, 5.0, 1.0), ((2, 2), 0.02, 0.5, 0.4), ((8, 8), 0.3, 50.0, 0.4), ((12,) * 4, 0.1, 5.0, 0.4),
])  # fmt: skip
def test_the_interval_of_a_retry_share_holds_the_truth(stays_h, share, a_second, ratio):
    rng = np.random.default_rng(6)
    held = n = 0
    for _ in range(60):
        blocks = with_frames(
            simulate(Family(stays_h), 0.0, rng), rng, share=share, ratio=ratio, a_second=a_second
        )  # fmt: skip
        effect = estimate_effect(blocks, 1, 2, "retry-share")
        if effect.low is not None:
            n, held = n + 1, held + (effect.low <= ratio <= effect.high)
    assert n >= 50
    assert held / n >= 0.93


def test_drop_outs_are_counted_by_episode_and_not_where_nobody_saw_them_begin():
    losses = {1: {5.0: 2.0, 5.4: 3.0, 20.0: 4.0, 30.0: 1.0}, 2: {}}
    blocks = days_of(losses)
    effect = estimate_effect(blocks, 1, 2, "drop-outs")
    assert effect.estimate == pytest.approx(-2.0, rel=0.01)  # four in two days
    unseen = blocks.assign(n_dropouts=blocks["n_dropouts"].where(blocks["started_at_utc_ms"] % 7 == 0, 0))
    assert estimate_effect(unseen, 1, 2, "drop-outs").high < effect.high + 1
    record = outage_record(blocks[blocks["version"] == 1].assign(stay=0))
    assert record.episode_dropouts.tolist() == [2, 1, 1]


def test_no_drop_out_at_all_leaves_a_finite_interval_that_narrows_with_time():
    two, ten = (estimate_effect(days_of({1: {}, 2: {}}, days), 1, 2, "drop-outs") for days in (2, 10))
    assert two.estimate == ten.estimate == 0
    assert two.low < ten.low < 0 < ten.high < two.high
    assert ten.verdict == "no-difference"
    assert amount(ten).startswith("0.0 a day [")


def test_many_fewer_drop_outs_are_better():
    often = dict.fromkeys(range(1, 46, 2), 1.0)
    effect = estimate_effect(days_of({1: often, 2: {20.0: 1.0}}), 1, 2, "drop-outs")
    assert (effect.verdict, effect.unit, effect.margin) == ("better", "1/day", 1.0)
    assert finding(effect).startswith("drop-out rate fell by 11 a day [")


def record_of(days: int, rate_a_day: float, mean: float, variation: float, rng: np.random.Generator) -> OutageRecord:
    """Episodes of geometric numbers of drop-outs, at a rate that differs from day to day."""
    rates = rate_a_day * (rng.gamma(1 / variation**2, variation**2, days) if variation else np.ones(days))
    day = np.repeat(np.arange(days), rng.poisson(rates / mean))
    numbers = rng.geometric(1 / mean, len(day)).astype(float)
    return OutageRecord(np.ones(days), day, numbers, numbers)


@pytest.mark.parametrize("days", [1, 5, 14])
@pytest.mark.parametrize(("rate_a_day", "mean"), [(0.5, 1.0), (3.0, 1.0), (12.0, 1.3), (12.0, 4.0)])
def test_the_interval_of_drop_outs_holds_the_truth(days, rate_a_day, mean):
    rng = np.random.default_rng(7)
    held = 0
    for _ in range(200):
        a, b = (record_of(days, rate_a_day * factor, mean, 0.0, rng) for factor in (1.0, 0.5))
        _, low, high = dropout_difference(a, b, 0.95, seed=0)
        held += low <= -0.5 * rate_a_day <= high
    assert held / 200 >= 0.93


@pytest.mark.slow
@pytest.mark.parametrize(("days", "rate_a_day"), [(5, 4.0), (8, 12.0), (14, 4.0)])
def test_the_interval_of_drop_outs_holds_the_truth_where_days_differ(days, rate_a_day):
    rng = np.random.default_rng(8)
    held = 0
    for _ in range(600):
        a, b = (record_of(days, rate_a_day * factor, 1.5, 0.5, rng) for factor in (1.0, 0.5))
        _, low, high = dropout_difference(a, b, 0.95, seed=0)
        held += low <= -0.5 * rate_a_day <= high
    assert held / 600 >= 0.93


def test_days_that_differ_widen_the_interval_of_drop_outs():
    day, one = np.arange(10), np.ones(10)
    even = OutageRecord(one, day, 4 * one, 4 * one)
    clumped = OutageRecord(one, day // 5, 4 * one, 4 * one)  # as many, all within two days of ten
    (_, low, high), (_, widest_low, widest_high) = (
        dropout_difference(record, record, 0.95, seed=0) for record in (even, clumped)
    )
    assert widest_high - widest_low > 1.3 * (high - low)


def test_a_noise_floor_that_fell_is_better():
    blocks = simulate(Family((4, 4)), -4.0, np.random.default_rng(9))
    noise = blocks.assign(noise_n=blocks["rssi_n"], noise_mean_dbm=blocks["rssi_mean_dbm"] - 25)
    effect = estimate_effect(noise, 1, 2, "noise")
    assert effect.low < -4 < effect.high
    assert (effect.verdict, effect.unit) == ("better", "dB")
    assert not any("heard" in warning for warning in effect.warnings)


def test_noise_has_the_narrowest_histogram_that_its_mean_allows():
    blocks = pd.DataFrame({"noise_n": [8, 3, 0], "noise_mean_dbm": [-94.25, -90.0, np.nan]})
    found = [histogram_of(pd.Series([blob])) for blob in with_columns(blocks, NOISE)["noise_histogram"]]
    assert [(values.tolist(), counts.tolist()) for values, counts in found] == [
        ([-95, -94], [2, 6]),
        ([-90], [3]),
        ([], []),
    ]


def test_noise_that_stands_at_one_value_leaves_its_rounding_open():
    blocks = simulate(Family((2, 2)), 0.0, np.random.default_rng(10))
    still = blocks.assign(noise_n=blocks["rssi_n"], noise_mean_dbm=-95.0)
    effect = estimate_effect(still, 1, 2, "noise")
    # Two levels known to within half a step each differ by a triangular error: 95 % within 0.78.
    assert 0.78 < effect.high < 1.3
    assert effect.estimate == pytest.approx(0, abs=1e-6)


def test_stays_are_numbered_before_blocks_are_joined():
    blocks = with_frames(simulate(Family((1, 1)), 0.0, np.random.default_rng(11)), np.random.default_rng(12))
    stays = number_stays(blocks)
    found = joined({version: stays[stays["version"] == version] for version in (1, 2)}, RETRY)
    assert sum(arm["tx_packets"].sum() for arm in found.values()) == pytest.approx(blocks["tx_packets"].sum())
