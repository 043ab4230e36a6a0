"""Where a rescued log has no samples and may have had some: the time between samples beside pages that were lost.

A page of samples and the blocks of the same time may both be lost; what is left of them then is the time itself, within
periods and up to the newest moment that anything else tells of.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from logger.block_table import interval_ms_at
from logger.blocks import GAP_INTERVALS
from logger.log import OWN_SOURCE
from logger.rescuing.page_walk import Hole
from logger.sample_id import FOREVER_MS, ids_between, time_of

SHORTEST_MS = 60_000


@dataclass(slots=True)
class Silence:
    """A span of a recorder's time without samples. ``n_room``: how many there would be at the pace set then."""

    source_id: int
    from_utc_ms: int
    to_utc_ms: int
    n_room: int


@dataclass(slots=True)
class Newest:
    """Of this machine: the last sample, and the newest moment that anything in the log tells of; None: there is none.
    What tells of it is a word for people."""

    sample_utc_ms: int | None
    known_utc_ms: int | None
    known_by: str


_NEWEST = """
SELECT time_utc_ms, what FROM (
    SELECT max(time_utc_ms) AS time_utc_ms, 'an event' AS what FROM event WHERE source_id = ?1
    UNION ALL SELECT max(last_utc_ms), 'a block' FROM kept_block JOIN period ON id = period_id WHERE source_id = ?1
    UNION ALL SELECT max(max(started_at_utc_ms), ifnull(max(ended_at_utc_ms), 0)), 'a period' FROM period
        WHERE source_id = ?1
    UNION ALL SELECT max(ifnull(ended_at_utc_ms, started_at_utc_ms)), 'a probe' FROM probe WHERE source_id = ?1
    UNION ALL SELECT max(time_utc_ms), 'a scan' FROM scan WHERE source_id = ?1
    UNION ALL SELECT max(from_utc_ms), 'a time zone' FROM zone WHERE source_id = ?1
    UNION ALL SELECT max(max(from_utc_ms), max(after_utc_ms)), 'the clock set back' FROM pass WHERE source_id = ?1
) WHERE time_utc_ms IS NOT NULL ORDER BY time_utc_ms DESC LIMIT 1
"""
_LAST = "SELECT max(id) FROM sample WHERE id >= ? AND id < ?"
_GAPS = """
SELECT before, id FROM (SELECT id, lag(id) OVER (ORDER BY id) AS before FROM sample WHERE id >= ?1 AND id < ?2)
WHERE (id >> 4) - (before >> 4) > ?3
"""
_PERIODS = """
SELECT id, started_at_utc_ms, ended_at_utc_ms FROM period WHERE source_id = ? ORDER BY started_at_utc_ms, id
"""


def newest(db: sqlite3.Connection, source_id: int = OWN_SOURCE) -> Newest:
    """The newest of a recorder."""
    last = None
    for (period_id,) in db.execute("SELECT id FROM period WHERE source_id = ?", (source_id,)).fetchall():
        found = db.execute(_LAST, ids_between(period_id, -FOREVER_MS, FOREVER_MS)).fetchone()[0]
        if found is not None:
            last = max(time_of(found), last or 0)
    known_ms, what = db.execute(_NEWEST, (source_id,)).fetchone() or (None, "")
    if last is not None and last >= (known_ms or 0):
        known_ms, what = last, "a sample"
    return Newest(last, known_ms, what)


def silences(db: sqlite3.Connection, holes: Sequence[Hole]) -> list[Silence]:
    """The spans beside lost pages of samples that are longer than samples lie apart, by recorder and time. Before
    blocks are folded anew."""
    found: list[Silence] = []
    if not holes:
        return found
    for (source_id,) in db.execute("SELECT id FROM source ORDER BY id").fetchall():
        pruned = db.execute("SELECT before_utc_ms FROM pruned WHERE source_id = ?", (source_id,)).fetchone()
        spans: list[list[int]] = []
        for from_ms, to_ms in _spans(db, source_id, holes):
            from_ms = max(from_ms, pruned[0]) if pruned else from_ms
            if spans and from_ms <= spans[-1][1] < to_ms:
                spans[-1][1] = to_ms
            elif from_ms < to_ms:
                spans.append([from_ms, to_ms])
        for from_ms, to_ms in spans:
            pace_ms = interval_ms_at(db, source_id, from_ms)
            if to_ms - from_ms > max(SHORTEST_MS, GAP_INTERVALS * pace_ms):
                found.append(Silence(source_id, from_ms, to_ms, (to_ms - from_ms) // pace_ms))
    return found


def _spans(db: sqlite3.Connection, source_id: int, holes: Sequence[Hole]) -> Iterator[tuple[int, int]]:
    """Between two samples, or a sample and an end of its period, in order of time."""
    known_ms = newest(db, source_id).known_utc_ms or 0
    for period_id, started_ms, ended_ms in db.execute(_PERIODS, (source_id,)).fetchall():
        first, end = ids_between(period_id, -FOREVER_MS, FOREVER_MS)
        if not _in_doubt(holes, first, end):
            continue
        to_ms = max(started_ms, known_ms) if ended_ms is None else ended_ms
        least, last = db.execute(
            "SELECT min(id), max(id) FROM sample WHERE id >= ? AND id < ?", (first, end)
        ).fetchone()
        if least is None:
            yield started_ms, to_ms
            continue
        if _in_doubt(holes, first, least):
            yield started_ms, time_of(least)
        for before, after in db.execute(_GAPS, (first, end, SHORTEST_MS)).fetchall():
            if _in_doubt(holes, before, after):
                yield time_of(before), time_of(after)
        if _in_doubt(holes, last, end):
            yield time_of(last), to_ms


def _in_doubt(holes: Sequence[Hole], after: int, before: int) -> bool:
    """Whether rows between these ids may have stood on a page that was lost."""
    return any(
        (hole.after is None or hole.after[0] < before - 1) and (hole.upto is None or hole.upto[0] > after)
        for hole in holes
    )
