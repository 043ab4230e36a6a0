"""The noise of a still link's level, as a Gaussian process over block means.

A block mean is  mu + beta b + day + drift + placement + stay + u + e  with

- e: white noise and rounding of single samples, variance (s_w^2 + q^2/12) / n;
- u: two Ornstein-Uhlenbeck processes (memory from seconds to the whole record) and a flicker floor: a
  bank of OUs of one common variance, time constants a factor 5 apart. s_f reads as the floor: the means
  of neighbouring stretches differ by about sqrt(2) s_f however long they are;
- day: two harmonics of the wall clock's day of unknown phase, amplitude A; drift: a straight line;
- placement and stay: offsets of every setting-down of the laptop and of every change; at a location,
  also an offset of each version at each placement.

mu and beta are flat (restricted likelihood); all else is drawn from the priors below, whose scales are
in dB. They and the block-average covariance follow the measurements on public recordings of still Wi-Fi
receivers quoted beside them. Covariance of averages over intervals: Cressie, Statistics for Spatial
Data (1993), section 5.2. Restricted likelihood: Patterson & Thompson, Biometrika 58 (1971) 545.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import lapack

from dashboards.analysis.block_series import BlockSeries

DAY_S = 86_400.0

# Prior scales, dB. Published still links: standard deviation 1-3, 90 % point 6; neighbouring stretches
# of 5 min to 2 h differ by 0.8 rms; day against night 0.4-0.8 at the median link, 1.2-3 at the 90 % point.
WHITE_SCALE = 1.0  # half-t3
OU_SCALE = 4.0  # half-t3
FLOOR_MEAN = 0.3  # exponential
DAILY_SCALE = 1.0  # half-t3; the first harmonic's coefficients are N(0, A^2/2), the second's a quarter
DRIFT_SD_PER_DAY = 0.7  # over two days; a wander, so less per day over longer: times sqrt(2 days / span)
RESTART_SD = 0.2  # of the difference of two stays: a change re-associates radios
PLACEMENT_SD = 3.0  # moving the antenna by centimetres: 2 to 4
INTERACTION_SCALE = 1.0  # half-normal: how a version's effect differs from placement to placement
FASTEST_S = 20.0
FAST_TAU = (-0.6, 0.5)  # mean and sd of ln tau, in half-ranges of [FASTEST_S, covered time] from its middle
SLOW_TAU = (0.6, 0.7)
FLICKER_STEP = 5.0
UNRELATED_S = 1e15  # so far apart that no noise is shared: two recordings
LEAST_SD = 0.01  # keeps the covariance definite where nothing varies


@dataclass(frozen=True)
class Contrast:
    """beta given one theta: its estimate and variance, and the log posterior density of theta."""

    log_density: float
    beta: float
    variance: float


class LevelModel:
    """The posterior of theta = (s_w, s_1, z_1, s_f, A, s_2, z_2[, s_d]) for one series, and beta given it.

    The standard deviations s may have either sign (the density is even in each): on that scale the
    posterior is round near zero, where on a log scale it has an endless flat tail.
    ``series.mean`` must be in dB or scaled to behave like it; ``quantum`` is its rounding step.
    """

    def __init__(self, series: BlockSeries, *, quantum: float, several_placements: bool) -> None:
        self._series = series
        self._y = series.mean - series.mean.mean()
        self._X = np.column_stack([np.ones_like(self._y), series.is_b.astype(float)])
        self._n = series.n_samples
        self._quantum = quantum
        self._several_placements = several_placements
        self._apart_s = np.abs(np.subtract.outer(series.mid_s, series.mid_s))
        self._apart_s[series.source[:, None] != series.source[None, :]] = UNRELATED_S
        longest_s = max(series.covered_s, 2 * FASTEST_S)
        self._mid_log_tau = 0.5 * np.log(FASTEST_S * longest_s)
        self._half_log_tau = 0.5 * np.log(longest_s / FASTEST_S)
        self._fixed = self._fixed_covariance()
        self._day = self._day_covariance()
        self._flicker = self._flicker_covariance()
        if several_placements:
            cell = series.placement * 2 + series.is_b
            self._interaction = 0.5 * (cell[:, None] == cell[None, :])  # so that B - A has variance s_d^2

    @property
    def start(self) -> np.ndarray:
        """Where to begin the search for the mode."""
        spread = max(float(np.std(self._y)), 0.1)
        start = [1.0, 0.6 * spread, FAST_TAU[0], 0.3, 0.5, 0.6 * spread, SLOW_TAU[0]]
        return np.array([*start, 0.5] if self._several_placements else start)

    @property
    def prior_sd(self) -> np.ndarray:
        """A wide standard deviation of each parameter, for where the data say nothing."""
        widths = [WHITE_SCALE, OU_SCALE, FAST_TAU[1], FLOOR_MEAN, DAILY_SCALE, OU_SCALE, SLOW_TAU[1]]
        return np.array([*widths, INTERACTION_SCALE] if self._several_placements else widths)

    def contrast(self, theta: np.ndarray) -> Contrast:
        """beta = B - A, dB. With several placements the variance is that of a new placement's beta."""
        covariance, _ = self._covariance(theta)
        factor, log_det = _cholesky(covariance)
        white = _solve_lower(factor, np.column_stack([self._X, self._y]))
        information = white[:, :2].T @ white[:, :2]
        beta, rest = self._generalised_least_squares(white, information)
        variance = np.linalg.inv(information)[1, 1]
        if self._several_placements:
            variance = variance + theta[7] ** 2
        log_density = -0.5 * (log_det + np.linalg.slogdet(information)[1] + rest)
        return Contrast(log_density + self._log_prior(theta)[0], float(beta[1]), float(variance))

    def log_density_and_gradient(self, theta: np.ndarray) -> tuple[float, np.ndarray]:
        """Of theta's posterior, up to a constant."""
        covariance, pieces = self._covariance(theta)
        factor, log_det = _cholesky(covariance)
        inverse = _inverse_from_cholesky(factor)
        inverse_x = inverse @ self._X
        information = self._X.T @ inverse_x
        projection = inverse - inverse_x @ np.linalg.solve(information, inverse_x.T)
        alpha = projection @ self._y
        score = np.outer(alpha, alpha) - projection
        log_prior, prior_gradient = self._log_prior(theta)
        value = -0.5 * (log_det + np.linalg.slogdet(information)[1] + self._y @ alpha) + log_prior
        gradient = np.array([0.5 * np.vdot(score, piece) for piece in self._derivatives(theta, pieces)])
        return float(value), gradient + prior_gradient

    def _generalised_least_squares(self, white: np.ndarray, information: np.ndarray) -> tuple[np.ndarray, float]:
        beta = np.linalg.solve(information, white[:, :2].T @ white[:, 2])
        rest = white[:, 2] - white[:, :2] @ beta
        return beta, float(rest @ rest)

    def _covariance(self, theta: np.ndarray) -> tuple[np.ndarray, tuple[np.ndarray, ...]]:
        s_w, s_1, z_1, s_f, amplitude, s_2, z_2 = theta[:7]
        fast, slow = self._ou(self._tau(z_1)), self._ou(self._tau(z_2))
        covariance = s_1**2 * fast
        covariance += s_2**2 * slow
        covariance += s_f**2 * self._flicker
        covariance += amplitude**2 * self._day
        covariance += self._fixed
        if self._several_placements:
            covariance += theta[7] ** 2 * self._interaction
        _diagonal(covariance)[:] += s_w**2 / self._n
        return covariance, (fast, slow)

    def _derivatives(self, theta: np.ndarray, pieces: tuple[np.ndarray, ...]) -> list[np.ndarray]:
        s_w, s_1, z_1, s_f, amplitude, s_2, z_2 = theta[:7]
        fast, slow = pieces
        by_tau = self._half_log_tau
        derivatives = [
            np.diag(2 * s_w / self._n),
            2 * s_1 * fast,
            s_1**2 * by_tau * self._ou_by_log_tau(self._tau(z_1), fast),
            2 * s_f * self._flicker,
            2 * amplitude * self._day,
            2 * s_2 * slow,
            s_2**2 * by_tau * self._ou_by_log_tau(self._tau(z_2), slow),
        ]
        if self._several_placements:
            derivatives.append(2 * theta[7] * self._interaction)
        return derivatives

    def _tau(self, z: float) -> float:
        return float(np.exp(np.clip(self._mid_log_tau + self._half_log_tau * z, -2.0, 25.0)))

    def _ou(self, tau_s: float) -> np.ndarray:
        """Correlation of block averages of an OU process of unit variance."""
        return average_covariance(self._apart_s, self._series.length_s, tau_s)

    def _ou_by_log_tau(self, tau_s: float, correlation: np.ndarray) -> np.ndarray:
        x = self._series.length_s / tau_s
        small = x < 1e-4
        x = np.where(small, 1e-4, x)
        loss = 1.0 - 0.5 * x / np.tanh(0.5 * x)
        derivative = correlation * (loss[:, None] + loss[None, :] + self._apart_s / tau_s)
        f = 2 * (x - 1 + np.exp(-x)) / x**2
        _diagonal(derivative)[:] = np.where(small, 0.0, 2 * f - 2 * (1 - np.exp(-x)) / x)
        return derivative

    def _fixed_covariance(self) -> np.ndarray:
        series = self._series
        days = (series.mid_s - series.mid_s.mean()) / DAY_S
        span_days = max(series.span_s / DAY_S, 1e-3)
        drift_variance = DRIFT_SD_PER_DAY**2 * 2.0 / span_days
        offset_variance = RESTART_SD**2 / 2 + rounding_bias_variance(series.stay_spread, self._quantum)
        same_stay = series.stay[:, None] == series.stay[None, :]
        same_placement = series.placement[:, None] == series.placement[None, :]
        fixed = drift_variance * np.outer(days, days)
        fixed += same_stay * offset_variance[series.stay][:, None]
        fixed += PLACEMENT_SD**2 * same_placement
        _diagonal(fixed)[:] += self._quantum**2 / 12 / self._n + LEAST_SD**2
        return fixed

    def _day_covariance(self) -> np.ndarray:
        turn = 2 * np.pi / DAY_S
        apart = np.subtract.outer(self._series.local_s, self._series.local_s)
        day = np.zeros_like(apart)
        for harmonic, variance in ((1, 1 / 2), (2, 1 / 8)):
            damping = np.sinc(harmonic * self._series.length_s / DAY_S)
            day += variance * np.outer(damping, damping) * np.cos(harmonic * turn * apart)
        return day

    def _flicker_covariance(self) -> np.ndarray:
        tau_s = 2 * self._series.coarsest_s
        flicker = self._ou(tau_s)
        while tau_s * FLICKER_STEP <= 4 * self._series.span_s:
            tau_s *= FLICKER_STEP
            flicker += self._ou(tau_s)
        return flicker * np.log(FLICKER_STEP) / np.log(4)

    def _log_prior(self, theta: np.ndarray) -> tuple[float, np.ndarray]:
        value, gradient = 0.0, np.zeros_like(theta)
        for index, scale in ((0, WHITE_SCALE), (1, OU_SCALE), (4, DAILY_SCALE), (5, OU_SCALE)):
            heavy = 3 * scale**2 + theta[index] ** 2
            value -= 2 * np.log(heavy)
            gradient[index] = -4 * theta[index] / heavy
        for index, (mean, sd) in ((2, FAST_TAU), (6, SLOW_TAU)):
            value -= 0.5 * ((theta[index] - mean) / sd) ** 2
            gradient[index] = -(theta[index] - mean) / sd**2
        smooth = np.hypot(theta[3], 0.02)  # the exponential's corner at 0, rounded off for the search
        value -= smooth / FLOOR_MEAN
        gradient[3] = -theta[3] / smooth / FLOOR_MEAN
        if self._several_placements:
            value -= 0.5 * (theta[7] / INTERACTION_SCALE) ** 2
            gradient[7] = -theta[7] / INTERACTION_SCALE**2
        return float(value), gradient


