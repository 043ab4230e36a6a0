"""Outages: rare, clumped, and honest also where there were none."""

from __future__ import annotations

import re

import numpy as np
import pandas as pd
import pytest

from dashboards.analysis.anytime import widening
from dashboards.analysis.block_series import number_stays
from dashboards.analysis.effect import estimate_effect
from dashboards.analysis.outage_effect import (
    DAYS_VARIATION,
    OutageRecord,
    _Compound,
    _dispersion,
    apart_from_changes,
    dropout_difference,
    outage_difference,
    outage_record,
)
from tests.bench.verdict.worlds import EPOCH_UTC_MS

DAY_S = 86_400


def days_of(losses_min: dict[int, dict[float, float]], days: float = 2.0) -> pd.DataFrame:
    """Ten-minute blocks; per version, losses of so many minutes at so many hours after its start."""
    rows = []
    for version, losses in losses_min.items():
        started_ms = EPOCH_UTC_MS + int((version - 1) * days * DAY_S * 1000)
        ended_ms = started_ms + int(days * DAY_S * 1000)
        for begin_ms in range(started_ms, ended_ms, 600_000):
            lost_s = sum(
                60 * minutes
                for hours, minutes in losses.items()
                if begin_ms <= started_ms + hours * 3_600_000 < begin_ms + 600_000
            )
            for connected, covered_s in ((True, 600 - lost_s), (False, lost_s)):
                if covered_s > 0:
                    rows.append(
                        {
                            "period_id": version,
                            "source_id": 1,
                            "time_zone": "UTC",
                            "placement_id": 1,
                            "version": version,
                            "link_id": int(connected),
                            "connected": connected,
                            "frequency_mhz": 5180.0 if connected else np.nan,
                            "period_started_at_utc_ms": started_ms,
                            "period_ended_at_utc_ms": ended_ms,
                            "started_at_utc_ms": begin_ms,
                            "ended_at_utc_ms": begin_ms + 600_000,
                            "first_utc_ms": begin_ms,
                            "last_utc_ms": begin_ms + (595_000 if connected else 1000 * int(lost_s) - 5000),
                            "covered_s": covered_s,
                            "n_dropouts": int(not connected),
                        }
                    )
    return pd.DataFrame(rows)


def test_no_outage_at_all_gives_a_finite_interval_about_zero_that_narrows_with_time():
    two, ten = (estimate_effect(days_of({1: {}, 2: {}}, days), 1, 2, "outage") for days in (2, 10))
    for effect in (two, ten):
        assert effect.estimate == 0
        assert effect.low < 0 < effect.high
    assert ten.high < two.high / 3
    assert (ten.verdict, ten.unit) == ("no-difference", "min/day")


def test_many_fewer_outage_minutes_are_better():
    often = dict.fromkeys(range(1, 46, 2), 8.0)
    effect = estimate_effect(days_of({1: often, 2: {20.0: 1.0}}), 1, 2, "outage")
    assert effect.estimate == pytest.approx(0.5 - len(often) * 8 / 2, rel=0.01)
    assert effect.high < 0
    assert effect.verdict == "better"
    assert estimate_effect(days_of({1: often, 2: {20.0: 1.0}}), 2, 1, "outage").verdict == "worse"


def test_losses_less_than_an_hour_apart_are_one_episode():
    blocks = days_of({1: {5.0: 2.0, 5.4: 3.0, 5.9: 1.0, 20.0: 4.0}})
    record = outage_record(blocks.assign(stay=0))
    assert record.episode_min == pytest.approx([6, 4])
    assert record.episode_dropouts == pytest.approx([3, 1])
    assert record.watched_days.sum() == pytest.approx(2)


def test_one_long_outage_decides_nothing():
    effect = estimate_effect(days_of({1: {10.0: 9.5}, 2: {}}), 1, 2, "outage")
    assert effect.verdict == "undecided"
    assert effect.low < -4.75 < effect.high


def episodes(days: float, sizes: np.ndarray, rng: np.random.Generator) -> OutageRecord:
    """Of such sizes, minutes and drop-outs alike, spread evenly over so many days."""
    return OutageRecord(np.ones(int(days)), rng.integers(0, int(days), len(sizes)), sizes, sizes)


