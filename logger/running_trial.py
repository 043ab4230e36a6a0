"""Which comparison is running: the config version in force against the one before it, where the laptop stands."""

from __future__ import annotations

import sqlite3
from typing import NamedTuple

from logger.log import OWN_SOURCE
from logger.tags import period_at

_BEFORE = """
SELECT config_version FROM period
WHERE source_id = ? AND started_at_utc_ms < ? AND config_version <> ?
ORDER BY started_at_utc_ms DESC LIMIT 1
"""
_FIRST_STARTED = "SELECT min(started_at_utc_ms) FROM period WHERE source_id = ? AND config_version = ?"


class RunningTrial(NamedTuple):
    """What config version ``b`` did against ``a`` at ``location``; one of the two is in force now."""

    a: int
    b: int
    location: str
    location_id: int


def running_trial(db: sqlite3.Connection, now_ms: int) -> RunningTrial | None:
    """This machine's own trial at that time; None before the first change at the router.

    The pair is the version in force and the one in force before it. ``b`` is the one that came later at first, so
    that going back from v2 to v1 goes on with the same trial, v2 against v1, and does not begin another.
    """
    period = period_at(db, now_ms)
    if period is None:
        return None
    now = period.config_version
    before = db.execute(_BEFORE, (OWN_SOURCE, period.started_at_utc_ms, now)).fetchone()
    if before is None:
        return None
    a, b = sorted((int(before[0]), now), key=lambda number: int(_first_started_ms(db, number)))
    place = db.execute("SELECT id FROM location WHERE name = ?", (period.location,)).fetchone()
    return RunningTrial(a, b, period.location, int(place[0]))


def _first_started_ms(db: sqlite3.Connection, number: int) -> int:
    return int(db.execute(_FIRST_STARTED, (OWN_SOURCE, number)).fetchone()[0])
