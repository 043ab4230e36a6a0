"""A log as the first schema had it."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from logger.migrations import STEPS, migrate


def make_old_log(path: Path) -> list[tuple[object, ...]]:
    """One period with two samples, the first without a link; returns the samples as they stand there."""
    migrate(path, STEPS[:1])
    with closing(sqlite3.connect(path)) as db:
        db.executescript("""
            INSERT INTO location (name) VALUES ('kiln room');
            INSERT INTO placement (location_id, number) VALUES (1, 1);
            INSERT INTO config_version (number, label) VALUES (1, 'as bought');
            INSERT INTO period (source_id, placement_id, config_version, started_at_utc_ms, time_zone)
                VALUES (1, 1, 1, 1700000000000, 'UTC');
            INSERT INTO sample (id, link_id, rssi_dbm) VALUES
                ((1 << 46) + (1700000000000 << 4), 0, NULL), ((1 << 46) + (1700000005000 << 4), 0, -61.5);
        """)
        samples = db.execute("SELECT * FROM sample").fetchall()
        db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return samples
