"""Opening the log: made, refused, migrated, kept private."""

from __future__ import annotations

import os
import sqlite3
import stat
import subprocess
import sys
from pathlib import Path

import pytest
from sqlite_utils import Database

from logger import log as log_module
from logger.errors import LogError, LogFull, NewerLog, NotALog
from logger.log import SCHEMA, Log, log_path
from logger.migrations import STEPS, migrate
from tests.logger.old_log import make_old_log


def test_a_new_log_is_readable_by_its_owner_only(tmp_path):
    path = tmp_path / "pottery.db"
    with Log.open(path) as log:
        log.db.execute("SELECT * FROM tagged_sample").fetchall()
        assert log.db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
        assert log.db.execute("PRAGMA synchronous").fetchone()[0] == 2  # FULL: a commit is on the disk
        for name in (path, f"{path}-wal"):
            assert stat.S_IMODE(os.stat(name).st_mode) == 0o600


def test_a_log_that_others_could_read_is_made_private(tmp_path):
    path = tmp_path / "pottery.db"
    Log.open(path).close()
    path.chmod(0o644)
    Log.open(path).close()
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_where_the_log_lies(tmp_path, monkeypatch):
    assert log_path("a.db").name == "a.db"
    monkeypatch.setenv("LINKTRIAL_DB", str(tmp_path / "b.db"))
    assert log_path() == tmp_path / "b.db"
    assert log_path("a.db").name == "a.db"
    monkeypatch.delenv("LINKTRIAL_DB")
    assert log_path().name == "linktrial.db"


def test_a_missing_log_is_not_made_by_reading(tmp_path):
    with pytest.raises(LogError, match="there is no log at"):
        Log.open(tmp_path / "none.db", create=False)
    assert not (tmp_path / "none.db").exists()


@pytest.mark.parametrize("content", [b"clay and glaze, not a database" * 40, b"SQLite format 3\0" + b"\xff" * 4000])
def test_a_file_that_is_no_database_is_refused_and_left_alone(tmp_path, content):
    path = tmp_path / "notes.db"
    path.write_bytes(content)
    with pytest.raises(NotALog):
        Log.open(path)
    assert path.read_bytes() == content


def test_somebody_elses_database_is_refused_and_left_alone(tmp_path):
    path = tmp_path / "glazes.db"
    db = sqlite3.connect(path)
    db.execute("CREATE TABLE glaze (name TEXT)")
    db.close()
    content = path.read_bytes()
    with pytest.raises(NotALog, match="not a linktrial log"):
        Log.open(path)
    assert path.read_bytes() == content


def test_a_file_that_is_no_log_keeps_its_mode(tmp_path):
    path = tmp_path / "notes.txt"
    path.write_text("glaze recipes")
    path.chmod(0o644)
    with pytest.raises(NotALog):
        Log.open(path, create=False)
    assert stat.S_IMODE(path.stat().st_mode) == 0o644


@pytest.mark.parametrize(
    "where", ["location = 'L1'", "bssid = '02::1'", "band = '5'", "connected = 1", "config_version = 'v2'"]
)
def test_the_public_view_reads_the_samples_of_the_periods_asked_for_by_their_ids(log, where):
    plan = log.db.execute(f"EXPLAIN QUERY PLAN SELECT avg(rssi_dbm) FROM tagged_sample WHERE {where}").fetchall()
    steps = [row["detail"] for row in plan]
    assert "SEARCH sample USING INTEGER PRIMARY KEY (rowid>? AND rowid<?)" in steps
    assert not any("AUTOMATIC" in step for step in steps)


def test_a_backup_is_not_overwritten_by_one_of_the_migrated_log(tmp_path):
    path = tmp_path / "pottery.db"
    Log.open(path).close()
    backup = tmp_path / f"pottery.db.schema-{SCHEMA}.backup"
    backup.write_bytes(b"the first one")
    assert migrate(path, [*STEPS, lambda db: db.execute("CREATE TABLE more (a INTEGER)")]) == backup
    assert backup.read_bytes() == b"the first one"


def test_the_platforms_own_folder_is_made_but_a_mistyped_one_is_not(tmp_path):
    Log.open(log_path()).close()
    assert log_path().exists()
    with pytest.raises(LogError, match="there is no folder"):
        Log.open(tmp_path / "potery/pottery.db")
    assert not (tmp_path / "potery").exists()


def test_a_log_that_cannot_be_written_can_be_read(tmp_path, monkeypatch):
    path = tmp_path / "pottery.db"
    with Log.open(path) as log, log.transaction() as db:
        db.execute("INSERT INTO location (name) VALUES ('kiln room')")
    monkeypatch.setattr(log_module, "_can_write", lambda path: False)
    with Log.open(path, create=False) as log:
        assert log.db.execute("SELECT name FROM location").fetchone()[0] == "kiln room"
        with pytest.raises(LogFull, match="cannot be written"), log.transaction() as db:
            db.execute("DELETE FROM location")
    Path(f"{path}-wal").touch()
    with pytest.raises(LogError, match="being written by another user"):
        Log.open(path)


def test_a_folder_is_refused(tmp_path):
    with pytest.raises(NotALog, match="is a folder"):
        Log.open(tmp_path)


