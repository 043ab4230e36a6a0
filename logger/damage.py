"""A damaged log: told from other programs' files, looked for at the start, and set aside so that logging goes on."""

from __future__ import annotations

import json
import os
import sqlite3
import sys
import time
from collections.abc import Iterator, Sequence
from contextlib import contextmanager, suppress
from pathlib import Path
from shlex import quote
from typing import Any

from adapters.clock import Clock
from logger.claim import Claim
from logger.errors import DamagedLog, LogBusy, LogError, NotALog
from logger.log import APPLICATION_ID, BUSY_TIMEOUT_S, OWN_SOURCE, SCHEMA, Log, explained
from logger.marks import Mark
from logger.passes import last_taken
from logger.repoint import write_marks

_HEAD_BYTES = 1 << 20  # where the names of a log's tables stand
# Large, or of no use to the daemon.
_FAR_TABLES = (
    *("sample", "block", "answer", "block_writes"),
    *("transfer", "latency", "scan", "sighting", "visit"),
)
_LOCKS_AT, _LOCKS_BYTES = (
    0x40000000,
    512,
)  # SQLite's own locks: https://www.sqlite.org/fileformat2.html#the_lock_byte_page
_WAL_LOOKED_AT_BYTES = 64_000_000
SHORT_S = 0.1  # what a tick can wait for; samples wait in memory, and it is tried again
RESCUE = "to save what can be read: linktrial rescue"
_TAGS = ("location", "placement", "config_version", "watched")
_WATCHED_SINCE = 4  # schema


# --- is it one? ---


def no_log(path: Path, words: str) -> LogError:
    """What to say of a file that SQLite makes no sense of, or that holds other tables than a log."""
    if is_of_a_log(path):
        return DamagedLog(f"{path} is damaged ({words}); {RESCUE} {quote(str(path))}")
    return NotALog(f"{path} is no linktrial log ({words}); say --db with another file")


def is_of_a_log(path: Path) -> bool:
    """Whether a file is a log, however damaged: its header says so, or the names of its tables. One whose beginning was
    lost altogether is taken for a log where a daemon has logged into it."""
    try:
        with path.open("rb") as file:
            head = file.read(_HEAD_BYTES)
    except OSError:
        return False
    if head[68:72] == APPLICATION_ID.to_bytes(4, "big"):
        return True
    if b"CREATE VIEW tagged_sample" in head and b"CREATE TABLE config_version" in head:
        return True
    if not head:  # what was in it may still be in the write-ahead log
        return Path(f"{path}-wal").exists() and Path(f"{path}-wal").stat().st_size > 0
    return not head[:512].strip(b"\0") and Path(f"{path.resolve()}.daemon").exists()


def look_for_damage(log: Log) -> None:
    """Read what a daemon needs of a log: all small tables, and the last samples and blocks. Milliseconds, however long
    the log: damage elsewhere is met by whoever reads there. Raises DamagedLog."""
    with explained(log.path):
        for (table,) in log.db.execute(
            "SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"
        ).fetchall():
            if table in _FAR_TABLES:
                continue
            for (words,) in log.db.execute(f"PRAGMA integrity_check('{table}')"):
                if words != "ok":
                    raise sqlite3.DatabaseError(f"malformed: {words.splitlines()[-1]}")
        last_taken(log.db)
        for table, parent in (("transfer", "probe"), ("latency", "probe"), ("sighting", "scan"), ("visit", "scan")):
            last_few = f"SELECT * FROM {table} WHERE {parent}_id > (SELECT max(id) FROM {parent}) - 5"
            log.db.execute(last_few).fetchall()
        for (period_id,) in log.db.execute("SELECT id FROM period ORDER BY id DESC LIMIT 2").fetchall():
            for last in (
                "SELECT * FROM sample WHERE id >= ?1 << 46 AND id < ?1 + 1 << 46 ORDER BY id DESC LIMIT 200",
                "SELECT * FROM block WHERE period_id = ?1 ORDER BY started_at_utc_ms DESC LIMIT 20",
            ):
                log.db.execute(last, (period_id,)).fetchall()


