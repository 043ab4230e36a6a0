"""The search for steps: what is planted is found, what is not is not, and what is known is not searched."""

from __future__ import annotations

import numpy as np
import pytest

from dashboards.analysis.unexplained.slot_noise import LAGS, SlotNoise, ou_covariance
from dashboards.analysis.unexplained.step_search import LEAST_HELD, StepSearch

DAY = 144
COVARIANCE = 0.2 * np.eye(1, LAGS)[0] + 0.5 * ou_covariance(3600.0, LAGS)
NOISE = SlotNoise(COVARIANCE, day_sd=0.2)


def noise_of(slot: np.ndarray, seed: int) -> np.ndarray:
    matrix = COVARIANCE[np.minimum(np.abs(np.subtract.outer(slot, slot)), LAGS - 1)]
    return np.linalg.cholesky(matrix + 1e-6 * np.eye(len(slot))) @ np.random.default_rng(seed).standard_normal(
        len(slot)
    )


def steps_in(slot: np.ndarray, mean: np.ndarray, least: float = 1.0):
    return StepSearch(slot, mean, NOISE, least).run()


@pytest.mark.parametrize("seed", range(5))
def test_a_week_of_noise_has_no_step(seed):
    slot = np.arange(7 * DAY)
    assert steps_in(slot, noise_of(slot, seed)) == []


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("way", [1, -1])
def test_a_step_held_for_a_day_is_found_at_both_ends_within_its_range(seed, way):
    slot = np.arange(7 * DAY)
    planted = 4.0 * way * ((slot >= 400) & (slot < 400 + DAY))
    first, second = steps_in(slot, noise_of(slot, seed) + planted)
    for step, place, change in ((first, 800, 4.0 * way), (second, 2 * (400 + DAY), -4.0 * way)):
        assert step.earliest - 1 <= place <= step.latest + 1
        assert abs(step.place - place) <= 12
        assert abs(step.change - change) < 4 * step.sd < 4


def test_a_step_for_good_is_found_once():
    slot = np.arange(5 * DAY)
    (step,) = steps_in(slot, noise_of(slot, 1) + 3.0 * (slot >= 300))
    assert step.place == pytest.approx(600, abs=6)


def test_a_step_in_the_middle_of_a_slot_is_placed_there():
    slot = np.arange(5 * DAY)
    mean = 0.05 * noise_of(slot, 1) + np.where(slot > 300, 4.0, np.where(slot == 300, 2.0, 0.0))
    (step,) = steps_in(slot, mean)
    assert (step.earliest, step.place, step.latest) == (601, 601, 601)


def test_a_shifted_series_has_the_same_steps_and_a_turned_one_the_same_with_the_other_sign():
    slot = np.arange(5 * DAY)
    mean = noise_of(slot, 2) + 4.0 * (slot >= 300)
    plain, shifted, turned = steps_in(slot, mean), steps_in(slot, mean - 60), steps_in(slot, -mean)
    assert [step.place for step in plain] == [step.place for step in shifted] == [step.place for step in turned]
    assert [step.change for step in shifted] == pytest.approx([step.change for step in plain])
    assert [step.change for step in turned] == pytest.approx([-step.change for step in plain])


def test_two_hours_in_the_path_are_no_step():
    slot = np.arange(5 * DAY)
    assert steps_in(slot, noise_of(slot, 3) - 8.0 * ((slot >= 300) & (slot < 312))) == []


def test_a_step_across_a_night_without_samples_is_found_at_the_gap():
    slot = np.arange(6 * DAY)
    slot = slot[slot % DAY < 90]
    (step,) = steps_in(slot, noise_of(slot, 4) + 4.0 * (slot >= 3 * DAY - 20))
    assert step.place == 2 * np.searchsorted(slot, 3 * DAY)


def test_right_at_an_end_nothing_is_said_yet():
    slot = np.arange(3 * DAY)
    assert steps_in(slot, noise_of(slot, 5) + 6.0 * (slot >= len(slot) - LEAST_HELD + 6)) == []


def test_where_more_is_to_come_a_step_is_told_after_six_hours():
    slot = np.arange(4 * DAY)
    mean = noise_of(slot, 1) + 6.0 * (slot >= 3 * DAY)
    told = [bool(StepSearch(slot[:n], mean[:n], NOISE, 1.0, True).run()) for n in (3 * DAY + 30, 3 * DAY + 37)]
    assert told == [False, True]


def test_a_smaller_step_than_asked_for_is_none():
    slot = np.arange(5 * DAY)
    assert steps_in(slot, noise_of(slot, 1) + 3.0 * (slot >= 300), least=4.5) == []


def test_too_little_to_search_is_no_error():
    slot = np.arange(2 * LEAST_HELD - 1)
    assert steps_in(slot, np.zeros(len(slot))) == []
