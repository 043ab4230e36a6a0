"""Outages under one version: how many, how long, how far between, each with what the record can tell of it.

Outages come in clumps: those less than an hour apart are one episode (runs declustering: Leadbetter, Stat. Probab.
Lett. 12 (1991) 357). The count has the exact Poisson interval (Garwood, Biometrika 28 (1936) 437), with count and
quantiles scaled by its variance over its mean (quasi-Poisson: McCullagh & Nelder, Generalized Linear Models, 1989,
section 6.2): that of the days' numbers of episodes, times E[c^2] / E[c] for c outages an episode (compound Poisson);
what that is above 1 is widened for being an estimate from few episodes. Time between is exposure over count. Minutes
in all are rate times mean length of an episode, both with gamma posteriors as in outage_effect: a scaled F
distribution. The longest is predicted, of as many days again, from outages whose lengths are lognormal or exponential.

Where there was no outage, nothing tells how long they would be: minutes then have no upper end.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import chdtri, fdtri, gammaincinv, ndtri, stdtrit

from dashboards.analysis.lasting.interval import Interval
from dashboards.analysis.outage_effect import EPISODE_GAP_S

POINTS = 512
LEAST_DAYS = 0.25  # outages are rare: less time tells nothing
PRIOR_EPISODES = 0.5
NEVER = 0.01  # outages in the whole record: rarer is as good as none
LEAST_VARIATION = 1.5  # squared, of the lengths of episodes: exponential ones have 1
PRIOR_LENGTHS = 3.0
LENGTH_SD = 1.0  # of their logarithms
LEAST_EPISODES = 4  # and as many days, to tell whether days differ
DAY_S = 86_400.0


@dataclass(frozen=True)
class Outages:
    """Outages in ``days`` of being awake and logging. The estimates are what was seen; the intervals are of what such a
    link has in as many days: ``count``, ``minutes`` in all, minutes of the ``longest``. ``between_days``: mean time
    between, unbounded where none may be all there is."""

    days: float
    count: Interval
    minutes: Interval
    longest_min: Interval
    between_days: Interval


@dataclass(frozen=True)
class Episodes:
    """Of each episode the minutes without a link and the number of outages, shape (n,); ``dispersion``: variance over
    mean of the days' numbers of episodes, at least 1."""

    minutes: np.ndarray
    outages: np.ndarray
    dispersion: float


def count_outages(
    blocks: pd.DataFrame, spells: pd.DataFrame, *, confidence: float = 0.95, seed: int = 0
) -> Outages | None:
    """From the blocks of one location, band and version, with and without link, and their ``outage_spells`` in order of
    time; None under ``LEAST_DAYS``."""
    days = float(blocks["covered_s"].sum()) / DAY_S
    if days < LEAST_DAYS:
        return None
    tail = (1 - confidence) / 2
    count, minutes, longest = _count_and_lengths(blocks, spells, tail, seed)
    n, low, high = count.estimate, count.low, count.high
    between = Interval(
        days / n if n else None, days / high if high else None, days / low if low and low > NEVER else None
    )
    return Outages(days, count, minutes, longest, between)


def _count_and_lengths(
    blocks: pd.DataFrame, spells: pd.DataFrame, tail: float, seed: int
) -> tuple[Interval, Interval, Interval]:
    if spells.empty:
        none = Interval(0.0, 0.0, None)
        return poisson_interval(0.0, 1.0, tail), none, none
    episodes = _episodes(blocks, spells)
    n = episodes.outages
    clumping = float(np.sum(n**2) / np.sum(n))
    dispersion = _widened(clumping * episodes.dispersion, len(n), tail)
    each = spells["n_dropouts"].to_numpy()
    lengths_min = np.repeat(spells["lasted_s"].to_numpy("float64") / each / 60, each)
    return (
        poisson_interval(float(n.sum()), dispersion, tail),
        _minutes(episodes, tail),
        _longest(lengths_min, dispersion, tail, seed),
    )


def _widened(dispersion: float, n_episodes: int, tail: float) -> float:
    """The excess over 1 times the square of Student's t over the normal, for so many episodes."""
    return 1 + (dispersion - 1) * (float(stdtrit(n_episodes + 1, 1 - tail)) / float(ndtri(1 - tail))) ** 2


