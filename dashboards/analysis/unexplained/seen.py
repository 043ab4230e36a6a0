"""What was seen at the time of an unexplained change: on the link itself, on the air, in the log's events."""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from dashboards.analysis.unexplained.slots import SLOT_MS, Stretch
from dashboards.analysis.unexplained.step_search import Step
from logger.printable import printable
from logger.times import format_duration
from logger.wording import event_words

SIDE_MS = 6 * 3_600_000  # of the change, over which before and after are compared
NOISE_DB = 3.0
BUSY_SHARE = 0.2
LEAST_GAP_MS = 2 * SLOT_MS
EVENT_REACH_MS = 2 * SLOT_MS
MOST_EVENTS = 5
EVENTS = (
    *("roamed", "channel-switched", "disconnected", "logger-started", "suspended", "resumed"),
    *("clock-set", "interface-gone", "interface-back", "radio-off", "radio-on", "logger-lost"),
)


def what_was_seen(
    stretch: Stretch, step: Step, events: pd.DataFrame, earliest_ms: int, latest_ms: int
) -> tuple[str, ...]:
    """Phrases, the likeliest cause first; empty where nothing was."""
    blocks = stretch.blocks
    times = blocks["mean_utc_ms"]
    before = blocks[(times >= earliest_ms - SIDE_MS) & (times < earliest_ms)]
    after = blocks[(times > latest_ms) & (times <= latest_ms + SIDE_MS)]
    gap_s = gap_before_s(stretch, step)
    gap = [f"no samples for {format_duration(round(gap_s))} before it"] if gap_s else []
    return (*_of_link(before, after), *_of_air(before, after), *gap, *_events(events, stretch, earliest_ms, latest_ms))


def gap_before_s(stretch: Stretch, step: Step) -> float:
    """How long there were no samples just before the step, s; 0 where there hardly was a gap."""
    at, within = divmod(step.place, 2)
    if within or at == 0:
        return 0.0
    gap_ms = float(stretch.first_utc_ms[at] - stretch.last_utc_ms[at - 1])
    return gap_ms / 1000 if gap_ms >= LEAST_GAP_MS else 0.0


def _of_link(before: pd.DataFrame, after: pd.DataFrame) -> Iterator[str]:
    for name, words in (
        ("frequency_mhz", "channel at {} MHz before, {} MHz after"),
        ("width_mhz", "width {} MHz before, {} MHz after"),
        ("bssid", "BSSID {} before, {} after"),
    ):
        was, became = _usual(before, name), _usual(after, name)
        if was is not None and became is not None and was != became:
            yield words.format(was, became)


def _usual(blocks: pd.DataFrame, name: str) -> str | None:
    """What the column most often was, by the time covered."""
    if name not in blocks or blocks[name].notna().sum() == 0:
        return None
    value = blocks.groupby(name)["covered_s"].sum().idxmax()
    return printable(value) if isinstance(value, str) else f"{float(value):.0f}"  # type: ignore[arg-type]


def _of_air(before: pd.DataFrame, after: pd.DataFrame) -> Iterator[str]:
    for name, n, least, words in (
        ("noise_mean_dbm", "noise_n", NOISE_DB, "noise {:.0f} dBm before, {:.0f} dBm after"),
        ("busy_mean_share", "busy_n", BUSY_SHARE, "channel busy {:.0%} of the time before, {:.0%} after"),
    ):
        was, became = _mean(before, name, n), _mean(after, name, n)
        if abs(became - was) > least:
            yield words.format(was, became)


def _mean(blocks: pd.DataFrame, name: str, n: str) -> float:
    """NaN where nothing is known."""
    if name not in blocks:
        return np.nan
    known = blocks[blocks[n] > 0]
    return float(np.average(known[name], weights=known[n])) if len(known) else np.nan


def _events(events: pd.DataFrame, stretch: Stretch, earliest_ms: int, latest_ms: int) -> list[str]:
    near = events[
        (events["source_id"] == stretch.source_id)
        & events["kind"].isin(EVENTS)
        & (events["time_utc_ms"] >= earliest_ms - EVENT_REACH_MS)
        & (events["time_utc_ms"] <= latest_ms + EVENT_REACH_MS)
    ]
    words = [event_words(kind, detail) for kind, detail in zip(near["kind"], near["detail"], strict=True)]
    return list(dict.fromkeys(words))[:MOST_EVENTS]
