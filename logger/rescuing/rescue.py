"""Saves what can be read of a damaged log into a new one. The damaged file is only ever read.

Each table is read page by page (page_walk.py) into an empty log. Rows that fit nowhere are refused; what lost
rows had to say is stood in for (stand_ins.py). Then every block with samples is folded anew from them, and a
block all of whose samples are gone is kept as it was.
"""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field
from itertools import islice
from pathlib import Path
from typing import Any

from logger.block_table import fixed_before, rebuild_blocks
from logger.blocks import stretch_at
from logger.damage import remove_log
from logger.errors import LogError, NewerLog, NotALog
from logger.log import SCHEMA, Log, explained
from logger.rescuing.page_walk import Hole, PageWalk, Shape
from logger.rescuing.silence import Newest, Silence, newest, silences
from logger.rescuing.stand_ins import stand_in

AT_ONCE = 5000  # rows
ROWS_A_COMMIT = 100_000
_SEQUENCE = Shape(2, None)  # of SQLite's own table sqlite_sequence
_LEFT_OUT = ("answer", "block_writes")  # the one can be worked out again; the other counts anew
# Tables whose rows can be told from all others by their types.
_TOLD_APART = (
    *("sample", "block", "event", "edit", "period", "source", "location", "placement", "config_version"),
    *("link", "rate", "finding", "probe", "transfer", "latency", "radio", "scan", "sighting", "visit"),
)
ADDED = {"source": 3, "sample": 1, "block": 3}  # columns that tables gained since they were made: older rows lack them
_NUMBERED = ("location", "placement", "period")  # no id of these is used twice, not even after a rescue
_ONE_ROW = ("identity", "alias_key")  # a new log has its own, and a rescued one that of the damaged

Progress = Callable[[str, int, int], object]


@dataclass(slots=True)
class TableSaved:
    """How much of one table: rows saved, pages that make no sense, rows on other pages that make none."""

    n_saved: int = 0
    n_pages_lost: int = 0
    n_rows_refused: int = 0
    n_rows_stray: int = 0  # of those saved: from pages that nothing leads to any more, all above them being lost


@dataclass(slots=True)
class LostSpan:
    """Samples that were lost, as their blocks tell. ``n``: how many."""

    period_id: int
    from_utc_ms: int
    to_utc_ms: int
    n: int


@dataclass(slots=True)
class Rescued:
    """What came of a rescue."""

    tables: dict[str, TableSaved] = field(default_factory=dict)
    lost: list[LostSpan] = field(default_factory=list)
    n_blocks_without_samples: int = 0  # kept as they were, though they have none
    n_blocks_changed: int = 0  # that said something else than their samples do now
    stand_ins: list[str] = field(default_factory=list)
    n_samples_told: int = 0  # at least so many there were: those saved, and those that blocks tell of
    silences: list[Silence] = field(default_factory=list)  # time without samples that may have had some
    newest: Newest | None = None

    @property
    def whole(self) -> bool:
        """Whether nothing was lost."""
        damaged = any(table.n_pages_lost or table.n_rows_refused for table in self.tables.values())
        blocks = self.n_blocks_without_samples or self.n_blocks_changed
        return not (damaged or self.lost or self.stand_ins or blocks)


def rescue(damaged: Path, into: Path, *, now_utc_ms: int, progress: Progress = lambda *_: None) -> Rescued:
    """Make the log ``into``, which must not exist, of all that can be read of ``damaged``. ``progress`` is told what is
    done, how much of it, of how much. Raises LogError; ``into`` is there when it is complete, or not at all."""
    if not damaged.is_file():
        raise LogError(f"there is no log at {damaged}")
    if into.exists():
        raise LogError(f"{into} is there already; say --into with another file")
    part = into.with_name(f"{into.name}.part")
    remove_log(part)
    try:
        with explained(into), PageWalk(damaged) as walk, Log.open(part) as log:
            if (schema := walk.user_version()) is not None and SCHEMA < schema < SCHEMA + 1000:
                raise NewerLog(f"{damaged} was written by a newer linktrial; update linktrial")
            done = _Rescue(walk, log.db, progress).run(damaged, now_utc_ms)
        with part.open("rb+") as file:
            os.fsync(file.fileno())
        os.replace(part, into)
    finally:
        remove_log(part)
    return done


