"""The passes of a logger's clock: set back, it shows again what it has shown, and samples are stamped there again.

Each time the next sample's stamp is not later than that of the sample taken before it, another pass begins, numbered
0, 1, 2, ... for the whole log of one logger; the table ``pass`` keeps those after 0. The last bits of a sample's id
are the number of its pass modulo 16, so up to sixteen passes over the same stretch of time are told apart, and every
sample of a pass was taken after all of the passes before.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence
from typing import NamedTuple

from logger.log import OWN_SOURCE
from logger.sample_id import LATEST_MS, READINGS, ids_between, nth_of, time_of


class Taken(NamedTuple):
    """The sample that a logger took last: its pass, and its stamp (None: none is there)."""

    number: int
    time_utc_ms: int | None


class Pass(NamedTuple):
    """One pass: its first stamp, and the last of the pass before, which is later or the same."""

    number: int
    from_utc_ms: int
    after_utc_ms: int


def last_taken(db: sqlite3.Connection, source_id: int = OWN_SOURCE) -> Taken:
    """What the log knows of the sample that a logger took last, whatever its stamp."""
    number, newest = _newest_of_last_pass(db, source_id)
    return Taken(number, None if newest is None else time_of(newest))


def last_taken_id(db: sqlite3.Connection) -> int | None:
    """The id of the sample taken last by this machine's logger."""
    return _newest_of_last_pass(db, OWN_SOURCE)[1]


def _newest_of_last_pass(db: sqlite3.Connection, source_id: int) -> tuple[int, int | None]:
    last = last_pass(db, source_id)
    number, from_ms = (last.number, last.from_utc_ms) if last else (0, 0)
    newest: int | None = None
    for (period_id,) in db.execute("SELECT id FROM period WHERE source_id = ?", (source_id,)).fetchall():
        found = db.execute(
            f"SELECT id FROM sample WHERE id >= ? AND id < ? AND id & {READINGS - 1} = ? ORDER BY id DESC LIMIT 1",
            (*ids_between(period_id, from_ms, LATEST_MS + 1), number % READINGS),
        ).fetchone()
        if found and (newest is None or time_of(found[0]) > time_of(newest)):
            newest = found[0]
    return number, newest


def begin_pass(db: sqlite3.Connection, number: int, from_ms: int, after_ms: int) -> None:
    """Note that this machine's next sample, stamped ``from_ms``, was taken after one stamped ``after_ms``."""
    db.execute("INSERT OR REPLACE INTO pass VALUES (?, ?, ?, ?)", (OWN_SOURCE, number, from_ms, after_ms))


def read_passes(db: sqlite3.Connection, source_id: int = OWN_SOURCE) -> list[Pass]:
    """All passes of a logger but the first, in order."""
    rows = db.execute(
        "SELECT number, from_utc_ms, after_utc_ms FROM pass WHERE source_id = ? ORDER BY number", (source_id,)
    )
    return [Pass(*row) for row in rows]


def last_pass(db: sqlite3.Connection, source_id: int = OWN_SOURCE) -> Pass | None:
    """The pass that a logger's clock is in; None: it was never set back."""
    row = db.execute(
        "SELECT number, from_utc_ms, after_utc_ms FROM pass WHERE source_id = ? ORDER BY number DESC LIMIT 1",
        (source_id,),
    ).fetchone()
    return Pass(*row) if row else None


def order_taken(sample_id: int, passes: Sequence[Pass]) -> tuple[int, int]:
    """A key by which a logger's samples sort in the order in which they were taken: (pass, stamp)."""
    time_ms = time_of(sample_id)
    begins_ms = {0: 0} | {each.number: each.from_utc_ms for each in passes}
    ends_ms = {each.number - 1: each.after_utc_ms for each in passes}
    fits = (
        number
        for number in range(nth_of(sample_id), len(passes) + 1, READINGS)
        if begins_ms.get(number, 0) <= time_ms <= ends_ms.get(number, LATEST_MS)
    )
    return next(fits, nth_of(sample_id)), time_ms