def _look_at_header(path: Path) -> None:
    """Bytes of the header whose damage SQLite takes for a file of another kind, or for one that it may not write. Not
    while SQLite has the file open here: a process that closes a file loses all its locks on it (fcntl(2)), and the next
    program that closes the log would take the ``-wal`` file away under the daemon."""
    try:
        with path.open("rb") as file:
            head = file.read(100)
    except OSError:
        return  # for Log.open to say
    sound = head[18:20] in (b"\1\1", b"\2\2") and head[44:48] == b"\0\0\0\4" and head[56:60] == b"\0\0\0\1"
    if len(head) == 100 and not sound:
        raise sqlite3.DatabaseError("malformed header")


def _look_at_write_ahead_log(path: Path) -> None:
    """A frame in the midst of it that is damaged: SQLite would go on without all that was logged after, unsaid. Not
    where it is so long that the look would take seconds."""
    from logger.rescuing.page_format import PAGE_SIZE, commits_beyond_damage

    wal = Path(f"{path}-wal")
    with suppress(OSError):
        if wal.stat().st_size > _WAL_LOOKED_AT_BYTES:
            return
        content = wal.read_bytes()
        if commits_beyond_damage(content, PAGE_SIZE) and wal.read_bytes() == content:  # nobody writes it just now
            raise sqlite3.DatabaseError("malformed write-ahead log")


# --- beginning anew ---


@contextmanager
def opened_for_logging(path: Path, clock: Clock) -> Iterator[tuple[Log, str]]:
    """The log at ``path``, claimed; where it is damaged, a new one in its place, and words that say so (else none)."""
    said = ""
    try:
        with explained(path):
            _finish_beginning_anew(path.resolve())
            _look_at_header(path)
            _look_at_write_ahead_log(path)
        log = Log.open(path)
        try:
            look_for_damage(log)
        except BaseException:
            log.close()
            raise
    except DamagedLog as damage:
        with Claim.take(path):
            said = _begin_anew(path, str(damage), clock.utc_ms(), BUSY_TIMEOUT_S)
        log = Log.open(path)
    with log, Claim.take(log.path):
        yield log, said


def begin_anew(log: Log, damage: DamagedLog, utc_ms: int) -> str:
    """In the midst of logging: set the log aside and let ``log`` be a new one in its place, which begins at ``utc_ms``.
    Returns words that say so. Raises LogError where it cannot be done; ``log`` can be tried again then."""
    with log.let_go():  # else SQLite's locks and ours would mix
        return _begin_anew(log.path, str(damage), utc_ms, SHORT_S)


def _begin_anew(path: Path, why: str, utc_ms: int, patience_s: float) -> str:
    """The new log is made beside the damaged one and takes its name when it is whole: where there is no room for it, or
    the machine stops half-way, nothing has changed, and it is tried again."""
    path = path.resolve()
    _wait_for_others(path, patience_s)  # before the work: it is tried again every second
    known, aside, new = _known_tags(path), _name_aside(path, utc_ms), _new_beside(path)
    remove_log(new)
    try:
        with Log.open(new) as log, log.transaction() as db:
            carried = _carry_over(db, known, utc_ms)
            detail = {"set_aside": aside.name, "tags_carried_over": carried}
            db.execute(
                "INSERT INTO event (time_utc_ms, kind, source_id, detail) VALUES (?, 'log-damaged', ?, ?)",
                (utc_ms, OWN_SOURCE, json.dumps(detail)),
            )
        set_aside(path, aside, patience_s)
    except BaseException:
        remove_log(new)
        raise
    _finish_beginning_anew(path)
    tags = "where the laptop stands and what stands at the router is as it was"
    if not carried:
        tags = "where the laptop stands could not be read: say 'linktrial at' and 'linktrial changed'"
    what = why.partition(f"; {RESCUE}")[0]
    return f"{what}; a new log begins in its place, and {tags}; {RESCUE} {quote(str(aside))}"


def _new_beside(path: Path) -> Path:
    return path.with_name(f"{path.name}.new")


def _finish_beginning_anew(path: Path) -> None:
    """Where a log was set aside and there is none in its place yet, the new one is whole."""
    if not path.exists():
        with suppress(FileNotFoundError):
            os.replace(_new_beside(path), path)


def remove_log(log: Path) -> None:
    """Take a log away that is not finished, with what SQLite keeps beside it."""
    for suffix in ("", "-wal", "-shm"):
        with suppress(FileNotFoundError):
            os.unlink(f"{log}{suffix}")


