"""A source that was merged before follows what it is in the other log now: timeline, events, new samples."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Mapping, Sequence
from functools import partial
from typing import NamedTuple

from logger.block_table import BLOCK_COLUMNS, BREAKS, FOLD_MARGIN_MS, rebuild_blocks
from logger.errors import TagError
from logger.log import Log
from logger.marks import Mark
from logger.merging.other_rows import OtherEvent, OtherRows, Source, TaggedPeriod
from logger.merging.samples import Samples, clear, drop_doubles, let_in
from logger.merging.tags import Tagging, Tags, known, reserve_periods
from logger.repoint import read_marks, write_marks
from logger.sample_id import FOREVER_MS, ids_between

OF_SOURCE = {"pace": 3, "zone": 3, "pass": 4, "pruned": 2}  # tables that hold times of a source, and their columns


class Taken(NamedTuple):
    """What is taken of a source: its periods, the numbers that they have here, and in the log that they began in."""

    source: Source
    periods: Sequence[TaggedPeriod]
    numbers: Mapping[int, int]
    origin_ids: Mapping[int, int]
    tags: Tags
    links: Mapping[int, int]


class Followed(NamedTuple):
    n_new: int
    n_samples: int
    changed: bool
    tagging: Tagging


def follow(
    log: Log, rows: OtherRows, taken: Taken, mine: int, bring: Samples, progress: Callable[[int, int], object]
) -> Followed:
    """Let source ``mine`` be as it is over there. ``progress``: how many periods of how many have their samples."""
    source, periods, numbers = taken.source, taken.periods, taken.numbers
    with log.transaction() as db:
        n_before, before = n_samples(db, mine), db.total_changes
        tagging = Tagging(db, taken.tags)
        marks = [tagging.mark(period, numbers[period.id]) for period in periods]
        stale = [
            (event.time_utc_ms, event.time_utc_ms + FOLD_MARGIN_MS)
            for event in _new_events(db, rows, source, mine)
            if event.kind in BREAKS
        ]
        stale += _follow_times(db, rows, source, mine)
        pruned = [row[0] for row in rows.times("pruned", source.id)]
        adopted = _write_timeline(db, rows, taken, mine, marks, pruned)
        for from_ms, to_ms in stale:
            _fold_again(db, numbers.values(), from_ms, to_ms)
        changed = db.total_changes != before
        db.execute("UPDATE source SET origin_as_of_utc_ms = ? WHERE id = ?", (source.as_of_utc_ms, mine))
    log.timeline_edits += 1
    waiting = _waiting(log, taken, mine)
    from_ms = max([0, *pruned, *pruned_here(log.db, mine)])
    surplus, n_new = {}, 0
    for period in periods:
        origin_id, here = taken.origin_ids[period.id], numbers[period.id]
        hidden, extra = bring.bring(
            period.id, here, waiting.get(origin_id), from_ms, partial(_reserve_one, log, source.log_id, origin_id)
        )
        if hidden is not None:
            waiting[origin_id] = hidden
        if extra:
            surplus[here] = extra
    for n, period in enumerate(periods):
        if (hidden := waiting.get(taken.origin_ids[period.id])) is not None:
            n_new += let_in(log, hidden, numbers[period.id])
        progress(n + 1, len(periods))
    with log.transaction() as db:
        drop_doubles(db, mine, surplus)
        if max([0, *pruned_here(db, mine)]) > from_ms:  # a daemon gave samples up meanwhile, some just let in
            _write_timeline(db, rows, taken, mine, marks, pruned)
        n_after = n_samples(db, mine)
    return Followed(max(n_new, n_after - n_before) if adopted else n_new, n_after, changed or bool(n_new), tagging)


def n_samples(db: sqlite3.Connection, source_id: int) -> int:
    """How many samples the blocks of a source sum up."""
    row = db.execute(
        "SELECT ifnull(sum(n_samples), 0) FROM main.block JOIN main.period ON period.id = period_id"
        " WHERE source_id = ?",
        (source_id,),
    ).fetchone()
    return int(row[0])


def write_times(
    db: sqlite3.Connection, schema: str, table: str, source_id: int, rows: Sequence[tuple[object, ...]]
) -> None:
    """Rows of one of OF_SOURCE, as OtherRows.times gives them."""
    places = ", ".join("?" * OF_SOURCE[table])
    db.executemany(f"INSERT INTO {schema}.{table} VALUES ({places})", [(source_id, *row) for row in rows])


def copy_blocks(
    db: sqlite3.Connection, schema: str, rows: OtherRows, taken: Taken, period: TaggedPeriod, before_ms: int
) -> None:
    """The blocks of a period that begin before then, where its samples were pruned."""
    here = taken.numbers[period.id]
    db.executemany(
        f"INSERT INTO {schema}.block VALUES ({', '.join('?' * len(BLOCK_COLUMNS))})",
        ((here, *row) for row in rows.blocks(period.id, before_ms, taken.links)),
    )


def _waiting(log: Log, taken: Taken, mine: int) -> dict[int, int]:
    """By number in the log of origin, where the new samples of a period wait. What waits for one that is gone goes."""
    log_id, still_there = taken.source.log_id, set(taken.origin_ids.values())
    numbers = known(log.db, log_id, "period")
    found = {}
    for origin_id, (hidden, _) in known(log.db, log_id, "waiting").items():
        if origin_id in still_there:
            found[origin_id] = hidden
        elif _of_source(log.db, mine, numbers.get(origin_id)):
            clear(log, hidden)
    return found


def _reserve_one(log: Log, log_id: str, origin_id: int) -> int:
    with log.transaction() as db:
        return reserve_periods(db, log_id, "waiting", [origin_id])[origin_id]


def pruned_here(db: sqlite3.Connection, source_id: int) -> list[int]:
    """The horizon of a source, if it has one."""
    return [row[0] for row in db.execute("SELECT before_utc_ms FROM pruned WHERE source_id = ?", (source_id,))]


def _new_events(db: sqlite3.Connection, rows: OtherRows, source: Source, mine: int) -> list[OtherEvent]:
    new = []
    for event in rows.events(source.id):
        found = db.execute(
            "SELECT 1 FROM event WHERE time_utc_ms = ? AND kind = ? AND source_id = ? AND detail = ?",
            (event.time_utc_ms, event.kind, mine, event.detail),
        ).fetchone()
        if not found:
            db.execute(
                "INSERT INTO event (time_utc_ms, kind, source_id, detail) VALUES (?, ?, ?, ?)",
                (event.time_utc_ms, event.kind, mine, event.detail),
            )
            new.append(event)
    return new


def _follow_times(db: sqlite3.Connection, rows: OtherRows, source: Source, mine: int) -> list[tuple[int, int]]:
    """Paces, zones and passes as they are there; returns the stretches that have to be folded again for it."""
    stale: list[tuple[int, int]] = []
    for table in ("pace", "zone", "pass"):
        there = rows.times(table, source.id)
        here = [tuple(row)[1:] for row in db.execute(f"SELECT * FROM {table} WHERE source_id = ? ORDER BY 2", (mine,))]
        if here != there:
            db.execute(f"DELETE FROM {table} WHERE source_id = ?", (mine,))
            write_times(db, "main", table, mine, there)
            if table == "pace":
                changed_ms = min(row[0] for row in {*here} ^ {*there})
                first_stays = here and there and here[0] == there[0]  # the first holds before it, too
                stale.append((changed_ms if first_stays else -FOREVER_MS, FOREVER_MS))
    return stale


def _fold_again(db: sqlite3.Connection, periods: Iterable[int], from_ms: int, to_ms: int) -> None:
    for period_id in periods:
        ids = ids_between(period_id, from_ms, to_ms)
        if db.execute("SELECT 1 FROM sample WHERE id >= ? AND id < ? LIMIT 1", ids).fetchone():
            ends = (None if from_ms == -FOREVER_MS else from_ms, None if to_ms == FOREVER_MS else to_ms)
            rebuild_blocks(db, period_id, *ends, keep_fixed=True)


def _write_timeline(
    db: sqlite3.Connection, rows: OtherRows, taken: Taken, mine: int, marks: Sequence[Mark], pruned: Sequence[int]
) -> bool:
    """The other log's timeline. Where one of the two logs gave samples up, and the blocks are others there than here,
    those are taken as they are; says whether they were."""
    last_ended_ms = taken.periods[-1].ended_at_utc_ms
    same = read_marks(db, mine) == list(marks)
    horizon_ms = max([*pruned, *pruned_here(db, mine)], default=None)
    if horizon_ms is None:
        if not same:
            write_marks(db, mine, marks, last_ended_ms)
        return False
    fixed_ms = horizon_ms + FOLD_MARGIN_MS
    fixed = [period for period in taken.periods if period.started_at_utc_ms < fixed_ms]
    db.execute("SAVEPOINT timeline")
    try:
        if not same:
            write_marks(db, mine, marks, last_ended_ms)
        adopt = not all(_same_blocks(db, rows, taken, period, fixed_ms) for period in fixed)
    except TagError:
        db.execute("ROLLBACK TO timeline")
        adopt = True
    db.execute("RELEASE timeline")
    if not adopt:
        return False
    db.execute("DELETE FROM pruned WHERE source_id = ?", (mine,))
    if read_marks(db, mine) != list(marks):
        write_marks(db, mine, marks, last_ended_ms)
    db.execute("INSERT INTO pruned VALUES (?, ?)", (mine, horizon_ms))
    for period in fixed:
        here = taken.numbers[period.id]
        db.execute("DELETE FROM block WHERE period_id = ? AND started_at_utc_ms < ?", (here, fixed_ms))
        copy_blocks(db, "main", rows, taken, period, fixed_ms)
        rebuild_blocks(db, here, fixed_ms, keep_fixed=True)
    return True


def _same_blocks(db: sqlite3.Connection, rows: OtherRows, taken: Taken, period: TaggedPeriod, before_ms: int) -> bool:
    here = {
        tuple(row)
        for row in db.execute(
            "SELECT started_at_utc_ms, link_id, n_samples, covered_ms, rssi_sum_dbm FROM block"
            " WHERE period_id = ? AND started_at_utc_ms < ?",
            (taken.numbers[period.id], before_ms),
        )
    }
    there = rows.blocks(period.id, before_ms, taken.links)
    return here == {(row[0], row[1], row[5], row[7], row[10]) for row in there}


def _of_source(db: sqlite3.Connection, source_id: int, here: tuple[int, str | None] | None) -> bool:
    """Whether a period that is gone over there was of that source, or is gone here as well."""
    if here is None:
        return True
    row = db.execute("SELECT source_id FROM period WHERE id = ?", (here[0],)).fetchone()
    return row is None or row[0] == source_id
