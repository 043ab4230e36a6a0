"""Plans: their arithmetic against closed forms, and that nobody need get up at night."""

from __future__ import annotations

from dataclasses import replace
from functools import cache, partial

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards.analysis.anytime import widening
from dashboards.analysis.level_effect import Noise
from dashboards.analysis.outlook import DAY_S, Stay, half_width, planned_timetable
from dashboards.analysis.plan import (
    EASY_SWITCHES,
    FIRST_H,
    HOUR_S,
    LAST_H,
    TURNS,
    TURNS_H,
    at_a_new_placement,
    first_switch_s,
    least_difference,
    make_plan,
    power,
    prior_noise,
    timetable,
)

AFTERNOON_S = 14.3 * HOUR_S
STARTS = partial(first_switch_s, AFTERNOON_S)


def noise(*, white: float = 0.0, slow: float = 0.0, slow_tau_s: float = 1200.0, daily: float = 0.0) -> Noise:
    """Known for certain. All in dB."""
    scales = [white, 0.01, np.log(60.0), 0.01, daily, slow, np.log(slow_tau_s)]
    return Noise(np.array([scales]), quantum=0.0, stay_spread=np.nan, sample_s=10.0)


STILL = noise(white=1.0, slow=1.5, daily=0.7)


@cache
def plan(difference: float, own: Noise | None = None, *, days: float = 14, n_placements: int = 1, margin: float = 1.0):
    return make_plan(
        STILL if own is None else own, difference, margin=margin, days=days, starts_s=STARTS, n_placements=n_placements
    )


# Figures


@pytest.mark.parametrize(("a_h", "b_h"), [(1, 1), (2, 1), (6, 6)])
def test_of_white_noise_alone_the_half_width_is_that_of_two_means(a_h, b_h):
    white = 600.0  # so much of it that the model's own offsets and drift do not show
    stays = [Stay(False, 0.0, a_h * HOUR_S), Stay(True, a_h * HOUR_S, b_h * HOUR_S)]
    n_a, n_b = a_h * HOUR_S / 10, b_h * HOUR_S / 10
    closed_form = 1.959964 * white * np.sqrt(1 / n_a + 1 / n_b)
    assert half_width(noise(white=white), stays, washout_s=0.0) == pytest.approx(closed_form, rel=0.01)


def test_power_is_that_of_the_normal_table():
    # 80 % of a normal distribution lies above -0.8416, 97.5 % above -1.96.
    assert power(1.959964 + 0.841621, 1.959964) == pytest.approx(0.8, abs=1e-6)
    assert power(2.40 + 0.841621, 1.959964, widening(1.0)) == pytest.approx(0.8, abs=1e-6)
    assert power(1.0, 1.0) == pytest.approx(0.5)
    assert power(-1.5, 1.0) == power(1.5, 1.0)


@given(st.floats(0.01, 20), st.floats(1, 6))
def test_the_least_difference_has_the_power_that_is_promised(half, wider):
    assert power(least_difference(half, wider), half, wider) == pytest.approx(0.8)


def test_the_margin_that_an_interval_without_difference_keeps_within_is_that_of_the_normal_table():
    (option, *_) = plan(3.0).options
    sd = option.half_width / 1.959964
    estimates = sd * np.random.default_rng(1).standard_normal(200_000)
    within = np.abs(estimates) + option.widening * option.half_width < option.least_margin
    assert np.mean(within) == pytest.approx(0.8, abs=0.005)


# Timetables


@pytest.mark.parametrize("turn_h", TURNS_H)
def test_more_switches_are_never_worse_at_turns_of_the_same_length(turn_h):
    half_widths = [half_width(STILL, timetable(n, turn_h, STARTS(turn_h))[1]) for n in (2, 3, 4, 6, 8)]
    assert half_widths == sorted(half_widths, reverse=True)


@given(st.floats(0, 2 * DAY_S), st.sampled_from(TURNS_H), st.sampled_from(TURNS))
def test_nobody_need_get_up_at_night_and_turns_follow_each_other(now_s, turn_h, n_turns):
    starts_s = first_switch_s(now_s, turn_h)
    assert now_s < starts_s <= now_s + DAY_S
    versions, stays = timetable(n_turns, turn_h, starts_s)
    assert len(versions) == n_turns
    for stay, following in zip(stays, [*stays[1:], None], strict=True):
        assert stay.starts_s % HOUR_S == 0
        assert FIRST_H <= stay.starts_s % DAY_S / HOUR_S <= LAST_H
        assert stay.lasts_s >= turn_h * HOUR_S
        if following is not None:
            assert following.starts_s == stay.ends_s
            assert following.is_b != stay.is_b


@pytest.mark.parametrize("turn_h", TURNS_H)
def test_each_version_comes_to_have_every_hour_of_the_day_equally(turn_h):
    per_day = 24 / turn_h if turn_h >= 24 else (LAST_H - FIRST_H) / turn_h + (turn_h < LAST_H - FIRST_H)
    n_turns = 4 if turn_h >= LAST_H - FIRST_H else round(2 * per_day)
    _, stays = timetable(n_turns, turn_h, FIRST_H * HOUR_S)
    hours = {is_b: np.zeros(24) for is_b in (False, True)}
    for stay in stays:
        for hour in range(round(stay.starts_s / HOUR_S), round(stay.ends_s / HOUR_S)):
            hours[stay.is_b][hour % 24] += 1
    assert hours[False] == pytest.approx(hours[True])
    assert hours[False].min() == hours[False].max()