class _Rescue:
    """One rescue, from an open file into an open new log."""

    def __init__(self, walk: PageWalk, db: sqlite3.Connection, progress: Progress) -> None:
        self._walk, self._db, self._progress = walk, db, progress
        self._done = Rescued()
        self._holes: dict[str, list[Hole]] = {}

    def run(self, damaged: Path, now_utc_ms: int) -> Rescued:
        db = self._db
        db.execute("PRAGMA foreign_keys = OFF")
        db.execute("PRAGMA synchronous = OFF")  # it is on the disk before it has its name
        columns = {table: _columns(db, table) for table in _tables(db)}
        shapes = {table: _shape(db, table) for table in columns} | {"sqlite_sequence": _SEQUENCE}
        # A log that was made as this new one was has its tables where this has them.
        likely = dict(db.execute("SELECT name, rootpage FROM sqlite_schema WHERE type = 'table'").fetchall())
        roots = self._walk.roots(shapes, likely)
        kept = db.execute("SELECT sql FROM sqlite_schema WHERE name = 'block'").fetchone()[0]
        db.execute(kept.replace("TABLE block", "TEMP TABLE kept_block", 1))
        for table, names in columns.items():
            if table in roots:
                self._table(table, names, shapes[table], roots[table])
            else:
                older = 0 < (self._walk.user_version() or 0) < SCHEMA  # perhaps it had none
                self._done.tables[table] = TableSaved(0, int(not older))
                self._holes[table] = [] if older else [Hole(0, None, None)]
        self._strays(columns, shapes)
        if not any(db.execute(f"SELECT 1 FROM {table}").fetchone() for table in ("sample", "kept_block", "period")):
            raise NotALog(f"nothing of a log can be found in {damaged}")
        with _transaction(db):
            self._done.stand_ins = stand_in(db, now_utc_ms)
            self._number_on(roots)
        self._find_lost()
        self._done.silences, self._done.newest = silences(db, self._holes["sample"]), newest(db)
        self._fold()
        for table, saved in self._done.tables.items():
            saved.n_saved = db.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
        self._done.n_samples_told = self._done.tables["sample"].n_saved + sum(span.n for span in self._done.lost)
        return self._done

    # Rows

    def _table(self, table: str, names: list[str], shape: Shape, root: int) -> None:
        saved = self._done.tables[table] = TableSaved()
        sql = _insert_into(table, names)
        defaults = _defaults(self._db, table)
        rows: Iterator[tuple[Any, ...]] = (_with_defaults(defaults, row) for row in self._walk.rows(root, shape))
        if table in _ONE_ROW:
            found = list(rows)[:1]
            if found:
                self._db.execute(f"DELETE FROM {table}")
            rows = iter(found)
        n_refused, n_pages = 0, self._walk.n_pages
        for big_batch in _batches(rows, ROWS_A_COMMIT):
            with _transaction(self._db):
                for batch in _batches(iter(big_batch), AT_ONCE):
                    n_refused += self._insert(sql, batch)
                    self._progress("reading", self._walk.n_pages_read, n_pages)
        saved.n_pages_lost, saved.n_rows_refused = len(self._walk.holes), self._walk.n_refused + n_refused
        self._holes[table] = self._walk.holes

    def _strays(self, columns: Mapping[str, list[str]], shapes: Mapping[str, Shape]) -> None:
        """Rows that are missing where a page was lost, and that lie on a page which nothing leads to."""
        torn = {table: shapes[table] for table in _TOLD_APART if self._holes.get(table)}
        if not torn:
            return
        defaults = {table: _defaults(self._db, table) for table in torn}
        with _transaction(self._db):
            for table, row in self._walk.stray_rows(torn):
                row = _with_defaults(defaults[table], row)
                key = row[: shapes[table].n_key] or (row[shapes[table].rowid_at or 0],)
                if not any(
                    (hole.after is None or key > hole.after) and (hole.upto is None or key <= hole.upto)
                    for hole in self._holes[table]
                ):
                    continue
                sql = _insert_into(table, columns[table])
                with suppress(sqlite3.IntegrityError, sqlite3.DataError, OverflowError):
                    self._done.tables[table].n_rows_stray += self._db.execute(sql, row).rowcount
                self._progress("reading", self._walk.n_pages_read, 2 * self._walk.n_pages)

    def _insert(self, sql: str, rows: list[tuple[Any, ...]]) -> int:
        """How many were refused."""
        try:
            self._db.execute("SAVEPOINT some")
            self._db.executemany(sql, rows)
            self._db.execute("RELEASE some")
            return 0
        except (sqlite3.IntegrityError, sqlite3.DataError, OverflowError):
            self._db.execute("ROLLBACK TO some")
            self._db.execute("RELEASE some")
        n_refused = 0
        for row in rows:
            try:
                self._db.execute(sql, row)
            except (sqlite3.IntegrityError, sqlite3.DataError, OverflowError):
                n_refused += 1
        return n_refused

    def _number_on(self, roots: dict[str, int]) -> None:
        if "sqlite_sequence" in roots:
            for name, number in self._walk.rows(roots["sqlite_sequence"], _SEQUENCE):
                if name in _NUMBERED and isinstance(number, int):
                    self._db.execute("UPDATE sqlite_sequence SET seq = max(seq, ?) WHERE name = ?", (number, name))

    # Samples and blocks

    def _find_lost(self) -> None:
        """What the blocks say of samples that are not there, nor were given up to keep the log small."""
        for period_id, from_ms, to_ms, n in self._db.execute(_LOST):
            last = self._done.lost[-1] if self._done.lost else None
            if last and last.period_id == period_id and from_ms - last.to_utc_ms <= 60_000:
                last.to_utc_ms, last.n = to_ms, last.n + n
            else:
                self._done.lost.append(LostSpan(period_id, from_ms, to_ms, n))

    def _fold(self) -> None:
        db = self._db
        n_samples = db.execute("SELECT count(*) FROM sample").fetchone()[0]
        n_done = 0
        for period_id, source_id, started_ms, ended_ms in db.execute(
            "SELECT id, source_id, started_at_utc_ms, ended_at_utc_ms FROM period"
        ).fetchall():
            fixed_ms = fixed_before(db, source_id)
            from_ms = stretch_at(fixed_ms, started_ms, ended_ms).ended_at_utc_ms if started_ms < fixed_ms else None
            with _transaction(db):
                if from_ms is not None:  # samples there were given up, and the blocks stand alone
                    _keep_blocks(db, period_id, "started_at_utc_ms < ?", from_ms)
                rebuild_blocks(db, period_id, from_ms)
                alone = _keep_blocks(db, period_id, f"started_at_utc_ms >= ? AND NOT EXISTS ({_SAMPLES})", from_ms or 0)
                self._done.n_blocks_without_samples += alone
            n_done += db.execute(
                "SELECT ifnull(sum(n_samples), 0) FROM block WHERE period_id = ?", (period_id,)
            ).fetchone()[0]
            self._progress("folding", n_done, n_samples)
        self._done.n_blocks_changed = db.execute(
            f"SELECT count(*) FROM (SELECT * FROM kept_block EXCEPT SELECT * FROM block) AS kept_block"
            f" WHERE EXISTS ({_SAMPLES})"
        ).fetchone()[0]


