"""Outage minutes and drop-outs a day of two versions, and how sure their difference is.

Outages are rare and come in clumps, so neither a normal approximation nor the minutes themselves will
do. Losses of the link less than an hour apart count as one episode (runs declustering: Leadbetter,
Stat. Probab. Lett. 12 (1991) 357). Episodes are a Poisson process whose rate has Jeffreys' posterior,
Gamma(n + 1/2, days), widened by the observed over-dispersion between days (quasi-Poisson: McCullagh &
Nelder, Generalized Linear Models, 1989, section 6.2). An episode's mean length has an inverse-gamma
posterior whose prior is worth two episodes of both versions' common mean, or of ASSUMED_EPISODE_MIN
where there was none at all. So no outage in two days leaves a finite interval, not 0 +- 0. Drop-outs a day
come from the same episodes, each with its number of them instead of its minutes.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import pandas as pd
from scipy import special
from scipy.stats import qmc

EPISODE_GAP_S = 3600.0
ASSUMED_EPISODE_MIN = 2.0  # a router's restart; an assumption
ASSUMED_EPISODE_DROPOUTS = 1.0
PRIOR_EPISODES = 2.0
LEAST_VARIATION = 0.1  # squared, of the drop-outs of an episode: that all had one does not make it a law
OWN_DOING_S = 600.0  # a change is said some minutes after the router was unplugged for it; an assumption
SOLID_SHARE = 0.8  # of a stretch, without a link: one loss, not several
STEP_GAP_S = 120.0  # between the samples of one loss
DAY_MS = 86_400_000
POINTS = 1024


@dataclass(frozen=True)
class OutageRecord:
    """What one version's blocks say: time watched, and each episode's minutes without a link and drop-outs. An
    episode that the logger did not see begin has none, and is no drop-out."""

    days: float
    episode_min: np.ndarray
    dispersion: float  # variance over mean of the daily counts of episodes, at least 1
    episode_dropouts: np.ndarray = field(default_factory=lambda: np.empty(0))

    @property
    def minutes_a_day(self) -> float:
        return float(self.episode_min.sum()) / self.days


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
    days = float(blocks["covered_s"].sum()) / 86_400.0
    lost = blocks[~blocks["connected"]].sort_values(["source_id", "first_utc_ms"])
    lost = lost[lost["covered_s"] > 0]
    apart_s = (lost["first_utc_ms"] - lost["last_utc_ms"].shift()) / 1000.0
    begins = (apart_s > EPISODE_GAP_S) | (lost["stay"] != lost["stay"].shift())
    episode = begins.cumsum()
    episode_min = lost.groupby(episode)["covered_s"].sum().to_numpy(float) / 60.0
    episode_dropouts = lost.groupby(episode)["n_dropouts"].sum().to_numpy(float)
    began_ms = lost[begins]["first_utc_ms"].to_numpy()
    return OutageRecord(days, episode_min, _dispersion(blocks, began_ms), episode_dropouts)


def outage_difference(a: OutageRecord, b: OutageRecord, confidence: float, seed: int) -> tuple[float, float, float]:
    """Minutes a day, B - A: estimate and interval."""
    together = np.concatenate([a.episode_min, b.episode_min])
    common_min = float(together.mean()) if len(together) else ASSUMED_EPISODE_MIN
    variation = _squared_variation(together, 1.0)  # as of exponential lengths, or more
    of_a, of_b = (_Compound(record, record.episode_min, common_min, variation) for record in (a, b))
    return _difference(of_a, of_b, confidence, seed)


def dropout_difference(a: OutageRecord, b: OutageRecord, confidence: float, seed: int) -> tuple[float, float, float]:
    """Drop-outs a day, B - A: estimate and interval."""
    seen_a, seen_b = (record.episode_dropouts[record.episode_dropouts > 0] for record in (a, b))
    together = np.concatenate([seen_a, seen_b])
    common = float(together.mean()) if len(together) else ASSUMED_EPISODE_DROPOUTS
    variation = _squared_variation(together, max(1.0 - 1.0 / common, LEAST_VARIATION))  # as of geometric numbers
    return _difference(
        _Compound(a, seen_a, common, variation), _Compound(b, seen_b, common, variation), confidence, seed
    )


@dataclass(frozen=True)
class _Compound:
    """Episodes of one version with their sizes; ``common`` and ``variation`` (squared) are those of both versions'."""

    record: OutageRecord
    sizes: np.ndarray
    common: float
    variation: float

    @property
    def a_day(self) -> float:
        return float(self.sizes.sum()) / self.record.days

    def draws(self, uniforms: np.ndarray) -> np.ndarray:
        """Of the total size a day, from its posterior."""
        n, record = len(self.sizes), self.record
        shape = (n + 0.5) / record.dispersion
        rate = special.gammaincinv(shape, uniforms[:, 0]) * record.dispersion / record.days
        worth = n / self.variation
        shape = worth + PRIOR_EPISODES
        scale = worth * (self.sizes.mean() if n else 0.0) + PRIOR_EPISODES * self.common
        total: np.ndarray = rate * (scale / special.gammaincinv(shape, uniforms[:, 1]))
        return total


def _difference(a: _Compound, b: _Compound, confidence: float, seed: int) -> tuple[float, float, float]:
    uniforms = qmc.Sobol(4, scramble=True, rng=np.random.default_rng(seed)).random(POINTS)
    uniforms = np.clip(uniforms, 1e-6, 1 - 1e-6)
    draws = b.draws(uniforms[:, :2]) - a.draws(uniforms[:, 2:])
    tail = (1 - confidence) / 2
    low, high = np.quantile(draws, [tail, 1 - tail])
    estimate = b.a_day - a.a_day
    return estimate, min(float(low), estimate), max(float(high), estimate)


def _squared_variation(sizes: np.ndarray, least: float) -> float:
    """Squared coefficient of variation of the episodes' sizes, no less than ``least``."""
    if len(sizes) < 3:
        return max(1.0, least)
    return max(least, float(np.var(sizes, ddof=1) / sizes.mean() ** 2))


def _dispersion(blocks: pd.DataFrame, began_ms: np.ndarray) -> float:
    """Pearson's, over the days watched; 1 where there is too little to tell."""
    if len(began_ms) < 4:
        return 1.0
    day = (blocks["started_at_utc_ms"] // DAY_MS).to_numpy()
    exposure = pd.Series(blocks["covered_s"].to_numpy(float)).groupby(day).sum()
    if len(exposure) < 4:
        return 1.0
    counts = pd.Series(1.0, index=began_ms // DAY_MS).groupby(level=0).sum()
    counts = counts.reindex(exposure.index, fill_value=0.0)
    expected = exposure * len(began_ms) / exposure.sum()
    expected = expected.clip(lower=1e-9)
    return max(1.0, float(((counts - expected) ** 2 / expected).sum() / (len(exposure) - 1)))