def _name_aside(path: Path, utc_ms: int) -> Path:
    stamp = time.strftime("%Y%m%dT%H%M%SZ", time.gmtime(utc_ms / 1000))
    aside = path.with_name(f"{path.name}.damaged-{stamp}")
    n = 1
    while aside.exists():
        n += 1
        aside = path.with_name(f"{path.name}.damaged-{stamp}-{n}")
    return aside


def set_aside(path: Path, aside: Path, patience_s: float = BUSY_TIMEOUT_S) -> None:
    """Rename a log, with the files that SQLite keeps beside it. Raises LogBusy where another program has it open: its
    files would be mistaken for the new log's."""
    _wait_for_others(path, patience_s, keep_out=True)
    try:
        for suffix in ("-wal", "-shm"):
            with suppress(FileNotFoundError):
                os.replace(f"{path}{suffix}", f"{aside}{suffix}")
        os.replace(path, aside)
    except OSError as error:
        raise LogError(f"{path} is damaged and cannot be set aside: {error.strerror or error}") from error


_held: list[int] = []  # descriptors of files of damaged logs, locked for as long as this process lives


def _wait_for_others(path: Path, patience_s: float, *, keep_out: bool = False) -> None:
    """Take SQLite's exclusive lock on a file. With ``keep_out`` for good: who opened the file under its old name just
    now must not go on with it, for the files beside it will be the new log's."""
    if sys.platform == "win32":
        return  # there a file that is open cannot be renamed
    import fcntl

    try:
        file = os.open(path, os.O_RDWR | os.O_CLOEXEC)
    except OSError as error:
        raise LogError(f"{path} is damaged and cannot be set aside: {error.strerror or error}") from error
    deadline_s = time.monotonic() + patience_s
    while True:
        try:
            fcntl.lockf(file, fcntl.LOCK_EX | fcntl.LOCK_NB, _LOCKS_BYTES, _LOCKS_AT)
            break
        except OSError:
            if time.monotonic() > deadline_s:
                os.close(file)
                raise LogBusy(f"{path} is damaged, and another program has it open; end that one") from None
            time.sleep(0.05)
    if keep_out:
        _held.append(file)
    else:
        os.close(file)


# --- tags ---


def _known_tags(path: Path) -> dict[str, list[tuple[Any, ...]]]:
    """What can be read of where the laptop stood, which versions there were and what is watched: rows by table."""
    from logger.rescuing.page_walk import PageWalk, Shape

    shapes = {
        "location": Shape(2, 0),
        "placement": Shape(4, 0),
        "config_version": Shape(4, 0),
        "period": Shape(7, 0),
    }
    known: dict[str, list[tuple[Any, ...]]] = {name: [] for name in (*shapes, "watched")}
    with suppress(OSError, ValueError, IndexError), PageWalk(path) as walk:
        version = walk.user_version()
        if version is None or version >= _WATCHED_SINCE:
            shapes["watched"] = Shape(4, 0)
        if version is None or version <= SCHEMA:
            for name, root in walk.roots(shapes).items():
                known[name] = list(walk.rows(root, shapes[name]))
    return known


def _carry_over(db: sqlite3.Connection, known: dict[str, list[tuple[Any, ...]]], utc_ms: int) -> bool:
    """The tags of the last period go on in a new log, with the names and numbers that they had; whether they could be
    read."""
    for table in _TAGS:
        for row in known[table]:
            with suppress(sqlite3.IntegrityError):
                db.execute(f"INSERT INTO {table} VALUES ({', '.join('?' * len(row))})", row)
    last = _last_period(known["period"])
    if last is None:
        return False
    _, _, placement_id, number, _, _, zone = last
    placed = db.execute(
        "SELECT 1 FROM placement JOIN location ON location.id = location_id WHERE placement.id = ?", (placement_id,)
    ).fetchone()
    numbered = db.execute("SELECT 1 FROM config_version WHERE number = ?", (number,)).fetchone()
    if not (placed and numbered):
        return False
    write_marks(db, OWN_SOURCE, [Mark(None, utc_ms, placement_id, number, zone)])
    return True


def _last_period(periods: Sequence[tuple[Any, ...]]) -> tuple[Any, ...] | None:
    """This machine's period that was still open, or the one that begins last."""
    own = [row for row in periods if row[1] == OWN_SOURCE and isinstance(row[4], int) and isinstance(row[6], str)]
    return max(own, key=lambda row: (row[5] is None, row[4]), default=None)