_SAMPLES = """
SELECT 1 FROM sample WHERE id >= (kept_block.period_id << 46) + (kept_block.started_at_utc_ms << 4)
AND id < (kept_block.period_id << 46) + (kept_block.ended_at_utc_ms << 4)
"""
_LOST = f"""
SELECT period_id, first_ms, last_ms, n - n_there FROM (
    SELECT kept_block.period_id, min(first_utc_ms) AS first_ms, max(last_utc_ms) AS last_ms, sum(n_samples) AS n,
        ({_SAMPLES.replace("1", "count(*)", 1)}) AS n_there
    FROM kept_block JOIN period ON period.id = kept_block.period_id
    LEFT JOIN pruned ON pruned.source_id = period.source_id
    WHERE kept_block.ended_at_utc_ms > ifnull(before_utc_ms, -1)
    GROUP BY kept_block.period_id, kept_block.started_at_utc_ms
)
WHERE n > n_there ORDER BY period_id, first_ms
"""


def _keep_blocks(db: sqlite3.Connection, period_id: int, where: str, from_ms: int) -> int:
    sql = f"INSERT OR IGNORE INTO block SELECT * FROM kept_block WHERE period_id = ? AND {where}"
    return db.execute(sql, (period_id, from_ms)).rowcount


@contextmanager
def _transaction(db: sqlite3.Connection) -> Iterator[None]:
    db.execute("BEGIN IMMEDIATE")  # one that fails is thrown away with its file
    yield
    db.execute("COMMIT")


