"""What part of the time was logged, and why the rest was not."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd

from dashboards.analysis.lived_time import LivedTime, overlap_ms

Reason = Literal[
    "logger off", "rebooted", "suspended", "card gone", "radio off", "adapter failed", "samples dropped",
    "clock set", "unexplained",
]  # fmt: skip

# Where two hold at once, the earlier: a logger that was off tells nothing of the radio.
_TOLD: tuple[Reason, ...] = (
    *("logger off", "rebooted", "suspended", "card gone", "radio off", "adapter failed", "samples dropped"),
)
REASONS: tuple[Reason, ...] = (*_TOLD, "clock set", "unexplained")
KINDS = ("link", "no link", *REASONS)  # the columns of coverage(), adding to all of the time

_OPENS: dict[str, Reason] = {
    "suspended": "suspended",
    "radio-off": "radio off",
    "interface-gone": "card gone",
    "adapter-failed": "adapter failed",
}
_CLOSES: dict[str, Reason] = {
    "resumed": "suspended",
    "radio-on": "radio off",
    "interface-back": "card gone",
    "adapter-recovered": "adapter failed",
}
_ENDS_OF_RUNS = ("logger-stopped", "logger-lost")
OF_GAPS = (*_OPENS, *_CLOSES, *_ENDS_OF_RUNS, "logger-started", "samples-dropped", "clock-set")
_HOUR_MS = 3_600_000
_GAP_STEPS = 3  # as in logger/blocks.py: further apart than this many intervals is a gap
_SETTLES_WITHIN_MS = 20_000  # a link that is not back at once: logger/sampler.py takes no sample for so long
_RESIDUE = 1e-9  # of a bin: less than this is the rounding of sums


def explained_stretches(
    blocks: pd.DataFrame, events: pd.DataFrame, *, last_taken_ms: float | None = None
) -> pd.DataFrame:
    """Stretches without samples that events give a reason for, as pieces of the wall clock's time:
    started_at_utc_ms, ended_at_utc_ms, reason. One source; ``events`` as ``load_events`` gives them. ``last_taken_ms``:
    the stamp of the sample taken last, which is the latest unless the clock was set back.

    No moment that was lived has two reasons. A spell ends where its closing event is, and where the logger ends. A
    closing event without its opening one reaches back to the last sample before it; an opening one without its closing
    one reaches to the next sample after it.
    """
    linked = events.loc[events["kind"] == "connected", "time_utc_ms"]
    events = _as_written(events)
    lived = _lived(blocks, events, last_taken_ms)
    begins, ends, reasons = _spells(blocks, events, lived, np.sort(linked.to_numpy(dtype="float64")))
    begins, ends, reasons = _one_reason_each(begins, ends, reasons)
    wall_begins, wall_ends, of = lived.on_the_wall(begins, ends)
    names = pd.Series(np.array(_TOLD, dtype=object)[reasons[of]], dtype="str")
    return pd.DataFrame({"started_at_utc_ms": wall_begins, "ended_at_utc_ms": wall_ends, "reason": names})


def coverage(
    blocks: pd.DataFrame, events: pd.DataFrame, edges_utc_ms: np.ndarray, *, last_taken_ms: float | None = None
) -> pd.DataFrame:
    """Hours per bin between ``edges_utc_ms`` (ascending, at least ten minutes apart), columns ``KINDS``. One source;
    the rest as for ``explained_stretches``.

    Each row adds to its bin's length. Samples count for the time they stand for; what is left goes to the
    reasons that events give, and the rest is unexplained. Of an hour that was lived twice, because the clock was set
    back, each pass counts for half; wall time that a clock set forward leaves out is "clock set".
    """
    edges = np.asarray(edges_utc_ms, dtype="float64")
    length = np.diff(edges) / _HOUR_MS
    lived = _lived(blocks, _as_written(events), last_taken_ms)
    unlived = np.clip(lived.unlived_ms(edges) / _HOUR_MS, 0, length)
    left = all_lived = np.maximum(lived.lived_ms(edges) / _HOUR_MS, 0)
    hours: dict[str, np.ndarray] = {}
    starts, ends = blocks["first_utc_ms"].to_numpy(dtype="float64"), _ends_ms(blocks)
    for kind, chosen in (("link", blocks["connected"]), ("no link", ~blocks["connected"])):
        mask = chosen.to_numpy()
        covered_h = blocks["covered_s"].to_numpy()[mask] / 3600
        hours[kind] = np.minimum(left, _spread(starts[mask], ends[mask], covered_h, edges))
        left = left - hours[kind]
    explained = explained_stretches(blocks, events, last_taken_ms=last_taken_ms)
    for reason in _TOLD:
        mine = explained[explained["reason"] == reason]
        begin, end = (mine[name].to_numpy(dtype="float64") for name in ("started_at_utc_ms", "ended_at_utc_ms"))
        hours[reason] = np.minimum(left, overlap_ms(begin, end, edges) / _HOUR_MS)
        left = left - hours[reason]
    wall_per_lived = np.divide(length - unlived, all_lived, out=np.zeros_like(length), where=all_lived > 0)
    found = pd.DataFrame(hours) * wall_per_lived[:, None]
    found["clock set"] = unlived
    rest = length - found.sum(axis=1).to_numpy()
    found["unexplained"] = np.where(rest > _RESIDUE * length, rest, 0.0)
    return found[list(KINDS)]


def shares_percent(hours: pd.Series) -> dict[str, float]:
    """What part of the whole each is, in percent to one decimal, adding to exactly 100 (largest remainders)."""
    whole = float(hours.sum())
    if whole <= 0:
        return {str(kind): 0.0 for kind in hours.index}
    exact = 1000 * hours.to_numpy(dtype="float64") / whole
    tenths = np.floor(exact).astype(int)
    most = np.argsort(tenths - exact, kind="stable")
    tenths[most[: 1000 - int(tenths.sum())]] += 1
    return {str(kind): each / 10 for kind, each in zip(hours.index, tenths.tolist(), strict=True)}


def logged_span_ms(blocks: pd.DataFrame, events: pd.DataFrame) -> tuple[float, float]:
    """From the first to the last thing that a source logged: samples, and the ends of spells without."""
    told = events.loc[events["kind"].isin(OF_GAPS), "time_utc_ms"].to_numpy(dtype="float64")
    begins = np.concatenate((blocks["first_utc_ms"].to_numpy(dtype="float64"), told))
    return float(begins.min()), float(np.concatenate((_ends_ms(blocks), told)).max())


def gaps(
    blocks: pd.DataFrame, events: pd.DataFrame, *, at_least_s: float = 60.0, last_taken_ms: float | None = None
) -> pd.DataFrame:
    """Stretches without samples, by time: started_at_utc_ms, ended_at_utc_ms, reason. One source; the rest as for
    ``explained_stretches``."""
    by_start = blocks.sort_values("first_utc_ms")
    starts = by_start["first_utc_ms"].to_numpy(dtype="float64")
    ends = np.maximum.accumulate(_ends_ms(by_start))
    step_ms = (1000 * by_start["covered_s"] / by_start["n_samples"]).to_numpy()
    wide = starts[1:] - ends[:-1] > np.maximum(1000 * at_least_s, (_GAP_STEPS - 1) * step_ms[1:])
    begin, end = ends[:-1][wide], starts[1:][wide]
    explained = explained_stretches(blocks, events, last_taken_ms=last_taken_ms)
    lived = _lived(blocks, _as_written(events), last_taken_ms)
    skipped = lived.begins_ms[1:] > lived.ends_ms[:-1]
    steps = pd.DataFrame(
        {
            "started_at_utc_ms": lived.ends_ms[:-1][skipped],
            "ended_at_utc_ms": lived.begins_ms[1:][skipped],
            "reason": pd.Series(["clock set"] * int(skipped.sum()), dtype="str"),
        }
    )
    most = np.zeros(len(begin))
    reasons = np.full(len(begin), "unexplained", dtype=object)
    for started, ended, reason in [*explained.to_numpy().tolist(), *steps.to_numpy().tolist()]:
        overlap = np.minimum(end, ended) - np.maximum(begin, started)
        better = overlap > most
        most, reasons = np.where(better, overlap, most), np.where(better, reason, reasons)
    return pd.DataFrame({"started_at_utc_ms": begin, "ended_at_utc_ms": end, "reason": pd.Series(reasons, dtype="str")})


def _as_written(events: pd.DataFrame) -> pd.DataFrame:
    return events.loc[events["kind"].isin(OF_GAPS)].sort_values("event_id", kind="stable")


def _lived(blocks: pd.DataFrame, events: pd.DataFrame, last_taken_ms: float | None) -> LivedTime:
    last_ms = float(_ends_ms(blocks).max()) if last_taken_ms is None else last_taken_ms
    return LivedTime.of(events, float(blocks["first_utc_ms"].min()), last_ms)


def _spells(
    blocks: pd.DataFrame, events: pd.DataFrame, lived: LivedTime, linked_ms: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Begins and ends in lived time, and the places of the reasons in ``_TOLD``; spells may overlap."""
    block_ends = np.maximum.accumulate(np.sort(_ends_ms(blocks)))
    block_starts = np.sort(blocks["first_utc_ms"].to_numpy(dtype="float64"))
    at_lived = lived.of_events(events).tolist()
    opened: dict[Reason, float] = {}
    rows: list[tuple[float, float, int]] = []
    ahead = 0.0

    def close(reason: Reason, started: float, at: float) -> None:
        if at > started:
            rows.append((started, at, _TOLD.index(reason)))

    def last_sample_before(at: float, otherwise: float) -> float:
        before = int(np.searchsorted(block_ends, at - ahead, side="right"))
        return float(block_ends[before - 1] + ahead) if before else otherwise

    def settled(at: float) -> float:
        """The next sample, where it comes as soon as the sampler lets a link settle: with the link, in whatever block;
        or without one, in a block of its own."""
        next_ones = []
        for times in (block_starts, linked_ms):
            after = int(np.searchsorted(times, at - ahead))
            next_ones += [float(times[after] + ahead)] if after < len(times) else []
        soonest = min(next_ones, default=at)
        return soonest if soonest <= at + _SETTLES_WITHIN_MS else at

    for at, wall, kind, detail in zip(
        at_lived, events["time_utc_ms"].tolist(), events["kind"].tolist(), events["detail"].tolist(), strict=True
    ):
        ahead = at - wall
        if kind in _OPENS:
            opened.setdefault(_OPENS[kind], at)
        elif kind in _CLOSES:
            reason = _CLOSES[kind]
            told = opened.pop(reason) if reason in opened else last_sample_before(at, at)
            close(reason, told, settled(at))
        elif kind in _ENDS_OF_RUNS or kind == "logger-started":
            off: list[Reason] = [reason for reason in ("logger off", "rebooted") if reason in opened]
            begins = opened.get(off[0], at) if off else at
            for reason, told in opened.items():
                close(reason, told, at if reason in off else min(at, begins))
            if kind == "logger-started" and not off:  # of an older log: a power cut told nobody
                close("logger off", last_sample_before(at, at), at)
            opened.clear()
            if kind != "logger-started":
                opened["rebooted" if detail.get("reason") == "rebooted" else "logger off"] = at
        elif kind == "samples-dropped" and "from_utc_ms" in detail:
            last = lived.when(detail["to_utc_ms"], at)
            close("samples dropped", lived.when(detail["from_utc_ms"], last), last)
    for reason, at in opened.items():
        after = int(np.searchsorted(block_starts, at - ahead))
        if after < len(block_starts):
            close(reason, at, float(block_starts[after] + ahead))
    begins, ends, reasons = zip(*rows, strict=True) if rows else ((), (), ())
    return np.array(begins, dtype="float64"), np.array(ends, dtype="float64"), np.array(reasons, dtype="int64")


def _one_reason_each(
    begins: np.ndarray, ends: np.ndarray, reasons: np.ndarray
) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """The spells cut so that none overlap; where several hold, the first of the reasons is kept."""
    cuts = np.unique(np.concatenate((begins, ends)))
    if len(cuts) < 2:
        return begins[:0], ends[:0], reasons[:0]
    kept = np.full(len(cuts) - 1, len(_TOLD))
    for place in range(len(_TOLD) - 1, -1, -1):
        mine = reasons == place
        change = np.zeros(len(cuts))
        np.add.at(change, np.searchsorted(cuts, begins[mine]), 1)
        np.add.at(change, np.searchsorted(cuts, ends[mine]), -1)
        kept[np.cumsum(change)[:-1] > 0] = place
    told = kept < len(_TOLD)
    return cuts[:-1][told], cuts[1:][told], kept[told]


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
