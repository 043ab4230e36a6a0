"""The local zone of a source at each time: that which its period began with, until the laptop was found in another."""

from __future__ import annotations

import os
import sqlite3
import time
from collections.abc import Callable

from adapters.clock import Clock
from logger.log import OWN_SOURCE, Log
from logger.sample import Event
from logger.times import local_zone_name

LOOK_EVERY_S = 60.0


def zone_at(db: sqlite3.Connection, source_id: int, time_ms: int) -> str | None:
    """The zone (IANA name) in force then, None before anything is known."""
    row = db.execute(
        "SELECT time_zone FROM (SELECT started_at_utc_ms AS from_utc_ms, 0 AS found, time_zone FROM period"
        " WHERE source_id = :source AND started_at_utc_ms <= :time"
        " UNION ALL SELECT from_utc_ms, 1, time_zone FROM zone WHERE source_id = :source AND from_utc_ms <= :time)"
        " ORDER BY from_utc_ms DESC, found DESC LIMIT 1",
        {"source": source_id, "time": time_ms},
    ).fetchone()
    return row[0] if row else None


def write_zone(db: sqlite3.Connection, source_id: int, from_ms: int, zone: str) -> None:
    """The source is in ``zone`` from then on. Inside a transaction."""
    db.execute("INSERT OR REPLACE INTO zone VALUES (?, ?, ?)", (source_id, from_ms, zone))


class ZoneWatch:
    """Notices that the laptop is in another zone: at the start, and at most once a minute from then on."""

    def __init__(self, log: Log, clock: Clock, local_zone: Callable[[], str] = local_zone_name) -> None:
        self._log, self._clock, self._local_zone = log, clock, local_zone
        self._known: str | None = None
        self._look_at_s = float("-inf")

    def look(self) -> list[Event]:
        """The event of a new zone, if there is one; it takes effect in the log when it is recorded."""
        at_s = self._clock.elapsed_s()
        if at_s < self._look_at_s:
            return []
        self._look_at_s = at_s + LOOK_EVERY_S
        now_ms, found = self._clock.utc_ms(), self._local_zone()
        known = self._known or zone_at(self._log.db, OWN_SOURCE, now_ms)
        if known is not None:
            self._known = found
        if known is None or known == found:
            return []
        if hasattr(time, "tzset") and "TZ" not in os.environ:
            time.tzset()  # what the daemon says is stamped with local time
        return [Event(now_ms, "time-zone-changed", {"from": known, "to": found})]
