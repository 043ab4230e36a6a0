"""Whether the level goes up or down over weeks: its slope per month, with an interval that holds whatever the noise.

    level = placement + slope t + the day's cycle + noise

over at most MOST_BINS bins, each the median of its ten-minute means, so that bursts weigh little. The noise is white,
Ornstein-Uhlenbeck with memories of some bins, and a random walk, in unknown shares: flicker noise is such a mixture. A
slope and a random walk look much alike, so shares are not averaged over: the interval is the hull of the intervals
under every mixture that the record leaves plausible, each at half the error (Berger & Boos, JASA 89 (1994) 1012:
maximise over a confidence set of what is a nuisance). Plausible is a restricted likelihood (Patterson & Thompson,
Biometrika 58 (1971) 545) within a factor of e^2 of the best; under one mixture the slope is generalised least squares
with Student's t.

scipy's Theil-Sen interval takes days for independent: tests/bench/stability_coverage.py has how seldom it holds beside
this one. Errors robust to autocorrelation (HAC, as in statsmodels) take the memory for short against the record, which
is what nobody knows here.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy.special import gammaincinv, stdtrit

from dashboards.analysis.lasting.interval import Interval
from dashboards.analysis.level_model import average_covariance

HOUR_S, DAY_S = 3600.0, 86_400.0
MONTH_S = 30 * DAY_S
LEAST_S = 3 * DAY_S  # a shorter record cannot tell a slope from the cycle of the day
MOST_BINS = 64
LEAST_BINS = 12
WIDTHS_S = (HOUR_S, 2 * HOUR_S, 3 * HOUR_S, 4 * HOUR_S, 6 * HOUR_S)  # then whole days
MEMORIES = (1.5, 6.0)  # of the OU terms, in bins; longer ones look like a random walk, and move less
WALK = 50.0  # an OU term with a memory of so many records is a random walk within one
CONCENTRATION = (0.5, 0.5, 0.5, 0.7)  # of the Dirichlet distribution that mixtures are drawn from: few noises rule
MIXTURES = 256
PLAUSIBLE = 2.0  # of log likelihood under the best
DAY_PRIOR = 25.0  # variance of the harmonics' coefficients, in those of the noise: as good as flat


@dataclass(frozen=True)
class _Bins:
    """The record in bins of one width, arrays of shape (n,) but for ``day``: the harmonics' means, (n, 4)."""

    width_s: float
    number: np.ndarray
    time_s: np.ndarray
    level_db: np.ndarray
    filled: np.ndarray  # share of the bin
    placement: np.ndarray
    day: np.ndarray


def slope_per_month(
    time_s: np.ndarray, local_s: np.ndarray, level_db: np.ndarray, placement: np.ndarray, *, confidence: float = 0.95
) -> Interval | None:
    """dB per 30 days from ten-minute means, arrays of shape (n,): their time on a common clock and on the wall clock,
    the level, and the placement (codes from 0). None under ``LEAST_S``, or where placements leave too little."""
    if not len(time_s) or np.ptp(time_s) < LEAST_S - 2 * HOUR_S:
        return None
    bins = _binned(time_s, local_s, level_db, placement)
    moved = bins.placement[:, None] == np.unique(bins.placement)
    design = np.column_stack([moved, (bins.time_s - bins.time_s.mean()) / MONTH_S]).astype(float)
    freedom = len(design) - design.shape[1]
    if freedom < LEAST_BINS - 2 or np.linalg.matrix_rank(design) < design.shape[1]:
        return None
    log_likelihood, slope, error = _under_each_mixture(bins, design)
    plausible = log_likelihood >= log_likelihood.max() - PLAUSIBLE
    reach = float(stdtrit(freedom, 1 - (1 - confidence) / 4)) * error
    return Interval(
        float(slope[np.argmax(log_likelihood)]),
        float((slope - reach)[plausible].min()),
        float((slope + reach)[plausible].max()),
    )


