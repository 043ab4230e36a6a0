"""The log and all that is made of it are for their owner's eyes, whatever the umask is."""

from __future__ import annotations

import os
import sqlite3
from collections.abc import Iterator
from contextlib import closing
from importlib.resources import files
from pathlib import Path

import pytest

from adapters.simulated.clock import SimulatedClock
from logger.claim import Claim
from logger.console import main
from logger.damage import opened_for_logging
from logger.log import Log
from logger.recorder import Recorder
from tests.dashboards.kiln_log import make_kiln_log
from tests.logger.conftest import START_MS, linked


@pytest.fixture(params=[0o000, 0o022, 0o077], ids=oct)
def folder(request, tmp_path) -> Iterator[Path]:
    """An empty folder, under a umask."""
    here = tmp_path / "here"
    here.mkdir()
    before = os.umask(request.param)
    yield here
    os.umask(before)


def open_to_others(folder: Path) -> dict[str, str]:
    """Files and folders in it that others may read or write."""
    modes = {str(path.relative_to(folder)): path.stat().st_mode & 0o777 for path in folder.rglob("*")}
    return {name: oct(mode) for name, mode in modes.items() if mode & 0o077}


def test_the_log_what_sqlite_keeps_beside_it_and_the_claim(folder):
    with Log.open(folder / "kiln.db") as log, Claim.take(log.path):
        Recorder(log).record([linked(START_MS)], [])
        assert {path.name for path in folder.iterdir()} == {
            f"kiln.db{suffix}" for suffix in ("", "-wal", "-shm", ".daemon")
        }
        assert not open_to_others(folder)


def test_the_platforms_folder_for_it(folder, monkeypatch):
    monkeypatch.setenv("XDG_DATA_HOME", str(folder / "data"))
    (folder / "data").mkdir(mode=0o700)
    assert main(["at", "kiln room"]) == 0
    assert list((folder / "data/linktrial").iterdir())
    assert not open_to_others(folder)


def test_a_log_that_was_open_to_others_no_longer_is_with_what_lies_beside_it(folder):
    path = folder / "kiln.db"
    with Log.open(path) as log:
        Recorder(log).record([linked(START_MS)], [])
        for name in folder.iterdir():
            name.chmod(0o664)
        with Log.open(path):
            assert not open_to_others(folder)


def test_the_copy_before_a_migration(folder):
    path = folder / "kiln.db"
    with closing(sqlite3.connect(path)) as db:
        db.executescript(files("logger").joinpath("schema.sql").read_text("utf-8"))
        db.executescript("PRAGMA application_id = 1819570796; PRAGMA user_version = 1;")
    Log.open(path).close()
    assert "kiln.db.schema-1.backup" in {path.name for path in folder.iterdir()}
    assert not open_to_others(folder)


def test_a_damaged_log_set_aside_and_the_new_one(folder):
    path = folder / "kiln.db"
    make_kiln_log(path)
    with path.open("r+b") as file:
        file.seek(4096)
        file.write(b"\xff" * 8192)
    with opened_for_logging(path, SimulatedClock(START_MS)) as (_, said):
        assert "a new log begins in its place" in said
    assert len([path for path in folder.iterdir() if ".damaged-" in path.name]) >= 1
    assert not open_to_others(folder)


def test_copies_rescued_logs_and_logs_that_take_in_others(folder):
    log = make_kiln_log(folder / "kiln.db")
    assert main(["backup", str(folder / "copy.db"), "--db", str(log)]) == 0
    assert main(["rescue", str(log), "--into", str(folder / "rescued.db")]) == 0
    assert main(["at", "shelf", "--db", str(folder / "other.db")]) == 0
    assert main(["merge", str(folder / "copy.db"), "--db", str(folder / "other.db")]) == 0
    assert {"copy.db", "rescued.db", "other.db"} <= {path.name for path in folder.iterdir()}
    assert not open_to_others(folder)


def test_reports_exports_and_their_folders(folder):
    log = str(make_kiln_log(folder / "kiln.db"))
    for words in (
        ["report", "--output", str(folder / "x.html"), "--csv", str(folder / "report")],
        ["report", "--share", "--output", str(folder / "shared.html")],
        ["export", "--output", str(folder / "samples.csv")],
        ["export", "--share", "--tables", str(folder / "tables")],
    ):
        assert main([*words, "--db", log]) == 0
    assert len(list(folder.rglob("*.csv"))) == 14
    assert not open_to_others(folder)
