"""Noise in a log, before the daemon starts or under its feet: whatever it hits, logging goes on."""

from __future__ import annotations

import random
import sqlite3
from contextlib import closing, suppress

import pytest

from logger.console import main
from logger.damage import opened_for_logging
from logger.errors import LogError
from logger.log import UNREADABLE, Log
from logger.rescuing.rescue import rescue
from logger.sample_id import ids_between, time_of
from tests.logger.conftest import HandClock
from tests.logger.hurt_log import PAGE, fill, overwrite
from tests.logger.test_damage import LATER_MS, Midst, asides


@pytest.fixture(scope="module")
def sound(tmp_path_factory) -> bytes:
    path = tmp_path_factory.mktemp("sound") / "pottery.db"
    fill(path, 600, 60_000)
    return path.read_bytes()


def reconnected(log: Log) -> None:
    """Nothing of it is remembered any more."""
    log.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    log.db.close()
    log.db = sqlite3.connect(log.path, isolation_level=None)
    log.db.row_factory = sqlite3.Row
    with suppress(*UNREADABLE):
        log.db.execute("PRAGMA foreign_keys = ON")


def times_of(log: Log, from_ms: int, to_ms: int) -> set[int]:
    """Stamps of samples, without a look at what lies elsewhere."""
    own = [row[0] for row in log.db.execute("SELECT id FROM period WHERE source_id = 1")]
    spans = [ids_between(period_id, from_ms, to_ms) for period_id in own]
    return {
        time_of(row[0])
        for span in spans
        for row in log.db.execute("SELECT id FROM sample WHERE id >= ? AND id < ?", span)
    }


@pytest.mark.parametrize("when", ["before the start", "in the midst"])
@pytest.mark.parametrize("seed", range(20))
def test_noise_anywhere_ends_no_daemon(sound, tmp_path, seed, when):
    path, chance = tmp_path / "pottery.db", random.Random(f"{seed} {when}")
    path.write_bytes(sound)
    path.with_name("pottery.db.daemon").touch()

    def hurt() -> None:
        for _ in range(chance.choice([1, 3, 30])):
            at = chance.randrange(chance.choice([12 * PAGE, len(sound)]))
            overwrite(path, at, chance.randbytes(chance.choice([1, 8, 200, PAGE])))

    if when == "before the start":
        hurt()
    with opened_for_logging(path, HandClock(LATER_MS)) as (log, _):
        midst = Midst(log)
        midst.ticks(4)
        if when == "in the midst":
            reconnected(log)
            hurt()
        midst.ticks(10)
        assert midst.daemon.end(), midst.err.getvalue()
        span = (LATER_MS + 20_000, LATER_MS + 70_000)
        times = times_of(log, *span)
    for aside in asides(path):  # damage that was met late: what was committed before is in the log set aside
        with suppress(LogError):
            rescue(aside, tmp_path / "rescued.db", now_utc_ms=LATER_MS)
            with Log.open(tmp_path / "rescued.db") as rescued:
                times |= times_of(rescued, *span)
    assert len(times) == 10


def test_words_of_the_schema_that_are_no_text_are_damage(sound, tmp_path, capsys):
    path = tmp_path / "pottery.db"
    path.write_bytes(sound.replace(b"CREATE TABLE location (", b"CREATE \xff\xfeBLE location ("))
    assert main(["status", "--db", str(path)]) == 1
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert f"linktrial rescue {path}" in said
    with opened_for_logging(path, HandClock(LATER_MS)) as (_, said):
        assert said


def test_a_row_that_all_others_point_to_may_be_gone_in_the_midst(sound, tmp_path):
    path = tmp_path / "pottery.db"
    path.write_bytes(sound)
    with Log.open(path) as log:
        midst = Midst(log)
        midst.ticks(4)
        with closing(sqlite3.connect(path)) as other, other:
            other.execute("DELETE FROM source WHERE id = 1")
        midst.ticks(10)
        assert midst.daemon.end(), midst.err.getvalue()
    assert "a new log begins in its place" in midst.err.getvalue()
