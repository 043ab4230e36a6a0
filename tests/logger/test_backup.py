"""A backup is the log of one moment, whole or not there; restoring it is a file copy."""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import threading
from contextlib import closing

import pytest

from logger.backup import back_up
from logger.console import main
from logger.errors import DamagedLog, LogError
from logger.log import Log
from logger.recorder import Recorder
from tests.logger.conftest import START_MS, block_rows, linked


@pytest.fixture
def logged(log, timeline):
    timeline.at("wheel by the window")
    recorder = Recorder(log)
    recorder.set_pace(1000, START_MS)
    recorder.record([linked(START_MS + 1000 * i) for i in range(20_000)], [])
    return recorder


def everything(path):
    with closing(sqlite3.connect(path)) as db:
        return list(db.iterdump())


def test_a_backup_holds_all_that_the_log_holds_and_is_its_owners_alone(log, logged, tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("LINKTRIAL_DB", str(log.path))
    target = tmp_path / "copy.db"
    assert main(["backup", str(target), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told == {"file": str(target), "n_bytes": target.stat().st_size, "n_samples": 20_000}
    assert target.stat().st_mode & 0o777 == 0o600
    assert sorted(path.name for path in tmp_path.iterdir() if "copy" in path.name or "part" in path.name) == ["copy.db"]
    assert everything(target) == everything(log.path)


def test_a_backup_taken_while_another_logs_is_one_moment_and_holds_nobody(log, logged, tmp_path):
    """Each commit holds ten samples and their block: a copy of half of one would show."""
    over, n_commits = threading.Event(), 0

    def log_on():
        nonlocal n_commits
        with Log.open(log.path) as other:
            recorder = Recorder(other)
            for start in range(20_000, 10_000_000, 10):
                recorder.record([linked(START_MS + 1000 * (start + i)) for i in range(10)], [])
                n_commits += 1
                if over.is_set():
                    return

    def slowly(n, of):
        if n < of:
            seen = n_commits
            threading.Event().wait(0.05)
            assert n_commits > seen, "logging was held"

    writer = threading.Thread(target=log_on)
    writer.start()
    try:
        while not n_commits:
            threading.Event().wait(0.01)
        back_up(log, tmp_path / "copy.db", progress=slowly)
    finally:
        over.set()
        writer.join()
    with Log.open(tmp_path / "copy.db") as copy:
        n = copy.db.execute("SELECT count(*) FROM sample").fetchone()[0]
        assert n % 10 == 0
        assert n == copy.db.execute("SELECT sum(n_samples) FROM block").fetchone()[0]
        assert 20_000 <= n < 20_000 + 10 * n_commits


def test_restoring_is_a_file_copy(log, logged, tmp_path):
    back_up(log, tmp_path / "copy.db")
    blocks = block_rows(log)
    logged.record([linked(START_MS + 30_000_000)], [])
    log.close()
    shutil.copyfile(tmp_path / "copy.db", log.path)
    with Log.open(log.path) as restored:
        assert block_rows(restored) == blocks
        assert restored.db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
        Recorder(restored).record([linked(START_MS + 40_000_000)], [])


def test_what_is_there_is_replaced_only_when_told(log, logged, tmp_path):
    target = tmp_path / "copy.db"
    target.write_text("a letter")
    with pytest.raises(LogError, match="already; say another one, or --overwrite"):
        back_up(log, target)
    assert target.read_text() == "a letter"
    back_up(log, target, overwrite=True)
    with Log.open(target) as copy:
        with pytest.raises(LogError, match="in use as a log"):
            back_up(log, target, overwrite=True)
        assert block_rows(copy) == block_rows(log)


@pytest.mark.parametrize("name", ["pottery.db", "pottery.db-wal", "pottery.db.daemon"])
def test_the_log_is_no_place_for_its_own_copy(log, logged, name):
    with pytest.raises(LogError, match="the log itself, or belongs to it"):
        back_up(log, log.path.with_name(name), overwrite=True)


def test_places_that_cannot_be(log, logged, tmp_path):
    for target, words in ((tmp_path, "not a plain file"), (tmp_path / "no" / "copy.db", "there is no folder")):
        with pytest.raises(LogError, match=words):
            back_up(log, target)


def test_where_there_is_no_room_nothing_is_begun(log, logged, tmp_path, monkeypatch):
    monkeypatch.setattr("logger.backup.disk_usage", lambda _: shutil._ntuple_diskusage(10**6, 10**6, 100))
    with pytest.raises(LogError, match="MB free, and the copy takes"):
        back_up(log, tmp_path / "copy.db")
    assert not list(tmp_path.glob("copy*")) + list(tmp_path.glob(".linktrial*"))


def test_a_copy_that_is_broken_off_leaves_nothing(log, logged, tmp_path):
    def stop(n, of):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        back_up(log, tmp_path / "copy.db", progress=stop)
    assert not list(tmp_path.glob("copy*")) + list(tmp_path.glob(".linktrial*"))
    assert not log.db.in_transaction


def test_a_damaged_log_is_not_passed_off_as_a_backup(log, logged, tmp_path):
    path = log.path
    log.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    log.close()
    size = path.stat().st_size
    with open(path, "r+b") as file:
        for page in range(size // 4096 // 2, size // 4096 - 1):
            file.seek(page * 4096)
            file.write(os.urandom(200))
    with Log.open(path) as damaged, pytest.raises(DamagedLog, match="linktrial rescue"):
        back_up(damaged, tmp_path / "copy.db")
    assert not list(tmp_path.glob("copy*")) + list(tmp_path.glob(".linktrial*"))