@pytest.mark.parametrize(("rate_a_day", "length_min"), [(0.5, 3.0), (3.0, 2.0), (12.0, 5.0)])
def test_the_interval_holds_the_truth_of_simulated_episodes(rate_a_day, length_min):
    rng = np.random.default_rng(7)
    days, held, worlds = 5.0, 0, 200
    for _ in range(worlds):
        a, b = (
            episodes(days, rng.exponential(length_min * factor, rng.poisson(rate_a_day * days)), rng)
            for factor in (1.0, 1.5)
        )
        _, low, high = outage_difference(a, b, 0.95, seed=0)
        held += low <= 0.5 * rate_a_day * length_min <= high
    assert held / worlds >= 0.93


def half_width_of(a: OutageRecord, b: OutageRecord) -> float:
    _, low, high = dropout_difference(a, b, 0.95, seed=0)
    return (high - low) / 2


def on_days(*numbers: int) -> OutageRecord:
    """So many episodes of one drop-out on each day."""
    each = np.ones(sum(numbers))
    return OutageRecord(np.ones(len(numbers)), np.repeat(np.arange(len(numbers)), numbers), each, each)


def test_even_days_narrow_the_interval_from_what_is_thought_of_days_before():
    """By hand: one day each has twice the variance of 1 + 0.1 of 4 episodes over 1 + the least variation."""
    before = 1 + 0.1 * 4 / 1.1
    one, many = _compounds((4,), (4,)), _compounds((4,) * 8, (4,) * 8)
    assert _dispersion(one, 1.1, DAYS_VARIATION) == pytest.approx(2 * before)
    assert _dispersion(many, 1.1, DAYS_VARIATION) == 1  # no two days differ: 4 * before of 16 degrees
    assert half_width_of(on_days(4), on_days(4)) > 1.2 * np.sqrt(2) * 1.96 * np.sqrt(4)


def test_days_that_differ_widen_it_and_the_first_few_count_already():
    squares = (8 - 4) ** 2 * 2 + (7 - 4) ** 2 * 2  # of 8, 0 and of 7, 1
    found = _dispersion(_compounds((8, 0), (7, 1)), 1.1, DAYS_VARIATION)
    by_hand = (4 * (1 + 0.1 * 4 / 1.1) + squares / (1.1 * 16) * 4) / (4 + 2 - 2)
    assert found == pytest.approx(by_hand)
    assert half_width_of(on_days(8, 0), on_days(7, 1)) > 1.2 * half_width_of(on_days(4, 4), on_days(4, 4))


def _compounds(a: tuple[int, ...], b: tuple[int, ...]) -> tuple[_Compound, _Compound]:
    of_a, of_b = (_Compound(r.watched_days, r.episode_day, r.episode_dropouts) for r in (on_days(*a), on_days(*b)))
    return of_a, of_b


def still_open(blocks: pd.DataFrame) -> pd.DataFrame:
    last = blocks["period_id"] == blocks["period_id"].max()
    return blocks.assign(period_ended_at_utc_ms=blocks["period_ended_at_utc_ms"].mask(last).astype(float))


def first_days(losses: dict[int, dict[float, float]], hours: float, days: int = 2) -> pd.DataFrame:
    """Two days of v1 or more, then so many hours of v2, which goes on."""
    blocks = still_open(days_of(losses, days))
    return blocks[blocks["started_at_utc_ms"] < EPOCH_UTC_MS + (24 * days + hours) * 3_600_000]


def test_the_interval_for_looking_often_is_the_wider_the_less_of_the_planned_time_was_watched():
    prices = []
    for hours in (7, 12, 24, 47):
        effect = estimate_effect(first_days({1: {5.0: 2.0, 30.0: 2.0}, 2: {}}, hours), 1, 2, "drop-outs")
        assert effect.open
        prices.append((effect.anytime_high - effect.anytime_low) / (effect.high - effect.low))
        share = (1 / 2 + 1 / 7) / (1 / 2 + 24 / hours)  # planned: two days and a week
        assert prices[-1] == pytest.approx(widening(share), rel=0.02)
    assert prices == sorted(prices, reverse=True)


def test_of_outages_too_it_is_said_what_is_still_needed():
    often = {1: dict.fromkeys(range(1, 334, 4), 2.0), 2: {}}
    [running] = estimate_effect(first_days(often, 12, days=14), 1, 2, "drop-outs").needed
    assert re.match(r"About (a day|\d+ days) more of v2 would tell with a chance of 80 %, if the effect is", running)
    [ended] = estimate_effect(days_of({1: {5.0: 2.0, 30.0: 2.0}, 2: {}}), 1, 2, "drop-outs").needed
    assert "more of each of v1 and v2" in ended
    assert estimate_effect(days_of({1: {}, 2: {}}, 10), 1, 2, "outage").needed == ()


