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

Ready-made ways do not hold here. HAC errors (statsmodels; Newey & West, Econometrica 55 (1987) 703), with
fixed-b critical values too (Kiefer & Vogelsang, Econometric Theory 21 (2005) 1130), and the block bootstrap
(arch; Politis & Romano, JASA 89 (1994) 1303) take the noise's memory for short against the record; GLS with one
AR(1) (statsmodels' GLSAR) knows one time scale and no drift. In a study of the twelve families whose names
tests/bench/verdict bears, 95 % intervals of the first held .47 to 1.00, of the last .28 to 1.00.
"""

from __future__ import annotations

from collections.abc import Callable
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
DAILY_SCALE = 0.9  # half-t3; the first harmonic's coefficients are N(0, A^2/2), the second's a quarter
# Over two days; a wander, so less per day over longer: times sqrt(2 days / span). At 0.7 the interval held the
# truth in .92 of 320 simulated worlds that drift by 1 dB a day.
DRIFT_SD_PER_DAY = 0.77
RESTART_SD = 0.2  # of the difference of two stays: a change re-associates radios
PLACEMENT_SD = 3.0  # moving the antenna by centimetres: 2 to 4
INTERACTION_SCALE = 1.0  # half-normal: how a version's effect differs from placement to placement
FASTEST_S = 20.0
FAST_TAU = (-0.6, 0.5)  # mean and sd of ln tau, in half-ranges of [FASTEST_S, covered time] from its middle
SLOW_TAU = (0.6, 0.7)
FLICKER_STEP = 5.0
NODE_STEP = 0.4
UNRELATED_S = 1e15  # so far apart that no noise is shared: two recordings
LEAST_SD = 0.01  # keeps the covariance definite where nothing varies


@dataclass(frozen=True)
class Contrast:
    """beta given one theta: its estimate and variance, and the log posterior density of theta. Of a series without
    version B they are of no meaning."""

    log_density: float
    beta: float
    variance: float


class LevelModel:
    """The posterior of theta = (s_w, s_1, z_1, s_f, A, s_2, z_2[, s_d]) for one series, and beta given it.

    The standard deviations s may have either sign (the density is even in each): on that scale the
    posterior is round near zero, where on a log scale it has an endless flat tail. z is ln tau, scaled.
    ``series.mean`` must be in dB or scaled to behave like it; ``quantum`` is its rounding step.
    """

    def __init__(self, series: BlockSeries, *, quantum: float, several_placements: bool) -> None:
        self._series = series
        self._quantum = quantum
        self._several_placements = several_placements
        self._y = series.mean - series.mean.mean()
        self._X = _design(series)
        longest_s = max(series.covered_s, 2 * FASTEST_S)
        self._mid_log_tau = 0.5 * np.log(FASTEST_S * longest_s)
        self._half_log_tau = 0.5 * np.log(longest_s / FASTEST_S)
        apart_s = np.abs(np.subtract.outer(series.mid_s, series.mid_s))
        apart_s[series.source[:, None] != series.source[None, :]] = UNRELATED_S
        # Covariances are kept as the packed lower triangle: sums of them are the hot path.
        self._triangle = np.tril_indices(len(self._y))
        self._places = np.ravel_multi_index(self._triangle, (len(self._y),) * 2)
        self._diagonal = np.flatnonzero(self._triangle[0] == self._triangle[1])
        self._twice = np.where(self._triangle[0] == self._triangle[1], 1.0, 2.0)
        self._memory = MemoryBank(
            FASTEST_S / 10,
            30 * longest_s,
            len(self._places),
            lambda tau_s: self._packed(average_covariance(apart_s, series.length_s, tau_s)),
        )
        self._white = 1 / series.n_samples
        parts = [self._fixed_covariance(), self._flicker_covariance(apart_s), self._day_covariance()]
        if several_placements:
            cell = series.placement * 2 + series.is_b
            # Half, so that B - A at a placement has the variance s_d^2.
            parts.append(0.5 * (cell[:, None] == cell[None, :]))
        self._parts = np.array([self._packed(part) for part in parts])  # fixed, flicker, day[, interaction]

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
        factor, log_det = _cholesky(self.covariance(theta))
        white, _ = lapack.dtrtrs(factor, np.column_stack([self._X, self._y]), lower=0, trans=1)
        x, y = white[:, :-1], white[:, -1]
        information = x.T @ x
        spread = np.linalg.inv(information)
        beta = spread @ (x.T @ y)
        rest = y - x @ beta
        log_density = -0.5 * (log_det - np.log(np.linalg.det(spread)) + rest @ rest)
        variance = spread[-1, -1] + (theta[7] ** 2 if self._several_placements else 0.0)
        return Contrast(float(log_density) + self._log_prior(theta)[0], float(beta[-1]), float(variance))

    def timeless(self, thetas: np.ndarray) -> np.ndarray:
        """``thetas`` (k, 7 or 8) with ln tau in place of z, which another series would scale otherwise."""
        scales = thetas.copy()
        scales[:, [2, 6]] = self._mid_log_tau + self._half_log_tau * thetas[:, [2, 6]]
        return scales

    def theta_of(self, scales: np.ndarray) -> np.ndarray:
        """The theta of this series that has the ``scales`` (7 or 8,) of another one."""
        theta = scales.copy()
        theta[[2, 6]] = (scales[[2, 6]] - self._mid_log_tau) / self._half_log_tau
        return theta

    def log_density_and_gradient(self, theta: np.ndarray) -> tuple[float, np.ndarray]:
        """Of theta's posterior, up to a constant."""
        factor, log_det = _cholesky(self.covariance(theta))
        solved, _ = lapack.dpotrs(factor, np.column_stack([self._X, self._y]), lower=0)
        inverse_x, inverse_y = solved[:, :-1], solved[:, -1]
        information = self._X.T @ inverse_x
        alpha = inverse_y - inverse_x @ np.linalg.solve(information, self._X.T @ inverse_y)
        # d log likelihood = 1/2 tr((alpha alpha' - P) dK), P the projection that leaves out mu and beta.
        narrow = np.linalg.solve(np.linalg.cholesky(information), inverse_x.T)
        inverse, _ = lapack.dpotri(factor, lower=0)
        score = self._packed(np.outer(alpha, alpha) + narrow.T @ narrow - inverse.T) * self._twice
        likelihood = -0.5 * (log_det + np.log(np.linalg.det(information)) + self._y @ alpha)
        log_prior, prior_gradient = self._log_prior(theta)
        return float(likelihood) + log_prior, 0.5 * self._along(theta, score) + prior_gradient

    def covariance(self, theta: np.ndarray) -> np.ndarray:
        """Of the block means, (n, n); only the lower triangle is filled."""
        s_w, s_1, z_1, s_f, amplitude, s_2, z_2 = theta[:7]
        scales = [1.0, s_f, amplitude, theta[7]] if self._several_placements else [1.0, s_f, amplitude]
        packed = np.square(scales) @ self._parts
        for s, z in ((s_1, z_1), (s_2, z_2)):
            covariances, weights, _ = self._memory.near(self._log_tau(z))
            packed += (s**2 * weights) @ covariances
        packed[self._diagonal] += s_w**2 * self._white
        full = np.zeros((len(self._y),) * 2)
        full.reshape(-1)[self._places] = packed
        return full

    def _along(self, theta: np.ndarray, score: np.ndarray) -> np.ndarray:
        """tr(score dK/dtheta_j) for every j."""
        s_w, s_1, z_1, s_f, amplitude, s_2, z_2 = theta[:7]
        along = np.zeros_like(theta)
        along[0] = 2 * s_w * (score[self._diagonal] @ self._white)
        _, flicker, day, *interaction = self._parts @ score
        along[3] = 2 * s_f * flicker
        along[4] = 2 * amplitude * day
        for index, s, z in ((1, s_1, z_1), (5, s_2, z_2)):
            covariances, weights, slopes = self._memory.near(self._log_tau(z))
            traces = covariances @ score
            along[index] = 2 * s * (traces @ weights)
            along[index + 1] = s**2 * (traces @ slopes) * self._half_log_tau
        if self._several_placements:
            along[7] = 2 * theta[7] * interaction[0]
        return along

    def _log_tau(self, z: float) -> float:
        return float(self._mid_log_tau + self._half_log_tau * z)

    def _packed(self, matrix: np.ndarray) -> np.ndarray:
        return matrix.reshape(-1)[self._places]

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
        fixed += np.diag(self._quantum**2 / 12 / series.n_samples + LEAST_SD**2)
        return fixed

    def _day_covariance(self) -> np.ndarray:
        turn = 2 * np.pi / DAY_S
        apart = np.subtract.outer(self._series.local_s, self._series.local_s)
        day: np.ndarray = np.zeros_like(apart)
        for harmonic, variance in ((1, 1 / 2), (2, 1 / 8)):
            damping = np.sinc(harmonic * self._series.length_s / DAY_S)
            day += variance * np.outer(damping, damping) * np.cos(harmonic * turn * apart)
        return day

    def _flicker_covariance(self, apart_s: np.ndarray) -> np.ndarray:
        tau_s = 2 * self._series.coarsest_s
        bank: np.ndarray = average_covariance(apart_s, self._series.length_s, tau_s)
        while tau_s * FLICKER_STEP <= 4 * self._series.span_s:
            tau_s *= FLICKER_STEP
            bank += average_covariance(apart_s, self._series.length_s, tau_s)
        return np.asarray(bank * (np.log(FLICKER_STEP) / np.log(4)))

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


class MemoryBank:
    """OU covariances at ln tau spaced by NODE_STEP; those between are mixtures of three neighbours.

    Quadratic B-spline weights are not negative and sum to 1, so a mixture is itself a covariance: that of
    OU noise whose time constant is blurred by half a step, smooth in ln tau. Far cheaper than exponentials.
    ``covariance_at`` gives the covariance at tau in seconds, (size,).
    """

    def __init__(
        self, shortest_s: float, longest_s: float, size: int, covariance_at: Callable[[float], np.ndarray]
    ) -> None:
        self._first = np.log(shortest_s)
        self._covariance_at = covariance_at
        self._n = int(np.ceil((np.log(longest_s) - self._first) / NODE_STEP)) + 1
        self._covariances = np.empty((self._n, size))
        self._known = np.zeros(self._n, dtype=bool)  # the others are worked out when they are asked for

    def near(self, log_tau: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """The covariances of three nodes (3, m), their weights, and the weights' derivatives by ln tau; held at the
        bank's ends."""
        place = (log_tau - self._first) / NODE_STEP
        within = min(max(place, 1.0), self._n - 2.0)
        middle = round(within)
        u = within - middle
        weights = np.array([0.5 * (0.5 - u) ** 2, 0.75 - u**2, 0.5 * (0.5 + u) ** 2])
        slopes = np.array([u - 0.5, -2 * u, u + 0.5]) / NODE_STEP
        nodes = slice(middle - 1, middle + 2)
        for node in range(nodes.start, nodes.stop):
            if not self._known[node]:
                self._covariances[node] = self._covariance_at(np.exp(self._first + NODE_STEP * node))
                self._known[node] = True
        return self._covariances[nodes], weights, slopes if within == place else np.zeros(3)


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
    np.fill_diagonal(covariance, 0.0)
    np.exp(covariance, out=covariance)
    np.fill_diagonal(covariance, 2 * (x - 1 + np.exp(-x)) / x**2)
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
    total: np.ndarray = terms.sum(axis=0)
    return quantum**2 / (2 * np.pi**2) * total


def _design(series: BlockSeries) -> np.ndarray:
    """Columns of what is known to differ: the level of every version, and in the last one what B has more than A."""
    others = np.unique(series.version[~series.is_b])[1:]
    columns = [np.ones(len(series.mean)), *(series.version == other for other in others)]
    return np.column_stack([*columns, series.is_b] if series.is_b.any() else columns).astype(float)


def _cholesky(covariance: np.ndarray) -> tuple[np.ndarray, float]:
    """Upper factor of a C-ordered lower triangle (LAPACK reads it transposed), and the log determinant."""
    factor, failed = lapack.dpotrf(covariance.T, lower=0, overwrite_a=1, clean=0)
    if failed:
        raise np.linalg.LinAlgError("the blocks' covariance is not positive definite: do blocks overlap?")
    return factor, 2 * float(np.log(np.diagonal(factor)).sum())
