"""Outages under one version: how many, how long, how far between, each with what the record can tell of it.

Outages come in clumps: those less than an hour apart are one episode (runs declustering: Leadbetter, Stat. Probab.
Lett. 12 (1991) 357). The count has the exact Poisson interval (Garwood, Biometrika 28 (1936) 437), with count and
quantiles scaled by its variance over its mean (quasi-Poisson: McCullagh & Nelder, Generalized Linear Models, 1989,
section 6.2): that of the days' numbers of episodes, times E[c^2] / E[c] for c outages an episode (compound Poisson).
Time between is exposure over count. Minutes have the posterior of rate times mean length, of which outage_effect says
the priors; for one version it is a scaled F distribution.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.special import chdtri, fdtri, gammaincinv
from scipy.stats import qmc

from dashboards.analysis.interval import Interval
from dashboards.analysis.outage_effect import ASSUMED_EPISODE_MIN, EPISODE_GAP_S, PRIOR_EPISODES

POINTS = 512
LEAST_DAYS = 0.25  # outages are rare: less time tells nothing
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
    episodes = _episodes(blocks, spells)
    count = _count(episodes, tail)
    longest = float((spells["lasted_s"] / spells["n_dropouts"]).max()) / 60 if len(spells) else 0.0
    n, low, high = count.estimate, count.low, count.high
    between = Interval(days / n if n else None, days / high if high else None, days / low if low else None)
    return Outages(days, count, _minutes(episodes, tail), _longest(episodes, longest, tail, seed), between)


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


def _count(episodes: Episodes, tail: float) -> Interval:
    n = episodes.outages
    clumping = float(np.sum(n**2) / np.sum(n)) if len(n) else 1.0
    return poisson_interval(float(n.sum()), clumping * episodes.dispersion, tail)


def poisson_interval(n: float, dispersion: float, tail: float) -> Interval:
    """Of the mean of an over-dispersed Poisson count that was ``n``; ``tail``: the error at either end."""
    scaled = n / dispersion
    low = float(chdtri(2 * scaled, 1 - tail)) / 2 * dispersion if n else 0.0
    return Interval(n, low, float(chdtri(2 * (scaled + 1), tail)) / 2 * dispersion)


def _posterior(episodes: Episodes) -> tuple[float, float, float]:
    """Gamma shape of the number of episodes over its dispersion; inverse gamma shape and scale (min) of their mean
    length."""
    n = len(episodes.minutes)
    mean = float(episodes.minutes.mean()) if n else ASSUMED_EPISODE_MIN
    variation = max(1.0, float(np.var(episodes.minutes, ddof=1)) / mean**2) if n > 2 else 1.0  # exponential or wilder
    worth = n / variation + PRIOR_EPISODES
    return (n + 0.5) / episodes.dispersion, worth, worth * mean


def _minutes(episodes: Episodes, tail: float) -> Interval:
    of_number, of_mean, scale_min = _posterior(episodes)
    unit = episodes.dispersion * scale_min * of_number / of_mean
    total = float(episodes.minutes.sum())
    low, high = (float(fdtri(2 * of_number, 2 * of_mean, chance)) * unit for chance in (tail, 1 - tail))
    return Interval(total, min(low, total), max(high, total))


def _longest(episodes: Episodes, seen_min: float, tail: float, seed: int) -> Interval:
    """Of as many days again: the longest of a Poisson number of exponential lengths, over the posterior of both."""
    of_number, of_mean, scale_min = _posterior(episodes)
    uniforms = qmc.Sobol(3, scramble=True, rng=np.random.default_rng(seed)).random(POINTS)
    uniforms = np.clip(uniforms, 1e-6, 1 - 1e-6)
    number = gammaincinv(of_number, uniforms[:, 0]) * episodes.dispersion
    mean_min = scale_min / gammaincinv(of_mean, uniforms[:, 1])
    # P(longest <= x) = exp(-number e^(-x / mean))
    draws = np.maximum(0.0, -mean_min * np.log(-np.log(uniforms[:, 2]) / number))
    low, high = np.quantile(draws, [tail, 1 - tail])
    return Interval(seen_min, min(float(low), seen_min), max(float(high), seen_min))