def test_where_days_differ_from_nights_twelve_hours_by_turns_would_be_worse_than_abba():
    restless = noise(white=1.0, slow=0.5, daily=4.0)
    by_turns = [Stay(bool(k % 2), (8 + 12 * k) * HOUR_S, 12 * HOUR_S) for k in range(4)]
    versions, abba = timetable(4, 12, 8 * HOUR_S)
    assert versions == "ABBA"
    assert half_width(restless, abba) < 0.9 * half_width(restless, by_turns)


@pytest.mark.parametrize("n_placements", [2, 3, 4])
def test_every_placement_has_both_versions(n_placements):
    for option in plan(6.0, n_placements=n_placements).options:
        assert option.n_placements == n_placements
        for placement in range(n_placements):
            assert {stay.is_b for stay in option.stays if stay.placement == placement} == {False, True}


# Plans


def test_a_smaller_difference_takes_no_less_time():
    lasting = [plan(difference).best.lasts_s for difference in (6.0, 3.0, 2.0)]
    assert lasting == sorted(lasting)


def test_what_is_proposed_sees_the_difference_and_no_option_with_as_few_switches_does_so_sooner():
    found = plan(3.0)
    assert found.best.least_difference <= 3.0
    seeing = [one for one in found.options if one.least_difference <= 3.0 and one.n_switches <= EASY_SWITCHES]
    assert found.best.lasts_s == min(one.lasts_s for one in seeing)


def test_it_finds_what_trying_everything_finds():
    difference = 3.0
    seeing = []
    for n_turns in TURNS:
        for turn_h in TURNS_H:
            versions, stays = timetable(n_turns, turn_h, STARTS(turn_h))
            lasts_s = stays[-1].ends_s - stays[0].starts_s
            if lasts_s > 14 * DAY_S or versions.endswith(("AA", "BB")):
                continue
            at_end, planned = half_width(STILL, stays), half_width(STILL, planned_timetable(stays))
            n_switches = len(stays) - 1
            if power(difference, at_end, widening((planned / at_end) ** 2)) >= 0.8 and n_switches <= EASY_SWITCHES:
                seeing.append((lasts_s, n_switches))
    best = plan(difference).best
    assert (best.lasts_s, best.n_switches) == min(seeing)


def test_a_difference_under_what_can_be_seen_has_no_proposal_but_the_keenest():
    found = plan(0.2)
    assert found.best is None
    assert found.keenest.least_difference == min(one.least_difference for one in found.options) > 0.2


def test_longer_trials_see_less():
    assert plan(0.1, days=3).keenest.least_difference > plan(0.1, days=14).keenest.least_difference


def test_all_options_end_in_the_time_given():
    for days in (1, 2, 5, 14):
        assert max(one.lasts_s for one in plan(0.1, days=days).options) <= days * DAY_S


def test_where_nothing_ends_in_time_there_is_no_plan():
    assert plan(3.0, days=0.05) is None


def test_a_noisier_link_takes_longer():
    noisy = replace(STILL, scales=STILL.scales * [3, 3, 1, 3, 3, 3, 1])
    assert plan.__wrapped__(4.0, noisy).best.lasts_s > plan(4.0).best.lasts_s


def test_no_difference_takes_longer_to_learn_within_a_narrower_margin():
    wide, narrow = (plan(3.0, margin=margin).none_matters for margin in (4.0, 1.5))
    assert narrow.lasts_s > wide.lasts_s
    assert plan(3.0, margin=0.05).none_matters is None


# Noise that was never learnt


def test_a_claim_about_the_location_is_wider_by_what_effects_differ_between_placements():
    located = at_a_new_placement(STILL_DRAWS)
    assert located.of_location
    assert (located.scales[:, :7] == STILL_DRAWS.scales).all()
    # The quantiles of a half-normal of scale 1: its mean is sqrt(2/pi).
    assert located.scales[:, 7].mean() == pytest.approx(np.sqrt(2 / np.pi), abs=0.05)
    assert plan(6.0, n_placements=2).keenest.half_width > plan(6.0).keenest.half_width


def test_the_draws_of_that_are_not_tied_to_those_of_the_noise():
    order = np.argsort(at_a_new_placement(STILL_DRAWS).scales[:, 7])
    assert abs(np.corrcoef(np.arange(8), order)[0, 1]) < 0.5


def test_of_a_link_that_nothing_is_known_of_the_priors_speak_and_always_the_same():
    prior = prior_noise(quantum=1.0)
    assert (prior.scales == prior_noise(quantum=1.0).scales).all()
    # Medians: .7649 of a half-t3, ln 2 of an exponential.
    assert np.median(prior.scales[:, 0]) == pytest.approx(0.7649, rel=0.2)
    assert np.median(prior.scales[:, 1]) == pytest.approx(4 * 0.7649, rel=0.2)
    assert np.median(prior.scales[:, 3]) == pytest.approx(0.3 * np.log(2), rel=0.2)
    assert plan.__wrapped__(6.0, prior).best is not None


STILL_DRAWS = replace(STILL, scales=np.repeat(STILL.scales, 8, axis=0))
