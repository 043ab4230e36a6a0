"""Outage minutes and drop-outs a day of two versions, and how sure their difference is.

Outages are rare and come in clumps, so neither a normal approximation nor the minutes themselves will
do. Losses of the link less than an hour apart count as one episode (runs declustering: Leadbetter,
Stat. Probab. Lett. 12 (1991) 357). Episodes are a Poisson process whose rate has Jeffreys' posterior,
Gamma(n + 1/2, days). An episode's mean length has an inverse-gamma posterior whose prior is worth two
episodes of both versions' common mean, or of ASSUMED_EPISODE_MIN where there was none at all. So no outage
in two days leaves a finite interval, not 0 +- 0. Both posteriors are widened by the over-dispersion between
days (quasi-Poisson: McCullagh & Nelder, Generalized Linear Models, 1989, section 6.2; here of a day's total,
against the variance of a compound Poisson process), taken at the mean of its posterior. Drop-outs a day come
from the same episodes, each with its number of them instead of its minutes.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

EPISODE_GAP_S = 3600.0
ASSUMED_EPISODE_MIN = 2.0  # a router's restart; an assumption
ASSUMED_EPISODE_DROPOUTS = 1.0
PRIOR_EPISODES = 2.0
LEAST_VARIATION = 0.1  # squared, of the drop-outs of an episode: that all had one does not make it a law
OWN_DOING_S = 600.0  # a change is said some minutes after the router was unplugged for it; an assumption
SOLID_SHARE = 0.8  # of a stretch, without a link: one loss, not several
PRIOR_DEGREES = 4  # of freedom, that what is thought of days before is worth: twice even ones, where none was seen
DAYS_VARIATION = 0.1  # squared, of the days' rates; an assumption: by a third, give or take
STEP_GAP_S = 120.0  # between the samples of one loss
DAY_MS = 86_400_000
POINTS = 1024


@dataclass(frozen=True)
class OutageRecord:
    """What one version's blocks say: how much of each calendar day was watched, shape (k,), and of each episode
    the day (an index), the minutes without a link and the drop-outs, shape (n,). An episode that the logger did not
    see begin has none, and is no drop-out."""

    watched_days: np.ndarray
    episode_day: np.ndarray
    episode_min: np.ndarray
    episode_dropouts: np.ndarray


def apart_from_changes(stays: pd.DataFrame, washout_s: float) -> tuple[pd.DataFrame, dict[int, float]]:
    """The blocks of ``number_stays`` without the losses of the link at either end of a stay, and their
    seconds by version.

    Whoever changes the router unplugs it, mostly before saying so. A loss that comes within ``OWN_DOING_S``,
    or the washout if that is longer, of a change or a move is not held against either version, as long as it
    lasted. The beginning and the end of a recording are no change."""
    near_ms = 1000 * max(OWN_DOING_S, washout_s)
    lost = stays[~stays["connected"] & (stays["covered_s"] > 0)].sort_values(["source_id", "first_utc_ms"])
    solid = 1000 * lost["covered_s"] >= SOLID_SHARE * (lost["last_utc_ms"] - lost["first_utc_ms"])
    goes_on = (
        (lost["stay"] == lost["stay"].shift())
        & (lost["first_utc_ms"] - lost["last_utc_ms"].shift() <= 1000 * STEP_GAP_S)
        & solid
        & solid.shift(fill_value=False)
    )
    begins_ms, ends_ms = (ms[lost.index] for ms in _recording_ms(stays))
    after = (lost["first_utc_ms"] - lost["stay_started_at_utc_ms"] <= near_ms) & (
        lost["stay_started_at_utc_ms"] > begins_ms
    )
    before = (lost["stay_ended_at_utc_ms"] - lost["last_utc_ms"] <= near_ms) & (lost["stay_ended_at_utc_ms"] < ends_ms)
    apart = lost[(after | before).groupby((~goes_on).cumsum()).transform("any")]
    apart_s = {
        int(version): float(apart.loc[apart["version"] == version, "covered_s"].sum())
        for version in apart["version"].unique()
    }
    return stays.drop(apart.index), apart_s


def _recording_ms(stays: pd.DataFrame) -> tuple[pd.Series, pd.Series]:
    """When each block's recording began and ended (infinite: it goes on). Where the blocks do not say, they are all
    that there is of it."""
    if "source_started_at_utc_ms" in stays:
        return stays["source_started_at_utc_ms"], stays["source_ended_at_utc_ms"].fillna(np.inf)
    by_source = stays.groupby("source_id")
    return by_source["first_utc_ms"].transform("min"), by_source["last_utc_ms"].transform("max")


def outage_record(blocks: pd.DataFrame) -> OutageRecord:
    """From one version's blocks, with and without link, that have a stay (see ``number_stays``)."""
    watched = (blocks["covered_s"] / 86_400.0).groupby(blocks["started_at_utc_ms"] // DAY_MS).sum()
    watched = watched[watched > 0]
    lost = blocks[~blocks["connected"]].sort_values(["source_id", "first_utc_ms"])
    lost = lost[lost["covered_s"] > 0]
    apart_s = (lost["first_utc_ms"] - lost["last_utc_ms"].shift()) / 1000.0
    begins = (apart_s > EPISODE_GAP_S) | (lost["stay"] != lost["stay"].shift())
    episodes = lost.groupby(begins.cumsum()).agg(
        day=("started_at_utc_ms", "first"), lost_s=("covered_s", "sum"), n_dropouts=("n_dropouts", "sum")
    )
    return OutageRecord(
        watched.to_numpy(float),
        watched.index.get_indexer(pd.Index(episodes["day"] // DAY_MS)),
        episodes["lost_s"].to_numpy(float) / 60.0,
        episodes["n_dropouts"].to_numpy(float),
    )


def variances(a: OutageRecord, b: OutageRecord, *, of_dropouts: bool) -> tuple[float, float]:
    """Of the totals a day of A and of B, on one scale: how they weigh in their difference. That of a compound Poisson
    process is the sum of its squared sizes; half an episode of the common size more, for none is not never."""
    sizes = [record.episode_dropouts if of_dropouts else record.episode_min for record in (a, b)]
    together = np.concatenate(sizes)
    half = 0.5 * float(np.mean(together**2)) if together.any() else 1.0
    of_a, of_b = (
        (float(np.sum(size**2)) + half) / float(record.watched_days.sum()) ** 2
        for size, record in zip(sizes, (a, b), strict=True)
    )
    return of_a, of_b


def outage_difference(a: OutageRecord, b: OutageRecord, confidence: float, seed: int) -> tuple[float, float, float]:
    """Minutes a day, B - A: estimate and interval."""
    sizes = (a.episode_min, b.episode_min)
    # Lengths vary as exponential ones do, or more.
    return _difference((a, b), sizes, ASSUMED_EPISODE_MIN, lambda common: 1.0, confidence, seed)


def dropout_difference(
    a: OutageRecord, b: OutageRecord, confidence: float, seed: int, *, days_variation: float = DAYS_VARIATION
) -> tuple[float, float, float]:
    """Drop-outs a day, B - A: estimate and interval. ``days_variation``: squared, of the days' rates."""
    sizes = (a.episode_dropouts, b.episode_dropouts)

    def geometric(common: float) -> float:
        return max(1.0 - 1.0 / common, LEAST_VARIATION)

    return _difference((a, b), sizes, ASSUMED_EPISODE_DROPOUTS, geometric, confidence, seed, days_variation)


def _difference(
    records: tuple[OutageRecord, OutageRecord],
    sizes: tuple[np.ndarray, np.ndarray],
    assumed: float,
    least_variation: Callable[[float], float],
    confidence: float,
    seed: int,
    days_variation: float = DAYS_VARIATION,
) -> tuple[float, float, float]:
    """Of the episodes' total size a day. ``assumed``: of an episode where there was none; ``least_variation``: by the
    common mean of both versions' sizes, the least squared coefficient of variation to be taken for true."""
    from scipy.stats import qmc  # a third of a second to load, and only for what is not remembered

    together = np.concatenate([size[size > 0] for size in sizes])
    common = float(together.mean()) if len(together) else assumed
    variation = least_variation(common)
    if len(together) >= 3:
        variation = max(variation, float(np.var(together, ddof=1) / common**2))
    a, b = (
        _Compound(record.watched_days, record.episode_day[size > 0], size[size > 0])
        for record, size in zip(records, sizes, strict=True)
    )
    dispersion = _dispersion((a, b), (1.0 + variation) * common, days_variation)
    uniforms = qmc.Sobol(4, scramble=True, rng=np.random.default_rng(seed)).random(POINTS)
    uniforms = np.clip(uniforms, 1e-6, 1 - 1e-6)
    draws = b.draws(common, variation, dispersion, uniforms[:, :2])
    draws -= a.draws(common, variation, dispersion, uniforms[:, 2:])
    tail = (1 - confidence) / 2
    low, high = np.quantile(draws, [tail, 1 - tail])
    estimate = b.a_day - a.a_day
    return estimate, min(float(low), estimate), max(float(high), estimate)


@dataclass(frozen=True)
class _Compound:
    """The episodes of one version: the days watched, and of each episode its day and its size, which is above 0."""

    watched_days: np.ndarray
    day: np.ndarray
    sizes: np.ndarray

    @property
    def a_day(self) -> float:
        return float(self.sizes.sum() / self.watched_days.sum())

    def draws(self, common: float, variation: float, dispersion: float, uniforms: np.ndarray) -> np.ndarray:
        """Of the total size a day, from its posterior."""
        n = len(self.sizes)
        rate = special.gammaincinv((n + 0.5) / dispersion, uniforms[:, 0]) * dispersion / self.watched_days.sum()
        worth = n / variation / dispersion
        scale = worth * (self.sizes.mean() if n else 0.0) + PRIOR_EPISODES * common
        total: np.ndarray = rate * (scale / special.gammaincinv(worth + PRIOR_EPISODES, uniforms[:, 1]))
        return total

    def squares(self, variance_per_mean: float) -> tuple[float, float, int]:
        """Of the days' totals about an even rate: the sum of squares, what a compound Poisson process would have, and
        the number of days."""
        watched = self.watched_days
        if not len(self.sizes) or len(watched) < 2:
            return 0.0, 0.0, 0
        expected = self.sizes.sum() * watched / watched.sum()
        total = np.bincount(self.day, weights=self.sizes, minlength=len(watched))
        return float(np.sum((total - expected) ** 2)), float(variance_per_mean * expected.sum()), len(watched)


def _dispersion(compounds: tuple[_Compound, _Compound], variance_per_mean: float, days_variation: float) -> float:
    """Variance of a day's total over that of a compound Poisson process, at least 1: the mean of its scaled inverse
    chi-squared posterior. Days are thought to differ somewhat until they are seen not to: the more happens on a day,
    the more of its variance comes from that. The version with more weighs more, as it does in the difference."""
    found = [compound.squares(variance_per_mean) for compound in compounds]
    seen, even, days = (sum(parts) for parts in zip(*found, strict=True))
    degrees = sum(n - 1 for *_, n in found if n > 0)
    squares = seen / even * days if degrees else 0.0
    a_day = sum(c.sizes.sum() for c in compounds) / sum(c.watched_days.sum() for c in compounds)
    before = 1.0 + days_variation * float(a_day) / variance_per_mean
    return float(max(1.0, (PRIOR_DEGREES * before + squares) / (PRIOR_DEGREES + degrees - 2)))
