"""Another log, opened as if whoever made it meant harm.

It is copied into a folder of our own first, so that it is neither changed nor watched for changes, and only the copy is
opened. Its tables have to be word by word what a log has; triggers, views and indexes of its own are dropped before
anything is read, and no statement is allowed but reading from those tables, within limits on sizes and times. What is
read is checked value by value, by other_rows.py and other_untagged.py.
"""

from __future__ import annotations

import os
import re
import sqlite3
import stat
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import closing, contextmanager, suppress
from pathlib import Path
from shutil import disk_usage
from typing import Any

from logger.errors import LogError, MergeRefused, NewerLog
from logger.log import APPLICATION_ID, SCHEMA, Log
from logger.printable import printable, quoted

TABLES = (
    *("source", "location", "placement", "config_version", "period", "link", "rate", "sample", "pace", "block"),
    *("event", "zone", "pass", "pruned", "identity", "counterpart", "edit"),
    *("probe", "transfer", "latency", "radio", "scan", "sighting", "visit"),
)
PATIENCE_S = 120.0  # for one step of reading; those of an honest log take less than a second
LOOKED_THROUGH_S = 1800.0
STEPS = 100_000  # of SQLite's machine, between looks at the clock
LONGEST_BYTES = 4 << 20  # of one row
COPIED_AT_ONCE = 1 << 20  # bytes
SPARE_BYTES = 64 << 20  # that are left free on the disk
_SCHEMA = "SELECT type, name, sql FROM sqlite_schema WHERE sql IS NOT NULL AND name NOT LIKE 'sqlite_%'"
_DAMAGED = "is damaged; what 'linktrial rescue' saves of it can be merged"
_MAGIC = b"SQLite format 3\0"
_FUNCTIONS = {"count", "min", "max", "sum", "ifnull"}
_READING: dict[int, Callable[[str | None, str | None], bool]] = {
    sqlite3.SQLITE_SELECT: lambda table, _: True,
    sqlite3.SQLITE_READ: lambda table, _: table in TABLES,
    sqlite3.SQLITE_FUNCTION: lambda _, function: function in _FUNCTIONS,
}


class OtherLog:
    """The copy, open for reading. ``log_id`` tells it from others; ``name`` is the file's."""

    def __init__(self, name: str, db: sqlite3.Connection) -> None:
        self.name = name
        self._db = db
        self._over_s = 0.0
        db.set_progress_handler(lambda: time.monotonic() > self._over_s, STEPS)
        self.log_id = ""

    def rows(self, sql: str, values: Sequence[object] = ()) -> Iterator[tuple[Any, ...]]:
        """What a query finds, a thousand rows at a time. Raises MergeRefused where it cannot be read."""
        with self._reading():
            cursor = self._db.execute(sql, values)
        while True:
            with self._reading():
                found = cursor.fetchmany(1000)
            if not found:
                return
            yield from found

    def one(self, sql: str, values: Sequence[object] = ()) -> tuple[Any, ...] | None:
        """The first row that a query finds."""
        with self._reading():
            row: tuple[Any, ...] | None = self._db.execute(sql, values).fetchone()
            return row

    def refuse(self, why: str) -> MergeRefused:
        """To be raised: what is wrong with the log."""
        return _refusal(self.name, why)

    def look_through(self) -> None:
        """Make sure that it is sound; from then on only tables of a log can be read."""
        with self._reading(LOOKED_THROUGH_S):
            found = self._db.execute("PRAGMA quick_check(1)").fetchone()[0]
            if found != "ok":
                raise self.refuse(_DAMAGED)
        self._db.set_authorizer(_only_reading)
        row = self.one("SELECT log_id FROM identity")
        if row is None or not (isinstance(row[0], str) and re.fullmatch("[0-9a-f]{32}", row[0])):
            raise self.refuse("has no number of its own")
        self.log_id = row[0]

    def take_apart(self, reference: sqlite3.Connection) -> None:
        """Make sure that the tables are those of ``reference``, and drop all else that could do something by itself."""
        db = self._db
        with self._reading(LOOKED_THROUGH_S):
            expected = {row[:2]: _plain(row[2]) for row in reference.execute(_SCHEMA).fetchall()}
            there = {row[:2]: row[2] for row in db.execute(_SCHEMA).fetchall()}
            for (kind, name), sql in expected.items():
                found = there.get((kind, name))
                if kind in ("table", "index") and (found is None or _plain(found) != sql):
                    raise self.refuse(f"has no {kind} {quoted(name)} as a log has it")
            for kind, name in there:
                if kind not in ("table", "index") or (kind == "index" and (kind, name) not in expected):
                    escaped = str(name).replace('"', '""')
                    db.execute(f'DROP {kind} IF EXISTS "{escaped}"')

    @contextmanager
    def _reading(self, patience_s: float = PATIENCE_S) -> Iterator[None]:
        self._over_s = time.monotonic() + patience_s
        with _no_trust_in(self.name):
            yield


def _refusal(name: str, why: str) -> MergeRefused:
    return MergeRefused(f"{printable(name)} {printable(why)}; nothing of it was merged")


@contextmanager
def _no_trust_in(name: str) -> Iterator[None]:
    """Whatever SQLite says of the file (in bytes that may be no text) is a reason to refuse it."""
    try:
        yield
    except (sqlite3.Error, sqlite3.Warning, UnicodeError, OverflowError) as error:
        if getattr(error, "sqlite_errorcode", 0) & 0xFF == sqlite3.SQLITE_CORRUPT:
            raise _refusal(name, _DAMAGED) from error
        raise _refusal(name, f"cannot be read ({quoted(ascii(error)[:200])})") from error


