"""What a link's own record says of the noise of its ten-minute means: the covariance that a step must stand out of.

The noise of a still link has no one time constant and a floor that averaging does not lower, so its covariance is a
sum with weights >= 0: white noise, Ornstein-Uhlenbeck noise of 20 min to a day, and a random walk. The weights are
those with which the sum has the variances of neighbouring means that the record has, from ten minutes to half a day
(Allan, Proc. IEEE 54, 1966; fitting sums of processes to them: Guerrier et al., Wavelet-variance-based estimation for
composite stochastic processes, JASA 108, 2013). Those variances are read from a quantile of the differences: steps, the
very thing sought, then hardly move them even in a record of three days, while the noisy hours of the day count.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from dashboards.analysis.unexplained.slots import SLOT_S, SLOTS_A_DAY

OU_TAUS_S = (1200.0, 3600.0, 10_800.0, 32_400.0, 97_200.0)
WALK_TAU_S = 30 * 86_400.0  # longer than any window: within it a random walk
WIDTHS = (1, 2, 4, 8, 16, 32, 64)  # slots that are averaged on either side
# Of still links on public recordings neighbouring means differ by .6 to .8 dB rms at every width; counted as much as
# PRIOR_WEIGHT differences of the record's own.
PRIOR_VARIANCE = np.array([0.35, 0.38, 0.40, 0.45, 0.50, 0.55, 0.60])
PRIOR_WEIGHT = 3.0
MOST_WEIGHT = 200.0
LEAST_VARIANCE = 0.02
QUANTILE, QUANTILE_SD = 0.7, 1.0364  # of the absolute differences; of a normal distribution's
LAGS = 8 * SLOTS_A_DAY
LEAST_NUGGET = 1e-3  # dB^2, so that any covariance can be inverted

DAY_UNKNOWN_DB = 1.2  # amplitude of the day's cycle where the record is too short to know it
DAY_LEFT_DB = 0.4  # what is left of it after the record's own was taken out
DAYS_TO_KNOW_THE_DAY = 3
HARMONICS = 3
OUTLIER_REACH = 6  # slots on either side
OUTLIER_SD = 2.5


@dataclass(frozen=True)
class SlotNoise:
    """``covariance`` (LAGS,) of two slots' means by how many slots they are apart (further: as the last);
    ``day_sd`` the amplitude of a daily cycle of unknown phase on top of it. dB."""

    covariance: np.ndarray
    day_sd: float

    def between(self, slot: np.ndarray) -> np.ndarray:
        """The covariance matrix of these slots' means, (n, n)."""
        apart = np.abs(np.subtract.outer(slot, slot))
        if apart[0, -1] >= LAGS:
            apart = np.where(apart < LAGS, apart, LAGS + apart % SLOTS_A_DAY)
        matrix: np.ndarray = self._by_lag[apart]
        return matrix

    @cached_property
    def _by_lag(self) -> np.ndarray:
        """The whole of it, with a day beyond the last lag: of that only the hour matters."""
        lag = np.arange(LAGS + SLOTS_A_DAY)
        turn = 2 * np.pi / SLOTS_A_DAY * lag
        by_lag: np.ndarray = self.day_sd**2 * (np.cos(turn) / 2 + np.cos(2 * turn) / 8)
        by_lag += self.covariance[np.minimum(lag, LAGS - 1)]
        by_lag[0] += LEAST_NUGGET
        return by_lag


def ou_covariance(tau_s: float, n: int) -> np.ndarray:
    """Of the averages of unit-variance OU noise over slots 0 to n - 1 apart: as ``average_covariance`` in
    level_model.py, for one length."""
    x = SLOT_S / tau_s
    away = np.arange(n)
    g = np.sinh(x / 2) / (x / 2)
    covariance: np.ndarray = g * g * np.exp(-away * x)
    covariance[0] = 2 * (x - 1 + np.exp(-x)) / x**2
    return covariance


def difference_variance(covariance: np.ndarray, width: int) -> float:
    """Of the mean of ``width`` slots less that of the ``width`` before."""
    weights = np.repeat([-1.0, 1.0], width) / width
    by_lag = np.correlate(weights, weights, "full")[2 * width - 1 :]
    return float(by_lag[0] * covariance[0] + 2 * by_lag[1:] @ covariance[1 : 2 * width])


def _bank() -> tuple[np.ndarray, np.ndarray]:
    white = np.zeros(LAGS)
    white[0] = 1.0
    walk = ou_covariance(WALK_TAU_S, LAGS) * WALK_TAU_S / 86_400 / 2  # 1 dB a root day
    parts = np.array([white, *(ou_covariance(tau_s, LAGS) for tau_s in OU_TAUS_S), walk])
    return parts, np.array([[difference_variance(part, width) for width in WIDTHS] for part in parts])


_PARTS, _PART_VARIANCES = _bank()


