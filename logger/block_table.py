"""Keeps the table of blocks true to the table of samples: carries a fold on, and folds a stretch again."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Iterable, Iterator
from datetime import UTC, datetime
from typing import Any, NoReturn

from logger.blocks import (
    FINE_ZONE_MS,
    GAP_INTERVALS,
    STRETCH_MS,
    Block,
    Fold,
    FoldSample,
    LinkFacts,
    Stretch,
    decode_histogram,
    encode_histogram,
    stretch_at,
)
from logger.errors import TagError
from logger.sample_id import FOREVER_MS, ids_between, time_of

BLOCK_COLUMNS = (
    *("period_id", "started_at_utc_ms", "link_id", "ended_at_utc_ms", "first_utc_ms", "last_utc_ms", "n_samples"),
    *("offset_ms_sum", "covered_ms", "n_dropouts", "rssi_n", "rssi_sum_dbm", "rssi_histogram", "noise_n"),
    *("noise_sum_dbm", "tx_rate_n", "tx_rate_sum_mbps", "tx_rate_sum_log2", "tx_rate_histogram", "rx_rate_n"),
    *("rx_rate_sum_mbps", "rx_rate_sum_log2", "rx_rate_histogram", "busy_n", "busy_sum_permille", "tx_packets"),
    *("tx_retries", "tx_failed", "beacon_losses", "rx_bytes", "tx_bytes"),
    *("probing_n", "tx_rate_stale_n", "rx_rate_stale_n"),
)
_WRITE = f"INSERT OR REPLACE INTO block VALUES ({', '.join('?' * len(BLOCK_COLUMNS))})"
_READ = """
    SELECT time_utc_ms, link_id, rssi_dbm, noise_dbm, tx_rate.mbps, rx_rate.mbps, tx_packets, tx_retries, tx_failed,
        beacon_losses, busy_permille, rx_bytes, tx_bytes, sample.id & 15, ifnull(flags, 0)
    FROM sample
    LEFT JOIN rate AS tx_rate ON tx_rate.id = sample.tx_rate_id
    LEFT JOIN rate AS rx_rate ON rx_rate.id = sample.rx_rate_id
    WHERE sample.id >= ? AND sample.id < ?
    ORDER BY sample.id
