"""The outlook on a timetable, against intervals of real blocks; the trial as planned; what is still needed."""

from __future__ import annotations

import re
from dataclasses import replace
from itertools import pairwise

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from dashboards.analysis.block_series import after_washout, number_stays, series_from_blocks
from dashboards.analysis.effect import estimate_effect
from dashboards.analysis.integration import mixture_quantiles
from dashboards.analysis.level_effect import Noise
from dashboards.analysis.level_model import LevelModel
from dashboards.analysis.needed import Undecided, what_would_decide
from dashboards.analysis.outlook import (
    PLANNED_S,
    Stay,
    counting_share,
    gathered,
    half_width,
    information_share,
    learn_noise,
    planned_timetable,
    stays_of,
    turns,
)
from tests.bench.verdict.worlds import FAMILIES, Family, draw

HOUR_S, DAY_S = 3600.0, 86_400.0
WASHOUT_S = 120.0
NOISE = Noise(
    np.array([[0.8, 1.2, np.log(60.0), 0.1, 0.7, 1.5, np.log(1500.0)], [1.2, 0.8, np.log(30.0), 0.3, 1.2, 1.0, 9.0]]),
    quantum=1.0,
    stay_spread=2.0,
    sample_s=10.0,
)


def world_of(
    name: str, stays_h: tuple[float, ...] | None = None, seed: int = 1, *, still_open: bool = False
) -> pd.DataFrame:
    family = FAMILIES[name] if stays_h is None else replace(FAMILIES[name], stays_h=stays_h, gaps_h=())
    return blocks_of(family, seed, still_open=still_open)


def blocks_of(family: Family, seed: int, *, still_open: bool = False) -> pd.DataFrame:
    world = draw(family, 0.5, np.random.default_rng(seed))
    return world.readings.blocks(until_s=1e12) if still_open else world.blocks


def used_of(blocks: pd.DataFrame) -> pd.DataFrame:
    return after_washout(number_stays(blocks[blocks["connected"]]), WASHOUT_S)


def by_turns(*lasting_h: float, starts_h: float = 9.0) -> list[Stay]:
    stays, at_s = [], starts_h * HOUR_S
    for k, hours in enumerate(lasting_h):
        stays.append(Stay(bool(k % 2), at_s, hours * HOUR_S))
        at_s += hours * HOUR_S
    return stays


# The half width


def half_width_on_real_blocks(blocks: pd.DataFrame, noise: Noise) -> float:
    """By the level model over the blocks as they were logged."""
    series = series_from_blocks(used_of(blocks), "rssi_mean_dbm", "rssi_n", "rssi_histogram", 2)
    model = LevelModel(series, quantum=noise.quantum, several_placements=noise.of_location)
    variances = np.array([model.contrast(model.theta_of(scales)).variance for scales in noise.scales])
    even = np.full(len(variances), 1 / len(variances))
    return mixture_quantiles(np.zeros(len(variances)), variances, even, (0.975,))[0]


@pytest.mark.parametrize("name", ["m15", "h2", "d1", "aba24", "abab12", "scattered", "week"])
def test_a_timetable_has_the_half_width_of_the_blocks_that_are_logged_on_it(name):
    blocks = world_of(name)
    stays = stays_of(used_of(blocks), 2, WASHOUT_S)
    expected = half_width_on_real_blocks(blocks, NOISE)
    assert half_width(NOISE, stays, washout_s=WASHOUT_S) == pytest.approx(expected, rel=0.1)


def test_the_same_at_a_new_placement():
    blocks = world_of("many")
    located = replace(NOISE, scales=np.column_stack([NOISE.scales, [0.5, 1.0]]))
    expected = half_width_on_real_blocks(blocks, located)
    assert half_width(located, stays_of(used_of(blocks), 2, WASHOUT_S)) == pytest.approx(expected, rel=0.1)


@pytest.mark.parametrize("name", ["d1", "abab12"])
def test_noise_learnt_from_days_of_one_version_foretells_the_intervals_of_trials(name):
    noise = learn_noise(world_of(name, (72.0,), seed=2), "rssi")
    ratios = []
    for seed in (1, 2, 3):
        blocks = world_of(name, seed=seed)
        effect = estimate_effect(blocks, 1, 2, "rssi")
        ratios.append((effect.high - effect.low) / 2 / half_width(noise, stays_of(used_of(blocks), 2, WASHOUT_S)))
    assert np.median(ratios) == pytest.approx(1, abs=0.25)


def test_of_one_version_alone_there_is_no_interval():
    assert half_width(NOISE, by_turns(5)) == np.inf
    assert half_width(NOISE, by_turns(5, 1 / 60)) == np.inf  # the other ends within its washout


def test_a_stay_that_ends_within_its_washout_tells_nothing():
    assert half_width(NOISE, by_turns(5, 5, 0.03)) == half_width(NOISE, by_turns(5, 5))


