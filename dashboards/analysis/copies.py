"""Several BSSIDs that one radio sends, heard at the same times: copies of one measurement.

Two BSSIDs on one channel are copies where they share most stretches and are heard there at one level: two radios would
fade apart. A recording of both counts its time once, and shares it out among them as it comes; so each is given the
time that all of them stand for.
"""

from __future__ import annotations

from itertools import combinations
from typing import TYPE_CHECKING

import numpy as np

if TYPE_CHECKING:  # sightings are compared without it
    import pandas as pd

LEAST_SHARED = 0.5  # of the stretches of the one that has fewer
LEAST_STRETCHES = 3
MOST_APART_DB = 2.0  # on the whole
MOST_SPREAD_DB = 2.5  # from stretch to stretch, root mean square; half of what two radios' fading does
MOST_OCTETS_APART = 2
STRETCH = ["source_id", "period_id", "started_at_utc_ms"]


def copies_of(blocks: pd.DataFrame) -> list[frozenset[tuple[str, int]]]:
    """Sets of radios (BSSID, MHz) that are copies of one another, in blocks with a link of one band."""
    found: list[frozenset[tuple[str, int]]] = []
    named = blocks[blocks["connected"] & blocks["bssid"].notna() & blocks["frequency_mhz"].notna()]
    if named["bssid"].nunique() < 2:
        return found
    for mhz in named["frequency_mhz"].unique().tolist():
        here = named[(named["frequency_mhz"] == mhz) & (named["rssi_n"] > 0)]
        cells = here.groupby([*STRETCH, "bssid"])[["rssi_n", "rssi_mean_dbm"]].first().unstack("bssid")
        level, n = cells["rssi_mean_dbm"], cells["rssi_n"]
        for one, other in combinations(level.columns, 2):
            if is_one(level[one].to_numpy(), level[other].to_numpy(), n[[one, other]].min(axis=1).to_numpy()):
                pair = frozenset({(str(one), int(mhz)), (str(other), int(mhz))})
                joined = [known for known in found if known & pair]
                found = [known for known in found if not known & pair] + [pair.union(*joined)]
    return found


def is_one(one_dbm: np.ndarray, other_dbm: np.ndarray, weight: np.ndarray) -> bool:
    """Whether levels on one channel, stretch by stretch (NaN: unheard), are of one radio. ``weight``: of stretches."""
    shared = ~np.isnan(one_dbm) & ~np.isnan(other_dbm)
    fewer = min(np.count_nonzero(~np.isnan(level)) for level in (one_dbm, other_dbm))
    if shared.sum() < max(LEAST_STRETCHES, LEAST_SHARED * fewer):
        return False
    apart_db, weight = (one_dbm - other_dbm)[shared], weight[shared]
    mean_db = np.average(apart_db, weights=weight)
    spread_db = np.sqrt(np.average((apart_db - mean_db) ** 2, weights=weight))
    return bool(abs(mean_db) <= MOST_APART_DB and spread_db <= MOST_SPREAD_DB)


def may_be_one(one: str, other: str) -> bool:
    """Whether two BSSIDs are alike enough for one radio: makers count up one octet, or set the bit of a local address
    in the first, or both. Strangers' radios at one level that hardly fades are told apart by it."""
    octets = zip(one.split(":"), other.split(":"), strict=False)
    return sum(here != there for here, there in octets) <= MOST_OCTETS_APART


def time_of_all(own: pd.DataFrame, all_copies: pd.DataFrame) -> pd.DataFrame:
    """The blocks of one copy, with the time that the copies together stand for in each stretch."""
    import pandas as pd

    once = all_copies.groupby([*STRETCH, "first_utc_ms", "last_utc_ms"])["covered_s"].max().groupby(STRETCH)
    each = pd.MultiIndex.from_frame(own[STRETCH])
    together_s, longest_s = (covered_s.loc[each].to_numpy() for covered_s in (once.sum(), once.max()))
    stretch_s = (own["ended_at_utc_ms"] - own["started_at_utc_ms"]).to_numpy() / 1000
    together_s = np.minimum(together_s, np.maximum(stretch_s, longest_s))
    rows = own.groupby(STRETCH)["covered_s"]  # several where the width changed meanwhile
    own_s, n_rows = rows.transform("sum").to_numpy(), rows.transform("size").to_numpy()
    part = np.where(own_s > 0, own["covered_s"] / np.maximum(own_s, 1e-9), 1 / n_rows)
    return own.assign(covered_s=together_s * part)


def counted_once(blocks: pd.DataFrame) -> pd.DataFrame:
    """The blocks, in which the same stretch of a channel under another BSSID stands for no more time."""
    again = blocks.sort_values("covered_s", ascending=False, kind="stable").duplicated(
        [*STRETCH, "connected", "frequency_mhz", "first_utc_ms", "last_utc_ms"]
    )
    again = again.reindex(blocks.index) & blocks["connected"]
    return blocks.assign(covered_s=blocks["covered_s"].where(~again, 0.0)) if again.any() else blocks
