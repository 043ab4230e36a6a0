"""The running trial judged beside the daemon: when a child is started, how it ends, and what is said of its findings."""

from __future__ import annotations

import io
import os
import sqlite3
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace

import psutil
import pytest

from adapters.simulated.clock import SimulatedClock
from logger.child import Child, runs_on_battery
from logger.desktop import Desktop
from logger.findings import PROGRESS, VERDICT, Finding, keep_finding, unsaid_news
from logger.log import Log
from logger.review import LONGEST_S, SETTLE_S, Reviews
from logger.timeline import Timeline
from logger.voice import Voice
from tests.logger.conftest import START_MS

HOUR_S = 3600.0
FINDS = """
import sqlite3, sys
db = sqlite3.connect(sys.argv[1])
with db:
    db.execute("INSERT INTO finding (kind, key, found_at_utc_ms, words, detail) VALUES"
               " ('verdict', '[1, 2, 1, \\"5\\", \\"rssi\\"]', 5, 'RSSI rose by 6 dB.', '{\\"verdict\\": \\"better\\"}')")
"""


class Beside:
    """Reviews on a real log with a clock set by hand, and a child that runs ``program`` and notes that it did."""

    def __init__(self, log: Log, *, every_s: float = HOUR_S, program: str = "", environ: dict[str, str] | None = None):
        self.log = log
        self.clock = SimulatedClock(START_MS)
        self.out, self.err = io.StringIO(), io.StringIO()
        self.unplugged = False
        self.runs = log.path.with_name("runs")
        note = f"open({str(self.runs)!r}, 'a').write('x')\n"
        self.reviews = Reviews(
            log,
            self.clock,
            Voice(self.out, self.err),
            Desktop(self.clock, environ or {}),
            every_s=every_s,
            command=[sys.executable, "-S", "-c", note + program, str(log.path)],
            on_battery=lambda: self.unplugged,
        )

    def ticks(self, seconds: float, step_s: float = 60.0) -> None:
        """So many seconds go by, children ending at once."""
        for _ in range(round(seconds / step_s)):
            self.reviews.tick()
            until(lambda: self.reviews._child is None or self.reviews._child.poll() is not None)
            self.reviews.tick()
            self.clock.advance(step_s)

    @property
    def n_runs(self) -> int:
        return len(self.runs.read_text()) if self.runs.exists() else 0

    @property
    def said(self) -> list[str]:
        return [line.split(" ", 1)[1] for line in self.out.getvalue().splitlines()]


def until(come: Callable[[], bool], seconds: float = 20.0) -> None:
    deadline_s = time.monotonic() + seconds
    while not come():
        assert time.monotonic() < deadline_s, "it did not come"
        time.sleep(0.01)


def a_finding(words: str, verdict: str = "better", metric: str = "rssi") -> Finding:
    return Finding(VERDICT, f'[1, 2, 1, "5", "{metric}"]', words, {"verdict": verdict})


@pytest.fixture
def trial(log) -> Log:
    """A log with a change at the router."""
    clock = SimulatedClock(START_MS - 86_400_000)
    timeline = Timeline(log, clock, "Europe/Berlin")
    timeline.at("kiln room")
    clock.advance(HOUR_S)
    timeline.changed("longer antennas")
    return log


# When


def test_a_log_without_a_second_version_starts_no_child(log):
    beside = Beside(log)
    Timeline(log, beside.clock, "Europe/Berlin").at("kiln room")
    beside.ticks(5 * HOUR_S)
    assert beside.n_runs == 0


def test_a_trial_that_was_never_judged_is_judged_soon_after_the_start_and_then_every_hour(trial):
    beside = Beside(trial)
    beside.ticks(SETTLE_S)
    assert beside.n_runs == 0
    beside.ticks(60)
    assert beside.n_runs == 1
    beside.ticks(5 * HOUR_S)
    assert beside.n_runs == 6


def test_a_restart_does_not_begin_the_hour_anew(trial):
    with trial.transaction() as db:
        keep_finding(db, Finding(PROGRESS, PROGRESS, "so far", {}), START_MS - 3_000_000)
    beside = Beside(trial)
    beside.ticks(540)
    assert beside.n_runs == 0
    beside.ticks(120)
    assert beside.n_runs == 1


def test_a_change_at_the_router_while_it_logs_is_judged_within_the_hour(log):
    beside = Beside(log)
    timeline = Timeline(log, beside.clock, "Europe/Berlin")
    timeline.at("kiln room")
    beside.ticks(1.5 * HOUR_S)
    timeline.changed("longer antennas")
    beside.ticks(HOUR_S)
    assert beside.n_runs == 1


def test_zero_means_never(trial):
    with trial.transaction() as db:
        keep_finding(db, a_finding("RSSI rose."), START_MS)
    beside = Beside(trial, every_s=0)
    beside.ticks(5 * HOUR_S)
    assert (beside.n_runs, beside.said) == (0, [])


def test_on_battery_it_waits_four_times_as_long_and_no_longer_than_until_it_is_charged_again(trial):
    beside = Beside(trial)
    beside.ticks(120)
    beside.unplugged = True
    beside.ticks(4 * HOUR_S - 120)
    assert beside.n_runs == 1
    beside.ticks(180)
    assert beside.n_runs == 2
    beside.ticks(2 * HOUR_S)
    assert beside.n_runs == 2
    beside.unplugged = False
    beside.ticks(120)
    assert beside.n_runs == 3


