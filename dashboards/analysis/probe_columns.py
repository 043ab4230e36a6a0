"""The columns that a probe's metric is judged by, and the one way in which it was measured.

A transfer with four streams to one far end is another measure than one with eight, or to another far end; the time of
an answer from the gateway is another one than that from the far end, and a TCP connection takes longer than an ICMP
echo. So within one effect all probes are of one way: that which both versions have, the far end's before the gateway's;
of several, the one of which the version with fewer has most. The others are set apart, and that is said.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

import numpy as np
import pandas as pd

from dashboards.analysis.metrics import Metric

TARGETS = {"far_end": "the far end", "gateway": "the gateway"}
METHODS = {"icmp": "by ICMP", "tcp-connect": "by TCP connections"}
_OF_LOADS = {"idle": "idle", "idle down": "idle and down", "idle down up": "idle and both ways"}


@dataclass(frozen=True)
class Measured:
    """``words``: how, such as "to the far end by ICMP", "with 4 streams"; none where there was nothing. ``others``: the
    number of probes by version that were measured in another way; ``silent``: of those that were begun, the share by
    version that failed, lost the link or came to no number; ``unlike``: both versions have the metric, but never in one
    way."""

    words: str
    others: dict[int, int]
    unlike: bool = False
    silent: Mapping[int, float] = field(default_factory=dict)


def one_way(stays: pd.DataFrame, a: int, b: int, how: Metric) -> tuple[pd.DataFrame, Measured]:
    """The probes of ``number_stays`` with the columns NAME_n, the metric's mean and NAME_histogram (empty); of loss
    ``sent`` and ``lost``, too. NAME_n is 0 where a probe did not measure it in the way that was chosen."""
    found = [
        (rank, key, key.notna() & value.notna() & (stays["outcome"] == "done"), value)
        for rank, (key, value) in enumerate(_candidates(stays, how))
    ]
    counted: list[tuple[tuple[bool, int, int, int], int, str]] = []
    for rank, key, told, _ in found:
        n = pd.crosstab(key[told], stays.loc[told, "version"]).reindex(columns=[a, b], fill_value=0)
        for way, of_a, of_b in n.itertuples():
            fewer = min(int(of_a), int(of_b))
            counted.append(
                ((fewer >= how.least_n, -rank if fewer >= how.least_n else 0, fewer, of_a + of_b), rank, way)
            )
    if not counted:
        return _with(stays, how, pd.Series(False, index=stays.index), pd.Series(np.nan, index=stays.index)), Measured(
            "", {}
        )
    (_, _, fewer, _), rank, way = max(counted)
    _, key, told, value = found[rank]
    chosen = told & (key == way)
    by_any = pd.concat([one[2] for one in found], axis=1).any(axis=1)
    others = {version: int((by_any & ~chosen & (stays["version"] == version)).sum()) for version in (a, b)}
    both = all((by_any & (stays["version"] == version)).any() for version in (a, b))
    rows = _with(stays, how, chosen, value)
    if how.name == "loss":
        target = list(TARGETS)[rank]
        rows = rows.assign(
            sent=stays[f"{target}_sent"].where(chosen, 0.0), lost=stays[f"{target}_lost"].where(chosen, 0.0)
        )
    silent = _silent(stays, how, by_any)
    return rows, Measured(way.split("\n")[0], {v: n for v, n in others.items() if n}, both and fewer == 0, silent)


def _silent(stays: pd.DataFrame, how: Metric, told: pd.Series) -> dict[int, float]:
    """Of the probes that tried to measure the metric, the share by version that could not: bad moments do that."""
    if how.name in ("down", "up"):
        tried = stays[f"{how.name}_tried"] > 0
    elif how.name == "loss":
        tried = told
    else:
        loads = stays[[f"{target}_loads" for target in TARGETS]].fillna("")
        wanted = "idle" if how.name == "idle" else "down|up"
        tried = loads.apply(lambda column: column.str.contains(wanted)).any(axis=1)
    without = stays["outcome"].isin(("failed", "link-changed")) | ((stays["outcome"] == "done") & tried & ~told)
    shares = without[without | told].groupby(stays["version"]).mean()
    return dict(zip(shares.index.tolist(), shares.tolist(), strict=True))


def is_measured(probes: pd.DataFrame, how: Metric) -> bool:
    """Whether any probe tells the metric."""
    return any(
        (key.notna() & value.notna() & (probes["outcome"] == "done")).any() for key, value in _candidates(probes, how)
    )


def _with(stays: pd.DataFrame, how: Metric, chosen: pd.Series, value: pd.Series) -> pd.DataFrame:
    rows = stays.assign(**{f"{how.name}_n": chosen.astype("int64"), how.mean: value.where(chosen)})
    rows[f"{how.name}_histogram"] = b""
    return rows


def _candidates(probes: pd.DataFrame, how: Metric) -> Iterator[tuple[pd.Series, pd.Series]]:
    """By preference: how each probe was measured (words; on a second line what tells ways of the same words apart;
    None: it was not), and its value."""
    if how.name in ("down", "up"):
        streams = probes[f"{how.name}_streams"]
        said = streams.map(
            {n: f"with {n:.0f} streams" if n > 1 else "with one stream" for n in streams.dropna().unique()}
        )
        yield said + "\n" + probes["far_end"], _log2(probes[f"{how.name}_mbps"])
        return
    for target, words in TARGETS.items():
        apart = probes["far_end"] if target == "far_end" else ""
        said = f"to {words} " + probes[f"{target}_method"].map(METHODS)
        down, up = _log2(probes[f"{target}_down_ms"]), _log2(probes[f"{target}_up_ms"])
        if how.name == "idle":
            yield said + "\n" + apart, _log2(probes[f"{target}_idle_ms"])
        elif how.name == "loaded":  # the worse of both directions is what a call meets
            which = np.where(up.isna(), ", load down only", np.where(down.isna(), ", load up only", ", load both ways"))
            yield said + which + "\n" + apart, pd.concat([down, up], axis=1).max(axis=1)
        else:
            sent = probes[f"{target}_sent"]
            loads = probes[f"{target}_loads"].map(_OF_LOADS)
            yield said + ", " + loads + "\n" + apart, probes[f"{target}_lost"] / sent.where(sent > 0) * 100


def _log2(values: pd.Series) -> pd.Series:
    return pd.Series(np.log2(values.astype("float64").where(values > 0)), index=values.index)
