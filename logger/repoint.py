"""Puts an edited timeline into the log: periods, the samples that change hands, and the blocks of both."""

from __future__ import annotations

import sqlite3
from collections import defaultdict
from collections.abc import Sequence
from typing import NamedTuple

from logger.block_table import REACH_MS, rebuild_blocks
from logger.marks import Mark
from logger.sample_id import PERIOD_SHIFT, ids_between

OWN_SOURCE = 1  # this machine's own logger
_FOREVER_MS = 1 << 62


class _Span(NamedTuple):
    started_ms: int
    ended_ms: int  # _FOREVER_MS while open


def read_marks(db: sqlite3.Connection, source_id: int) -> list[Mark]:
    """The timeline of a source, in order of time."""
    rows = db.execute(
        "SELECT id, started_at_utc_ms, placement_id, config_version, time_zone FROM period"
        " WHERE source_id = ? ORDER BY started_at_utc_ms",
        (source_id,),
    )
    return [Mark(*row) for row in rows]


def write_marks(db: sqlite3.Connection, source_id: int, marks: Sequence[Mark]) -> None:
    """Make the periods of a source be these; re-point samples and fold their blocks again. Inside a transaction."""
    old = _spans(read_marks(db, source_id))
    # Out of the way first: no two periods of a source may begin at once, not even in passing.
    db.execute("UPDATE period SET started_at_utc_ms = -id, ended_at_utc_ms = NULL WHERE source_id = ?", (source_id,))
    placed = []
    for mark, following in zip(marks, [*marks[1:], None], strict=True):
        ended_ms = following.started_at_utc_ms if following else None
        row = (mark.placement_id, mark.config_version, mark.started_at_utc_ms, ended_ms, mark.time_zone)
        if mark.period_id is not None and db.execute("SELECT 1 FROM period WHERE id = ?", (mark.period_id,)).fetchone():
            db.execute(
                "UPDATE period SET placement_id = ?, config_version = ?, started_at_utc_ms = ?, ended_at_utc_ms = ?,"
                " time_zone = ? WHERE id = ?",
                (*row, mark.period_id),
            )
            placed.append(mark)
        else:
            made = db.execute(
                "INSERT INTO period (placement_id, config_version, started_at_utc_ms, ended_at_utc_ms, time_zone,"
                " source_id, id) VALUES (?, ?, ?, ?, ?, ?, ?)",
                (*row, source_id, mark.period_id),
            )
            placed.append(Mark(made.lastrowid, *_after_id(mark)))
    new = _spans(placed)
    stale = _move_samples(db, old, new)
    for period_id in old.keys() - new.keys():
        db.execute("DELETE FROM block WHERE period_id = ?", (period_id,))
        db.execute("DELETE FROM period WHERE id = ?", (period_id,))
    for period_id, span in new.items():
        before = old.get(period_id)
        if before is None:
            rebuild_blocks(db, period_id)
            continue
        ends = {end for end in (*before, *span) if (end in before) != (end in span) and end != _FOREVER_MS}
        stretches = [(end - REACH_MS, end + REACH_MS) for end in ends]
        for from_ms, to_ms in [*stretches, *stale[period_id]]:
            rebuild_blocks(db, period_id, from_ms, to_ms)


def _spans(marks: Sequence[Mark]) -> dict[int, _Span]:
    ends = [*(mark.started_at_utc_ms for mark in marks[1:]), _FOREVER_MS]
    return {
        mark.period_id: _Span(mark.started_at_utc_ms, end)
        for mark, end in zip(marks, ends, strict=False)
        if mark.period_id is not None
    }


def _after_id(mark: Mark) -> tuple[int, int, int, str]:
    return mark.started_at_utc_ms, mark.placement_id, mark.config_version, mark.time_zone


def _move_samples(
    db: sqlite3.Connection, old: dict[int, _Span], new: dict[int, _Span]
) -> dict[int, list[tuple[int, int]]]:
    """Re-point the samples that now lie in another period; returns the stretches that each period lost or won."""
    stale: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for old_id, was in old.items():
        for new_id, now in new.items():
            begin, end = max(was.started_ms, now.started_ms), min(was.ended_ms, now.ended_ms)
            if new_id != old_id and begin < end and _move(db, old_id, new_id, begin, end):
                stale[old_id].append((begin, end))
                stale[new_id].append((begin, end))
        if old_id not in new:  # what a clock set back stamped outside its own period goes along
            heir = next((i for i, now in new.items() if now.started_ms <= was.started_ms < now.ended_ms), min(new))
            if _move(db, old_id, heir, -_FOREVER_MS, _FOREVER_MS):
                stale[heir].append((-_FOREVER_MS, _FOREVER_MS))
    return stale


def _move(db: sqlite3.Connection, old_id: int, new_id: int, begin_ms: int, end_ms: int) -> int:
    ids = ids_between(old_id, begin_ms, end_ms)
    shift = new_id - old_id << PERIOD_SHIFT
    try:
        return db.execute("UPDATE sample SET id = id + ? WHERE id >= ? AND id < ?", (shift, *ids)).rowcount
    except sqlite3.IntegrityError:  # a reading of the same millisecond is there already
        astray = [row[0] for row in db.execute("SELECT id FROM sample WHERE id >= ? AND id < ?", ids)]
    for each in astray:
        target = each + shift
        while db.execute("UPDATE OR IGNORE sample SET id = ? WHERE id = ?", (target, each)).rowcount == 0:
            target += 1
    return len(astray)