def average_covariance(apart_s: np.ndarray, length_s: np.ndarray, tau_s: float) -> np.ndarray:
    """Covariance of the averages of a unit-variance OU process over intervals that do not overlap.

    ``apart_s`` (n, n): distances of the intervals' middles; ``length_s`` (n,). With x = length/tau the
    variance is 2(x - 1 + e^-x)/x^2 and between i and j it is g_i g_j e^(-apart/tau), g = sinh(x/2)/(x/2).
    """
    x = np.maximum(length_s / tau_s, 1e-4)
    # log g without overflow: sinh(h) = e^h (1 - e^-2h) / 2
    log_g = 0.5 * x + np.log1p(-np.exp(-x)) - np.log(x)
    covariance = log_g[:, None] - apart_s / tau_s
    covariance += log_g
    _diagonal(covariance)[:] = 0.0
    np.exp(covariance, out=covariance)
    _diagonal(covariance)[:] = 2 * (x - 1 + np.exp(-x)) / x**2
    return covariance


def rounding_bias_variance(spread: np.ndarray, quantum: float) -> np.ndarray:
    """Variance of the error that rounding leaves in the mean of many samples of this spread.

    For Gaussian noise of standard deviation s about a level of unknown phase it is
    q^2/(2 pi^2) sum_k exp(-(2 pi k s/q)^2) / k^2: q^2/12 where the value never moves, nothing once s
    exceeds half a step (Widrow & Kollar, Quantization Noise, 2008, chapter 4; first moment).
    ``spread`` is that of the rounded samples, NaN where unknown (then taken as wide).
    """
    if quantum <= 0:
        return np.zeros_like(spread)
    variance = np.maximum(np.nan_to_num(spread, nan=quantum) ** 2 - quantum**2 / 12, 0.0)
    k = np.arange(1, 51)[:, None]
    terms = np.exp(-4 * np.pi**2 * k**2 * variance / quantum**2) / k**2
    return quantum**2 / (2 * np.pi**2) * terms.sum(axis=0)


def _diagonal(matrix: np.ndarray) -> np.ndarray:
    """A writable view."""
    return matrix.reshape(-1)[:: len(matrix) + 1]


def _cholesky(covariance: np.ndarray) -> tuple[np.ndarray, float]:
    factor, failed = lapack.dpotrf(covariance, lower=1, overwrite_a=0, clean=0)
    if failed:
        raise np.linalg.LinAlgError("the blocks' covariance is not positive definite: do blocks overlap?")
    return factor, 2 * float(np.log(np.diagonal(factor)).sum())


def _solve_lower(factor: np.ndarray, columns: np.ndarray) -> np.ndarray:
    solution, failed = lapack.dtrtrs(factor, columns, lower=1)
    if failed:
        raise np.linalg.LinAlgError("the blocks' covariance is singular")
    return solution


def _inverse_from_cholesky(factor: np.ndarray) -> np.ndarray:
    lower, failed = lapack.dpotri(factor, lower=1)
    if failed:
        raise np.linalg.LinAlgError("the blocks' covariance is singular")
    return np.tril(lower) + np.tril(lower, -1).T