def _binned(time_s: np.ndarray, local_s: np.ndarray, level_db: np.ndarray, placement: np.ndarray) -> _Bins:
    span_s = float(np.ptp(time_s))
    whole_days_s = DAY_S * max(1.0, np.ceil(span_s / DAY_S / MOST_BINS))
    width_s = next((width for width in WIDTHS_S if span_s <= MOST_BINS * width), whole_days_s)
    number = np.floor(local_s / width_s)
    key = np.unique(np.column_stack([placement, number]), axis=0, return_inverse=True)[1].ravel()
    order = np.argsort(key, kind="stable")
    parts = np.split(order, np.flatnonzero(np.diff(key[order])) + 1)
    turn = 2 * np.pi * local_s / DAY_S
    waves = np.column_stack([wave(harmonic * turn) for harmonic in (1, 2) for wave in (np.cos, np.sin)])
    first = [part[0] for part in parts]
    return _Bins(
        width_s=width_s,
        number=number[first],
        time_s=np.array([time_s[part].mean() for part in parts]),
        level_db=np.array([np.median(level_db[part]) for part in parts]),
        filled=np.minimum(np.array([len(part) for part in parts]) * 600.0 / width_s, 1.0),
        placement=placement[first],
        day=np.array([waves[part].mean(axis=0) for part in parts]),
    )


def _under_each_mixture(bins: _Bins, design: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Restricted log likelihood, slope and its standard error, each of shape (mixtures,)."""
    n, p = design.shape
    noises = _noises(bins, design)
    covariance = np.tensordot(_mixtures(len(noises)), noises, axes=1) + DAY_PRIOR * bins.day @ bins.day.T
    factor = np.linalg.cholesky(covariance + 1e-6 * np.eye(n))
    white = np.linalg.solve(factor, np.column_stack([design, bins.level_db - bins.level_db.mean()]))
    x, y = white[:, :, :p], white[:, :, p]
    spread = np.linalg.inv(np.swapaxes(x, 1, 2) @ x)
    beta = np.einsum("kij,klj,kl->ki", spread, x, y)
    rest = y - np.einsum("kij,kj->ki", x, beta)
    squares = np.einsum("ki,ki->k", rest, rest) + 1e-9
    log_det = 2 * np.log(np.diagonal(factor, axis1=1, axis2=2)).sum(axis=1)
    log_likelihood = -0.5 * (log_det - np.linalg.slogdet(spread)[1] + (n - p) * np.log(squares))
    return log_likelihood, beta[:, -1], np.sqrt(spread[:, -1, -1] * squares / (n - p))


def _noises(bins: _Bins, design: np.ndarray) -> np.ndarray:
    """Covariances (k, n, n) of the sorts of noise, each of unit variance on average once the design is taken out."""
    numbers, of_bin = np.unique(bins.number, return_inverse=True)
    apart_s = bins.width_s * np.abs(np.subtract.outer(numbers, numbers))
    length_s = np.full(len(numbers), bins.width_s)
    memories_s = [*(times * bins.width_s for times in MEMORIES), WALK * bins.width_s * (np.ptp(numbers) + 1)]
    wandering = [average_covariance(apart_s, length_s, tau_s)[np.ix_(of_bin, of_bin)] for tau_s in memories_s]
    sorts = [np.diag(1 / bins.filled), *wandering]
    basis = np.linalg.qr(design)[0]
    left = [np.trace(sort) - np.sum((basis.T @ sort) * basis.T) for sort in sorts]
    return np.array([sort * (len(design) - design.shape[1]) / x for sort, x in zip(sorts, left, strict=True)])


@cache
def _mixtures(n: int) -> np.ndarray:
    """Shares of the noises, (n + MIXTURES, n): each alone, and drawn evenly from the Dirichlet distribution."""
    from scipy.stats import qmc  # a third of a second to load, and only for what is not remembered

    uniforms = qmc.Sobol(n, scramble=True, rng=np.random.default_rng(1)).random(MIXTURES)
    gammas = gammaincinv(np.array(CONCENTRATION), np.clip(uniforms, 1e-9, 1 - 1e-9))
    return np.vstack([np.eye(n), gammas / gammas.sum(axis=1, keepdims=True)])
