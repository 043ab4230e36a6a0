"""Rescue of probes, scans and of rows that an older linktrial wrote, which lack the columns added since."""

from __future__ import annotations

import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from logger.damage import look_for_damage, opened_for_logging
from logger.errors import DamagedLog
from logger.log import SCHEMA, Log
from logger.migrations import STEPS, migrate
from logger.recorder import Recorder
from logger.rescuing.rescue import ADDED, _columns, _tables
from tests.logger.conftest import START_MS, HandClock, linked
from tests.logger.hurt_log import PAGE, copy_of, fill, overwrite, rows, rows_on_and_below
from tests.logger.test_rescue import leaves, rescued, root_of

UNTAGGED = ("probe", "transfer", "latency", "watched", "radio", "scan", "sighting", "visit")


@pytest.fixture(scope="module")
def sound(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("sound") / "pottery.db"
    fill(path)
    return path


@pytest.fixture(scope="module")
def grown(tmp_path_factory) -> Path:
    """A log that was filled under schema 3 and logged into after its migration: its rows are of two kinds."""
    path = tmp_path_factory.mktemp("grown") / "pottery.db"
    fill(path, probing=False)
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.executescript(
            "DROP VIEW tagged_sample; DROP VIEW tagged_probe; DROP VIEW tagged_sighting;"
            + "".join(f"DROP TABLE {table};" for table in ("transfer", "latency", "sighting", "visit"))
            + "".join(f"DROP TABLE {table};" for table in ("probe", "scan", "radio", "watched"))
            + "ALTER TABLE sample DROP COLUMN flags;"
            + "".join(
                f"ALTER TABLE block DROP COLUMN {name}_n;" for name in ("probing", "tx_rate_stale", "rx_rate_stale")
            )
            + "PRAGMA user_version = 3; PRAGMA journal_mode = DELETE; VACUUM;"
        )
    with Log.open(path) as log:
        recorder = Recorder(log)
        for n in range(9000, 9400):
            recorder.record([linked(START_MS + 5000 * n)._replace(flags=n % 3 * 2)], [])
    return path


def test_every_table_is_rescued_with_the_columns_that_it_gained(tmp_path):
    """Held against the schemas themselves."""
    first = tmp_path / "first.db"
    columns: dict[str, int] = {}
    for n in range(1, SCHEMA + 1):
        first.unlink(missing_ok=True)
        migrate(first, STEPS[:n])
        with closing(sqlite3.connect(first)) as db:
            for table in _tables(db):
                columns.setdefault(table, len(_columns(db, table)))
                if n == SCHEMA:
                    assert len(_columns(db, table)) - columns[table] == ADDED.get(table, 0), table


@pytest.mark.parametrize("table", UNTAGGED)
def test_a_sound_log_has_rows_to_rescue_of_every_kind(sound, table):
    assert rows(sound, table)


def test_rows_of_before_and_after_a_migration_come_back(grown, tmp_path):
    into, done = rescued(copy_of(grown, tmp_path / "pottery.db"))
    assert done.whole
    for table in ("sample", "block", "source"):
        assert rows(into, table) == rows(grown, table)
    flags = [row[-1] for row in rows(into, "sample")]
    assert {None, 2, 4} <= set(flags)


@pytest.mark.parametrize("table", ["sample", "block"])
def test_older_rows_are_found_below_a_root_that_was_lost(grown, tmp_path, table):
    damaged = copy_of(grown, tmp_path / "pottery.db")
    overwrite(damaged, (root_of(grown, table) - 1) * PAGE, bytes(PAGE))
    into, done = rescued(damaged)
    assert done.tables[table].n_pages_lost == 1
    # Not those that lay in the root itself, as rows of a table without rowids may.
    assert len(set(rows(into, table)) & set(rows(grown, table))) >= len(rows(grown, table)) - 40
    assert done.tables[table].n_rows_stray > 0.9 * len(rows(grown, table))


@pytest.mark.parametrize("table", ["sighting", "scan", "visit", "radio", "probe", "transfer", "latency"])
def test_a_lost_page_costs_the_rows_on_it_and_those_that_hang_on_them(sound, tmp_path, table):
    damaged = copy_of(sound, tmp_path / "pottery.db")
    root = root_of(sound, table)
    page = leaves(sound, table)[1] if table == "sighting" else root
    overwrite(damaged, (page - 1) * PAGE, bytes(PAGE))
    into, done = rescued(damaged)
    lost = set(rows(sound, table)) - set(rows(into, table))
    assert lost
    assert done.tables[table].n_pages_lost == 1
    if table == "scan":
        assert len(lost) <= rows_on_and_below(sound, page)
    hanging = {
        "scan": {"sighting", "visit"},
        "radio": {"sighting"},
        "probe": {"transfer", "latency"},
    }.get(table, set())
    for other in UNTAGGED:
        missing = set(rows(sound, other)) - set(rows(into, other))
        assert not missing or other == table or other in hanging, other
        assert not set(rows(into, other)) - set(rows(sound, other)), "nothing is made up"
    if hanging & {"sighting", "transfer"}:
        assert any(f"whose {table} was lost" in words for words in done.stand_ins)
    assert len(rows(into, "sample")) == len(rows(sound, "sample"))


def test_a_new_log_in_place_of_a_damaged_one_watches_what_was_watched(sound, tmp_path):
    damaged = copy_of(sound, tmp_path / "pottery.db")
    overwrite(damaged, (root_of(sound, "event") - 1) * PAGE, bytes(PAGE))
    with opened_for_logging(damaged, HandClock(START_MS + 86_400_000)) as (log, said):
        assert said
        assert [tuple(row) for row in log.db.execute("SELECT * FROM watched")] == rows(sound, "watched")


def test_the_daemon_meets_damage_of_the_last_scan_at_its_start(sound, tmp_path):
    damaged = copy_of(sound, tmp_path / "pottery.db")
    overwrite(damaged, (leaves(sound, "sighting")[-1] - 1) * PAGE, bytes(PAGE))
    with Log.open(damaged) as log, pytest.raises(DamagedLog):
        look_for_damage(log)