@contextmanager
def opened_other(
    path: Path, folder: Path, own: Log, progress: Callable[[int, int], object] = lambda n, of: None
) -> Iterator[OtherLog]:
    """The log at ``path``, by way of a copy in ``folder``, which is ours alone; one of an older schema is brought up to
    date there. ``progress`` is told the bytes copied, of how many. Raises MergeRefused, NewerLog."""
    name = printable(path.name)
    copy = folder / "other.db"
    try:
        _copy(path, copy, progress)
    except (OSError, ValueError) as error:  # ValueError: a name with a zero byte
        said = getattr(error, "strerror", None) or str(error)
        raise MergeRefused(f"{printable(str(path))} cannot be read: {said}") from error
    with _no_trust_in(name), closing(_connect(copy)) as db:
        other = OtherLog(name, db)
        schema = db.execute("PRAGMA user_version").fetchone()[0]
        if db.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID or schema < 1:
            raise other.refuse("is a database, but not a linktrial log")
        if schema > SCHEMA:
            raise NewerLog(f"{name} was written by a newer linktrial; update linktrial to merge it")
        if schema < SCHEMA:
            with _log_of_schema(schema, folder / "reference.db") as reference:
                other.take_apart(reference)
    if schema < SCHEMA:
        _bring_up_to_date(name, copy)
    with _no_trust_in(name):
        db = _connect(copy)
    with closing(db):
        other = OtherLog(name, db)
        other.take_apart(own.db)
        other.look_through()
        yield other


@contextmanager
def _log_of_schema(schema: int, path: Path) -> Iterator[sqlite3.Connection]:
    from logger.migrations import STEPS, migrate  # late: imports sqlite_utils

    migrate(path, STEPS[:schema])
    with closing(sqlite3.connect(path)) as db:
        yield db


def _copy(path: Path, copy: Path, progress: Callable[[int, int], object]) -> None:
    if not stat.S_ISREG(path.stat().st_mode):  # no pipe, no device
        raise MergeRefused(f"{printable(str(path))} is not a file")
    wal, shared = Path(f"{path}-wal"), Path(f"{path}-shm")
    sizes = [each.stat().st_size for each in (path, wal) if each.exists()]
    if disk_usage(copy.parent).free < 2 * sum(sizes) + SPARE_BYTES:
        raise LogError(f"{copy.parent.parent} has too little room for a copy of {path.name}; free some space")
    with path.open("rb") as file:
        if file.read(len(_MAGIC)) != _MAGIC:
            raise MergeRefused(f"{printable(str(path))} is not a linktrial log")
    os.close(os.open(copy, os.O_CREAT | os.O_WRONLY, 0o600))
    if wal.exists() and shared.exists() and _copy_in_use(path, copy, progress):
        return
    done = 0
    for source, target in ((path, copy), (wal, Path(f"{copy}-wal"))):
        if source.exists():
            with source.open("rb") as file, open(target, "wb", opener=_private) as out:
                while part := file.read(COPIED_AT_ONCE):
                    out.write(part)
                    done += len(part)
                    progress(done, sum(sizes))


def _private(name: str, flags: int) -> int:
    return os.open(name, flags, 0o600)


def _copy_in_use(path: Path, copy: Path, progress: Callable[[int, int], object]) -> bool:
    """Copy a log that may be logged into on this machine; says whether that could be done. One moment of it."""
    with suppress(sqlite3.Error):
        with (
            closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, isolation_level=None)) as db,
            closing(sqlite3.connect(copy, isolation_level=None)) as target,
        ):
            db.execute("BEGIN")
            db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
            db.backup(target, pages=500, progress=lambda _, left, of: progress(of - left, of), sleep=0)
        return True
    copy.write_bytes(b"")
    return False


def _connect(copy: Path) -> sqlite3.Connection:
    db = sqlite3.connect(copy, isolation_level=None)
    for limit, most in (
        (sqlite3.SQLITE_LIMIT_LENGTH, LONGEST_BYTES),
        (sqlite3.SQLITE_LIMIT_ATTACHED, 0),
        (sqlite3.SQLITE_LIMIT_EXPR_DEPTH, 50),
        (sqlite3.SQLITE_LIMIT_TRIGGER_DEPTH, 1),
        (sqlite3.SQLITE_LIMIT_LIKE_PATTERN_LENGTH, 100),
    ):
        db.setlimit(limit, most)
    for pragma in (
        *("cell_size_check = ON", "mmap_size = 0", "ignore_check_constraints = ON", "cache_size = -8000"),
        *(("trusted_schema = OFF",) if _json_is_harmless() else ()),
    ):
        db.execute(f"PRAGMA {pragma}")
    return db


def _json_is_harmless() -> bool:
    """Whether this SQLite lets a schema that is not trusted check JSON, as ours does. (3.40 does not.)"""
    with closing(sqlite3.connect(":memory:")) as db:
        db.execute("PRAGMA trusted_schema = OFF")
        try:
            db.execute("CREATE TABLE t (x CHECK (json_valid(x)))")
        except sqlite3.Error:
            return False
        return True


def _plain(sql: object) -> str:
    """A statement of the schema without what versions of SQLite write differently."""
    return re.sub(r'["\s]+', "", str(sql))


def _bring_up_to_date(name: str, copy: Path) -> None:
    try:
        Log.open(copy, create=False).close()
    except (LogError, sqlite3.Error, UnicodeError, ValueError) as error:
        raise MergeRefused(
            f"{name} is of an older linktrial and could not be brought up to date ({quoted(str(error))});"
            " nothing of it was merged"
        ) from error


def _only_reading(action: int, first: str | None, second: str | None, *_: str | None) -> int:
    allowed = _READING.get(action)
    return sqlite3.SQLITE_OK if allowed is not None and allowed(first, second) else sqlite3.SQLITE_DENY