def test_a_log_of_a_newer_schema_is_refused(tmp_path):
    path = tmp_path / "pottery.db"
    with Log.open(path) as log:
        log.db.execute(f"PRAGMA user_version = {SCHEMA + 1}")
    with pytest.raises(NewerLog, match="update linktrial"):
        Log.open(path)


def test_an_older_log_is_copied_and_then_migrated(tmp_path, monkeypatch):
    path = tmp_path / "pottery.db"
    with Log.open(path) as log:
        log.db.execute("INSERT INTO location (name) VALUES ('kiln room')")

    def add_a_column(db: Database) -> None:
        db.execute("ALTER TABLE location ADD COLUMN floor INTEGER")

    copy = migrate(path, [*STEPS, add_a_column])
    monkeypatch.setattr(log_module, "SCHEMA", SCHEMA + 1)
    with Log.open(path) as log:
        assert tuple(log.db.execute("SELECT name, floor FROM location").fetchone()) == ("kiln room", None)
    assert copy is not None
    assert stat.S_IMODE(copy.stat().st_mode) == 0o600
    old = sqlite3.connect(copy)
    assert old.execute("SELECT * FROM location").fetchall() == [(1, "kiln room")]
    old.close()


def test_a_log_of_schema_1_keeps_its_samples_and_gains_room_for_answers_and_findings(tmp_path):
    path = tmp_path / "pottery.db"
    samples = make_old_log(path)
    with Log.open(path) as log:
        assert list(map(tuple, log.db.execute("SELECT * FROM sample"))) == [(*sample, None) for sample in samples]
        assert log.db.execute("SELECT name FROM location").fetchone()[0] == "kiln room"
        assert log.db.execute("PRAGMA user_version").fetchone()[0] == SCHEMA
        assert log.db.execute("SELECT count(*) FROM answer").fetchone()[0] == 0
        assert log.db.execute("SELECT count(*) FROM finding").fetchone()[0] == 0
    copy = sqlite3.connect(path.with_name("pottery.db.schema-1.backup"))
    assert copy.execute("PRAGMA user_version").fetchone()[0] == 1
    assert copy.execute("SELECT * FROM sample").fetchall() == samples
    copy.close()


def test_a_migration_that_fails_leaves_the_log_as_it_was(tmp_path):
    path = tmp_path / "pottery.db"
    Log.open(path).close()

    def half_way(db: Database) -> None:
        db.execute("CREATE TABLE half (a INTEGER)")
        raise sqlite3.OperationalError("no room")

    with pytest.raises(sqlite3.OperationalError):
        migrate(path, [*STEPS, half_way])
    with Log.open(path) as log:
        tables = {row[0] for row in log.db.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")}
    assert "half" not in tables


def test_a_new_log_is_made_without_importing_pandas_here(tmp_path):
    code = (
        "import sys; from logger.log import Log; Log.open(sys.argv[1]).close();"
        "sys.exit(any(name in sys.modules for name in ('pandas', 'sqlite_utils', 'numpy')))"
    )
    assert subprocess.run([sys.executable, "-c", code, str(tmp_path / "pottery.db")], check=False).returncode == 0


def test_a_transaction_is_all_or_nothing(log):
    with pytest.raises(ZeroDivisionError), log.transaction() as db:
        db.execute("INSERT INTO location (name) VALUES ('kiln room')")
        raise ZeroDivisionError
    assert log.db.execute("SELECT count(*) FROM location").fetchone()[0] == 0


def test_a_full_disk_is_said_in_one_line_and_loses_nothing(log):
    with log.transaction() as db:
        db.execute("INSERT INTO location (name) VALUES ('kiln room')")
    pages = log.db.execute("PRAGMA page_count").fetchone()[0]
    log.db.execute(f"PRAGMA max_page_count = {pages}")
    with pytest.raises(LogFull, match="free some space"), log.transaction() as db:
        for number in range(10_000):
            db.execute("INSERT INTO event (time_utc_ms, kind, source_id) VALUES (?, 'connected', 1)", (number,))
    log.db.execute(f"PRAGMA max_page_count = {pages + 1000}")
    assert log.db.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    assert log.db.execute("SELECT name FROM location").fetchone()[0] == "kiln room"


def test_every_number_in_the_log_has_its_unit_in_its_name(log):
    """A column that holds a measured number ends in a unit, is a count, or is an identity."""
    units = {"ms", "mhz", "dbm", "db", "mbps", "ns", "permille", "log2", "bytes"}
    counts = {"n", "number", "nth", "mcs", "streams", "losses", "packets", "retries", "failed", "version", "connected"}
    counts |= {"flags", "retransmits", "count", "active", "everyone"}
    for (table,) in log.db.execute("SELECT name FROM sqlite_schema WHERE type = 'table' AND name NOT LIKE 'sqlite_%'"):
        for column in log.db.execute(f"PRAGMA table_info({table})").fetchall():
            name, kind = column["name"], column["type"]
            if kind not in ("INTEGER", "REAL") or name == "id" or name.endswith("_id"):
                continue
            assert (units | counts) & set(name.split("_")) or "dropouts" in name, f"{table}.{name}"
