"""Weak links that are heard only when they are strong, and levels that stood still.

Where nothing is read below a receiver's threshold, the mean of what was read is too high, and more so for the weaker
version: a difference comes out too small. That shows in three ways: no link, or no reading, for part of the time; and
readings that end abruptly at their lower edge.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from dashboards.analysis.copies import STRETCH
from dashboards.analysis.histograms import ENTRY, histogram_of
from dashboards.analysis.radio import OwnRadio

WEAK_DBM = -78.0  # from here down a lost reading and a low level come together
LEAST_MISSING = 0.05
LONGEST_SILENCE_S = 3600.0  # between the stretches of a stay; more is a recorder that was off
EDGE_SHARE = 0.25  # of the commonest value: a tail that thins out has less in its lowest one
LEAST_ABOVE_DB = 3.0  # from the median to the 95 % point: of narrower readings the edge says nothing
LEAST_READINGS = 100
LEAST_FLAT_S = 1800.0


@dataclass(frozen=True)
class Heard:
    """``level_dbm``: mean of what was read; ``share``: of the time with a reading; ``cut_at_dbm``: the lower edge at
    which readings end abruptly, None where they thin out."""

    level_dbm: float
    share: float
    cut_at_dbm: float | None

    @property
    def only_when_strong(self) -> bool:
        return self.level_dbm < WEAK_DBM and (1 - self.share > LEAST_MISSING or self.cut_at_dbm is not None)


def heard(own: OwnRadio, arm: pd.DataFrame) -> Heard:
    """Of one version: the blocks on the radio that is judged, and all of its blocks, those without a link included.
    Time on other radios counts for neither."""
    used, everything = own.blocks, arm[~arm["connected"] | own.radio.of(arm)]
    level_dbm = float(np.average(used["rssi_mean_dbm"], weights=used["rssi_n"]))
    told_s = float((used["covered_s"] * used["rssi_n"] / used["n_samples"]).sum())
    return Heard(level_dbm, min(1.0, told_s / max(_watched_s(everything), 1e-9)), _cut_at_dbm(used["rssi_histogram"]))


def _watched_s(blocks: pd.DataFrame) -> float:
    """Time in which a reading could have been had. A recorder that tells of lost links is off where it says nothing;
    of another one silence between stretches counts, unless it is long."""
    step_ms = 1000 * blocks["covered_s"] / blocks["n_samples"].clip(lower=1)
    blocks = blocks.assign(end_ms=blocks["last_utc_ms"] + step_ms, of=blocks.groupby(["source_id", "stay"]).ngroup())
    silence_counts = blocks["connected"].groupby(blocks["of"]).transform("all")
    told_s = float(blocks.loc[~silence_counts, "covered_s"].sum())
    stretches = (
        blocks[silence_counts].groupby(["of", *STRETCH]).agg(first=("first_utc_ms", "min"), end=("end_ms", "max"))
    )
    stretches = stretches.reset_index("of").sort_values(["of", "first"], kind="stable")
    silent_s = (stretches["first"] - stretches["end"].groupby(stretches["of"].to_numpy()).shift()).to_numpy() / 1000
    heard_s = float((stretches["end"] - stretches["first"]).sum()) / 1000
    return told_s + heard_s + float(silent_s[(silent_s > 0) & (silent_s <= LONGEST_SILENCE_S)].sum())


def _cut_at_dbm(histograms: pd.Series) -> float | None:
    values, counts = histogram_of(histograms)
    if counts.sum() < LEAST_READINGS:
        return None
    shares = np.cumsum(counts) / counts.sum()
    median, high = (values[np.searchsorted(shares, share)] for share in (0.5, 0.95))
    abrupt = counts[0] >= EDGE_SHARE * counts.max() and median - values[0] < high - median
    return float(values[0]) if abrupt and high - median >= LEAST_ABOVE_DB else None


def flat_hours(blocks: pd.DataFrame) -> float:
    """Hours of runs of blocks, of half an hour or more or as long as the stay, in which every reading was the same."""
    blobs = blocks["rssi_histogram"]
    single = np.array([len(blob) == ENTRY.itemsize for blob in blobs], dtype=bool)
    value = np.where(single, [np.frombuffer(blob[:1], dtype="i1")[0] if blob else 0 for blob in blobs], 0)
    stay = blocks["stay"].to_numpy()
    key = pd.DataFrame({"stay": stay, "value": value, "single": single})
    run = (key != key.shift()).any(axis=1).cumsum().to_numpy()
    covered_s = blocks["covered_s"].to_numpy(float)
    of_run = pd.Series(covered_s).groupby(run).sum()
    of_stay = pd.Series(covered_s).groupby(stay).sum()
    stay_of_run, single_run = (pd.Series(values).groupby(run).first() for values in (stay, single))
    long = of_run.to_numpy() >= np.minimum(LEAST_FLAT_S, stay_of_run.map(of_stay).to_numpy())
    return float(of_run[single_run.to_numpy() & long].sum() / 3600)
