"""Logs that are not merged say why in one line, and how to go on."""

from __future__ import annotations

import sqlite3
from contextlib import closing

from logger.console import main
from tests.logger.test_merge import contents, machines, two  # noqa: F401

PAGE = 4096


def refusal(here, other, capsys, monkeypatch) -> str:
    """What is said of a log that is not merged; this log is as it was."""
    monkeypatch.setenv("LINKTRIAL_DB", str(here.path))
    monkeypatch.setenv("TZ", "UTC")
    before = contents(here.path)
    assert main(["merge", str(other)]) == 1
    out, err = capsys.readouterr()
    assert contents(here.path) == before
    assert (out, err.count("\n")) == ("", 1)
    return err


def test_a_damaged_log_is_refused_in_one_line_that_says_how_to_go_on(two, capsys, monkeypatch):  # noqa: F811
    here, there = two
    there.log.close()
    sound = there.path.read_bytes()
    with closing(sqlite3.connect(there.path)) as db:
        root = db.execute("SELECT rootpage FROM sqlite_schema WHERE name = 'sample'").fetchone()[0]
    for damaged in (
        sound[: (root - 1) * PAGE] + b"\x55" * PAGE + sound[root * PAGE :],
        sound[:PAGE] + b"\x55" * PAGE + sound[2 * PAGE :],
        sound[: len(sound) // PAGE // 2 * PAGE],
    ):
        there.path.write_bytes(damaged)
        assert refusal(here, there.path, capsys, monkeypatch) == (
            "linktrial: kiln.db is damaged; what 'linktrial rescue' saves of it can be merged; nothing of it was merged\n"
        )