def _episodes(blocks: pd.DataFrame, spells: pd.DataFrame) -> Episodes:
    began_ms, ended_ms, lasted_s, n = (
        spells[name].to_numpy("float64") for name in ("started_at_utc_ms", "ended_at_utc_ms", "lasted_s", "n_dropouts")
    )
    pause_ms = began_ms[1:] - np.maximum.accumulate(ended_ms)[:-1]
    first = np.concatenate(([True], pause_ms > 1000 * EPISODE_GAP_S))[: len(spells)]
    episode = np.cumsum(first) - 1
    day = (blocks["started_at_utc_ms"].to_numpy() // (1000 * DAY_S)).astype("int64")
    days, of_day = np.unique(day, return_inverse=True)
    begun = np.clip(np.searchsorted(days, began_ms[first] // (1000 * DAY_S), side="right") - 1, 0, None)
    return Episodes(
        np.bincount(episode, weights=lasted_s) / 60.0,
        np.bincount(episode, weights=n),
        pearson_dispersion(
            np.bincount(begun, minlength=len(days)).astype(float),
            np.bincount(of_day, weights=blocks["covered_s"].to_numpy("float64")),
        ),
    )


def pearson_dispersion(counts: np.ndarray, exposure: np.ndarray) -> float:
    """Variance over mean of counts that should go with their exposure, at least 1; 1 where there is too little."""
    if counts.sum() < LEAST_EPISODES or len(counts) < LEAST_EPISODES:
        return 1.0
    expected = exposure * counts.sum() / exposure.sum()
    known = expected > 0
    squares = (counts[known] - expected[known]) ** 2 / expected[known]
    return max(1.0, float(squares.sum()) / (int(known.sum()) - 1))


def poisson_interval(n: float, dispersion: float, tail: float) -> Interval:
    """Of the mean of an over-dispersed Poisson count that was ``n``; ``tail``: the error at either end."""
    scaled = n / dispersion
    low = float(chdtri(2 * scaled, 1 - tail)) / 2 * dispersion if n else 0.0
    return Interval(n, low, float(chdtri(2 * (scaled + 1), tail)) / 2 * dispersion)


def _minutes(episodes: Episodes, tail: float) -> Interval:
    n, total = len(episodes.minutes), float(episodes.minutes.sum())
    variation = float(np.var(episodes.minutes, ddof=1)) * n**2 / total**2 if n > 2 else 0.0
    dispersion = _widened(episodes.dispersion, n, tail)
    of_number, of_mean = (n + 0.5) / dispersion, n / max(variation, LEAST_VARIATION) + PRIOR_EPISODES
    unit = dispersion * total / n * of_number
    low, high = (float(fdtri(2 * of_number, 2 * of_mean, chance)) * unit for chance in (tail, 1 - tail))
    return Interval(total, min(low, total), max(high, total))


def _longest(lengths_min: np.ndarray, dispersion: float, tail: float, seed: int) -> Interval:
    """The longest of a Poisson number of lengths that are lognormal or exponential, whichever reaches further, over the
    posterior of the number, of the logarithms' mean and standard deviation (normal-inverse-chi-squared, worth
    PRIOR_LENGTHS outages of LENGTH_SD), and of the mean length (inverse gamma)."""
    from scipy.stats import qmc  # a third of a second to load, and only for what is not remembered

    n, log_length = len(lengths_min), np.log(np.maximum(lengths_min, 1 / 60))
    uniforms = qmc.Sobol(4, scramble=True, rng=np.random.default_rng(seed)).random(POINTS)
    uniforms = np.clip(uniforms, 1e-6, 1 - 1e-6)
    number = gammaincinv((n + 0.5) / dispersion, uniforms[:, 0]) * dispersion
    freedom = PRIOR_LENGTHS + n - 1
    squares = PRIOR_LENGTHS * LENGTH_SD**2 + float(np.sum((log_length - log_length.mean()) ** 2))
    sd = np.sqrt(squares / (2 * gammaincinv(freedom / 2, uniforms[:, 1])))
    mean = log_length.mean() + sd / np.sqrt(n) * ndtri(uniforms[:, 2])
    # P(none is longer than z) = exp(-number (1 - Phi(z)))
    longer = np.clip(-np.log(uniforms[:, 3]) / number, 0, 1 - 1e-12)
    lognormal = np.exp(mean + sd * ndtri(1 - longer))
    exponential = -np.log(longer) * lengths_min.sum() / gammaincinv(n + PRIOR_EPISODES, uniforms[:, 1])
    draws = np.where(longer < 1 - 1e-9, [lognormal, exponential], 0.0)  # 0: no outage at all
    ends = np.quantile(draws, [tail, 1 - tail], axis=1)
    seen = float(lengths_min.max())
    return Interval(seen, min(float(ends[0].min()), seen), max(float(ends[1].max()), seen))