def learn_slot_noise(series: Sequence[tuple[np.ndarray, np.ndarray]], day_sd: float) -> SlotNoise:
    """From (slots, means) of one link's stretches, the day and outliers taken out."""
    from scipy.optimize import nnls  # a third of a second to load, and only for what is not remembered

    variances, weights = [], []
    for width, prior in zip(WIDTHS, PRIOR_VARIANCE, strict=True):
        differences = np.concatenate([neighbour_differences(slot, mean, width) for slot, mean in series])
        n = len(differences) / width  # as many as do not overlap
        own = (np.quantile(np.abs(differences), QUANTILE) / QUANTILE_SD) ** 2 if n >= 4 else 0.0
        n = n if n >= 4 else 0.0
        variances.append((n * own + PRIOR_WEIGHT * prior) / (n + PRIOR_WEIGHT))
        weights.append(np.sqrt(min(n, MOST_WEIGHT) + PRIOR_WEIGHT))
    relative = _PART_VARIANCES / np.maximum(variances, LEAST_VARIANCE)
    amounts, _ = nnls(relative.T * np.array(weights)[:, None], np.array(weights))
    return SlotNoise(amounts @ _PARTS, day_sd)


def neighbour_differences(slot: np.ndarray, mean: np.ndarray, width: int) -> np.ndarray:
    """The mean of ``width`` slots less that of the ``width`` before, at every place where both have 70 % of theirs."""
    n = int(slot[-1] - slot[0]) + 1
    if n < 2 * width:
        return np.zeros(0)
    present, total = np.zeros(n), np.zeros(n)
    present[slot - slot[0]] = 1.0
    total[slot - slot[0]] = mean
    counts, sums = (np.append(0.0, np.cumsum(each)) for each in (present, total))
    at = np.arange(width, n - width + 1)
    before, after = counts[at] - counts[at - width], counts[at + width] - counts[at]
    good = np.minimum(before, after) >= 0.7 * width
    at = at[good]
    differences: np.ndarray = (sums[at + width] - sums[at]) / after[good] - (sums[at] - sums[at - width]) / before[good]
    return differences


def day_cycle(series: Sequence[tuple[np.ndarray, np.ndarray]]) -> tuple[np.ndarray, float]:
    """Coefficients of the day's harmonics over (local seconds, means) of one link's stretches, and how much of a day
    is still unknown then, dB. Each day has its own level, so that steps and drift do not pose as a cycle; the least
    likely hours are left out twice."""
    day = np.concatenate([1000 * k + local_s // 86_400 * 1_000_000 for k, (local_s, _) in enumerate(series)])
    local_s = np.concatenate([local_s for local_s, _ in series])
    mean = np.concatenate([mean for _, mean in series])
    if len(mean) < DAYS_TO_KNOW_THE_DAY * SLOTS_A_DAY:
        return np.zeros(2 * HARMONICS), DAY_UNKNOWN_DB
    x = harmonics(local_s)
    of_day = np.unique(day, return_inverse=True)[1]
    kept = np.ones(len(mean), dtype=bool)
    for _ in range(3):
        centred = _less_daily_mean(np.column_stack([x, mean]), of_day, kept)
        a, b = centred[kept, :-1], centred[kept, -1]
        coefficients: np.ndarray = np.linalg.solve(a.T @ a + np.eye(a.shape[1]), a.T @ b)
        left = np.abs(centred[:, -1] - centred[:, :-1] @ coefficients)
        kept = left <= 3 * 1.4826 * np.median(left) + 1e-9
    return coefficients, DAY_LEFT_DB


def harmonics(local_s: np.ndarray) -> np.ndarray:
    """Cosines and sines of the day, (n, 2 HARMONICS)."""
    turn = 2 * np.pi * local_s / 86_400
    return np.column_stack([wave(k * turn) for k in range(1, HARMONICS + 1) for wave in (np.cos, np.sin)])


def _less_daily_mean(columns: np.ndarray, of_day: np.ndarray, kept: np.ndarray) -> np.ndarray:
    n = np.maximum(np.bincount(of_day, weights=kept), 1.0)
    means = np.array([np.bincount(of_day, weights=column * kept) / n for column in columns.T]).T
    less: np.ndarray = columns - means[of_day]
    return less


def without_outliers(mean: np.ndarray) -> np.ndarray:
    """The means drawn in to what their neighbours' median allows (Hampel's filter). Somebody who stands in the path for
    twenty minutes goes; a step stays, for a running median keeps it."""
    padded = np.pad(mean, OUTLIER_REACH, mode="symmetric")
    window = np.lib.stride_tricks.sliding_window_view(padded, 2 * OUTLIER_REACH + 1)
    middle = np.median(window, axis=1)
    away = mean - middle
    most = OUTLIER_SD * np.quantile(np.abs(away), 0.8) / 1.2816
    drawn_in: np.ndarray = middle + np.clip(away, -most, most)
    return drawn_in