"""
DEFAULT_INTERVAL_MS = 5000

# At these a spell without samples ended, however short it was: what lies before and after does not touch.
BREAKS = (
    *("resumed", "logger-started", "radio-on", "interface-back", "adapter-recovered"),
    *("clock-set", "samples-dropped"),
)
_BREAKS_BETWEEN = (
    "SELECT time_utc_ms FROM event WHERE source_id = ? AND time_utc_ms >= ? AND time_utc_ms <= ?"
    f" AND kind IN ({', '.join('?' * len(BREAKS))})"
)

# A moved end of a period changes the stretches this far to either side of it.
REACH_MS = FINE_ZONE_MS + STRETCH_MS

# The first samples after the pruned ones are there so that the blocks after them can be folded anew, whatever the pace.
FOLD_MARGIN_MS = GAP_INTERVALS * 3_600_000


def write_blocks(db: sqlite3.Connection, period_id: int, blocks: Iterable[Block]) -> None:
    db.executemany(_WRITE, (block.row(period_id) for block in blocks))


def interval_ms_at(db: sqlite3.Connection, source_id: int, time_ms: int) -> int:
    """How far apart samples were meant to be at that time."""
    row = db.execute(
        "SELECT interval_ms FROM pace WHERE source_id = ? ORDER BY from_utc_ms > ?, abs(from_utc_ms - ?) LIMIT 1",
        (source_id, time_ms, time_ms),
    ).fetchone()
    return int(row[0]) if row else DEFAULT_INTERVAL_MS


def fixed_before(db: sqlite3.Connection, source_id: int) -> int:
    """Blocks of that source that begin before this moment stay as they are, for samples behind them were pruned; where
    none were, it is before all time. Only periods that began before it have pruned samples."""
    row = db.execute("SELECT before_utc_ms FROM pruned WHERE source_id = ?", (source_id,)).fetchone()
    return int(row[0]) + FOLD_MARGIN_MS if row else -FOREVER_MS


def refuse_fixed(before_ms: int) -> NoReturn:
    """An edit of the timeline asked for samples that were pruned."""
    day = datetime.fromtimestamp(before_ms / 1000, UTC)
    raise TagError(
        f"samples before {day:%Y-%m-%d %H:%M} UTC were given up to keep the log small, so the timeline is fixed there;"
        " say a later time, or other tags for a whole period"
    )


def link_facts(db: sqlite3.Connection) -> dict[int, LinkFacts]:
    return {row[0]: LinkFacts(bool(row[1]), row[2]) for row in db.execute("SELECT id, connected, band FROM link")}


def resume_fold(db: sqlite3.Connection, period_id: int, time_ms: int) -> Fold:
    """A fold of the period as it stood before the sample at ``time_ms``, its open blocks included."""
    source_id, started_ms, ended_ms, by_band = _period(db, period_id)
    fold = Fold(started_ms, ended_ms, link_facts(db), by_band=by_band)
    begin_ms = stretch_at(time_ms, started_ms, ended_ms).started_at_utc_ms
    for _ in _folded(db, fold, period_id, source_id, begin_ms, time_ms):
        pass
    return fold


def rebuild_blocks(
    db: sqlite3.Connection,
    period_id: int,
    from_ms: int | None = None,
    to_ms: int | None = None,
    *,
    keep_fixed: bool = False,
) -> None:
    """Fold again what lies in [from_ms, to_ms) of a period (all of it by default), to whole stretches. Where samples of
    those were pruned, raises TagError, or with ``keep_fixed`` leaves their blocks as they are."""
    source_id, started_ms, ended_ms, by_band = _period(db, period_id)
    begin_ms = -FOREVER_MS if from_ms is None else stretch_at(from_ms, started_ms, ended_ms).started_at_utc_ms
    end_ms = FOREVER_MS if to_ms is None else stretch_at(to_ms, started_ms, ended_ms).ended_at_utc_ms
    # Stretches that were cut otherwise before may reach over either end: widen until all are whole.
    while True:
        row = db.execute(
            "SELECT min(started_at_utc_ms), max(ended_at_utc_ms) FROM block"
            " WHERE period_id = ? AND ended_at_utc_ms > ? AND started_at_utc_ms < ?",
            (period_id, begin_ms, end_ms),
        ).fetchone()
        if row[0] is None or (begin_ms <= row[0] and row[1] <= end_ms):
            break
        if row[0] < begin_ms:
            begin_ms = stretch_at(row[0], started_ms, ended_ms).started_at_utc_ms
        if row[1] > end_ms:
            end_ms = stretch_at(row[1] - 1, started_ms, ended_ms).ended_at_utc_ms
    fixed_ms = fixed_before(db, source_id)
    if begin_ms < fixed_ms and started_ms < fixed_ms:
        if not keep_fixed:
            refuse_fixed(fixed_ms)
        begin_ms = _first_free_ms(db, period_id, fixed_ms, stretch_at(fixed_ms, started_ms, ended_ms))
        if begin_ms >= end_ms:
            return
    db.execute(
        "DELETE FROM block WHERE period_id = ? AND ended_at_utc_ms > ? AND started_at_utc_ms < ?",
        (period_id, begin_ms, end_ms),
    )
    fold = Fold(started_ms, ended_ms, link_facts(db), by_band=by_band)
    write_blocks(db, period_id, _folded(db, fold, period_id, source_id, begin_ms, end_ms))
    write_blocks(db, period_id, fold.open.values())


def _first_free_ms(db: sqlite3.Connection, period_id: int, fixed_ms: int, stretch: Stretch) -> int:
    """Where the first stretch begins that no fixed block reaches into."""
    free_ms = stretch.started_at_utc_ms if stretch.started_at_utc_ms >= fixed_ms else stretch.ended_at_utc_ms
    row = db.execute(
        "SELECT max(ended_at_utc_ms) FROM block"
        " WHERE period_id = ? AND started_at_utc_ms < ? AND started_at_utc_ms > ?",
        (period_id, fixed_ms, fixed_ms - STRETCH_MS),
    ).fetchone()
    return max(free_ms, row[0] or 0)


def add_to_fixed(db: sqlite3.Connection, period_id: int, samples: Iterable[FoldSample]) -> None:
    """A clock set back stamps samples behind the newest. Those that fall where samples were pruned are added to the
    blocks that stand there; the others are for ``rebuild_blocks``."""
    source_id, started_ms, ended_ms, by_band = _period(db, period_id)
    fixed_ms = fixed_before(db, source_id)
    if started_ms >= fixed_ms:
        return
    fold, interval_ms = Fold(started_ms, ended_ms, link_facts(db), by_band=by_band), _paces(db, source_id)
    blocks: list[Block] = []
    for sample in samples:
        if stretch_at(sample.time_utc_ms, started_ms, ended_ms).started_at_utc_ms < fixed_ms:
            blocks += fold.add(sample, interval_ms(sample.time_utc_ms))
    for block in [*blocks, *fold.open.values()]:
        _add_block(db, period_id, block)


def _add_block(db: sqlite3.Connection, period_id: int, block: Block) -> None:
    key = (period_id, block.stretch.started_at_utc_ms, block.link_id)
    new = block.row(period_id)
    old = db.execute(
        "SELECT * FROM block WHERE period_id = ? AND started_at_utc_ms = ? AND link_id = ?", key
    ).fetchone()
    if old is not None:
        new = tuple(map(_joined, BLOCK_COLUMNS, old, new))
    db.execute(_WRITE, new)


def _joined(column: str, old: Any, new: Any) -> object:
    match column:
        case "period_id" | "started_at_utc_ms" | "link_id" | "ended_at_utc_ms":
            return old
        case "first_utc_ms":
            return min(old, new)
        case "last_utc_ms":
            return max(old, new)
        case "rssi_histogram" | "tx_rate_histogram" | "rx_rate_histogram":
            counts = decode_histogram(old)
            for value, count in decode_histogram(new).items():
                counts[value] = counts.get(value, 0) + count
            return encode_histogram(counts)
    return old + new


def _paces(db: sqlite3.Connection, source_id: int) -> Callable[[int], int]:
    """How far apart the samples of a source were meant to be, by their time."""
    paces = [
        (row[0], row[1])
        for row in db.execute(
            "SELECT from_utc_ms, interval_ms FROM pace WHERE source_id = ? ORDER BY from_utc_ms DESC",
            (source_id,),
        )
    ]
    earliest = paces[-1][1] if paces else DEFAULT_INTERVAL_MS
    return lambda time_ms: next((interval for from_ms, interval in paces if from_ms <= time_ms), earliest)


def _folded(
    db: sqlite3.Connection, fold: Fold, period_id: int, source_id: int, begin_ms: int, end_ms: int
) -> Iterator[Block]:
    """Fold the samples of [begin_ms, end_ms), knowing those just before; yields closed blocks."""
    interval_ms = _paces(db, source_id)
    ids = ids_between(period_id, begin_ms, end_ms)
    if begin_ms > -FOREVER_MS:
        interval = interval_ms(begin_ms)
        fold.break_at(_breaks(db, source_id, begin_ms - GAP_INTERVALS * interval, end_ms))
        before = db.execute(_READ, ids_between(period_id, begin_ms - GAP_INTERVALS * interval, begin_ms))
        fold.warm_up(map(FoldSample._make, before), interval)
    else:
        first, last = db.execute("SELECT min(id), max(id) FROM sample WHERE id >= ? AND id < ?", ids).fetchone()
        if first is not None:
            fold.break_at(_breaks(db, source_id, time_of(first), time_of(last)))
    for sample in map(FoldSample._make, db.execute(_READ, ids)):
        yield from fold.add(sample, interval_ms(sample.time_utc_ms))


def _breaks(db: sqlite3.Connection, source_id: int, from_ms: int, to_ms: int) -> list[int]:
    return [row[0] for row in db.execute(_BREAKS_BETWEEN, (source_id, from_ms, to_ms, *BREAKS))]


def _period(db: sqlite3.Connection, period_id: int) -> tuple[int, int, int | None, bool]:
    """Source, beginning, end, and whether it may hold several bands at once, as only imports do."""
    row = db.execute(
        "SELECT source_id, started_at_utc_ms, ended_at_utc_ms, kind <> 'logger' FROM period"
        " JOIN source ON source.id = source_id WHERE period.id = ?",
        (period_id,),
    ).fetchone()
    if row is None:
        raise sqlite3.DatabaseError(f"malformed: period {period_id} or its source is gone")
    return row[0], row[1], row[2], bool(row[3])
