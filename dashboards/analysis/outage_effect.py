"""Outage minutes a day of two versions, and how sure their difference is.

Outages are rare and come in clumps, so neither a normal approximation nor the minutes themselves will
do. Losses of the link less than an hour apart count as one episode (runs declustering: Leadbetter,
Stat. Probab. Lett. 12 (1991) 357). Episodes are a Poisson process whose rate has Jeffreys' posterior,
Gamma(n + 1/2, days), widened by the observed over-dispersion between days (quasi-Poisson: McCullagh &
Nelder, Generalized Linear Models, 1989, section 6.2). An episode's mean length has an inverse-gamma
posterior whose prior is worth two episodes of both versions' common mean, or of ASSUMED_EPISODE_MIN
where there was none at all. So no outage in two days leaves a finite interval, not 0 +- 0.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special
from scipy.stats import qmc

EPISODE_GAP_S = 3600.0
ASSUMED_EPISODE_MIN = 2.0  # a router's restart; an assumption
PRIOR_EPISODES = 2.0
OWN_DOING_S = 600.0  # a change is said some minutes after the router was unplugged for it; an assumption
SOLID_SHARE = 0.8  # of a stretch, without a link: one loss, not several
STEP_GAP_S = 120.0  # between the samples of one loss
DAY_MS = 86_400_000
POINTS = 1024


@dataclass(frozen=True)
class OutageRecord:
    """What one version's blocks say: time watched and each episode's minutes without a link."""

    days: float
    episode_min: np.ndarray
    dispersion: float  # variance over mean of the daily counts of episodes, at least 1

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
    ends_ms = stays.groupby("source_id")["last_utc_ms"].transform("max")[lost.index]
    begins_ms = stays.groupby("source_id")["first_utc_ms"].transform("min")[lost.index]
    after = (lost["first_utc_ms"] - lost["stay_started_at_utc_ms"] <= near_ms) & (
        lost["stay_started_at_utc_ms"] > begins_ms
    )
    before = (lost["stay_ended_at_utc_ms"] - lost["last_utc_ms"] <= near_ms) & (lost["stay_ended_at_utc_ms"] <= ends_ms)
    apart = lost[(after | before).groupby((~goes_on).cumsum()).transform("any")]
    apart_s = {
        int(version): float(apart.loc[apart["version"] == version, "covered_s"].sum())
        for version in apart["version"].unique()
    }
    return stays.drop(apart.index), apart_s


def outage_record(blocks: pd.DataFrame) -> OutageRecord:
    """From one version's blocks, with and without link, that have a stay (see ``number_stays``)."""
    days = float(blocks["covered_s"].sum()) / 86_400.0
    lost = blocks[~blocks["connected"]].sort_values(["source_id", "first_utc_ms"])
    lost = lost[lost["covered_s"] > 0]
    apart_s = (lost["first_utc_ms"] - lost["last_utc_ms"].shift()) / 1000.0
    begins = (apart_s > EPISODE_GAP_S) | (lost["stay"] != lost["stay"].shift())
    episode = begins.cumsum()
    episode_min = lost.groupby(episode)["covered_s"].sum().to_numpy(float) / 60.0
    began_ms = lost[begins]["first_utc_ms"].to_numpy()
    return OutageRecord(days, episode_min, _dispersion(blocks, began_ms))


def outage_difference(a: OutageRecord, b: OutageRecord, confidence: float, seed: int) -> tuple[float, float, float]:
    """Minutes a day, B - A: estimate and interval."""
    together = np.concatenate([a.episode_min, b.episode_min])
    common_min = float(together.mean()) if len(together) else ASSUMED_EPISODE_MIN
    variation = _squared_variation(together)
    uniforms = qmc.Sobol(4, scramble=True, rng=np.random.default_rng(seed)).random(POINTS)
    uniforms = np.clip(uniforms, 1e-6, 1 - 1e-6)
    draws = _draws(b, common_min, variation, uniforms[:, :2]) - _draws(a, common_min, variation, uniforms[:, 2:])
    tail = (1 - confidence) / 2
    low, high = np.quantile(draws, [tail, 1 - tail])
    estimate = b.minutes_a_day - a.minutes_a_day
    return estimate, min(float(low), estimate), max(float(high), estimate)


def _draws(record: OutageRecord, common_min: float, variation: float, uniforms: np.ndarray) -> np.ndarray:
    n = len(record.episode_min)
    shape = (n + 0.5) / record.dispersion
    rate = special.gammaincinv(shape, uniforms[:, 0]) * record.dispersion / record.days
    worth = n / variation
    shape = worth + PRIOR_EPISODES
    scale = worth * (record.episode_min.mean() if n else 0.0) + PRIOR_EPISODES * common_min
    mean_min = scale / special.gammaincinv(shape, uniforms[:, 1])
    minutes_a_day: np.ndarray = rate * mean_min
    return minutes_a_day


def _squared_variation(episode_min: np.ndarray) -> float:
    """Squared coefficient of variation of the lengths: 1 (exponential) unless they vary more."""
    if len(episode_min) < 3:
        return 1.0
    return max(1.0, float(np.var(episode_min, ddof=1) / episode_min.mean() ** 2))


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
