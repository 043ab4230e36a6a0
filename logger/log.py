"""Opens the log: one SQLite file, its schema brought up to date, safe for one writer and many readers."""

from __future__ import annotations

import os
import sqlite3
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from types import TracebackType

from logger.errors import LogBusy, LogError, LogFull, NewerLog, NotALog

SCHEMA = 4
OWN_SOURCE = 1  # this machine's own logger, in the table source
APPLICATION_ID = 0x6C74726C  # "ltrl", in the file's header
BUSY_TIMEOUT_S = 10.0
WAL_KEPT_BYTES = 16_000_000  # of the -wal file, when a long reader that made it grow has gone
UNREADABLE = (
    sqlite3.DatabaseError,
    UnicodeDecodeError,
)  # what reading a log may raise; the last where its text is none
OLDEST_SQLITE = (3, 37, 0)  # the first with STRICT tables


def log_path(argument: str | None = None) -> Path:
    """Where the log lies: as told, else LINKTRIAL_DB, else the platform's data folder."""
    told = argument or os.environ.get("LINKTRIAL_DB")
    if told:
        return Path(told).expanduser()
    return _data_folder() / "linktrial.db"


def _data_folder() -> Path:
    from platformdirs import user_data_path

    return user_data_path("linktrial", appauthor=False)


class Log:
    """An open log. ``db`` is a plain SQLite connection in autocommit mode; writes go in ``transaction()``.

    A commit is on the disk when ``transaction()`` ends (WAL, synchronous=FULL), so what a power cut can take
    is what has not been committed.
    """

    def __init__(self, path: Path, db: sqlite3.Connection) -> None:
        self.path = path
        self.db = db
        self._file = _file_at(path)
        self.timeline_edits = 0  # made through this connection, which data_version does not count

    @classmethod
    def open(cls, path: Path | str, *, create: bool = True) -> Log:
        """Open the log at ``path``, making it (mode 0600) where there is none and ``create`` is True.

        An older schema is migrated after a backup copy beside the log. A log on a read-only place can be read. Raises
        NotALog, DamagedLog, NewerLog, LogFull, LogBusy, or LogError where the file is missing and ``create`` is False.
        """
        path = Path(path)
        if sqlite3.sqlite_version_info < OLDEST_SQLITE:
            raise LogError(
                f"SQLite {sqlite3.sqlite_version} is too old for the log; a Python with 3.37 or newer will do"
            )
        with explained(path):
            if _wal_bytes(path) and not path.exists():
                raise LogError(
                    f"there is no log at {path}, but its -wal file is there, and SQLite would throw that away; put the"
                    " log back beside it, or move it away"
                )
            if not path.exists():
                if not create:
                    raise LogError(f"there is no log at {path}; 'linktrial log' starts one, or say --db PATH")
                if not path.parent.exists() and path.parent != _data_folder():
                    raise LogError(f"there is no folder {path.parent}; make it first, or say another --db")
                path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
                os.close(os.open(path, os.O_CREAT | os.O_WRONLY, 0o600))
            elif path.is_dir():
                raise NotALog(f"{path} is a folder; say --db FILE")
            elif path.stat().st_size == 0 and _wal_bytes(path):
                from logger.damage import no_log  # SQLite would throw away what is beside an empty file

                raise no_log(path, "it is empty, and its -wal file is not")
            if not _can_write(path):
                return cls._open_read_only(path)
            db = _connect(path)
            try:
                if _is_older(path, db):
                    db.close()
                    _migrate(path)
                    db = _connect(path)
                _keep_private(path)
                _arrange(db)
            except BaseException:
                db.close()
                raise
        return cls(path, db)

    @classmethod
    def _open_read_only(cls, path: Path) -> Log:
        if not os.access(path, os.R_OK):
            raise LogError(f"{path} cannot be read by this user; ask its owner for a copy")
        if Path(f"{path}-wal").exists():
            raise LogError(f"{path} is being written by another user; make a copy of the folder and say --db COPY")
        db = _connect(f"{path.absolute().as_uri()}?mode=ro&immutable=1")
        if _is_older(path, db):
            db.close()
            raise LogError(f"{path} is of an older linktrial and cannot be written here; copy it and say --db COPY")
        return cls(path, db)

    @contextmanager
    def transaction(self) -> Iterator[sqlite3.Connection]:
        """All or nothing. Raises LogFull where the disk is full or the log cannot be written, LogBusy, DamagedLog."""
        with explained(self.path):
            self.db.execute("BEGIN IMMEDIATE")
            try:
                yield self.db
                self.db.execute("COMMIT")
            except BaseException:
                if self.db.in_transaction:  # a full disk may have rolled back already
                    self.db.execute("ROLLBACK")
                raise

    def is_in_place(self) -> bool:
        """Whether the file that is open still has the log's name: it may be moved, replaced or deleted meanwhile."""
        return self._file == _file_at(self.path)

    def wal_bytes(self) -> int:
        """How large the write-ahead log is."""
        return _wal_bytes(self.path)

    def close(self) -> None:
        self.db.close()

    @contextmanager
    def let_go(self) -> Iterator[None]:
        """Without a connection inside, and with a new one afterwards, as patient as the one before."""
        patience_ms = self.db.execute("PRAGMA busy_timeout").fetchone()[0]
        self.db.close()
        try:
            yield
        finally:
            self.db, self._file = _connect(self.path), _file_at(self.path)
            self.timeline_edits += 1  # what was known of the timeline may hold no more
            with suppress(*UNREADABLE):  # a damaged log is met again where it is used
                _arrange(self.db)
            self.db.execute(f"PRAGMA busy_timeout = {patience_ms}")

    def __enter__(self) -> Log:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()


