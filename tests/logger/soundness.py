"""Is a log sound: as SQLite sees it, in its references, and do its blocks say what its samples give?"""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

from logger.block_table import fixed_before, rebuild_blocks
from logger.blocks import stretch_at

_HAS_SAMPLES = "SELECT 1 FROM sample WHERE period_id = ? AND time_utc_ms >= ? AND time_utc_ms < ? LIMIT 1"


def unsound(path: Path) -> list[str]:
    """What is wrong with a log, in words; nothing where it is sound."""
    wrong = []
    with closing(sqlite3.connect(path)) as db:
        checked = [row[0] for row in db.execute("PRAGMA integrity_check")]
        if checked != ["ok"]:
            wrong += checked
        wrong += [f"a row of {row[0]} refers to no {row[2]}" for row in db.execute("PRAGMA foreign_key_check")]
        if db.execute("SELECT 1 FROM sample WHERE period_id NOT IN (SELECT id FROM period) LIMIT 1").fetchone():
            wrong.append("a sample is in no period")
        if not wrong:
            wrong += [f"block {key} is not what its samples give" for key in blocks_astray(db)]
    return wrong


def blocks_astray(db: sqlite3.Connection) -> list[tuple[int, int, int]]:
    """Keys of the blocks that are not as all samples folded again give them. Those that stand for samples which were
    given up, or lost, are left out."""
    with closing(sqlite3.connect(":memory:")) as copy:
        db.backup(copy)
        stored = set(copy.execute("SELECT * FROM block").fetchall())
        for period_id, source_id, started_ms, ended_ms in copy.execute(
            "SELECT id, source_id, started_at_utc_ms, ended_at_utc_ms FROM period"
        ).fetchall():
            fixed_ms = fixed_before(copy, source_id)
            fixed = started_ms < fixed_ms
            rebuild_blocks(
                copy, period_id, stretch_at(fixed_ms, started_ms, ended_ms).ended_at_utc_ms if fixed else None
            )
        folded = set(copy.execute("SELECT * FROM block").fetchall())
        astray = [row for row in stored - folded if copy.execute(_HAS_SAMPLES, (row[0], row[1], row[3])).fetchone()]
        return sorted({(row[0], row[1], row[2]) for row in [*astray, *(folded - stored)]})
