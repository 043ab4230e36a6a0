"""The running trial judged beside the daemon: when a child is started, and how it ends."""

from __future__ import annotations

import sqlite3
import sys
import time
from types import SimpleNamespace

import psutil
import pytest

from adapters.simulated.clock import SimulatedClock
from logger.child import LEAVE_S, Child, runs_on_battery
from logger.findings import PROGRESS, Finding, keep_finding
from logger.log import Log
from logger.review import LONGEST_S, SETTLE_S
from logger.timeline import Timeline
from tests.logger.beside import HOUR_S, Beside, a_finding, begin_trial, until
from tests.logger.conftest import START_MS


@pytest.fixture
def trial(log) -> Log:
    """A log with a change at the router."""
    return begin_trial(log)


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
    until(lambda: (beside.reviews.tick(), beside.err.getvalue())[1])
    assert "it took longer than 10 min" in beside.err.getvalue()
    until(lambda: not any(is_alive(int(pid)) for pid in pids.read_text().split()))


def test_a_child_that_takes_too_long_may_keep_what_it_has_done(trial, tmp_path):
    begun, kept = tmp_path / "begun", tmp_path / "kept"
    program = (
        "import signal, sys, time\n"
        "signal.signal(signal.SIGTERM, lambda *_: sys.exit(143))\n"
        f"try:\n    open({str(begun)!r}, 'w'); time.sleep(60)\n"
        f"finally:\n    open({str(kept)!r}, 'w')"
    )
    beside = Beside(trial, program=program)
    beside.clock.advance(SETTLE_S)
    beside.reviews.tick()
    until(begun.exists)
    beside.clock.advance(LONGEST_S + 1)
    until(lambda: (beside.reviews.tick(), beside.err.getvalue())[1])
    assert kept.exists()
    assert beside.err.getvalue().count("it took longer than 10 min") == 1
    assert beside.reviews._child is None


def test_a_child_that_does_not_hear_is_killed_some_seconds_later(trial, tmp_path):
    deaf = tmp_path / "deaf"
    program = (
        f"import signal, time; signal.signal(signal.SIGTERM, signal.SIG_IGN); open({str(deaf)!r}, 'w'); time.sleep(60)"
    )
    beside = Beside(trial, program=program)
    beside.clock.advance(SETTLE_S)
    beside.reviews.tick()
    until(deaf.exists)
    pid = beside.reviews._child._process.pid
    beside.clock.advance(LONGEST_S + 1)
    for _ in range(3):
        beside.reviews.tick()
        beside.clock.advance(LEAVE_S / 3)
        assert is_alive(pid)
    beside.clock.advance(0.1)
    beside.reviews.tick()
    assert not is_alive(pid)
    assert "it took longer than 10 min" in beside.err.getvalue()


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


def test_what_nobody_expected_is_complained_of_once_and_logging_goes_on(trial, monkeypatch):
    beside = Beside(trial)

    def fail(*_: object) -> None:
        raise RuntimeError("no such\x1b[2J thing")

    monkeypatch.setattr("logger.review.running_trial", fail)
    beside.ticks(2 * HOUR_S)
    assert beside.err.getvalue() == (
        "linktrial: reviews of the running trial do not work (RuntimeError: no such\\x1b[2J thing); logging goes on\n"
    )
    monkeypatch.undo()
    beside.ticks(HOUR_S)
    assert beside.n_runs == 1


def test_a_damaged_log_is_left_for_the_writing_of_samples_to_tell(trial):
    beside = Beside(trial)

    class Damaged:
        def execute(self, *_: object) -> None:
            raise sqlite3.DatabaseError("database disk image is malformed")

    db, trial.db = trial.db, Damaged()
    beside.ticks(HOUR_S)
    trial.db = db
    assert beside.err.getvalue().count("malformed") == 1
