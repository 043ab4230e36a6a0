"""The local zone of a source at each time: that which its period began with, until the laptop was found in another."""

from __future__ import annotations

import sqlite3


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