def _keep_private(path: Path) -> None:
    """BSSIDs and places are personal data; so is what SQLite keeps beside the log, which got the mode that it had."""
    real = path.resolve()
    for name in (real, *(real.with_name(real.name + suffix) for suffix in ("-wal", "-shm"))):
        with suppress(FileNotFoundError, PermissionError):  # it is somebody else's, who shares it
            if name.stat().st_mode & 0o077:
                name.chmod(0o600)


def _can_write(path: Path) -> bool:
    return os.access(path, os.W_OK) and os.access(path.absolute().parent, os.W_OK)


def _connect(path: Path | str) -> sqlite3.Connection:
    db = sqlite3.connect(path, timeout=BUSY_TIMEOUT_S, isolation_level=None, uri=isinstance(path, str))
    db.row_factory = sqlite3.Row
    return db


def _file_at(path: Path) -> tuple[int, int] | None:
    """What tells a file from all others that stand there now."""
    try:
        found = path.stat()
    except OSError:
        return None
    return found.st_dev, found.st_ino


def _wal_bytes(path: Path) -> int:
    try:
        return os.stat(f"{path}-wal").st_size
    except OSError:
        return 0


def _arrange(db: sqlite3.Connection) -> None:
    if db.execute("PRAGMA journal_mode").fetchone()[0] != "wal":  # a copy that another program made
        db.execute("PRAGMA journal_mode = WAL")
    db.execute("PRAGMA foreign_keys = ON")
    db.execute("PRAGMA synchronous = FULL")
    db.execute(f"PRAGMA journal_size_limit = {WAL_KEPT_BYTES}")


def _is_older(path: Path, db: sqlite3.Connection) -> bool:
    """Whether the log needs a migration (a new file does). Raises NotALog and NewerLog."""
    found = db.execute("PRAGMA user_version").fetchone()[0]
    if db.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
        if found or db.execute("SELECT 1 FROM sqlite_schema LIMIT 1").fetchone():
            from logger.damage import is_of_a_log, no_log

            if is_of_a_log(path):
                raise no_log(path, "its header makes no sense")
            raise NotALog(f"{path} is a database, but not a linktrial log; say --db with another file")
    elif found > SCHEMA:
        raise NewerLog(
            f"{path} was written by a newer linktrial (schema {found}, this one knows {SCHEMA}); update linktrial"
        )
    return int(found) < SCHEMA


def _migrate(path: Path) -> None:
    """Migrations run in a child process: they import sqlite_utils, which imports pandas where that is installed,
    and a daemon would carry those 100 MB for life."""
    if "sqlite_utils" in sys.modules:
        from logger.migrations import migrate

        migrate(path)
        return
    import subprocess

    done = subprocess.run(
        [sys.executable, "-P", "-m", "logger.migrations", str(path)],
        capture_output=True,
        text=True,
        check=False,
    )
    if done.returncode:
        lines = done.stderr.strip().splitlines() or ["the migration ended without a word"]
        raise LogError(f"{path} could not be brought up to date: {lines[-1]}")


# The last: what this program points to, it has seen there.
_SIGNS_OF_DAMAGE = (
    *("not a database", "malformed", "unsupported file format", "Could not decode", "FOREIGN KEY constraint failed"),
)


@contextmanager
def explained(path: Path) -> Iterator[None]:
    """Turn SQLite's and the system's errors into ours, one line each."""
    try:
        yield
    except sqlite3.DatabaseError as error:
        words = str(error)
        if any(sign in words for sign in _SIGNS_OF_DAMAGE):
            from logger.damage import no_log

            raise no_log(path, words) from error
        if "full" in words:
            raise LogFull(f"there is no room left to write {path}; free some space") from error
        if "readonly" in words or "unable to open" in words:
            raise LogFull(f"{path} cannot be written ({words}); check its folder and your rights") from error
        if "locked" in words:
            raise LogBusy(f"{path} is busy with another program's long write; let that end first") from error
        if "131070" in words:  # the CHECK of period.id
            raise LogError(f"{path} has had as many periods as a log can hold; begin another with --db") from error
        if isinstance(error, sqlite3.OperationalError):
            raise LogFull(f"{path} cannot be used ({words}); is there room on the disk, and is it sound?") from error
        raise
    except UnicodeDecodeError as error:  # of a text that SQLite gave, or of its word on a damaged schema
        from logger.damage import no_log

        raise no_log(path, "a text in it is none") from error
    except OSError as error:
        raise LogError(f"{path} cannot be opened: {error.strerror or error}; say --db with another file") from error
