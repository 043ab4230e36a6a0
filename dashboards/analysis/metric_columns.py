"""The columns that a metric's series is made of, where blocks do not have them as they are.

The share of frames that were sent again or lost is a ratio of counts: retries and failures (MPDUs) per frame handed
to the card (MSDUs: a frame sent five times counts once; linux/nl80211.h, enum nl80211_sta_info). A block's share on a
log scale is log2((x + 1/2) / n): with the half the mean of the logarithm is close to the logarithm of the mean where
x is above about five (Anscombe, Biometrika 43 (1956) 461). Blocks with less are joined to their neighbours.
"""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from dashboards.analysis.metrics import Metric
from logger.blocks import encode_histogram

LEAST_PACKETS = 50.0
LEAST_EXPECTED = 8.0  # retries and failures


def is_told(blocks: pd.DataFrame, metric: Metric) -> bool:
    """Whether any block tells the metric at all; one that every driver has is never missing without a word."""
    if not metric.seldom_told:
        return True
    counts = _told_packets(blocks) if metric.name == "retry" else blocks[f"{metric.name}_n"]
    return bool((counts > 0).any())


def with_columns(blocks: pd.DataFrame, metric: Metric) -> pd.DataFrame:
    """``blocks`` with the metric's columns ``NAME_n``, its mean and ``NAME_histogram``."""
    if metric.rests_on == "sightings":
        return blocks.assign(rssi_histogram=_narrowest_histograms(blocks["rssi_mean_dbm"], blocks["rssi_n"]))
    if metric.name == "busy":
        return blocks.assign(busy_mean=100 * blocks["busy_mean_share"], busy_histogram=b"")
    if metric.name == "noise":
        return blocks.assign(noise_histogram=_narrowest_histograms(blocks["noise_mean_dbm"], blocks["noise_n"]))
    if metric.name == "retry":
        return _with_shares(blocks, _told_packets(blocks))
    return blocks


def joined(arms: Mapping[int, pd.DataFrame], metric: Metric) -> dict[int, pd.DataFrame]:
    """The blocks of each version, neighbours joined until each has counts enough for its share.

    ``retry_n`` becomes the number of retries and failures to be expected at the version's own share: by that, not by
    the frames, goes how sure a share is. What is left over at the end of a stay joins the block before, and is left
    out where there is none. Of other metrics, the blocks as they are."""
    if metric.name != "retry":
        return dict(arms)
    found = {}
    for version, arm in arms.items():
        share = (_wasted(arm).sum() + 0.5) / max(arm["tx_packets"].sum(), 1)
        together = _joined(arm, max(LEAST_PACKETS, LEAST_EXPECTED / share))
        found[version] = _with_shares(together, together["tx_packets"] * share)
    return found


def _wasted(blocks: pd.DataFrame) -> pd.Series:
    return blocks["tx_retries"] + blocks["tx_failed"]


def _told_packets(blocks: pd.DataFrame) -> pd.Series:
    """A recorder that never saw one sent again under a version was not told: no link through the air is without."""
    some = _wasted(blocks).groupby([blocks["source_id"], blocks["version"]]).transform("sum")
    return blocks["tx_packets"].where(some > 0, 0)


def _with_shares(blocks: pd.DataFrame, n: pd.Series) -> pd.DataFrame:
    packets = blocks["tx_packets"].where(blocks["tx_packets"] > 0)
    return blocks.assign(retry_n=n, retry_mean_log2=np.log2((_wasted(blocks) + 0.5) / packets), retry_histogram=b"")


def _joined(blocks: pd.DataFrame, least_packets: float) -> pd.DataFrame:
    """Neighbours of one stay as one row each time that they have ``least_packets``."""
    blocks = blocks.sort_values(["source_id", "started_at_utc_ms", "link_id"], kind="stable").reset_index(drop=True)
    group = _runs(blocks["stay"].to_numpy(), blocks["tx_packets"].to_numpy(float), least_packets)
    blocks, group = blocks[group >= 0], group[group >= 0]
    packets = blocks["tx_packets"]
    since_ms = packets * (blocks["mean_utc_ms"] - blocks["started_at_utc_ms"].min())
    how = dict.fromkeys(blocks.columns, "first") | dict.fromkeys(
        ("covered_s", "n_samples", "tx_packets", "tx_retries", "tx_failed"), "sum"
    )
    how |= {"ended_at_utc_ms": "last", "last_utc_ms": "max"}
    rows = blocks.groupby(group).agg({name: how[name] for name in blocks.columns})
    rows["mean_utc_ms"] = blocks["started_at_utc_ms"].min() + since_ms.groupby(group).sum() / rows["tx_packets"]
    return rows.reset_index(drop=True)


def _runs(stay: np.ndarray, packets: np.ndarray, least_packets: float) -> np.ndarray:
    """Codes from 0 of runs with enough packets; -1 for those of a stay that never has enough."""
    group = np.full(len(stay), -1)
    code, opened, count = -1, 0, 0.0
    for i in range(len(stay)):
        if i == 0 or stay[i] != stay[i - 1]:
            opened, count = i, 0.0
        count += packets[i]
        if count >= least_packets:
            code += 1
            group[opened : i + 1] = code
            opened, count = i + 1, 0.0
        elif opened > 0 and stay[opened - 1] == stay[i]:  # so far too few: with the run before, unless more come
            group[i] = group[opened - 1]
    return group


def _narrowest_histograms(mean: pd.Series, n: pd.Series) -> pd.Series:
    """Of values in whole dB whose mean alone is known: the two next to it. Their spread is the least that there can
    have been, so that what rounding hides is not thought less than it is."""
    blobs = [_two_values(value, int(count)) for value, count in zip(mean, n, strict=True)]
    return pd.Series(blobs, index=mean.index, dtype=object)


def _two_values(mean: float, n: int) -> bytes:
    if n == 0:
        return b""
    below = int(np.floor(mean))
    above = round((mean - below) * n)
    return encode_histogram({value: count for value, count in ((below, n - above), (below + 1, above)) if count})
