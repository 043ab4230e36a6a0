"""What a record says of its noise, against second implementations and noise of known covariance."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards.analysis.level_model import average_covariance
from dashboards.analysis.unexplained.slot_noise import (
    DAY_LEFT_DB,
    DAY_UNKNOWN_DB,
    LAGS,
    PRIOR_VARIANCE,
    WIDTHS,
    SlotNoise,
    day_cycle,
    difference_variance,
    harmonics,
    learn_slot_noise,
    neighbour_differences,
    ou_covariance,
    without_outliers,
)

MONTH = 30 * 144


def noise_of(covariance: np.ndarray, n: int, seed: int) -> np.ndarray:
    """Gaussian, by circulant embedding."""
    row = np.concatenate([covariance[:LAGS], np.zeros(2 * n), covariance[LAGS - 1 : 0 : -1]])
    spectrum = np.maximum(np.fft.rfft(row).real, 0.0)
    rng = np.random.default_rng(seed)
    white = rng.standard_normal(len(spectrum)) + 1j * rng.standard_normal(len(spectrum))
    return np.fft.irfft(np.sqrt(spectrum * len(row) / 2) * white, len(row))[:n]


@pytest.mark.parametrize("tau_s", [300.0, 3600.0, 1e6])
def test_averages_of_ou_noise_are_as_in_the_model_of_effects(tau_s):
    apart_s = 600.0 * np.abs(np.subtract.outer(np.arange(20), np.arange(20)))
    expected = average_covariance(apart_s, np.full(20, 600.0), tau_s)[0]
    assert ou_covariance(tau_s, 20) == pytest.approx(expected, rel=1e-6)


@given(st.lists(st.sampled_from([1, 1, 1, 7, 100, 5000, 40_001]), min_size=2, max_size=40))
def test_covariances_are_positive_and_as_told_over_any_gaps(gaps):
    slot = np.cumsum(gaps)
    covariance = 9 * ou_covariance(30 * 86_400.0, LAGS) + 0.1 * ou_covariance(3600.0, LAGS)
    matrix = SlotNoise(covariance, day_sd=2.0).between(slot)
    assert np.linalg.eigvalsh(matrix).min() > 0
    hours = (slot[-1] - slot[0]) / 6
    day = 4 * (np.cos(2 * np.pi * hours / 24) / 2 + np.cos(4 * np.pi * hours / 24) / 8)
    assert matrix[0, -1] == pytest.approx(covariance[min(slot[-1] - slot[0], LAGS - 1)] + day)


@pytest.mark.parametrize("width", WIDTHS)
def test_the_variance_of_a_difference_is_its_quadratic_form(width):
    covariance = ou_covariance(5000.0, LAGS)
    weights = np.repeat([-1.0, 1.0], width) / width
    matrix = covariance[np.abs(np.subtract.outer(np.arange(2 * width), np.arange(2 * width)))]
    assert difference_variance(covariance, width) == pytest.approx(weights @ matrix @ weights)


@given(st.lists(st.booleans(), min_size=2, max_size=40), st.sampled_from([1, 2, 4]))
def test_neighbours_are_compared_where_both_have_most_of_their_slots(present, width):
    slot = np.flatnonzero(present) + 1000
    if len(slot) < 2:
        return
    mean = np.sin(slot * 1.7)
    by_slot = dict(zip(slot.tolist(), mean.tolist(), strict=True))
    expected = []
    for at in range(slot[0] + width, slot[-1] - width + 2):
        before = [by_slot[one] for one in range(at - width, at) if one in by_slot]
        after = [by_slot[one] for one in range(at, at + width) if one in by_slot]
        if min(len(before), len(after)) >= 0.7 * width:
            expected.append(np.mean(after) - np.mean(before))
    assert neighbour_differences(slot, mean, width) == pytest.approx(expected)


@pytest.mark.parametrize(
    "covariance",
    [
        np.eye(1, LAGS)[0],
        2.25 * ou_covariance(1200.0, LAGS) + 0.1 * np.eye(1, LAGS)[0],
        4 * ou_covariance(7200.0, LAGS),
    ],
    ids=["white", "twenty minutes", "two hours"],
)
def test_a_month_tells_its_own_noise_at_every_width(covariance):
    slot = np.arange(MONTH)
    learned = learn_slot_noise([(slot, noise_of(covariance, MONTH, 1))], 0.4).covariance
    true = np.array([difference_variance(covariance, width) for width in WIDTHS])
    found = np.array([difference_variance(learned, width) for width in WIDTHS])
    assert found == pytest.approx(true, rel=0.35, abs=0.05)


def test_five_steps_in_a_month_hardly_move_what_is_learned():
    covariance = 0.3 * np.eye(1, LAGS)[0] + 0.5 * ou_covariance(3600.0, LAGS)
    noise, slot = noise_of(covariance, MONTH, 2), np.arange(MONTH)
    stepped = noise + 4.0 * (slot // 720 % 2)
    plain, with_steps = (learn_slot_noise([(slot, mean)], 0.4).covariance for mean in (noise, stepped))
    for width in WIDTHS[:5]:
        assert difference_variance(with_steps, width) <= 1.5 * difference_variance(plain, width)


def test_of_a_short_record_the_published_links_speak():
    slot = np.arange(3)
    learned = learn_slot_noise([(slot, np.zeros(3))], 1.2).covariance
    found = [difference_variance(learned, width) for width in WIDTHS]
    assert found == pytest.approx(PRIOR_VARIANCE, rel=0.25)


def test_the_day_is_taken_out_of_a_record_with_a_step_and_days_without_nights():
    local_s = np.arange(14 * 144) * 600.0
    local_s = local_s[(local_s % 86_400 > 8 * 3600) | (local_s < 5 * 86_400)]
    day = 3 * np.sin(2 * np.pi * local_s / 86_400 + 1)
    noise = np.random.default_rng(3).normal(0, 0.5, len(local_s))
    coefficients, left = day_cycle([(local_s, -60 + day + noise + 4 * (local_s > 6.4 * 86_400))])
    assert left == DAY_LEFT_DB
    assert np.std(day - harmonics(local_s) @ coefficients - np.mean(day - harmonics(local_s) @ coefficients)) < 0.25


def test_of_two_days_no_cycle_is_taken():
    local_s = np.arange(2 * 144) * 600.0
    coefficients, left = day_cycle([(local_s, np.sin(local_s / 86_400))])
    assert not coefficients.any()
    assert left == DAY_UNKNOWN_DB


def test_an_outlier_goes_and_a_step_stays():
    mean = np.random.default_rng(4).normal(0, 0.3, 200) + 4.0 * (np.arange(200) >= 100)
    blocked = mean.copy()
    blocked[50:53] -= 10
    cleaned = without_outliers(blocked)
    assert np.abs(cleaned[50:53]).max() < 2
    assert cleaned[100:103] == pytest.approx(mean[100:103], abs=0.3)