@given(st.lists(st.floats(0.05, 60), min_size=2, max_size=8), st.floats(0, 48))
@settings(max_examples=25, deadline=None)
def test_any_timetable_has_one_and_turning_versions_round_does_not_change_it(lasting_h, starts_h):
    stays = by_turns(*lasting_h, starts_h=starts_h)
    found = half_width(NOISE, stays)
    assert 0 < found < np.inf
    assert half_width(NOISE, [replace(stay, is_b=not stay.is_b) for stay in stays]) == pytest.approx(found, rel=1e-6)


def test_noise_of_nothing_measured_is_none():
    blocks = world_of("h2")
    assert learn_noise(blocks[:0], "rssi") is None
    assert learn_noise(blocks.assign(rssi_n=0), "rssi") is None


def test_a_recording_that_names_no_radio_has_noise_too():
    blocks = world_of("h2")
    unnamed = learn_noise(blocks.assign(bssid=None, frequency_mhz=np.nan), "rssi")
    assert (unnamed.scales == learn_noise(blocks, "rssi").scales).all()


# Stays as they were


def test_stays_begin_when_they_did_although_their_washout_is_left_out():
    blocks = world_of("abab12")
    stays = stays_of(used_of(blocks), 2, WASHOUT_S)
    assert [stay.is_b for stay in stays] == [False, True, False, True]
    assert [stay.lasts_s for stay in stays] == pytest.approx([12 * HOUR_S] * 4, abs=60)
    assert [later.starts_s - sooner.ends_s for sooner, later in pairwise(stays)] == pytest.approx([0] * 3, abs=60)
    assert 0 <= stays[0].starts_s < DAY_S


def test_of_very_many_stays_both_versions_are_there():
    moved = replace(FAMILIES["h2"], stays_h=(0.5,) * 50, placement_every=1)
    blocks = blocks_of(moved, 3)
    blocks["version"] = np.where(blocks["placement_id"] <= 3, 1, 2)
    stays = stays_of(used_of(blocks), 2, WASHOUT_S)
    assert len(stays) == 50
    assert information_share(NOISE, stays, washout_s=WASHOUT_S) > 0


@given(st.integers(2, 400), st.integers(0, 6))
def test_gathered_stays_keep_the_time_of_each_version(n, times):
    stays = by_turns(*[0.5 + k % 3 for k in range(n)], starts_h=9)
    fewer = gathered(stays, times)
    assert 2 <= len(fewer) <= max(2, n / 2**times + 2)
    for is_b in (False, True):
        assert sum(stay.lasts_s for stay in fewer if stay.is_b == is_b) == pytest.approx(
            sum(stay.lasts_s for stay in stays if stay.is_b == is_b)
        )
    assert fewer[0].starts_s == stays[0].starts_s


def test_a_trial_of_many_short_turns_has_all_the_information_of_its_plan_after_a_week():
    stays = by_turns(*[3.0] * 57, starts_h=9)  # 3 h, then a week
    assert information_share(NOISE, stays, washout_s=WASHOUT_S) == pytest.approx(1.0, abs=0.02)
    half = by_turns(*[3.0] * 29, starts_h=9)
    assert 0.3 < information_share(NOISE, half, washout_s=WASHOUT_S) < 0.7
    thrice = by_turns(*[3.0] * 169, starts_h=9)
    assert information_share(NOISE, thrice, washout_s=WASHOUT_S) > 1.5


# The trial as planned


@st.composite
def timetables(draw_from):
    lasting_h = draw_from(st.lists(st.floats(0.1, 100), min_size=2, max_size=12))
    stays = by_turns(*lasting_h, starts_h=draw_from(st.floats(0, 24)))
    apart_s = np.cumsum(draw_from(st.lists(st.floats(0, 2e5), min_size=len(stays), max_size=len(stays))))
    return [replace(stay, starts_s=stay.starts_s + gap_s) for stay, gap_s in zip(stays, apart_s, strict=True)]


@given(timetables())
def test_the_plan_goes_on_from_what_was_and_ends_a_week_after_the_first_change(stays):
    planned = planned_timetable(stays)
    end_s = stays[1].starts_s + PLANNED_S
    kept = [stay for stay in stays if stay.starts_s < end_s]
    for before, after in zip(kept[:-1], planned, strict=False):
        assert (after.is_b, after.starts_s) == (before.is_b, before.starts_s)
        assert after.lasts_s == pytest.approx(min(before.ends_s, end_s) - before.starts_s)
    assert planned[-1].ends_s <= end_s + 1
    assert planned[-1].ends_s >= min(end_s, kept[-1].ends_s) - 1
    if kept[-1].ends_s < end_s - 1:
        assert planned[-1].ends_s == pytest.approx(end_s, abs=1)
    assert planned[len(kept) - 1].ends_s >= min(kept[-1].ends_s, end_s) - 1e-6


