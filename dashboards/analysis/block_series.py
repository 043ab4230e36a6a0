"""From block rows to the few hundred numbers that an effect is computed from.

Noise with a long memory makes most of a long record redundant, but not the minutes on either side of a
change: a local step is what drift and the day's cycle cannot imitate. So neighbouring blocks are merged
to about 1/200 of the covered time, and less near a change: at a distance d no wider than d/6.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from dashboards.analysis.histograms import histogram_of
from dashboards.analysis.wall_clock import ahead_of_utc_s

MOST_BLOCKS = 260
FINEST_BLOCK_S = 10.0  # as the log's own blocks
GROWTH = 6.0  # a block at distance d from a change is at most d / GROWTH wide
COARSE_PARTS = 200  # far from any change: at most this part of the covered time


@dataclass(frozen=True)
class BlockSeries:
    """Block means of one metric in order of time, all arrays of shape (n,), plus one entry per stay.

    A stay is an unbroken run of one version at one placement: one period, or several that only
    re-tagging has parted.
    """

    mid_s: np.ndarray  # mean time of the samples, seconds since the first block
    local_s: np.ndarray  # the same on the wall clock, for the cycle of the day
    length_s: np.ndarray  # of the stretch that evenly spread samples would have averaged
    mean: np.ndarray
    n_samples: np.ndarray
    version: np.ndarray  # numbers
    is_b: np.ndarray  # bool
    placement: np.ndarray  # codes from 0
    source: np.ndarray  # codes from 0
    stay: np.ndarray  # codes from 0, into stay_spread
    stay_spread: np.ndarray  # standard deviation of the single samples within each stay, NaN if unknown
    covered_s: float

    def scaled(self, factor: float) -> BlockSeries:
        return replace(self, mean=self.mean * factor, stay_spread=self.stay_spread * factor)

    @property
    def span_s(self) -> float:
        return float(np.ptp(self.mid_s))

    @property
    def coarsest_s(self) -> float:
        """The widest a block may be, far from any change."""
        return max(FINEST_BLOCK_S, self.covered_s / COARSE_PARTS)


def number_stays(blocks: pd.DataFrame) -> pd.DataFrame:
    """The blocks in order, with columns ``stay`` (codes from 0), ``stay_started_at_utc_ms`` and
    ``stay_ended_at_utc_ms`` (NaN where nothing came after it).

    Periods of one source that abut and share placement and version are one stay: nothing was changed
    between them."""
    periods = (
        blocks[
            [
                "source_id",
                "period_id",
                "version",
                "placement_id",
                "period_started_at_utc_ms",
                "period_ended_at_utc_ms",
            ]
        ]
        .drop_duplicates("period_id")
        .sort_values(["source_id", "period_started_at_utc_ms"])
    )
    before = periods.shift()
    goes_on = (
        (periods["source_id"] == before["source_id"])
        & (periods["version"] == before["version"])
        & (periods["placement_id"] == before["placement_id"])
        & (periods["period_started_at_utc_ms"] == before["period_ended_at_utc_ms"])
    )
    stay = (~goes_on).cumsum() - 1
    started = periods.groupby(stay)["period_started_at_utc_ms"].transform("first")
    ended = periods.groupby(stay)["period_ended_at_utc_ms"].transform(lambda ends: ends.iloc[-1])

    def of_period(values: pd.Series) -> pd.Series:
        return blocks["period_id"].map(dict(zip(periods["period_id"], values, strict=True)))

    return (
        blocks.assign(
            stay=of_period(stay), stay_started_at_utc_ms=of_period(started), stay_ended_at_utc_ms=of_period(ended)
        )
        .sort_values(["source_id", "started_at_utc_ms", "link_id"], kind="stable")
        .reset_index(drop=True)
    )


def after_washout(blocks: pd.DataFrame, washout_s: float) -> pd.DataFrame:
    """The blocks of ``number_stays`` that start at least ``washout_s`` after their stay did."""
    age_s = (blocks["started_at_utc_ms"] - blocks["stay_started_at_utc_ms"]) / 1000.0
    return blocks[age_s >= washout_s]


def latest_stays(blocks: pd.DataFrame, most: int) -> tuple[pd.DataFrame, int]:
    """The blocks of the ``most`` latest stays, and how many stays that leaves out."""
    started = blocks.groupby("stay")["started_at_utc_ms"].min().sort_values()
    left_out = max(len(started) - most, 0)
    return blocks[~blocks["stay"].isin(started.index[:left_out])], left_out


def series_from_blocks(
    blocks: pd.DataFrame, value: str, count: str, histogram: str, b: int | None, *, parts: int = COARSE_PARTS
) -> BlockSeries:
    """The series of column ``value`` (weights ``count``) of blocks that have a stay; ``b`` is version B, if any.
    ``parts``: far from any change a block is at most so small a part of the covered time."""
    if not np.isfinite(blocks.loc[blocks[count] > 0, value]).all():
        raise ValueError(f"{value} is not a number in a block that counts samples")
    rows = _one_row_per_stretch(blocks[blocks[count] > 0], value, count)
    covered_s = float(rows["covered_s"].sum())
    rows = _merged(rows, value, covered_s, parts)
    spread = _spread_by_stay(blocks[blocks[count] > 0], histogram)
    stays, stay = np.unique(rows["stay"].to_numpy(), return_inverse=True)
    zero_ms = rows["mean_utc_ms"].min()
    mid_s = (rows["mean_utc_ms"].to_numpy(float) - zero_ms) / 1000.0
    n = rows["n"].to_numpy(float)
    source = np.unique(rows["source_id"].to_numpy(), return_inverse=True)[1]
    return BlockSeries(
        mid_s=mid_s,
        local_s=mid_s + ahead_of_utc_s(rows["mean_utc_ms"].to_numpy(), rows["time_zone"].to_numpy()),
        length_s=_lengths(rows, mid_s, n, source),
        mean=rows[value].to_numpy(float),
        n_samples=n,
        version=rows["version"].to_numpy(),
        is_b=rows["version"].to_numpy() == b,
        placement=np.unique(rows["placement_id"].to_numpy(), return_inverse=True)[1],
        source=source,
        stay=stay,
        stay_spread=np.array([spread.get(k, np.nan) for k in stays]),
        covered_s=covered_s,
    )


def _one_row_per_stretch(blocks: pd.DataFrame, value: str, count: str) -> pd.DataFrame:
    """Links that differ only in width or name can share a stretch; they are one radio's samples."""
    n = blocks[count].astype(float)
    rows = blocks.assign(
        n=n, weighted=n * blocks[value], weighted_ms=n * (blocks["mean_utc_ms"] - blocks["started_at_utc_ms"])
    )
    rows = rows.groupby(["source_id", "period_id", "started_at_utc_ms"], as_index=False, sort=False).agg(
        **{
            "stay": ("stay", "first"),
            "version": ("version", "first"),
            "placement_id": ("placement_id", "first"),
            "time_zone": ("time_zone", "first"),
            "first_utc_ms": ("first_utc_ms", "min"),
            "last_utc_ms": ("last_utc_ms", "max"),
            "ended_at_utc_ms": ("ended_at_utc_ms", "max"),
            "covered_s": ("covered_s", "sum"),
            "n": ("n", "sum"),
            "weighted": ("weighted", "sum"),
            "weighted_ms": ("weighted_ms", "sum"),
        }
    )
    rows[value] = rows["weighted"] / rows["n"]
    return rows.sort_values(["source_id", "started_at_utc_ms"], kind="stable").reset_index(drop=True)


