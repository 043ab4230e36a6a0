"""Integrating a posterior of a handful of parameters, by importance points around its mode.

The mode by L-BFGS, its curvature, then rounds of Sobol points of a multivariate t with 5 degrees of
freedom. After each round the t is fitted anew to the weighted points, and every point drawn so far is
weighted against the mixture of all rounds (Cornuet, Marin, Mira & Robert, Adaptive multiple importance
sampling, Scand. J. Stat. 39 (2012) 798). Deterministic for a given seed.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from scipy import optimize, special
from scipy.stats import qmc

DEGREES_OF_FREEDOM = 5.0
POINTS_PER_ROUND = 128
FEWEST_ROUNDS, MOST_ROUNDS = 2, 5
ENOUGH_EFFECTIVE_POINTS = 50.0


@dataclass(frozen=True)
class WeightedPoints:
    points: np.ndarray  # (n, d)
    weights: np.ndarray  # (n,), sum 1

    @property
    def effective(self) -> float:
        """How many equally weighted points these are worth (Kish)."""
        return float(1.0 / np.sum(self.weights**2))


def mode_and_spread(
    log_density_and_gradient: Callable[[np.ndarray], tuple[float, np.ndarray]],
    start: np.ndarray,
    widest: np.ndarray,
) -> tuple[np.ndarray, np.ndarray]:
    """The mode, and the covariance that the curvature there implies, no wider than ``widest`` (sds)."""

    def downhill(theta: np.ndarray) -> tuple[float, np.ndarray]:
        value, gradient = log_density_and_gradient(theta)
        return -value, -gradient

    found = optimize.minimize(
        downhill, start, jac=True, method="L-BFGS-B", options={"maxiter": 60, "ftol": 1e-7, "gtol": 1e-3}
    )
    mode = found.x
    step = 0.05 * widest
    curvature = np.empty((len(mode), len(mode)))
    for k in range(len(mode)):
        offset = np.zeros_like(mode)
        offset[k] = step[k]
        curvature[k] = (downhill(mode + offset)[1] - downhill(mode - offset)[1]) / (2 * step[k])
    scaled = widest[:, None] * (curvature + curvature.T) / 2 * widest[None, :]
    stiffness, directions = np.linalg.eigh(scaled)
    spread = directions / np.maximum(stiffness, 0.5) @ directions.T
    return mode, widest[:, None] * spread * widest[None, :]


def integrate(
    log_density: Callable[[np.ndarray], float], centre: np.ndarray, spread: np.ndarray, seed: int
) -> WeightedPoints:
    """Weighted points of the density, starting from a t about ``centre`` of scale matrix ``spread``."""
    d = len(centre)
    sobol = qmc.Sobol(d + 1, scramble=True, rng=np.random.default_rng(seed))
    proposals: list[tuple[np.ndarray, np.ndarray]] = []
    points, log_p = np.empty((0, d)), np.empty(0)
    while True:
        factor = np.linalg.cholesky(spread)
        proposals.append((centre, factor))
        new = _t_points(sobol.random(POINTS_PER_ROUND), centre, factor)
        points = np.vstack([points, new])
        log_p = np.append(log_p, [log_density(point) for point in new])
        log_q = np.array([_log_t(points, *proposal) for proposal in proposals])
        log_w = log_p - special.logsumexp(log_q, axis=0) + np.log(len(proposals))
        weights = np.exp(log_w - special.logsumexp(log_w))
        # One lucky point must not decide (Ionides, J. Comp. Graph. Stat. 17 (2008) 295).
        weights = np.minimum(weights, len(weights) ** -0.5)
        result = WeightedPoints(points, weights / weights.sum())
        rounds = len(proposals)
        if rounds >= MOST_ROUNDS or (rounds >= FEWEST_ROUNDS and result.effective >= ENOUGH_EFFECTIVE_POINTS):
            return result
        centre = result.weights @ points
        off = points - centre
        learned = (result.weights[:, None] * off).T @ off
        trust = result.effective / (result.effective + 2 * d)
        spread = trust * learned + (1 - trust) * spread


def mixture_quantiles(
    means: np.ndarray, variances: np.ndarray, weights: np.ndarray, levels: tuple[float, ...]
) -> tuple[float, ...]:
    """Quantiles of a mixture of normal distributions."""
    sds = np.sqrt(variances)
    low, high = float(np.min(means - 12 * sds)), float(np.max(means + 12 * sds))

    def share_below(x: float) -> float:
        return float(weights @ special.ndtr((x - means) / sds))

    return tuple(float(optimize.brentq(lambda x, level=level: share_below(x) - level, low, high)) for level in levels)


def _t_points(uniforms: np.ndarray, centre: np.ndarray, factor: np.ndarray) -> np.ndarray:
    uniforms = np.clip(uniforms, 1e-6, 1 - 1e-6)
    normals: np.ndarray = special.ndtri(uniforms[:, :-1])
    chi2: np.ndarray = 2 * special.gammaincinv(DEGREES_OF_FREEDOM / 2, uniforms[:, -1])
    points: np.ndarray = centre + normals @ factor.T * np.sqrt(DEGREES_OF_FREEDOM / chi2)[:, None]
    return points


def _log_t(points: np.ndarray, centre: np.ndarray, factor: np.ndarray) -> np.ndarray:
    """Log density of the t, up to a constant common to all centres and factors."""
    d = len(centre)
    standard = np.linalg.solve(factor, (points - centre).T)
    tails: np.ndarray = np.log1p(np.sum(standard**2, axis=0) / DEGREES_OF_FREEDOM)
    return -0.5 * (DEGREES_OF_FREEDOM + d) * tails - float(np.log(np.diagonal(factor)).sum())