@given(timetables())
def test_the_plan_of_a_trial_that_was_switched_back_goes_on_by_turns(stays):
    assume(len(stays) > 2 and stays[2].starts_s < stays[1].starts_s + PLANNED_S)
    planned = planned_timetable(stays)
    assert all(sooner.is_b != later.is_b for sooner, later in pairwise(planned))
    assert all(later.starts_s >= sooner.ends_s - 1e-6 for sooner, later in pairwise(planned))


def test_the_plan_of_a_trial_that_was_never_switched_back_stays_with_b():
    planned = planned_timetable(by_turns(24, 3))
    assert [stay.is_b for stay in planned] == [False, True]
    assert planned[1].lasts_s == PLANNED_S


def test_turns_fill_the_time_and_the_last_one_may_be_short():
    following = turns(Stay(True, 0.0, HOUR_S), HOUR_S, 4.5 * HOUR_S)
    assert [(stay.is_b, stay.lasts_s / HOUR_S) for stay in following] == [
        (False, 1),
        (True, 1),
        (False, 1),
        (True, 0.5),
    ]


# How much of the plan has been


@given(timetables())
@settings(max_examples=15, deadline=None)
def test_a_share_of_the_information_is_above_0(stays):
    assert information_share(NOISE, stays, washout_s=WASHOUT_S) > 0


def test_the_share_grows_to_1_at_the_end_of_the_plan_and_beyond():
    shares = [information_share(NOISE, by_turns(24, hours), washout_s=WASHOUT_S) for hours in (1, 24, 168, 400)]
    assert shares == sorted(shares)
    assert shares[0] < 0.9
    assert shares[2] == pytest.approx(1, rel=1e-6)
    assert shares[3] > 1


def test_where_counts_tell_the_share_is_that_of_the_harmonic_mean_of_the_hours():
    stays = by_turns(24, 24)  # planned: 24 h and 168 h
    assert counting_share(stays) == pytest.approx((1 / 24 + 1 / 168) / (1 / 24 + 1 / 24))


# What would decide


def undecided(estimate: float, **changed: object) -> Undecided:
    stays = by_turns(24, 6)
    trial = Undecided((1, 2), NOISE, stays, estimate, half_width(NOISE, stays), 1.0, WASHOUT_S, running=True)
    return replace(trial, **changed)


def cost(words: str) -> tuple[int, float]:
    """How much is asked: hours more, then switches more, then the impossible."""
    if found := re.match(r"About (\d+) (h|days) more of v2", words):
        return 0, float(found[1]) * (24 if found[2] == "days" else 1)
    return (
        2 if words.startswith("Not even") else 1
    ), 4.0 if "four times" in words else 2.0 if "twice" in words else 1.0


def test_the_greater_the_effect_looks_the_less_is_needed():
    costs = [cost(what_would_decide(undecided(estimate))) for estimate in (0.6, 1.0, 1.5, 2.0, 3.0, 6.0)]
    assert costs == sorted(costs, reverse=True)
    assert costs[0] > costs[-1]


def test_the_wider_the_margin_the_less_is_needed_where_there_is_no_difference():
    costs = [cost(what_would_decide(undecided(0.0, margin=margin))) for margin in (0.2, 1.0, 2.0, 4.0)]
    assert costs == sorted(costs, reverse=True)
    assert costs[0] > costs[-1]


def test_the_noisier_the_link_the_more_is_needed():
    noisy = replace(NOISE, scales=NOISE.scales * [3, 3, 1, 3, 3, 3, 1])
    calm, rough = (
        cost(what_would_decide(undecided(2.0, noise=noise, half_width=half_width(noise, by_turns(24, 6)))))
        for noise in (NOISE, noisy)
    )
    assert rough > calm


def test_what_is_said_to_tell_does_tell_when_it_has_come():
    trial = undecided(2.0)
    words = what_would_decide(trial)
    found = re.match(r"About (\d+) (h|days) more of v2", words)
    assert found, words
    more_h = float(found[1]) * (24 if found[2] == "days" else 1)
    later = by_turns(24, 6 + more_h)
    grown = replace(trial, stays=later, half_width=half_width(NOISE, later))
    assert cost(what_would_decide(grown)) <= (0, 3.0)  # the least that it ever says


def test_a_trial_that_has_ended_is_not_told_to_wait():
    assert not what_would_decide(undecided(2.0, running=False)).startswith("About")


def test_at_a_location_more_placements_are_asked_for():
    located = replace(NOISE, scales=np.column_stack([NOISE.scales, [0.3, 0.3]]))
    stays = [replace(stay, placement=k // 2) for k, stay in enumerate(by_turns(6, 6, 6, 6))]
    trial = Undecided((1, 2), located, stays, 1.2, half_width(located, stays), 1.0, WASHOUT_S, running=False)
    assert "placement" in what_would_decide(trial)
