"""The log's schema, step by step: step N brings a log from schema N to N + 1.

Run as a program on a path (``python -m logger.migrations PATH``) so that what it imports leaves with it.
"""

from __future__ import annotations

import os
import sqlite3
import sys
from collections.abc import Callable, Sequence
from contextlib import closing, suppress
from importlib.resources import files
from pathlib import Path
from shutil import disk_usage

from sqlite_utils import Database

from logger.log import APPLICATION_ID

WRITTEN_ANEW_AT_MOST = 256 << 20  # bytes

Step = Callable[[Database], None]


def _0_to_1(db: Database) -> None:
    """The first schema, as logger/schema.sql gives it."""
    _run(db, "schema.sql")


def _1_to_2(db: Database) -> None:
    """Room for answers worked out before, and for findings."""
    _run(db, "schema_2.sql")


def _2_to_3(db: Database) -> None:
    """More kinds of event, zones, the pruned horizon, and who a merged source came from."""
    _run(db, "schema_3.sql")


def _3_to_4(db: Database) -> None:
    """Flags of samples, probes, and what scans heard."""
    _run(db, "schema_4.sql")


STEPS: Sequence[Step] = (_0_to_1, _1_to_2, _2_to_3, _3_to_4)


def migrate(path: Path, steps: Sequence[Step] = STEPS) -> Path | None:
    """Bring the log at ``path`` to schema ``len(steps)``, in one transaction: nobody sees a log half way.

    A log that holds anything is copied first; the copy's path is returned (None for a new log).
    """
    connection = sqlite3.connect(path, timeout=10, isolation_level=None)
    try:
        connection.execute("PRAGMA auto_vacuum = INCREMENTAL")  # tells before the first table is made, or at a VACUUM
        connection.execute("PRAGMA journal_mode = WAL")
        db = Database(connection)
        found = _schema_of(connection)
        copy = _backup(connection, path, found) if 0 < found < len(steps) else None
        connection.execute("BEGIN IMMEDIATE")
        try:
            for number in range(_schema_of(connection), len(steps)):  # none where another process was faster
                steps[number](db)
                connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
                connection.execute(f"PRAGMA user_version = {number + 1}")
            connection.execute("COMMIT")
        except BaseException:
            if connection.in_transaction:
                connection.execute("ROLLBACK")
            raise
        if copy is not None:
            _make_shrinkable(connection, path)
        return copy
    finally:
        connection.close()


def _schema_of(connection: sqlite3.Connection) -> int:
    return int(connection.execute("PRAGMA user_version").fetchone()[0])


def _backup(connection: sqlite3.Connection, path: Path, schema: int) -> Path:
    """A copy of the log as it is at that schema. One that is there already is left alone: another process was faster,
    and this connection may see the log after its migration."""
    copy = path.with_name(f"{path.name}.schema-{schema}.backup")
    if copy.exists():
        return copy
    partial = copy.with_name(f"{copy.name}.{os.getpid()}")
    partial.touch(mode=0o600)
    try:
        with closing(sqlite3.connect(partial)) as target:
            connection.backup(target)
            unchanged = _schema_of(target) == schema
        if unchanged:
            partial.replace(copy)
    finally:
        partial.unlink(missing_ok=True)
    return copy


def _make_shrinkable(connection: sqlite3.Connection, path: Path) -> None:
    """Write an older log anew, once, so that it can give room back when samples are pruned.

    Only one that is written in seconds, since a command waits for it, and only where there is room: in the log's -wal
    file, in a temporary one, and some to spare. Another stays as it is: room that pruning leaves is used again.
    """
    if connection.execute("PRAGMA auto_vacuum").fetchone()[0] or path.stat().st_size > WRITTEN_ANEW_AT_MOST:
        return
    if disk_usage(path.parent).free < 4 * path.stat().st_size:
        return
    with suppress(sqlite3.OperationalError):  # somebody reads it, or there was no room after all: all is as before
        connection.execute("VACUUM")
        connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")


def _run(db: Database, script: str) -> None:
    """Statement by statement: executescript would end the transaction that a step shares with its number."""
    for statement in _statements(files("logger").joinpath(script).read_text("utf-8")):
        db.execute(statement)


def _statements(script: str) -> list[str]:
    statements, text = [], ""
    for line in script.splitlines(keepends=True):
        text += line
        if sqlite3.complete_statement(text):
            statements.append(text)
            text = ""
    return statements


if __name__ == "__main__":
    try:
        migrate(Path(sys.argv[1]))
    except (sqlite3.Error, OSError) as error:
        sys.exit(str(error))