def test_a_version_seen_for_less_than_hours_has_no_interval_and_says_so():
    blocks = days_of({1: {}, 2: {}})
    short = pd.concat([blocks[blocks["version"] == 1], blocks[blocks["version"] == 2].head(30)])
    effect = estimate_effect(short, 1, 2, "outage")
    assert (effect.estimate, effect.low, effect.verdict) == (None, None, "undecided")
    assert (
        effect.warnings[0]
        == "Of outage, v2 has 4.8 h after the washout; an interval needs at least 6 h of each version."
    )


@pytest.mark.parametrize("losses", [{1: {47.84: 9.5}, 2: {}}, {1: {}, 2: {0.0: 9.5}}, {1: {47.84: 9.5}, 2: {0.0: 9.5}}])
def test_the_owners_own_power_cut_at_the_change_is_held_against_neither_version(losses):
    effect = estimate_effect(days_of(losses), 1, 2, "outage")
    assert effect.estimate == 0
    [said] = [warning for warning in effect.warnings if "set apart" in warning]
    assert [f"min under v{version}" in said for version in losses] == [bool(lost) for lost in losses.values()]


def test_an_outage_at_the_beginning_or_end_of_the_recording_or_by_day_counts():
    for losses in ({1: {0.2: 9.0}, 2: {}}, {1: {}, 2: {47.9: 9.0}}, {1: {30.0: 9.0}, 2: {}}):
        effect = estimate_effect(days_of(losses), 1, 2, "outage")
        assert abs(effect.estimate) == pytest.approx(4.5, rel=0.01)
        assert not any("set apart" in warning for warning in effect.warnings)


def test_a_change_to_a_version_that_is_not_compared_is_a_change_too():
    blocks = days_of({1: {}, 2: {47.84: 9.5}, 3: {}})
    assert estimate_effect(blocks, 1, 2, "outage").estimate == 0


def test_a_recording_knows_its_own_ends_where_only_two_of_its_versions_are_compared():
    days = days_of({1: {47.95: 2.0}, 2: {47.95: 2.0}})
    bounds = days["started_at_utc_ms"].min(), days["period_ended_at_utc_ms"].max()
    for started_ms, ended_ms, apart in (
        (bounds[0], bounds[1], {1: 120}),  # what v2 lost at the end of it all counts
        (bounds[0] - 1, bounds[1] + 1, {1: 120, 2: 120}),  # another version came
        (bounds[0], np.nan, {1: 120, 2: 120}),  # another version goes on
    ):
        known = days.assign(source_started_at_utc_ms=started_ms, source_ended_at_utc_ms=ended_ms)
        assert apart_from_changes(number_stays(known), 120.0)[1] == apart
    early = days_of({1: {0.05: 2.0}, 2: {}})
    for before_ms, apart in ((0, {}), (1, {1: 120})):
        known = early.assign(source_started_at_utc_ms=bounds[0] - before_ms, source_ended_at_utc_ms=np.nan)
        assert apart_from_changes(number_stays(known), 120.0)[1] == apart


def test_an_outage_of_hours_that_ends_with_the_change_is_set_apart_whole():
    hours = {40 + ten / 6: 10.0 for ten in range(48)}
    apart, seconds = apart_from_changes(number_stays(days_of({1: hours, 2: {}})), 120.0)
    assert seconds == {1: pytest.approx(8 * 3600)}
    assert apart["connected"].all()


def test_losses_over_and_over_are_not_taken_for_one_that_reaches_the_change():
    often = {ten / 6: 3.0 for ten in range(288)}
    _, seconds = apart_from_changes(number_stays(days_of({1: often, 2: {}})), 120.0)
    assert seconds == {1: pytest.approx(180)}


def test_planted_power_cuts_do_not_bias_null_worlds():
    rng = np.random.default_rng(4)
    estimates = []
    for _ in range(60):
        losses = {version: dict.fromkeys(rng.uniform(1, 46, rng.poisson(2)), 4.0) for version in (1, 2)}
        losses[1][47.84] = 9.5
        estimates.append(estimate_effect(days_of(losses), 1, 2, "outage").estimate)
    assert abs(np.mean(estimates)) < 3 * np.std(estimates) / np.sqrt(60)
