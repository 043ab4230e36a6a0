"""Effects with intervals: they find what was planted, widen where they must, and say what they lean on."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboards.analysis.effect import estimate_effect
from tests.bench.verdict.coverage import tally
from tests.bench.verdict.worlds import EPOCH_UTC_MS, FAMILIES, Family, cut, simulate

STEP_S = 10.0


def still_link(
    *levels_dbm: float, hours: float = 4, seed: int = 1, sd: float = 1.0, placements: tuple[int, ...] = ()
) -> pd.DataFrame:
    """White noise about one level per stay, versions 1 and 2 by turns."""
    n = round(hours * 3600 / STEP_S)
    stay = np.repeat(np.arange(len(levels_dbm)), n)
    rng = np.random.default_rng(seed)
    rssi = np.round(np.repeat(levels_dbm, n) + sd * rng.standard_normal(len(stay)))
    placement = np.asarray(placements)[stay] if placements else np.zeros_like(stay)
    return cut(STEP_S * np.arange(len(stay)), rssi, stay, 1 + stay % 2, placement, EPOCH_UTC_MS)


def with_rates(blocks: pd.DataFrame, mbps_1: float, mbps_2: float, seed: int = 2) -> pd.DataFrame:
    octaves = np.log2(np.where(blocks["version"] == 1, mbps_1, mbps_2))
    octaves = octaves + 0.1 * np.random.default_rng(seed).standard_normal(len(blocks))
    return blocks.assign(tx_rate_n=blocks["rssi_n"], tx_rate_mean_log2=octaves, tx_rate_histogram=b"")


def test_a_planted_step_is_found_within_its_interval():
    effect = estimate_effect(still_link(-70, -64), 1, 2, "rssi")
    assert effect.low < 6 < effect.high
    assert (effect.verdict, effect.scope, effect.unit) == ("better", "position", "dB")
    assert effect.hours_a == pytest.approx(4, abs=0.1)


def test_the_truth_is_held_about_as_often_as_promised():
    seen = tally(FAMILIES["m15"], 24, seed=5, washout_s=0)
    assert seen.held >= 0.84  # 4 misses of 24 at 95 % have a chance of 3 %, 5 of 0.6 %


def test_the_same_blocks_give_the_same_numbers_again():
    blocks = simulate(FAMILIES["h2"], 1.0, np.random.default_rng(3))
    assert estimate_effect(blocks, 1, 2, "rssi") == estimate_effect(blocks, 1, 2, "rssi")


def test_another_seed_of_the_integration_moves_the_interval_little():
    blocks = simulate(FAMILIES["h2"], 1.0, np.random.default_rng(4))
    one, other = (estimate_effect(blocks, 1, 2, "rssi", seed=seed) for seed in (0, 1))
    width = one.high - one.low
    assert abs(one.low - other.low) < 0.1 * width
    assert abs(one.high - other.high) < 0.1 * width


def test_swapping_the_versions_flips_the_sign():
    blocks = simulate(FAMILIES["h2"], 3.0, np.random.default_rng(5))
    there, back = estimate_effect(blocks, 1, 2, "rssi"), estimate_effect(blocks, 2, 1, "rssi")
    assert back.estimate == pytest.approx(-there.estimate, abs=0.02)
    assert (back.low, back.high) == pytest.approx((-there.high, -there.low), abs=0.1)
    assert {there.verdict, back.verdict} == {"better", "worse"}


def test_swapping_the_versions_inverts_the_ratio():
    blocks = with_rates(still_link(-70, -64), 100, 160)
    there, back = estimate_effect(blocks, 1, 2, "tx-rate"), estimate_effect(blocks, 2, 1, "tx-rate")
    assert there.low < 1.6 < there.high
    assert back.estimate == pytest.approx(1 / there.estimate, rel=0.01)
    assert (there.verdict, back.verdict, there.unit) == ("better", "worse", "ratio")


@settings(max_examples=5, deadline=None)
@given(st.integers(-30, 20))
def test_shifting_every_sample_changes_nothing_but_the_level(shift):
    blocks = still_link(-68, -66, hours=0.5)
    moved = blocks.assign(rssi_mean_dbm=blocks["rssi_mean_dbm"] + shift)
    here, there = estimate_effect(blocks, 1, 2, "rssi"), estimate_effect(moved, 1, 2, "rssi")
    assert (there.estimate, there.low, there.high) == pytest.approx((here.estimate, here.low, here.high))


def test_the_order_of_the_rows_does_not_matter():
    blocks = still_link(-70, -67, hours=1)
    shuffled = blocks.sample(frac=1, random_state=1)
    assert estimate_effect(blocks, 1, 2, "rssi") == estimate_effect(shuffled, 1, 2, "rssi")


def test_switching_back_and_forth_tells_more_than_one_change():
    once = estimate_effect(simulate(Family((12, 12)), 0, np.random.default_rng(6)), 1, 2, "rssi")
    often = estimate_effect(simulate(Family((3,) * 8), 0, np.random.default_rng(6)), 1, 2, "rssi")
    assert often.high - often.low < 0.7 * (once.high - once.low)
    assert "going back to v1 and again to v2" in " ".join(once.warnings)
    assert "coincidence" not in " ".join(often.warnings)


def test_what_cannot_be_told_yet_comes_with_what_would_tell():
    moved = estimate_effect(still_link(-70, -68, placements=(0, 1)), 1, 2, "rssi")
    assert moved.verdict == "undecided"
    assert moved.needed[0].startswith(("Measuring v1 and v2 for a day each at", "Not even measuring v1 and v2"))
    noisy = estimate_effect(still_link(-70, -68.9, -69.5, -69.3, hours=0.1), 1, 2, "rssi")
    assert noisy.verdict == "undecided"
    assert noisy.needed[0].startswith("Going back to v1 for a day and to v2 for another")
    assert estimate_effect(still_link(-70, -50), 1, 2, "rssi").needed == ()


def test_a_running_trial_is_judged_by_an_interval_that_holds_at_every_look():
    finished = simulate(FAMILIES["h2"], 2.5, np.random.default_rng([3, 1]))
    ended_ms = finished["period_ended_at_utc_ms"].astype(float)
    running = finished.assign(period_ended_at_utc_ms=ended_ms.where(finished["version"] == 1))
    one, other = (estimate_effect(blocks, 1, 2, "rssi") for blocks in (finished, running))
    assert (one.open, other.open) == (False, True)
    assert (one.low, one.high, one.anytime_low) == (other.low, other.high, other.anytime_low)
    assert other.anytime_low < other.low
    assert other.anytime_high > other.high
    nearer = [estimate_effect(blocks.assign(rssi_mean_dbm=blocks["rssi_mean_dbm"] - (blocks["version"] == 2) *
              (one.low + other.anytime_low) / 2), 1, 2, "rssi") for blocks in (finished, running)]  # fmt: skip
    assert [effect.verdict for effect in nearer] == ["better", "undecided"]
    assert nearer[1].needed


def test_a_difference_inside_the_margin_is_no_difference_even_where_it_is_certain():
    blocks = still_link(*[-70.0, -69.5] * 10, hours=2)
    effect = estimate_effect(blocks, 1, 2, "rssi")
    assert effect.low > 0
    assert effect.verdict == "no-difference"
    assert estimate_effect(blocks, 1, 2, "rssi", margin=0.2).verdict == "better"


def test_a_level_stuck_at_one_step_leaves_the_rounding_open():
    effect = estimate_effect(still_link(-60, -60, sd=0), 1, 2, "rssi")
    assert effect.estimate == pytest.approx(0, abs=1e-6)
    # Two levels known to within half a step each differ by a triangular error: 95 % within 0.78.
    assert 0.78 < effect.high < 1.2
    assert any("never left one step" in warning for warning in effect.warnings)


def test_a_driver_that_steps_by_two_db_leaves_twice_as_much_open():
    by_one = estimate_effect(still_link(-60, -58, -61, -58, sd=0), 1, 2, "rssi")
    by_two = estimate_effect(still_link(-60, -58, -62, -58, sd=0), 1, 2, "rssi")
    assert by_two.high - by_two.low > 1.5 * (by_one.high - by_one.low)


def test_versions_at_different_placements_are_not_told_apart_from_the_move():
    effect = estimate_effect(still_link(-70, -66, placements=(0, 1)), 1, 2, "rssi")
    assert (effect.high - effect.low) / 2 > 1.96 * np.sqrt(2) * 3
    assert (effect.verdict, effect.scope) == ("undecided", "location")
    assert any("never measured at the same placement" in warning for warning in effect.warnings)


def test_the_offset_of_a_placement_cancels_where_both_versions_share_it():
    near = estimate_effect(still_link(-70, -66, -80, -76, placements=(0, 0, 1, 1)), 1, 2, "rssi")
    assert near.low < 4 < near.high
    assert (near.high - near.low) / 2 < 3
    assert (near.scope, near.n_placements_a, near.n_placements_b) == ("location", 2, 2)


def test_a_claim_about_the_location_is_wider_than_one_about_the_position():
    levels = (-70, -66, -70, -66)
    position = estimate_effect(still_link(*levels), 1, 2, "rssi")
    location = estimate_effect(still_link(*levels, placements=(0, 0, 1, 1)), 1, 2, "rssi")
    assert location.high - location.low > position.high - position.low


def test_a_visit_elsewhere_by_one_version_leaves_the_claim_with_the_shared_placement():
    effect = estimate_effect(still_link(-70, -66, -75, placements=(0, 0, 1)), 1, 2, "rssi")
    assert (effect.scope, effect.n_placements_a, effect.n_placements_b) == ("position", 2, 1)
    assert effect.low < 4 < effect.high


def test_the_washout_is_left_out_and_a_retagged_period_has_none():
    blocks = still_link(-70, -66)
    washed = estimate_effect(blocks, 1, 2, "rssi", washout_s=600)
    assert washed.hours_b == pytest.approx(4 - 1 / 6, abs=0.05)
    half_ms = EPOCH_UTC_MS + 2 * 3_600_000
    late = (blocks["version"] == 1) & (blocks["started_at_utc_ms"] >= half_ms)
    split_at = blocks.loc[late, "started_at_utc_ms"].min()
    split = blocks.copy()
    split.loc[late, ["period_id", "period_started_at_utc_ms"]] = [99, split_at]
    split.loc[(split["version"] == 1) & ~late, "period_ended_at_utc_ms"] = split_at
    assert estimate_effect(split, 1, 2, "rssi", washout_s=600) == washed


def test_too_little_data_gives_no_interval_and_says_how_much_is_missing():
    effect = estimate_effect(still_link(-70, -66, hours=1 / 80), 1, 2, "rssi", washout_s=0)
    assert effect.estimate == pytest.approx(4, abs=1)
    assert (effect.low, effect.high, effect.verdict) == (None, None, "undecided")
    [said, *_] = [warning for warning in effect.warnings if warning.startswith("Of RSSI, v1 has")]
    assert "an interval needs at least 1 min of each version" in said


def test_a_version_wholly_inside_its_washout_gives_no_estimate():
    effect = estimate_effect(still_link(-70, -66, hours=0.1), 1, 2, "rssi", washout_s=900)
    assert (effect.estimate, effect.low, effect.hours_a) == (None, None, 0)


def test_a_metric_that_was_never_told_gives_no_estimate():
    blocks = with_rates(still_link(-70, -66, hours=1), 100, 100)
    blocks.loc[:, ["tx_rate_n"]] = 0
    effect = estimate_effect(blocks, 1, 2, "tx-rate")
    assert (effect.estimate, effect.verdict) == (None, "undecided")
    assert effect.warnings == ("No tx rate was recorded with v1 or v2.",)
    blocks.loc[blocks["version"] == 2, "tx_rate_n"] = 3
    assert "No tx rate was recorded with v1." in estimate_effect(blocks, 1, 2, "tx-rate").warnings


@pytest.mark.parametrize(
    ("a", "b", "metric", "options", "words"),
    [
        (1, 3, "rssi", {}, "v3 has no blocks"),
        (1, 1, "rssi", {}, "compared with itself"),
        (1, 2, "loudness", {}, "no metric 'loudness'"),
        (1, 2, "rssi", {"margin": 0.0}, "margin of 0 dB"),
        (1, 2, "tx-rate", {"margin": 1.0}, "above 1 is needed"),
        (1, 2, "rssi", {"margin": float("nan")}, "margin of nan"),
        (1, 2, "rssi", {"confidence": 95.0}, "between 0 and 1"),
    ],
)
def test_questions_that_cannot_be_asked_are_refused_in_plain_words(a, b, metric, options, words):
    with pytest.raises(ValueError, match=words):
        estimate_effect(still_link(-70, -66, hours=0.2), a, b, metric, **options)


def test_a_mean_that_is_not_a_number_is_refused():
    blocks = still_link(-70, -66, hours=0.5)
    blocks.loc[5, "rssi_mean_dbm"] = np.nan
    with pytest.raises(ValueError, match="not a number"):
        estimate_effect(blocks, 1, 2, "rssi", washout_s=0)


def test_samples_of_another_radio_are_set_apart():
    blocks = still_link(-70, -66)
    strayed = (blocks["version"] == 1) & (np.arange(len(blocks)) % 7 == 0)
    blocks.loc[strayed, "bssid"] = "02:00:00:00:00:99"
    blocks.loc[strayed, "rssi_mean_dbm"] = -40.0
    effect = estimate_effect(blocks, 1, 2, "rssi")
    assert effect.low < 4 < effect.high
    assert "of v1 was on other radios" in " ".join(effect.warnings)


def test_another_channel_is_an_effect_only_where_it_was_part_of_the_change():
    blocks = still_link(-70, -62)
    blocks.loc[blocks["version"] == 2, "frequency_mhz"] = 5745
    chance, planned = (estimate_effect(blocks, 1, 2, "rssi", radio_planned=planned) for planned in (False, True))
    assert (chance.verdict, planned.verdict) == ("undecided", "better")
    assert "may have chosen that by itself" in " ".join(chance.warnings)
    assert "5180 and 5745 MHz" in " ".join(planned.warnings)
    unnamed = estimate_effect(blocks.assign(bssid=None), 1, 2, "rssi")
    assert unnamed.verdict == "better"
    other = np.where(blocks["version"] == 2, "02:00:00:00:00:99", blocks["bssid"])
    router = estimate_effect(blocks.assign(bssid=other), 1, 2, "rssi")
    assert router.verdict == "better"
    assert "different radios" in " ".join(router.warnings)


def test_a_channel_that_the_router_left_by_itself_makes_no_finding():
    seen = tally(FAMILIES["hop"], 8, seed=2, washout_s=120)
    assert seen.held >= 0.75
    assert seen.wrong == 0


def test_a_weak_link_that_is_often_lost_is_said_to_be_weaker_than_it_looks():
    blocks = still_link(-86, -70)
    lost = (blocks["version"] == 1) & (np.arange(len(blocks)) % 3 == 0)
    blocks.loc[lost, ["connected", "link_id", "rssi_n"]] = [False, 0, 0]
    said = " ".join(estimate_effect(blocks, 1, 2, "rssi").warnings)
    assert "v1 was heard for 67 % of the time, at about -86 dBm, and v2 for 100 % of the time, at about -70 dBm" in said
    assert "the difference is larger than it seems" in said
    assert "was heard" not in " ".join(estimate_effect(still_link(-86, -70), 1, 2, "rssi").warnings)


def test_hundreds_of_switches_are_judged_without_running_out_of_memory():
    effect = estimate_effect(still_link(*[-70.0, -69.0] * 250, hours=0.1), 1, 2, "rssi", washout_s=0)
    assert effect.low < 1 < effect.high
    assert any("left out" in warning for warning in effect.warnings)


def test_two_recordings_at_once_are_two_measurements():
    one = still_link(-70, -66, hours=1)
    other = still_link(-60, -56, hours=1, seed=9).assign(
        source_id=2, placement_id=7, period_id=lambda rows: rows["period_id"] + 10
    )
    effect = estimate_effect(pd.concat([one, other]), 1, 2, "rssi")
    assert effect.low < 4 < effect.high
    assert effect.scope == "location"