@pytest.mark.parametrize(
    ("battery", "unplugged"),
    [
        (None, False),
        (SimpleNamespace(power_plugged=False), True),
        (SimpleNamespace(power_plugged=True), False),
        (SimpleNamespace(power_plugged=None), False),
    ],
)
def test_a_machine_is_on_battery_only_where_it_says_so(monkeypatch, battery, unplugged):
    monkeypatch.setattr(psutil, "sensors_battery", lambda: battery, raising=False)
    assert runs_on_battery() is unplugged


# The child


def test_a_child_that_takes_long_delays_no_tick_and_is_alone(trial):
    beside = Beside(trial, program="import time; time.sleep(60)")
    beside.clock.advance(SETTLE_S)
    before_s = time.monotonic()
    beside.reviews.tick()
    until(lambda: beside.n_runs == 1)
    for _ in range(5):
        beside.clock.advance(LONGEST_S / 6)
        beside.reviews.tick()
    assert time.monotonic() - before_s < 20
    assert beside.n_runs == 1
    assert beside.err.getvalue() == ""
    beside.reviews.close()


def test_a_child_that_takes_too_long_is_ended_with_all_that_it_started_and_it_is_said(trial, tmp_path):
    pids = tmp_path / "pids"
    program = (
        "import os, subprocess, sys, time\n"
        "other = subprocess.Popen(['sleep', '60'])\n"
        f"open({str(pids)!r}, 'w').write(f'{{os.getpid()}} {{other.pid}}')\n"
        "time.sleep(60)"
    )
    beside = Beside(trial, program=program)
    beside.clock.advance(SETTLE_S)
    beside.reviews.tick()
    until(lambda: pids.exists() and len(pids.read_text().split()) == 2)
    beside.clock.advance(LONGEST_S + 1)
    beside.reviews.tick()
    assert "it took longer than 10 min" in beside.err.getvalue()
    until(lambda: not any(is_alive(int(pid)) for pid in pids.read_text().split()))


def test_time_asleep_does_not_end_a_child(trial):
    beside = Beside(trial, program="import time; time.sleep(60)")
    beside.clock.advance(SETTLE_S)
    beside.reviews.tick()
    beside.clock.suspend(8 * HOUR_S)
    beside.reviews.tick()
    assert beside.err.getvalue() == ""
    assert beside.reviews._child.poll() is None
    beside.reviews.close()


def test_the_end_of_logging_ends_the_child(trial, tmp_path):
    pid = tmp_path / "pid"
    beside = Beside(
        trial, program=f"import os, time; open({str(pid)!r}, 'w').write(f'{{os.getpid()}} '); time.sleep(60)"
    )
    beside.clock.advance(SETTLE_S)
    beside.reviews.tick()
    until(lambda: pid.exists() and pid.read_text().endswith(" "))
    beside.reviews.close()
    assert not is_alive(int(pid.read_text()))
    beside.reviews.close()


def is_alive(pid: int) -> bool:
    try:
        return psutil.Process(pid).status() != psutil.STATUS_ZOMBIE
    except psutil.NoSuchProcess:
        return False


def test_a_child_gives_way_to_everything_else():
    child = Child([sys.executable, "-S", "-c", "import time; time.sleep(60)"], SimulatedClock(START_MS))
    try:
        process = psutil.Process(child._process.pid)
        assert process.nice() == 19
        if sys.platform == "linux":
            assert process.ionice().ioclass == psutil.IOPRIO_CLASS_IDLE
    finally:
        child.end()


@pytest.mark.parametrize(
    ("program", "said"),
    [
        ("import sys; sys.exit('linktrial: the disk is full\\x1b[2J')", r"(the disk is full\x1b[2J); logging goes on"),
        ("import no_such_pandas", "No module named 'no_such_pandas'"),
        ("import os; os._exit(7)", "it ended with code 7"),
        ("import os; os.kill(os.getpid(), 9)", "it ended with code -9"),
    ],
)
def test_a_child_that_fails_is_said_once_until_one_succeeds(trial, program, said):
    works = trial.path.with_name("works")
    beside = Beside(trial, program=f"import os\nif not os.path.exists({str(works)!r}):\n    {program}")
    beside.ticks(3 * HOUR_S)
    assert beside.n_runs == 3
    assert len(beside.err.getvalue().splitlines()) == 1
    assert said in beside.err.getvalue()
    works.touch()
    beside.ticks(HOUR_S)
    works.unlink()
    beside.ticks(HOUR_S)
    assert len(beside.err.getvalue().splitlines()) == 2


def test_a_child_that_writes_much_is_not_stopped_by_it(trial):
    beside = Beside(trial, program="import sys; sys.stderr.write('x' * 1_000_000); sys.stdout.write('y' * 1_000_000)")
    beside.ticks(180)
    assert (beside.n_runs, beside.err.getvalue()) == (1, "")


def test_a_program_that_is_not_there_is_said_and_stops_nothing(trial):
    beside = Beside(trial)
    beside.reviews._command = ["/no/such/python"]
    beside.ticks(2 * HOUR_S)
    assert len(beside.err.getvalue().splitlines()) == 1
    assert "No such file" in beside.err.getvalue()


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
