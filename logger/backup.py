"""A copy of the log as it stands at one moment, while it is logged into."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Callable
from contextlib import closing, suppress
from dataclasses import dataclass
from pathlib import Path
from shutil import disk_usage
from tempfile import mkstemp

from logger.errors import DamagedLog, LogError
from logger.log import APPLICATION_ID, Log, explained
from logger.one_moment import one_moment
from logger.printable import quoted

PAGES_AT_ONCE = 500
SPARE_BYTES = 1 << 20  # that the copy leaves free on its disk
_BESIDE = ("-wal", "-shm", "-journal")


@dataclass(frozen=True, slots=True)
class BackedUp:
    """What was copied."""

    file: str
    n_bytes: int
    n_samples: int  # in all blocks


def back_up(
    log: Log, target: Path, *, overwrite: bool = False, progress: Callable[[int, int], object] = lambda n, of: None
) -> BackedUp:
    """Copy the log to ``target`` (mode 0600), which appears under its name when it is complete and was looked through.

    Whoever logs meanwhile is never held: what is copied is one moment of the log, read beside the writer.
    ``progress`` is told how many of how many pages are copied, often. Raises LogError, DamagedLog.
    """
    whole = Path(os.path.realpath(target))
    _refuse(log, target, whole, overwrite)
    try:
        free_bytes = disk_usage(whole.parent).free
        n_bytes = _size(log.db)
        if free_bytes < n_bytes + SPARE_BYTES:
            raise LogError(
                f"{whole.parent} has {free_bytes / 1e6:,.0f} MB free, and the copy takes {n_bytes / 1e6:,.0f} MB;"
                " say a file on another disk"
            )
        descriptor, name = mkstemp(dir=whole.parent, prefix=".linktrial-", suffix=".part")
        os.close(descriptor)
        part = Path(name)
        try:
            _copy(log, part, progress)
            n_samples = _look_through(log, part)
            _refuse(log, target, whole, overwrite)  # somebody else may have written one meanwhile
            os.replace(part, whole)
            _sync_folder(whole.parent)
        finally:
            for suffix in ("", *_BESIDE):
                with suppress(OSError):
                    os.unlink(f"{part}{suffix}")
        return BackedUp(str(target), whole.stat().st_size, n_samples)
    except OSError as error:
        raise LogError(f"{target} cannot be written: {error.strerror or error}; say another file") from error


def _refuse(log: Log, target: Path, whole: Path, overwrite: bool) -> None:
    own = Path(os.path.realpath(log.path))
    if whole in (own, *(own.with_name(own.name + suffix) for suffix in (*_BESIDE, ".daemon"))):
        raise LogError(f"{target} is the log itself, or belongs to it; say another file")
    if not whole.parent.is_dir():
        raise LogError(f"there is no folder {whole.parent}; make it first, or say another file")
    if not whole.exists():
        return
    if not whole.is_file():
        raise LogError(f"{target} is not a plain file; say another one")
    if not overwrite:
        raise LogError(f"there is a file {quoted(str(target))} already; say another one, or --overwrite")
    if any(Path(f"{whole}{suffix}").exists() for suffix in _BESIDE):
        raise LogError(f"{target} is in use as a log, or was not closed well; say another file")


def _size(db: sqlite3.Connection) -> int:
    n_pages, page_size = (db.execute(f"PRAGMA {name}").fetchone()[0] for name in ("page_count", "page_size"))
    return int(n_pages * page_size)


def _copy(log: Log, part: Path, progress: Callable[[int, int], object]) -> None:
    """One read is held open all the while: a copy that lets go between its steps begins anew at each commit. The log's
    -wal file keeps what is logged meanwhile."""
    with explained(part), closing(sqlite3.connect(part, isolation_level=None)) as copy, one_moment(log):
        log.db.execute("SELECT count(*) FROM sqlite_schema").fetchone()
        log.db.backup(copy, pages=PAGES_AT_ONCE, progress=lambda _, left, of: progress(of - left, of), sleep=0)
    descriptor = os.open(part, os.O_RDWR)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)


def _look_through(log: Log, part: Path) -> int:
    """Read the copy from the disk once; returns how many samples its blocks sum up."""
    with closing(sqlite3.connect(f"{part.as_uri()}?mode=ro&immutable=1", uri=True)) as copy:
        try:
            found = copy.execute("PRAGMA quick_check(1)").fetchone()[0]
            if found == "ok" and copy.execute("PRAGMA application_id").fetchone()[0] == APPLICATION_ID:
                return int(copy.execute("SELECT ifnull(sum(n_samples), 0) FROM block").fetchone()[0])
        except sqlite3.DatabaseError as error:
            found = str(error)
    raise DamagedLog(f"{log.path} is damaged ({found}), and so would the copy be; see 'linktrial rescue --help'")


def _sync_folder(folder: Path) -> None:
    """The new name is on the disk as well."""
    with suppress(OSError):  # not on Windows
        descriptor = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(descriptor)
        finally:
            os.close(descriptor)
