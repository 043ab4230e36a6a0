"""Writers and readers at once, each a process of its own: nobody meets a locked log."""

from __future__ import annotations

import io
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from pathlib import Path

import pytest

from logger import log as log_module
from logger.daemon import WAL_AT_MOST_BYTES, Daemon
from logger.errors import LogBusy
from logger.log import WAL_KEPT_BYTES, Log
from logger.sampler import Sampler
from logger.timeline import Timeline
from logger.voice import Voice
from tests.logger.conftest import START_MS, HandClock
from tests.logger.scripted import ScriptedAdapter
from tests.logger.scripted import clock as set_clock
from tests.logger.soundness import unsound
from tests.logger.test_log_command import daemon

LONG_READER = """
import sqlite3, sys, time
db = sqlite3.connect(sys.argv[1], isolation_level=None)
db.execute("BEGIN")
n = db.execute("SELECT count(*) FROM sample").fetchone()
time.sleep(4)
assert db.execute("SELECT count(*) FROM sample").fetchone() == n
"""
LONG_WRITER = """
import sqlite3, sys, time
db = sqlite3.connect(sys.argv[1], isolation_level=None, timeout=10)
for _ in range(3):
    db.execute("BEGIN IMMEDIATE")
    db.execute("UPDATE source SET name = name")
    time.sleep(0.8)
    db.execute("COMMIT")
    time.sleep(0.2)
"""
COMMANDS = """
import contextlib, io, sys, time
from logger.console import main
end_s = time.monotonic() + 4
words = sys.argv[2:]
said = io.StringIO()
n = 0
while time.monotonic() < end_s:
    n += 1
    with contextlib.redirect_stdout(said):
        code = main([word.replace("N", str(n)) for word in words] + ["--db", sys.argv[1]])
    assert code == 0, code
print(n)
"""
OPENERS = """
import sys, time
from logger.log import Log
time.sleep(max(0, float(sys.argv[2]) - time.time()))
Log.open(sys.argv[1]).close()
"""


def start(program: str, *words: object) -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-c", program, *map(str, words)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    )


def end(process: subprocess.Popen[str]) -> str:
    with process:
        out, err = process.communicate(timeout=60)
    assert process.returncode == 0, err
    assert err == ""
    return out


def test_a_daemon_tags_readers_and_other_peoples_sql_at_once_never_meet_a_locked_log(tmp_path):
    path = tmp_path / "pottery.db"
    with daemon(path, "--simulated", "1", "--interval", "0.1") as running:
        others = [
            start(LONG_READER, path),
            start(LONG_WRITER, path),
            start(COMMANDS, path, "at", "kiln room N"),
            start(COMMANDS, path, "changed", "change N"),
            start(COMMANDS, path, "status", "--json"),
            start(COMMANDS, path, "timeline"),
        ]
        done = [end(other) for other in others]
        running.terminate()
        _, err = running.communicate(timeout=20)
    assert err == ""
    assert running.returncode == 0
    assert unsound(path) == []
    with closing(sqlite3.connect(path)) as db:
        n_edits = db.execute("SELECT count(*) FROM edit").fetchone()[0]
    assert n_edits == int(done[2]) + int(done[3])


def test_a_new_log_may_be_opened_by_many_at_once(tmp_path):
    path = tmp_path / "pottery.db"
    at_s = time.time() + 1.5
    for process in [start(OPENERS, path, at_s) for _ in range(6)]:
        end(process)
    assert unsound(path) == []
    assert sorted(file.name for file in tmp_path.iterdir() if file.name != "home") == ["pottery.db"]


def test_a_tag_waits_for_another_programs_write_and_then_says_so(log, clock, monkeypatch):
    log.db.execute("PRAGMA busy_timeout = 200")
    with closing(sqlite3.connect(log.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        with pytest.raises(LogBusy, match="busy with another program's long write; let that end first"):
            Timeline(log, clock).at("kiln room")
        other.execute("COMMIT")
    Timeline(log, clock).at("kiln room")
    assert log_module.BUSY_TIMEOUT_S == 10


class Midst:
    """A daemon that takes samples between others' transactions, with a clock set by hand."""

    def __init__(self, log: Log) -> None:
        self.clock, self.out, self.err = set_clock(), io.StringIO(), io.StringIO()
        sampler = Sampler(ScriptedAdapter(), self.clock, 1)
        self.daemon = Daemon(log, sampler, self.clock, Voice(self.out, self.err), interval_ms=1000, commit_s=2)
        self.daemon.begin(version="1", adapter="scripted", interface="wlan0")
        log.db.execute("PRAGMA busy_timeout = 1")

    def ticks(self, n: int) -> None:
        for _ in range(n):
            self.daemon.tick()
            self.clock.advance(1)


def test_the_daemon_waits_for_a_write_as_long_as_a_command_would_before_it_says_so(log):
    midst = Midst(log)
    with closing(sqlite3.connect(log.path, isolation_level=None)) as other:
        other.execute("BEGIN IMMEDIATE")
        midst.ticks(9)
        assert midst.err.getvalue() == ""
        midst.ticks(20)
        assert midst.err.getvalue().count("\n") == 1
        assert "busy with another program's long write" in midst.err.getvalue()
        other.execute("COMMIT")
    midst.ticks(3)
    assert "can be written again" in midst.out.getvalue()
    assert midst.daemon.end()
    assert log.db.execute("SELECT count(*) FROM sample").fetchone()[0] == 32


def test_what_could_not_be_written_at_the_end_is_said(log):
    midst = Midst(log)
    midst.ticks(1)
    log.db.execute("PRAGMA query_only = ON")
    assert not midst.daemon.end()
    assert "1 sample that waited could not be written" in midst.err.getvalue()


def test_one_who_reads_without_end_is_said_once_and_the_file_shrinks_when_he_has_gone(log, monkeypatch):
    monkeypatch.setattr("logger.daemon.WAL_AT_MOST_BYTES", 5_000_000)
    midst = Midst(log)
    midst.ticks(5)
    with closing(sqlite3.connect(log.path, isolation_level=None)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM sample").fetchone()
        for _ in range(20):
            with log.transaction() as db:
                db.execute(
                    "INSERT INTO event (time_utc_ms, kind, detail) VALUES (1, 'merged', json_quote(hex(zeroblob(500000))))"
                )
        assert log.wal_bytes() > 16_000_000
        for _ in range(3):
            midst.clock.advance(3600)
            midst.ticks(3)
        assert midst.err.getvalue().count("\n") == 1
        assert "end that program" in midst.err.getvalue()
        reader.execute("COMMIT")
    midst.ticks(30)
    assert log.wal_bytes() <= WAL_KEPT_BYTES < WAL_AT_MOST_BYTES
    assert midst.err.getvalue().count("\n") == 1


def test_a_reader_that_turns_writer_has_what_it_read_as_of_then(log, clock):
    """BEGIN IMMEDIATE everywhere: what a transaction reads is what it changes."""
    with Log.open(log.path) as other:
        Timeline(other, HandClock(START_MS)).at("kiln room")
        log.db.execute("SELECT * FROM period").fetchall()
        Timeline(other, HandClock(START_MS + 1000)).changed("longer antennas")
        clock.now_ms += 2000
        Timeline(log, clock).at("wheel by the window")
    assert unsound(Path(log.path)) == []
