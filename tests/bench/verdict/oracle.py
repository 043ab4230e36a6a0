"""What an estimator could reach at best: generalised least squares by one who knows the noise of the world.

The fair oracle knows the world's true covariance, its bursts to second order, but of the day's phase and of the drift
only what the method knows: two harmonics and a line, drawn from its priors, with the daily amplitude fixed at the true
one and at least 1 dB. No linear estimate of the effect that is told no more has a smaller variance (Aitken, Proc. R.
Soc. Edinburgh 55 (1935) 42). It works on the very block means that the method is given.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.linalg import cho_factor, cho_solve

from dashboards.analysis.block_series import BlockSeries, after_washout, number_stays, series_from_blocks
from tests.bench.verdict.worlds import BLOCKING_DB, BLOCKING_S, BY_DAY_H, FLICKER_TAUS_S, Family

DAY_S = 86_400.0
NORMAL_95 = 1.959964
DRIFT_SD_A_DAY = 0.7  # over two days, as in the study; over longer ones less a day
LEAST_DAILY_DB = 1.0
WALK_TAU_SPANS = 20.0  # a random walk is an OU whose memory is so many times the record


@dataclass(frozen=True)
class Told:
    """What the oracle says of one world, dB."""

    estimate: float
    sd: float

    @property
    def half_width(self) -> float:
        return NORMAL_95 * self.sd

    def holds(self, truth: float) -> bool:
        return abs(self.estimate - truth) <= self.half_width


def ask(family: Family, blocks: pd.DataFrame, *, washout_s: float = 0.0, scope: str = "position") -> Told:
    """The effect of version 2 against 1, at the one placement of the blocks or ("location") at a new one."""
    stays = after_washout(number_stays(blocks), washout_s)
    told = stays[stays["connected"] & (stays["rssi_n"] > 0) & (stays["frequency_mhz"] == 5180)]
    series = series_from_blocks(told, "rssi_mean_dbm", "rssi_n", "rssi_histogram", 2)
    found = least_squares(series, covariance(family, series, scope))
    return found if scope == "position" else Told(found.estimate, float(np.hypot(found.sd, family.interaction_sd)))


def least_squares(series: BlockSeries, noise: np.ndarray) -> Told:
    """The contrast of the versions, a common level taken out."""
    x = np.column_stack([np.ones(len(series.mean)), series.is_b])
    weighted = cho_solve(cho_factor(noise, lower=True), np.column_stack([x, series.mean - series.mean.mean()]))
    spread = np.linalg.inv(x.T @ weighted[:, :2])
    return Told(float((spread @ (x.T @ weighted[:, 2]))[1]), float(np.sqrt(spread[1, 1])))


def covariance(
    family: Family, series: BlockSeries, scope: str = "position", *, drifts_s: float | None = None
) -> np.ndarray:
    """Of the block means, (n, n), dB^2. ``drifts_s``: the span that the drift's prior is for, that of the series if
    None."""
    apart_s = np.abs(np.subtract.outer(series.mid_s, series.mid_s))
    noise = day_and_drift(family, series, series.span_s if drifts_s is None else drifts_s)
    noise += np.diag(family.step_db**2 / 12 / series.n_samples)
    for sd, tau_s in _memories(family, series.span_s):
        noise += sd**2 * covariance_of_means(apart_s, series, tau_s)
    same = series.placement[:, None] == series.placement[None, :]
    noise += family.placement_sd**2 * same
    if scope == "location":
        noise += family.interaction_sd**2 * (same & np.outer(series.is_b, series.is_b))
    return noise


def covariance_of_means(apart_s: np.ndarray, series: BlockSeries, tau_s: float) -> np.ndarray:
    """Of means of n single readings of a unit-variance OU process each, evenly spread over the block.

    With r the correlation of neighbours d apart, the variance is (n + 2 sum_k (n - k) r^k) / n^2, and the covariance
    of two blocks g_i g_j e^(-apart/tau), g = sinh(n d / 2 tau) / (n sinh(d / 2 tau)). Where d is short against tau it
    is that of averages over a stretch of time.
    """
    n = series.n_samples
    step = series.length_s / np.sqrt(np.maximum(n**2 - 1, 1)) / tau_s  # length: spread x sqrt((n + 1) / (n - 1))
    step = np.maximum(step, 1e-6)
    faded, all_faded = -np.expm1(-step), -np.expm1(-n * step)  # 1 - r and 1 - r^n
    log_g = 0.5 * (n - 1) * step + np.log(all_faded / faded / n)
    covariance: np.ndarray = np.exp(log_g[:, None] + log_g - apart_s / tau_s)
    lagged = (1 - faded) / faded * (n - all_faded / faded)  # sum over k of (n - k) r^k
    np.fill_diagonal(covariance, np.where(n > 1, (n + 2 * lagged) / n**2, 1.0))
    return covariance


def day_and_drift(family: Family, series: BlockSeries, drifts_s: float) -> np.ndarray:
    """What the method, too, can only guess at."""
    days = (series.mid_s - series.mid_s.mean()) / DAY_S
    noise: np.ndarray = DRIFT_SD_A_DAY**2 * 2 / max(drifts_s / DAY_S, 1e-3) * np.outer(days, days)
    amplitude = max(family.daily, LEAST_DAILY_DB)
    for harmonic, share in ((1, 1 / 2), (2, 1 / 8)):
        turn = 2 * np.pi * harmonic / DAY_S
        damping = np.sinc(harmonic * series.length_s / DAY_S)
        apart = turn * np.subtract.outer(series.local_s, series.local_s)
        noise += amplitude**2 * share * np.outer(damping, damping) * np.cos(apart)
    return noise


def _memories(family: Family, span_s: float) -> list[tuple[float, float]]:
    """Standard deviation and time constant of each OU of the world."""
    shape, scale = BLOCKING_DB
    # Shot noise of exponential lengths: rate x mean square depth x mean length, of the hours in which there is any.
    by_day = (BY_DAY_H[1] - BY_DAY_H[0]) / 24
    burst_variance = family.blockings_an_hour / 3600 * shape * (shape + 1) * scale**2 * BLOCKING_S * by_day
    walk_tau_s = WALK_TAU_SPANS * max(span_s, 3600.0)
    walk_sd = family.walk_a_root_hour * np.sqrt(walk_tau_s / 2 / 3600)
    return [
        (sd, tau_s)
        for sd, tau_s in (
            (family.fast_sd, family.fast_tau_s),
            (family.slow_sd, family.slow_tau_s),
            (float(np.sqrt(burst_variance)), BLOCKING_S),
            (walk_sd, walk_tau_s),
            *((family.flicker_sd, tau_s) for tau_s in FLICKER_TAUS_S),
        )
        if sd > 0
    ]