def _insert_into(table: str, names: list[str]) -> str:
    """Blocks wait beside, until it is known which of them have samples."""
    target = "kept_block" if table == "block" else table
    how = "REPLACE" if table == "source" else "IGNORE"
    return f"INSERT OR {how} INTO {target} ({', '.join(names)}) VALUES ({', '.join('?' * len(names))})"


def _batches(rows: Iterator[Any], size: int) -> Iterator[list[Any]]:
    while batch := list(islice(rows, size)):
        yield batch


# --- the tables of a log ---


def _tables(db: sqlite3.Connection) -> list[str]:
    names = db.execute("SELECT name FROM pragma_table_list WHERE schema = 'main' AND type = 'table'")
    return [name for (name,) in names if not name.startswith("sqlite_") and name not in _LEFT_OUT]


def _stored(db: sqlite3.Connection, table: str) -> list[sqlite3.Row]:
    """The columns that stand in the file: a generated one does not."""
    return [row for row in db.execute(f"PRAGMA table_xinfo({table})") if row[6] == 0]


def _columns(db: sqlite3.Connection, table: str) -> list[str]:
    return [row[1] for row in _stored(db, table)]


def _shape(db: sqlite3.Connection, table: str) -> Shape:
    columns = _stored(db, table)
    keys = [at for at, row in enumerate(columns) if row[5]]
    has_rowid = not db.execute("SELECT wr FROM pragma_table_list WHERE name = ?", (table,)).fetchone()[0]
    types = tuple(row[2] for row in columns)
    if has_rowid:
        alias = len(keys) == 1 and types[keys[0]] == "INTEGER"
        return Shape(len(columns), keys[0] if alias else None, 0, types, ADDED.get(table, 0))
    return Shape(len(columns), None, len(keys), types, ADDED.get(table, 0))


def _defaults(db: sqlite3.Connection, table: str) -> list[tuple[int, Any]]:
    """What stands for a missing value in the columns that may not be NULL: (place, value)."""
    needed = [(at, row[4]) for at, row in enumerate(_stored(db, table)) if row[3] and row[4] is not None]
    return [(at, db.execute(f"SELECT {words}").fetchone()[0]) for at, words in needed]


def _with_defaults(defaults: Sequence[tuple[int, Any]], row: tuple[Any, ...]) -> tuple[Any, ...]:
    """A row that an older linktrial wrote lacks columns."""
    for at, value in defaults:
        if row[at] is None:
            row = (*row[:at], value, *row[at + 1 :])
    return row
