"""The difference of two versions' levels, given one series of block means, and what the series tells of its noise."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.special import ndtr

from dashboards.analysis.block_series import BlockSeries
from dashboards.analysis.integration import integrate, mixture_quantiles, mode_and_spread
from dashboards.analysis.level_model import LevelModel

FURTHEST_Z = 5.0


@dataclass(frozen=True)
class Noise:
    """What a link's own record says of its noise: draws from the posterior of its scales, all alike likely.

    ``scales`` (k, 7 or 8): s_w, s_1, ln tau_1, s_f, A, s_2, ln tau_2[, s_d] of the level model, dB and s; with an
    eighth column the interval is that of a new placement. ``quantum`` and ``stay_spread`` (the standard deviation of
    single samples) in dB; ``sample_s``: the time that a sample stands for.
    """

    scales: np.ndarray
    quantum: float
    stay_spread: float
    sample_s: float

    @property
    def of_location(self) -> bool:
        return bool(self.scales.shape[1] == 8)


@dataclass(frozen=True)
class LevelEffect:
    """B - A as a mixture of normal distributions (means, variances, weights of shape (n,)), and the noise."""

    means: np.ndarray
    variances: np.ndarray
    weights: np.ndarray
    noise: Noise

    @property
    def estimate(self) -> float:
        return float(self.weights @ self.means)

    def interval(self, confidence: float) -> tuple[float, float]:
        tail = (1 - confidence) / 2
        low, high = mixture_quantiles(self.means, self.variances, self.weights, (tail, 1 - tail))
        return low, high

    def interval_to(self, z: float) -> tuple[float, float]:
        """What leaves out as much at either end as ``z`` standard deviations of a normal distribution do. Further out
        than FURTHEST_Z the tails are taken for normal."""
        near = min(z, FURTHEST_Z)
        low, high = self.interval(1 - 2 * float(ndtr(-near)))
        middle = self.estimate
        return middle - (middle - low) * z / near, middle + (high - middle) * z / near


def judge_level(
    series: BlockSeries, *, quantum: float, of_location: bool, seed: int = 0, draws: int = 4
) -> LevelEffect:
    """The posterior of B - A, the noise's scales integrated out. ``series`` and ``quantum`` in dB, or scaled to behave
    like it. ``of_location``: the effect at a new placement, else at those of the series. ``draws``: of the noise."""
    model = LevelModel(series, quantum=quantum, several_placements=of_location)
    mode, spread = mode_and_spread(model.log_density_and_gradient, model.start, model.prior_sd)
    contrasts: list[tuple[float, float]] = []

    def log_density(theta: np.ndarray) -> float:
        contrast = model.contrast(theta)
        contrasts.append((contrast.beta, contrast.variance))
        return contrast.log_density

    found = integrate(log_density, mode, spread, seed)
    means, variances = np.array(contrasts).T
    chosen = _evenly(found.weights, variances, draws)
    noise = Noise(
        model.timeless(found.points[chosen]),
        quantum,
        float(np.nanmedian(series.stay_spread)) if np.isfinite(series.stay_spread).any() else np.nan,
        series.covered_s / float(series.n_samples.sum()),
    )
    return LevelEffect(means, variances, found.weights, noise)


def _evenly(weights: np.ndarray, order_by: np.ndarray, n: int) -> np.ndarray:
    """``n`` indices at even steps of the weights' cumulative sum, in the order of ``order_by``."""
    order = np.argsort(order_by, kind="stable")
    reached = np.cumsum(weights[order])
    chosen: np.ndarray = order[np.searchsorted(reached, (np.arange(n) + 0.5) / n * reached[-1])]
    return chosen