def _merged(rows: pd.DataFrame, value: str, covered_s: float, parts: int) -> pd.DataFrame:
    """Neighbours within a stay merged by the rule above, wider all over until few enough are left."""
    started_s = rows["started_at_utc_ms"].to_numpy(float) / 1000.0
    ended_s = rows["ended_at_utc_ms"].to_numpy(float) / 1000.0
    stay, source = rows["stay"].to_numpy(), rows["source_id"].to_numpy()
    coarsest_s, most = max(FINEST_BLOCK_S, covered_s / parts), MOST_BLOCKS * parts // COARSE_PARTS
    group, stretch = np.arange(len(rows)), 1.0
    while True:
        to_change_s = _distance_to_change(started_s, ended_s, stay, source)
        widest_s = stretch * np.minimum(coarsest_s, np.maximum(FINEST_BLOCK_S, to_change_s / GROWTH))
        joined = _groups(started_s, ended_s, stay, widest_s)
        opens = np.flatnonzero(np.diff(joined, prepend=-1))
        closes = np.append(opens[1:], len(joined)) - 1
        group = joined[group]
        started_s, ended_s, stay, source = started_s[opens], ended_s[closes], stay[opens], source[opens]
        if len(stay) <= most or len(stay) == len(np.unique(stay)):
            break
        stretch *= 1.15
    merged = rows.groupby(group, sort=False).agg(
        **{
            column: (column, "first")
            for column in ("source_id", "stay", "version", "placement_id", "time_zone", "first_utc_ms")
        },
        last_utc_ms=("last_utc_ms", "max"),
        n=("n", "sum"),
        weighted=("weighted", "sum"),
        sum_ms=("weighted_ms", "sum"),
    )
    starts_ms = (rows["n"] * (rows["started_at_utc_ms"] - rows["started_at_utc_ms"].min())).groupby(group).sum()
    merged["mean_utc_ms"] = rows["started_at_utc_ms"].min() + (merged["sum_ms"] + starts_ms) / merged["n"]
    merged[value] = merged["weighted"] / merged["n"]
    return merged


