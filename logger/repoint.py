"""Puts an edited timeline into the log: periods, the samples that change hands, and the blocks of both.

The id of a period is never used twice, and belongs to its source: an undone edit brings a period back under its id.
"""

from __future__ import annotations

import sqlite3
from collections import defaultdict
from collections.abc import Iterator, Sequence
from typing import NamedTuple

from logger.block_table import REACH_MS, fixed_before, rebuild_blocks, refuse_fixed
from logger.marks import Mark
from logger.passes import Pass, last_pass
from logger.sample_id import FOREVER_MS, PERIOD_SHIFT, READINGS, ids_between


class _Span(NamedTuple):
    period_id: int
    started_ms: int
    ended_ms: int  # FOREVER_MS while open


def read_marks(db: sqlite3.Connection, source_id: int) -> list[Mark]:
    """The timeline of a source, in order of time."""
    rows = db.execute(
        "SELECT id, started_at_utc_ms, placement_id, config_version, time_zone FROM period"
        " WHERE source_id = ? ORDER BY started_at_utc_ms",
        (source_id,),
    )
    return [Mark(*row) for row in rows]


def write_marks(
    db: sqlite3.Connection,
    source_id: int,
    marks: Sequence[Mark],
    last_ended_ms: int | None = None,
    *,
    set_back_to_ms: int | None = None,
) -> None:
    """Make the periods of a source be these; re-point samples and fold their blocks again. Inside a transaction.

    ``last_ended_ms``: where the last one ends, None while it is open. ``set_back_to_ms``: the clock was set back to
    then, and no sample was taken since. Raises TagError where samples that would have to be looked at were pruned: then
    the transaction has to be rolled back.
    """
    before = read_marks(db, source_id)
    kept = {mark.period_id for mark in before}
    # Out of the way first: no two periods of a source may begin at once, not even in passing.
    db.execute("UPDATE period SET started_at_utc_ms = -id, ended_at_utc_ms = NULL WHERE source_id = ?", (source_id,))
    placed = []
    for mark, following in zip(marks, [*marks[1:], None], strict=True):
        ended_ms = following.started_at_utc_ms if following else last_ended_ms
        row = (mark.placement_id, mark.config_version, mark.started_at_utc_ms, ended_ms, mark.time_zone)
        if mark.period_id in kept:
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
            placed.append(mark._replace(period_id=made.lastrowid))
    old, new = _spans(before), _spans(placed)
    _refuse_fixed(old, new, fixed_before(db, source_id))
    now = last_pass(db, source_id)
    if set_back_to_ms is not None:
        now = Pass(now.number + 1 if now else 1, set_back_to_ms, set_back_to_ms)
    stale = _move_samples(db, old, new, now)
    for period_id in {span.period_id for span in old} - {span.period_id for span in new}:
        db.execute("DELETE FROM block WHERE period_id = ?", (period_id,))
        db.execute("DELETE FROM period WHERE id = ?", (period_id,))
    was = {span.period_id: span for span in old}
    for span in new:
        if span.period_id not in was:
            rebuild_blocks(db, span.period_id)
            continue
        ends = set(span[1:]) ^ set(was[span.period_id][1:])
        stretches = [(end - REACH_MS, end + REACH_MS) for end in ends if end != FOREVER_MS]
        for from_ms, to_ms in [*stretches, *stale[span.period_id]]:
            rebuild_blocks(db, span.period_id, from_ms, to_ms)


def _spans(marks: Sequence[Mark]) -> list[_Span]:
    ends = [*(mark.started_at_utc_ms for mark in marks[1:]), FOREVER_MS]
    return [_Span(mark.period_id or 0, mark.started_at_utc_ms, end) for mark, end in zip(marks, ends, strict=False)]


def _refuse_fixed(old: Sequence[_Span], new: Sequence[_Span], fixed_ms: int) -> None:
    """A period whose ends stay can have other tags at any time; none of its blocks changes."""
    ends: dict[int, set[int]] = defaultdict(set)
    for span in {*old} ^ {*new}:
        ends[span.period_id] ^= {span.started_ms, span.ended_ms}
    was, now = ({span.period_id: span for span in spans} for spans in (old, new))
    for period_id, moved in ends.items():
        begins = [spans[period_id].started_ms for spans in (was, now) if period_id in spans]
        touched_ms = min(begins) if len(begins) == 1 else max(min(begins), min(moved) - REACH_MS)
        if touched_ms < fixed_ms:
            refuse_fixed(fixed_ms)


def _move_samples(
    db: sqlite3.Connection, old: Sequence[_Span], new: Sequence[_Span], now: Pass | None
) -> dict[int, list[tuple[int, int]]]:
    """Re-point the samples that now lie in another period; returns the stretches that each period lost or won. Where
    the clock was set back, a time is that at which it was shown last (in the pass ``now``): what was stamped later, but
    taken before the clock was set back, was taken before that time."""
    stale: dict[int, list[tuple[int, int]]] = defaultdict(list)
    for old_id, new_id, begin, end in _overlaps(old, new):
        of_pass = now.number if now and now.from_utc_ms <= begin else None
        if new_id != old_id and _move(db, old_id, new_id, begin, end, of_pass):
            stale[old_id].append((begin, end))
            stale[new_id].append((begin, end))
    still_there = {span.period_id for span in new}
    for span in old:
        if span.period_id not in still_there:  # what a clock set back stamped outside its own period goes along
            holds = (now.period_id for now in new if now.started_ms <= span.started_ms < now.ended_ms)
            heir = next(holds, new[0].period_id)
            if _move(db, span.period_id, heir, -FOREVER_MS, FOREVER_MS):
                stale[heir].append((-FOREVER_MS, FOREVER_MS))
    return stale


def _overlaps(old: Sequence[_Span], new: Sequence[_Span]) -> Iterator[tuple[int, int, int, int]]:
    """(old id, new id, begin, end) wherever a stretch of the one list lies in one of the other; both in order."""
    i = j = 0
    while i < len(old) and j < len(new):
        begin, end = max(old[i].started_ms, new[j].started_ms), min(old[i].ended_ms, new[j].ended_ms)
        if begin < end:
            yield old[i].period_id, new[j].period_id, begin, end
        if old[i].ended_ms <= new[j].ended_ms:
            i += 1
        else:
            j += 1


def _move(
    db: sqlite3.Connection, old_id: int, new_id: int, begin_ms: int, end_ms: int, of_pass: int | None = None
) -> int:
    """``of_pass``: the samples of that pass alone. Returns how many."""
    which, values = "id >= ? AND id < ?", ids_between(old_id, begin_ms, end_ms)
    if of_pass is not None:
        which += f" AND id & {READINGS - 1} = {of_pass % READINGS}"
    shift = new_id - old_id << PERIOD_SHIFT
    try:
        return db.execute(f"UPDATE sample SET id = id + ? WHERE {which}", (shift, *values)).rowcount
    except sqlite3.IntegrityError:  # a reading of the same millisecond is there already
        astray = [row[0] for row in db.execute(f"SELECT id FROM sample WHERE {which}", values)]
    for each in astray:
        target = each + shift
        while db.execute("UPDATE OR IGNORE sample SET id = ? WHERE id = ?", (target, each)).rowcount == 0:
            target += 1
    return len(astray)
