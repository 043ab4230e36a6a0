"""A full disk, a real one: logging goes on in memory, says so, and recovers by itself; whatever else wanted to write
says one line and leaves nothing half done."""

from __future__ import annotations

import io
import os
import sqlite3
import time
from contextlib import closing
from pathlib import Path

import pytest

from logger.backlog import KEPT_AT_MOST, Backlog
from logger.console import main
from logger.daemon import Daemon
from logger.errors import LogFull
from logger.log import Log
from logger.migrations import STEPS, migrate
from logger.sample import Event
from logger.sampler import Sampler
from logger.voice import Voice
from tests.logger.scripted import START_MS, ScriptedAdapter
from tests.logger.scripted import clock as set_clock
from tests.logger.small_disk import fill_up, small_disk
from tests.logger.soundness import unsound
from tests.logger.test_log_command import daemon, run

MB = 1 << 20


@pytest.fixture
def disk(tmp_path):
    with small_disk(tmp_path / "disk", 3 * MB) as disk:
        yield disk


class Midst:
    """A daemon on a real disk, with a clock set by hand."""

    def __init__(self, log: Log) -> None:
        self.log, self.clock = log, set_clock()
        self.out, self.err = io.StringIO(), io.StringIO()
        sampler = Sampler(ScriptedAdapter(), self.clock, 5)
        self.daemon = Daemon(log, sampler, self.clock, Voice(self.out, self.err), interval_ms=5000)
        self.daemon.begin(version="1.2.3", adapter="scripted", interface="wlan0")

    def ticks(self, n: int) -> None:
        for _ in range(n):
            self.daemon.tick()
            self.clock.advance(5)

    def times(self) -> list[int]:
        return [row[0] for row in self.log.db.execute("SELECT time_utc_ms FROM sample ORDER BY id")]


@pytest.mark.parametrize("leaving", [0, 4096, 60_000, 400_000])
def test_while_the_disk_is_full_samples_wait_in_memory_and_none_is_lost(disk, leaving):
    """Wherever it becomes full: in the write-ahead log, or while that is put in its place."""
    path = disk / "pottery.db"
    with Log.open(path) as log:
        midst = Midst(log)
        midst.ticks(30)
        ballast = fill_up(disk, leaving)
        midst.ticks(300)
        if leaving == 0:
            assert len(midst.times()) <= 40
            assert "free some space; until then up to 10,000 samples are kept" in midst.err.getvalue()
        assert midst.err.getvalue().count("\n") <= 1
        ballast.unlink()
        midst.ticks(1)
        assert midst.daemon.end()
        assert midst.times() == [START_MS + 5000 * n for n in range(331)]
    assert unsound(path) == []


def test_beyond_the_bound_it_says_that_it_drops_and_then_how_many(disk):
    path = disk / "pottery.db"
    with Log.open(path) as log:
        midst = Midst(log)
        midst.daemon._backlog._kept_at_most = 200
        midst.ticks(30)
        ballast = fill_up(disk)
        midst.ticks(300)
        assert midst.err.getvalue().count("\n") == 2
        assert "200 samples wait: from now on the oldest are dropped" in midst.err.getvalue()
        ballast.unlink()
        midst.ticks(1)
        assert midst.daemon.end()
        times = midst.times()
        dropped = log.db.execute("SELECT json_extract(detail, '$.n') FROM event WHERE kind = 'samples-dropped'")
        assert [row[0] for row in dropped] == [331 - len(times)]
    assert times[-200:] == [START_MS + 5000 * n for n in range(331 - 200, 331)]
    assert "kept: 200 samples" in midst.out.getvalue()
    assert unsound(path) == []


def test_events_beyond_the_bound_are_dropped_and_that_is_said_once():
    err = io.StringIO()
    backlog = Backlog(NoRoom(), Voice(io.StringIO(), err), commit_s=10, interval_s=5, kept_at_most=5)
    for n in range(12):
        backlog.add([], [Event(n, "roamed", {})], n)
        backlog.write_if_due(n, n)
    assert err.getvalue().count("5 events wait") == 1
    assert err.getvalue().count("\n") == 2


