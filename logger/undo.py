"""Undo: each edit of the timeline keeps the rows it changed, as they were before and after."""

from __future__ import annotations

import sqlite3
from typing import Any

from logger.errors import TagError
from logger.log import OWN_SOURCE
from logger.marks import Mark
from logger.repoint import read_marks, write_marks

_TABLES = {"location": "id", "placement": "id", "config_version": "number"}

State = dict[str, dict[str, list[Any]]]


def edits_made(db: sqlite3.Connection) -> tuple[int, int]:
    """Grows with every edit of the timeline and every undo."""
    made, undone = db.execute("SELECT count(*), count(undone_at_utc_ms) FROM edit").fetchone()
    return made, undone


def state_of(db: sqlite3.Connection) -> State:
    """The tagging tables and this machine's periods, by table and key."""
    state = {
        table: {str(row[key]): list(row) for row in db.execute(f"SELECT * FROM {table}")}
        for table, key in _TABLES.items()
    }
    state["period"] = {
        str(mark.period_id): [
            mark.period_id,
            mark.started_at_utc_ms,
            mark.placement_id,
            mark.config_version,
            mark.time_zone,
        ]
        for mark in read_marks(db, OWN_SOURCE)
    }
    return state


def difference(before: State, after: State) -> dict[str, list[list[Any]]]:
    """Per table the pairs (row before, row after) of what differs; None where there was or is no row."""
    return {
        table: [
            [before[table].get(key), after[table].get(key)]
            for key in sorted({*before[table], *after[table]}, key=int)
            if before[table].get(key) != after[table].get(key)
        ]
        for table in before
    }


def take_back(db: sqlite3.Connection, change: dict[str, list[list[Any]]], words: str) -> None:
    """Put the rows of one edit back. Raises TagError where they were changed since. Inside a transaction."""
    now = state_of(db)
    for table, rows in change.items():
        for before, after in rows:
            key = str((before or after)[0])
            if now[table].get(key) != after:
                raise TagError(f"'{words}' cannot be undone: what it made was changed since by an import or a merge")
    try:
        for table, key_name in _TABLES.items():
            for before, after in change[table]:
                _put_back(db, table, key_name, before, after)
        current = {str(mark.period_id): mark for mark in read_marks(db, OWN_SOURCE)}
        for before, after in change["period"]:
            key = str((before or after)[0])
            current.pop(key, None)
            if before is not None:
                current[key] = Mark(*before)
        if current:
            write_marks(db, OWN_SOURCE, sorted(current.values(), key=lambda mark: mark.started_at_utc_ms))
        else:
            _close_timeline(db)
        for table, key_name in reversed(_TABLES.items()):
            for before, after in change[table]:
                if before is None:
                    db.execute(f"DELETE FROM {table} WHERE {key_name} = ?", (after[0],))
                    if table == "config_version":  # its number is given anew: no merged log's version is found by it
                        db.execute("DELETE FROM counterpart WHERE what = 'version' AND id = ?", (after[0],))
    except sqlite3.IntegrityError as error:
        raise TagError(f"'{words}' cannot be undone: an import or a merge uses what it made") from error


def _put_back(db: sqlite3.Connection, table: str, key_name: str, before: list[Any] | None, after: object) -> None:
    """The row as it was; one that the edit made is taken away later, when nothing points to it."""
    if before is None:
        return
    if after is None:
        db.execute(f"INSERT INTO {table} VALUES ({', '.join('?' * len(before))})", before)
        return
    columns = [row["name"] for row in db.execute(f"PRAGMA table_info({table})")]
    assignments = ", ".join(f"{column} = ?" for column in columns)
    db.execute(f"UPDATE {table} SET {assignments} WHERE {key_name} = ?", (*before, before[0]))


def _close_timeline(db: sqlite3.Connection) -> None:
    if db.execute(
        "SELECT 1 FROM block JOIN period ON period.id = period_id WHERE source_id = ?", (OWN_SOURCE,)
    ).fetchone():
        raise TagError("the first tag of a log with samples cannot be undone; amend it instead")
    db.execute("DELETE FROM period WHERE source_id = ?", (OWN_SOURCE,))
