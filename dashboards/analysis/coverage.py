"""What part of the time was logged, and why the rest was not."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd

Reason = Literal["suspended", "logger off", "adapter failed", "unexplained"]

REASONS: tuple[Reason, ...] = ("suspended", "logger off", "adapter failed", "unexplained")
KINDS = ("link", "no link", *REASONS)  # the columns of coverage(), adding to all of the time

_OPENS: dict[str, Reason] = {
    "suspended": "suspended",
    "logger-stopped": "logger off",
    "adapter-failed": "adapter failed",
    "interface-gone": "adapter failed",
}
_CLOSES: dict[str, Reason] = {
    "resumed": "suspended",
    "logger-started": "logger off",
    "adapter-recovered": "adapter failed",
    "interface-back": "adapter failed",
}
_HOUR_MS = 3_600_000
_GAP_STEPS = 3  # as in logger/blocks.py: further apart than this many intervals is a gap


def explained_stretches(blocks: pd.DataFrame, events: pd.DataFrame) -> pd.DataFrame:
    """Stretches that events give a reason for: started_at_utc_ms, ended_at_utc_ms, reason. One source.

    A closing event without its opening one (a power cut tells nobody) reaches back to the last sample
    before it; an opening one without its closing one reaches to the next sample after it.
    """
    ends = np.maximum.accumulate(np.sort(_ends_ms(blocks)))
    starts = np.sort(blocks["first_utc_ms"].to_numpy())
    opened: dict[Reason, float] = {}
    rows: list[tuple[float, float, Reason]] = []

    def close(reason: Reason, started: float, at: float) -> None:
        if at > started:
            rows.append((started, at, reason))

    for at, kind in zip(events["time_utc_ms"].tolist(), events["kind"].tolist(), strict=True):
        if kind in _OPENS:
            opened.setdefault(_OPENS[kind], at)
        elif kind in _CLOSES:
            reason = _CLOSES[kind]
            before = int(np.searchsorted(ends, at, side="right"))
            told = opened.pop(reason, None)
            if told is not None:
                close(reason, told, at)
            elif before:
                close(reason, ends[before - 1], at)
    for reason, at in opened.items():
        after = int(np.searchsorted(starts, at))
        if after < len(starts):
            close(reason, at, starts[after])
    return pd.DataFrame(rows, columns=["started_at_utc_ms", "ended_at_utc_ms", "reason"])


def coverage(blocks: pd.DataFrame, events: pd.DataFrame, edges_utc_ms: np.ndarray) -> pd.DataFrame:
    """Hours per bin between ``edges_utc_ms`` (ascending, at least ten minutes apart), columns ``KINDS``.
    One source.

    Each row adds to its bin's length. Samples count for the time they stand for; what is left goes to the
    reasons that events give, in the order of ``REASONS``, and the rest is unexplained.
    """
    edges = np.asarray(edges_utc_ms, dtype="float64")
    left = np.diff(edges) / _HOUR_MS
    hours = {}
    starts, ends = blocks["first_utc_ms"].to_numpy(dtype="float64"), _ends_ms(blocks)
    for kind, chosen in (("link", blocks["connected"]), ("no link", ~blocks["connected"])):
        mask = chosen.to_numpy()
        covered_h = blocks["covered_s"].to_numpy()[mask] / 3600
        hours[kind] = np.minimum(left, _spread(starts[mask], ends[mask], covered_h, edges))
        left = left - hours[kind]
    explained = explained_stretches(blocks, events)
    for reason in REASONS[:-1]:
        mine = explained[explained["reason"] == reason]
        begin, end = (mine[name].to_numpy(dtype="float64") for name in ("started_at_utc_ms", "ended_at_utc_ms"))
        hours[reason] = np.minimum(left, _overlap_h(begin, end, edges))
        left = left - hours[reason]
    return pd.DataFrame(hours | {"unexplained": left})


def gaps(blocks: pd.DataFrame, events: pd.DataFrame, *, at_least_s: float = 60.0) -> pd.DataFrame:
    """Stretches without samples, by time: started_at_utc_ms, ended_at_utc_ms, reason. One source."""
    by_start = blocks.sort_values("first_utc_ms")
    starts = by_start["first_utc_ms"].to_numpy(dtype="float64")
    ends = np.maximum.accumulate(_ends_ms(by_start))
    step_ms = (1000 * by_start["covered_s"] / by_start["n_samples"]).to_numpy()
    wide = starts[1:] - ends[:-1] > np.maximum(1000 * at_least_s, (_GAP_STEPS - 1) * step_ms[1:])
    begin, end = ends[:-1][wide], starts[1:][wide]
    explained = explained_stretches(blocks, events)
    most = np.zeros(len(begin))
    reasons = np.full(len(begin), "unexplained", dtype=object)
    for started, ended, reason in explained.to_numpy().tolist():
        overlap = np.minimum(end, ended) - np.maximum(begin, started)
        better = overlap > most
        most, reasons = np.where(better, overlap, most), np.where(better, reason, reasons)
    return pd.DataFrame({"started_at_utc_ms": begin, "ended_at_utc_ms": end, "reason": pd.Series(reasons, dtype="str")})


def _ends_ms(blocks: pd.DataFrame) -> np.ndarray:
    """When the last sample of each block stops standing for time."""
    step_ms = 1000 * blocks["covered_s"] / blocks["n_samples"]
    return (blocks["last_utc_ms"] + step_ms).to_numpy(dtype="float64")


def _spread(begin: np.ndarray, end: np.ndarray, hours: np.ndarray, edges: np.ndarray) -> np.ndarray:
    """Each block's hours to the bins it lies in; a block is shorter than a bin, so these are two at most."""
    n_bins = len(edges) - 1
    first = np.searchsorted(edges, begin, side="right") - 1
    length = np.maximum(end - begin, 1)
    boundary = edges[np.clip(first + 1, 0, n_bins)]
    here = hours * np.clip((boundary - begin) / length, 0, 1)
    found = np.zeros(n_bins)
    for place, part in ((first, here), (first + 1, hours - here)):
        inside = (place >= 0) & (place < n_bins)
        found += np.bincount(place[inside], weights=part[inside], minlength=n_bins)
    return found


def _overlap_h(begin: np.ndarray, end: np.ndarray, edges: np.ndarray) -> np.ndarray:
    """Hours of each bin that the stretches cover; stretches that overlap count once."""
    if not len(begin):
        return np.zeros(len(edges) - 1)
    order = np.argsort(begin)
    begin, end = begin[order], end[order]
    begin = np.maximum(begin, np.concatenate(([-np.inf], np.maximum.accumulate(end)[:-1])))
    length = np.maximum(end - begin, 0)
    within = np.clip(edges[:, None] - begin[None, :], 0, length[None, :]).sum(axis=1)
    overlap_h: np.ndarray = np.diff(within) / _HOUR_MS
    return overlap_h
