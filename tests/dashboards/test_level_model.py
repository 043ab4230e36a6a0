"""The noise model against brute force, a second implementation and hand computation."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from dashboards.analysis.block_series import BlockSeries, number_stays, series_from_blocks
from dashboards.analysis.level_model import LevelModel, MemoryBank, average_covariance, rounding_bias_variance
from tests.bench.verdict.worlds import FAMILIES, simulate

THETA = np.array([0.7, 1.4, -0.8, 0.2, 0.6, 1.5, -0.1])


def series_of(family: str, seed: int = 0) -> BlockSeries:
    blocks = number_stays(simulate(FAMILIES[family], 0.0, np.random.default_rng(seed)))
    return series_from_blocks(blocks, "rssi_mean_dbm", "rssi_n", "rssi_histogram", 2)


def whole_covariance(model: LevelModel, theta: np.ndarray) -> np.ndarray:
    lower = model.covariance(theta)
    return lower + np.tril(lower, -1).T


def test_the_covariance_of_block_averages_is_that_of_averaging_an_ou_process_by_brute_force():
    starts, lengths, tau_s = np.array([0.0, 40.0, 400.0]), np.array([40.0, 200.0, 30.0]), 60.0
    grids = [start + length * (np.arange(400) + 0.5) / 400 for start, length in zip(starts, lengths, strict=True)]
    brute = np.array([[np.exp(-np.abs(np.subtract.outer(s, t)) / tau_s).mean() for t in grids] for s in grids])
    mids = starts + lengths / 2
    formula = average_covariance(np.abs(np.subtract.outer(mids, mids)), lengths, tau_s)
    assert formula == pytest.approx(brute, rel=1e-4)


@settings(deadline=None)
@given(st.lists(st.floats(0.0, 1.0), min_size=2, max_size=12), st.floats(-1, 6))
def test_the_covariance_of_blocks_that_do_not_overlap_is_positive_definite(fills, log10_tau):
    mids = 100.0 * np.arange(len(fills))
    covariance = average_covariance(np.abs(np.subtract.outer(mids, mids)), 100.0 * np.array(fills), 10.0**log10_tau)
    assert np.all(np.isfinite(covariance))
    assert np.linalg.eigvalsh(covariance).min() > -1e-9
    assert covariance.max() <= 1 + 1e-9


@given(st.floats(np.log(4.0), np.log(5e4)))
def test_a_mixture_from_the_bank_is_close_to_the_time_constant_asked_for(log_tau):
    apart_s = np.array([10.0, 100.0, 1000.0, 10_000.0])
    bank = MemoryBank(2.0, 1e5, 4, lambda tau_s: np.exp(-apart_s / tau_s))
    covariances, weights, slopes = bank.near(log_tau)
    assert weights.min() >= 0
    assert weights.sum() == pytest.approx(1)
    assert slopes.sum() == pytest.approx(0, abs=1e-12)
    assert weights @ covariances == pytest.approx(np.exp(-apart_s / np.exp(log_tau)), abs=0.02)


def test_the_gradient_is_that_of_finite_differences():
    model = LevelModel(series_of("places"), quantum=1.0, several_placements=True)
    theta = np.append(THETA, 0.8)
    value, gradient = model.log_density_and_gradient(theta)
    assert value == pytest.approx(model.contrast(theta).log_density)
    for k, step in enumerate(1e-4 * np.eye(len(theta))):
        rise = model.contrast(theta + step).log_density - model.contrast(theta - step).log_density
        assert gradient[k] == pytest.approx(rise / 2e-4, abs=1e-4)


def test_the_estimate_is_that_of_generalised_least_squares_written_out():
    series = series_of("h2")
    model = LevelModel(series, quantum=1.0, several_placements=False)
    inverse = np.linalg.inv(whole_covariance(model, THETA))
    x = np.column_stack([np.ones(len(series.mean)), series.is_b])
    spread = np.linalg.inv(x.T @ inverse @ x)
    seen = model.contrast(THETA)
    assert seen.beta == pytest.approx((spread @ x.T @ inverse @ series.mean)[1])
    assert seen.variance == pytest.approx(spread[1, 1])


def test_the_restricted_likelihood_is_that_of_scipy_for_the_data_with_their_means_taken_out():
    series = series_of("m15")
    model = LevelModel(series, quantum=1.0, several_placements=False)
    x = np.column_stack([np.ones(len(series.mean)), series.is_b])
    contrasts = np.linalg.svd(x)[0][:, 2:]  # orthonormal, and blind to mu and beta

    def oracle(theta):
        covariance = contrasts.T @ whole_covariance(model, theta) @ contrasts
        return stats.multivariate_normal(cov=covariance).logpdf(contrasts.T @ series.mean)

    other = THETA + np.array([0.2, -0.3, 0, 0, 0, 0.4, 0])
    heavy = sum(
        2 * np.log((3 * scale**2 + THETA[k] ** 2) / (3 * scale**2 + other[k] ** 2))
        for k, scale in ((0, 1.0), (1, 4.0), (5, 4.0))  # the priors' share: Student t with 3 degrees
    )
    rise = model.contrast(other).log_density - model.contrast(THETA).log_density
    assert rise - heavy == pytest.approx(oracle(other) - oracle(THETA), abs=1e-6)


def test_the_prior_of_a_standard_deviation_is_half_of_a_t_with_three_degrees():
    series = series_of("m15")
    model = LevelModel(series, quantum=1.0, several_placements=False)
    still = [model._log_prior(np.where(np.arange(7) == 1, s, THETA))[0] for s in (0.5, 6.0)]
    assert still[1] - still[0] == pytest.approx(stats.t(3, scale=4).logpdf(6.0) - stats.t(3, scale=4).logpdf(0.5))


def test_two_stays_without_noise_differ_by_the_restart_and_nothing_else():
    n = 50
    series = BlockSeries(
        mid_s=600.0 * np.arange(2 * n),
        local_s=600.0 * np.arange(2 * n),
        length_s=np.full(2 * n, 590.0),
        mean=np.zeros(2 * n),
        n_samples=np.full(2 * n, 1e9),
        version=1 + (np.arange(2 * n) >= n),
        is_b=np.arange(2 * n) >= n,
        placement=np.zeros(2 * n, int),
        source=np.zeros(2 * n, int),
        stay=(np.arange(2 * n) >= n).astype(int),
        stay_spread=np.array([3.0, 3.0]),
        covered_s=600.0 * 2 * n,
    )
    model = LevelModel(series, quantum=0.0, several_placements=False)
    assert model.contrast(np.array([0, 0, 0, 0, 0, 0, 0.0])).variance == pytest.approx(0.2**2, rel=0.05)


@pytest.mark.parametrize("sd", [0.0, 0.1, 0.25, 0.5])
def test_the_bias_that_rounding_leaves_is_that_of_simulated_levels(sd):
    levels = np.linspace(-0.5, 0.5, 400, endpoint=False)
    # The mean of round(level + sd z), by the probability of each step.
    steps = np.arange(-6, 7)
    edges = np.subtract.outer(np.append(steps - 0.5, 6.5), levels)
    below = (edges > 0).astype(float) if sd == 0 else stats.norm.cdf(edges / sd)
    bias = steps @ np.diff(below, axis=0) - levels
    rounded_sd = np.sqrt(sd**2 + 1 / 12)
    assert rounding_bias_variance(np.array([rounded_sd]), 1.0)[0] == pytest.approx(np.mean(bias**2), abs=2e-3)
