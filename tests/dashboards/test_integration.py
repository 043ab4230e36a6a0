"""Integration by importance points, against densities whose integrals are known."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from dashboards.analysis.integration import integrate, mixture_quantiles, mode_and_spread

MEAN = np.array([1.0, -2.0, 0.5])
COVARIANCE = np.array([[1.0, 0.6, 0.0], [0.6, 2.0, -0.3], [0.0, -0.3, 0.5]])


def gaussian(theta):
    off = np.linalg.solve(COVARIANCE, theta - MEAN)
    return -0.5 * (theta - MEAN) @ off, -off


def test_mode_and_spread_of_a_gaussian_are_its_mean_and_covariance():
    mode, spread = mode_and_spread(gaussian, np.zeros(3), np.full(3, 10.0))
    assert mode == pytest.approx(MEAN, abs=1e-3)
    assert spread == pytest.approx(COVARIANCE, abs=1e-3)


def test_where_the_density_is_flat_the_spread_stays_within_bounds():
    _, spread = mode_and_spread(lambda theta: (0.0, np.zeros(2)), np.zeros(2), np.array([1.0, 5.0]))
    assert np.sqrt(np.diag(spread)) == pytest.approx(np.sqrt(2) * np.array([1.0, 5.0]))


def test_moments_of_a_gaussian_are_recovered_from_a_poor_start():
    weighted = integrate(lambda theta: gaussian(theta)[0], MEAN + 1.0, 3 * np.eye(3), seed=1)
    mean = weighted.weights @ weighted.points
    off = weighted.points - mean
    assert weighted.effective > 50
    assert mean == pytest.approx(MEAN, abs=0.1)
    assert (weighted.weights[:, None] * off).T @ off == pytest.approx(COVARIANCE, abs=0.3)


def test_both_signs_of_a_density_that_is_even_are_found():
    def two_humps(theta):
        return float(np.logaddexp(*stats.norm([-2, 2], 1.0).logpdf(theta[0])))

    weighted = integrate(two_humps, np.array([2.0]), np.array([[4.0]]), seed=0)
    assert weighted.weights @ weighted.points[:, 0] == pytest.approx(0, abs=0.3)
    assert weighted.weights @ weighted.points[:, 0] ** 2 == pytest.approx(5, abs=0.5)


def test_the_quantiles_of_a_mixture_of_one_are_those_of_the_normal_distribution():
    low, high = mixture_quantiles(np.array([3.0]), np.array([4.0]), np.array([1.0]), (0.025, 0.975))
    assert (low, high) == pytest.approx((3 - 2 * 1.959964, 3 + 2 * 1.959964), abs=1e-5)


def test_the_quantiles_of_a_mixture_are_those_of_draws_from_it():
    means, variances, weights = np.array([0.0, 4.0]), np.array([1.0, 0.25]), np.array([0.7, 0.3])
    rng = np.random.default_rng(1)
    which = rng.choice(2, 200_000, p=weights)
    draws = means[which] + np.sqrt(variances[which]) * rng.standard_normal(len(which))
    seen = mixture_quantiles(means, variances, weights, (0.05, 0.5, 0.95))
    assert seen == pytest.approx(np.quantile(draws, [0.05, 0.5, 0.95]), abs=0.03)
