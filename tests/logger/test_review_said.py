"""What a review found, told once: in the journal and by the desktop."""

from __future__ import annotations

import os
import sqlite3
import subprocess
import sys
import time
from pathlib import Path

import pytest

from adapters.simulated.clock import SimulatedClock
from logger.desktop import WAITING_AT_MOST, Desktop
from logger.findings import PROGRESS, Finding, keep_finding, unsaid_news
from logger.log import Log
from logger.timeline import Timeline
from tests.logger.beside import Beside, a_finding, begin_trial, until
from tests.logger.conftest import START_MS

FINDS = """
import sqlite3, sys
db = sqlite3.connect(sys.argv[1])
with db:
    db.execute("INSERT INTO finding (kind, key, found_at_utc_ms, words, detail) VALUES"
               " ('verdict', '[1, 2, 1, \\"5\\", \\"rssi\\"]', 5, 'RSSI rose by 6 dB.', '{\\"verdict\\": \\"better\\"}')")
"""


@pytest.fixture
def trial(log) -> Log:
    """A log with a change at the router."""
    return begin_trial(log)


# What is said


def test_what_a_child_found_is_said_and_noted_in_the_log(trial):
    beside = Beside(trial, program=FINDS)
    beside.ticks(180)
    assert beside.said == ["RSSI rose by 6 dB."]
    assert unsaid_news(trial.db) == []
    said_ms = trial.db.execute("SELECT said_at_utc_ms FROM finding").fetchone()[0]
    assert START_MS <= said_ms <= START_MS + 180_000


def test_a_verdict_is_said_once_over_restarts_and_again_when_it_is_another(trial):
    for verdict, words in (
        ("better", "up"),
        ("better", "up, surer"),
        ("no-difference", "same"),
        ("better", "up again"),
    ):
        with trial.transaction() as db:
            keep_finding(db, a_finding(words, verdict), START_MS + len(words))
        beside = Beside(trial)
        beside.ticks(60)
        assert beside.said == ([] if words == "up, surer" else [words])
    assert trial.db.execute("SELECT count(*) FROM finding").fetchone()[0] == 1


def test_the_words_of_the_log_cannot_move_the_cursor(trial):
    with trial.transaction() as db:
        keep_finding(db, a_finding("at \x1b[31m\nkiln\u202e"), START_MS)
    beside = Beside(trial)
    beside.ticks(60)
    assert beside.said == [r"at \x1b[31m\x0akiln\xe2\x80\xae"]


def test_progress_is_not_said(trial):
    with trial.transaction() as db:
        keep_finding(db, Finding(PROGRESS, PROGRESS, "so far", {}), START_MS)
    beside = Beside(trial)
    beside.ticks(60)
    assert beside.said == []


def test_what_nobody_wrote_down_is_said_with_where_to_tag_it(trial):
    with trial.transaction() as db:
        keep_finding(db, Finding("unexplained", "[]", "RSSI fell by 4 dB.", {"command": "linktrial ..."}), START_MS)
        keep_finding(db, Finding("unexplained", "[1]", "RSSI falls by 3 dB a month.", {"command": None}), START_MS)
    beside = Beside(trial)
    beside.ticks(60)
    assert beside.said == [
        "RSSI fell by 4 dB. 'linktrial timeline' says how to tag it.",
        "RSSI falls by 3 dB a month.",
    ]


def test_a_log_that_cannot_be_written_makes_nothing_be_said_twice(trial):
    with trial.transaction() as db:
        keep_finding(db, a_finding("RSSI rose."), START_MS)
    beside = Beside(trial)
    trial.db.execute("PRAGMA query_only = ON")
    beside.ticks(1200)
    assert beside.said == ["RSSI rose."]
    assert len(unsaid_news(trial.db)) == 1
    trial.db.execute("PRAGMA query_only = OFF")
    beside.ticks(120)
    assert beside.said == ["RSSI rose."]
    assert unsaid_news(trial.db) == []