def _distance_to_change(started_s: np.ndarray, ended_s: np.ndarray, stay: np.ndarray, source: np.ndarray) -> np.ndarray:
    """Of each block's near edge, to the nearest edge of its stay that adjoins another stay."""
    opens = np.flatnonzero(np.diff(stay, prepend=stay[0] - 1))
    closes = np.append(opens[1:], len(stay)) - 1
    adjoins = source[opens[1:]] == source[closes[:-1]]  # a stay of the same recording before it
    length = np.diff(np.append(opens, len(stay)))
    first_s = np.repeat(np.where(np.append(False, adjoins), started_s[opens], -np.inf), length)
    last_s = np.repeat(np.where(np.append(adjoins, False), ended_s[closes], np.inf), length)
    return np.asarray(np.minimum(started_s - first_s, last_s - ended_s))


def _groups(started_s: np.ndarray, ended_s: np.ndarray, stay: np.ndarray, widest_s: np.ndarray) -> np.ndarray:
    """Codes from 0: greedily joined neighbours, none wider than the narrowest allowance in it."""
    group: list[int] = []
    code, before, opened_s, room_s = -1, None, 0.0, 0.0
    # Plain numbers, for a pass over them is short. Slack lets lengths that are whole multiples of each other meet.
    rows = zip(started_s.tolist(), ended_s.tolist(), stay.tolist(), (widest_s * 1.001).tolist(), strict=True)
    for start_s, end_s, own, allowed_s in rows:
        room_s = min(room_s, allowed_s)
        # A block that is itself wider than its allowance stands alone.
        if own != before or end_s - opened_s > room_s:
            code, before, opened_s, room_s = code + 1, own, start_s, allowed_s
        group.append(code)
    return np.array(group)


def _lengths(rows: pd.DataFrame, mid_s: np.ndarray, n: np.ndarray, source: np.ndarray) -> np.ndarray:
    """What evenly spread samples stand for. Never past the neighbouring mids: overlapping stretches
    would make the covariance indefinite."""
    spread_s = (rows["last_utc_ms"].to_numpy(float) - rows["first_utc_ms"].to_numpy(float)) / 1000.0
    length_s: np.ndarray = np.where(n > 1, spread_s * np.sqrt((n + 1) / np.maximum(n - 1, 1)), 0.0)
    gap_s = np.where(source[1:] == source[:-1], np.diff(mid_s), np.inf)
    gap_s = np.maximum(gap_s, 0.0)
    room_s = np.minimum(np.append(gap_s, np.inf), np.insert(gap_s, 0, np.inf))
    return np.asarray(np.minimum(length_s, room_s))


def _spread_by_stay(blocks: pd.DataFrame, histogram: str) -> dict[int, float]:
    spread = {}
    for stay in np.unique(blocks["stay"].to_numpy()):
        values, counts = histogram_of(blocks.loc[blocks["stay"] == stay, histogram])
        if counts.sum() > 0:
            mean = np.average(values, weights=counts)
            spread[int(stay)] = float(np.sqrt(np.average((values - mean) ** 2, weights=counts)))
    return spread