class NoRoom:
    def record(self, samples, events) -> None:
        raise LogFull("no room")


def test_the_bound_is_the_one_of_the_readme():
    readme = (Path(__file__).parents[2] / "README.md").read_text("utf-8")
    assert f"{KEPT_AT_MOST:,} samples" in readme


def test_a_real_daemon_goes_on_and_recovers_by_itself(disk, tmp_path, monkeypatch):
    settings = tmp_path / "settings.toml"
    settings.write_text("commit_s = 0.5\n")
    monkeypatch.setenv("LINKTRIAL_SETTINGS", str(settings))
    path = disk / "pottery.db"
    with daemon(path, "--simulated", "1", "--interval", "0.1") as running:
        time.sleep(1)
        ballast = fill_up(disk)
        assert "no room left" in running.stderr.readline()
        tag = run("at", "kiln room", "--db", str(path))
        review = run("review", "--db", str(path))
        ballast.unlink()
        time.sleep(2.5)
        running.terminate()
        out, err = running.communicate(timeout=20)
    assert (tag.returncode, tag.stderr.count("\n")) == (1, 1)
    assert "free some space" in tag.stderr
    assert review.stderr.count("\n") <= 1
    assert "Traceback" not in review.stderr
    assert "the log can be written again" in out
    assert err == ""
    with closing(sqlite3.connect(path)) as db:
        times = [row[0] // 100 for row in db.execute("SELECT time_utc_ms FROM sample ORDER BY id")]
        assert db.execute("SELECT count(*) FROM period").fetchone() == (1,)
    assert len(times) > 0.6 * (times[-1] - times[0])  # on a busy machine a point of the grid may go without
    assert unsound(path) == []


@pytest.mark.parametrize(
    "command",
    [
        ["log", "--simulated", "1"],
        ["at", "kiln room"],
        ["changed", "x"],
        ["timeline", "undo"],
        ["import", "IN"],
        ["rescue"],
    ],
)
def test_what_wants_to_write_says_one_line_and_leaves_nothing_half_done(disk, tmp_path, command):
    path = disk / "pottery.db"
    assert run("at", "wheel by the window", "--db", str(path)).returncode == 0
    rows = "\n".join(f"{1_700_000_000 + n},shelf,1,v1,5,-60" for n in range(20_000))
    (tmp_path / "in.csv").write_text("time,location,placement,version,band,rssi_dbm\n" + rows)
    ballast = fill_up(disk)
    before = sorted(os.listdir(disk))
    words = [str(tmp_path / "in.csv") if word == "IN" else word for word in command]
    done = run(*words, str(path)) if words == ["rescue"] else run(*words, "--db", str(path))
    assert done.returncode == 1, done
    assert done.stderr.count("\n") == 1, done.stderr
    assert {name for name in os.listdir(disk) if name.endswith((".part", ".rescued"))} == set(), before
    ballast.unlink()
    assert unsound(path) == []
    with Log.open(path) as log:
        assert log.db.execute("SELECT count(*) FROM period").fetchone()[0] == 1
        assert log.db.execute("SELECT count(*) FROM edit WHERE undone_at_utc_ms IS NULL").fetchone()[0] == 1
        assert log.db.execute("SELECT count(*) FROM source").fetchone()[0] == 1


def test_an_older_log_whose_copy_has_no_room_is_left_as_it_was(disk, capsys):
    path = disk / "pottery.db"
    migrate(path, STEPS[:1])
    with closing(sqlite3.connect(path, isolation_level=None)) as old:
        old.execute("INSERT INTO location (name) VALUES (hex(zeroblob(20)))")
        old.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    ballast = fill_up(disk, 40_000)
    assert main(["status", "--db", str(path)]) == 1
    assert capsys.readouterr().err.count("\n") == 1
    assert [file.name for file in disk.iterdir() if "backup" in file.name] == []
    ballast.unlink()
    assert main(["status", "--db", str(path)]) == 0
    assert unsound(path) == []


def test_a_new_log_on_a_full_disk_is_one_line(disk, capsys):
    fill_up(disk)
    assert main(["at", "kiln room", "--db", str(disk / "new.db")]) == 1
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert "room" in said or "space" in said