def test_a_log_that_another_holds_is_asked_again_later(trial):
    with trial.transaction() as db:
        keep_finding(db, a_finding("RSSI rose."), START_MS)
    beside = Beside(trial)
    trial.db.execute("PRAGMA busy_timeout = 0")
    other = sqlite3.connect(trial.path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    beside.ticks(60)
    other.execute("ROLLBACK")
    other.close()
    beside.ticks(120)
    assert beside.said == ["RSSI rose."]
    assert unsaid_news(trial.db) == []


# The desktop


@pytest.fixture
def desktop(tmp_path):
    """An environment with a session bus and a ``notify-send`` that notes its arguments, each ended by a NUL."""
    folder = tmp_path / "bin"
    folder.mkdir()
    program = folder / "notify-send"
    program.write_text(f'#!/bin/sh\nprintf "%s\\0" "$@" >> {tmp_path}/notified\n')
    program.chmod(0o755)
    return {"PATH": str(folder), "DBUS_SESSION_BUS_ADDRESS": "unix:path=/nowhere"}


def notified(tmp_path: Path) -> list[str]:
    told = tmp_path / "notified"
    return told.read_text().split("\0")[:-1] if told.exists() else []


def test_the_desktop_is_told_in_words_that_are_no_markup_and_no_command(trial, tmp_path, desktop):
    with trial.transaction() as db:
        keep_finding(db, a_finding("-x at <b>kiln</b> & $(touch owned) \\n"), START_MS)
    beside = Beside(trial, environ=desktop)
    beside.reviews.tick()
    until(lambda: len(notified(tmp_path)) == 4)
    words = "-x at &lt;b&gt;kiln&lt;/b&gt; &amp; $(touch owned) \\\\n"
    assert notified(tmp_path) == ["--app-name=linktrial", "--", "linktrial", words]
    beside.reviews.close()


def test_many_findings_make_one_notification_that_counts_the_rest(trial, tmp_path, desktop):
    with trial.transaction() as db:
        for n in range(7):
            keep_finding(db, a_finding(f"verdict {n}", metric=str(n)), START_MS + n)
    beside = Beside(trial, environ=desktop)
    beside.reviews.tick()
    until(lambda: len(notified(tmp_path)) >= 4)
    beside.reviews.close()
    assert len(beside.said) == 7
    assert len(notified(tmp_path)) == 4
    *shown, more = notified(tmp_path)[3].splitlines()
    assert shown == ["verdict 0", "verdict 1", "verdict 2"]
    assert more.startswith("And 4 more")


@pytest.mark.parametrize("missing", ["PATH", "DBUS_SESSION_BUS_ADDRESS"])
def test_without_a_desktop_the_journal_alone_is_told(trial, tmp_path, desktop, missing):
    desktop[missing] = ""
    with trial.transaction() as db:
        keep_finding(db, a_finding("RSSI rose."), START_MS)
    beside = Beside(trial, environ=desktop)
    beside.reviews.tick()
    assert beside.reviews._desktop._sending is None
    assert beside.said == ["RSSI rose."]


@pytest.mark.parametrize("script", ["exit 1", "exec sleep 60", None])
def test_a_desktop_that_fails_or_does_not_answer_is_given_up_silently(trial, desktop, script):
    program = Path(desktop["PATH"]) / "notify-send"
    program.write_text(f"#!/bin/sh\nPATH=/bin:/usr/bin {script}\n" if script else "no program")
    desk = Desktop(clock := SimulatedClock(START_MS), desktop)
    desk.tell("words")
    for _ in range(3):
        desk.tick()
        clock.advance(15)
    until(lambda: (desk.tick(), desk._sending is None)[1])
    desk.close()


def test_what_is_told_while_a_notification_is_on_its_way_comes_after_it(tmp_path, desktop):
    desk = Desktop(SimulatedClock(START_MS), desktop)
    for n in range(3):
        desk.tell(f"words {n}")
    assert desk._sending is not None
    until(lambda: (desk.tick(), len(notified(tmp_path)) == 12)[1])
    assert notified(tmp_path)[3::4] == ["words 0", "words 1", "words 2"]
    desk.close()


def test_a_desktop_that_never_answers_makes_no_endless_queue(tmp_path, desktop):
    (Path(desktop["PATH"]) / "notify-send").write_text("#!/bin/sh\nPATH=/bin:/usr/bin exec sleep 60\n")
    desk = Desktop(SimulatedClock(START_MS), desktop)
    for n in range(100):
        desk.tell(f"words {n}")
    assert list(desk._waiting) == [f"words {n}" for n in range(100 - WAITING_AT_MOST, 100)]
    desk.close()
    assert (desk._sending, list(desk._waiting)) == (None, [])


# Real processes


def test_a_daemon_says_a_verdict_once_and_the_next_daemon_does_not_repeat_it(tmp_path, desktop):
    path, settings = tmp_path / "pottery.db", tmp_path / "settings.toml"
    settings.write_text("review_every_s = 86400")
    now_ms = time.time_ns() // 1_000_000
    with Log.open(path) as log:
        timeline = Timeline(log, SimulatedClock(now_ms - 7_200_000), "Europe/Berlin")
        timeline.at("kiln room")
        with log.transaction() as db:
            keep_finding(db, a_finding("RSSI rose by 6 dB."), now_ms)
    environ = os.environ | desktop | {"LINKTRIAL_SETTINGS": str(settings)}
    outs = []
    for _ in range(2):
        command = [sys.executable, "-m", "logger.console", "log", "--simulated", "1", "--interval", "0.1"]
        with subprocess.Popen(
            [*command, "--db", str(path)], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environ
        ) as process:
            lines = [process.stdout.readline()]
            time.sleep(1.0)
            process.terminate()
            out, err = process.communicate(timeout=20)
            assert (process.returncode, err) == (0, "")
            outs.append("".join([*lines, out]))
    assert [out.count("RSSI rose by 6 dB.") for out in outs] == [1, 0]
    assert notified(tmp_path).count("RSSI rose by 6 dB.") == 1
