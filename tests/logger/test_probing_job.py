"""The daemon's probes: a child at each point of the grid, watched without waiting, and never a fault of logging."""

from __future__ import annotations

import io
import os
import sys
import time

import pytest

from adapters.simulated.clock import SimulatedClock
from logger.claim import Claim
from logger.log import Log
from logger.probe_table import begin_probe, newest_probe
from logger.probing.job import LATE_MS, LONGEST_S, Probes
from logger.probing.plan import phase_ms, turn_before
from logger.probing.standing import PURPOSE, log_number
from logger.voice import Voice
from tests.logger.beside import until
from tests.logger.conftest import START_MS

HALF_HOUR_S = 1800.0


class Beside:
    """Probes on a real log with a clock set by hand; each child notes when it began and runs ``program``."""

    def __init__(self, log: Log, *, every_s: float = HALF_HOUR_S, program: str = "") -> None:
        self.log, self.every_ms = log, round(every_s * 1000)
        self.clock = SimulatedClock(START_MS)
        self.out, self.err = io.StringIO(), io.StringIO()
        self.runs = log.path.with_name("runs")
        note = f"open({str(self.runs)!r}, 'a').write('x')\n"
        command = [sys.executable, "-S", "-c", note + program, str(log.path)]
        self.probes = Probes(log, self.clock, Voice(self.out, self.err), every_s=every_s, command=command)

    @property
    def phase(self) -> int:
        return phase_ms(log_number(self.log.db), self.every_ms)

    def to_the_next_turn(self) -> None:
        now = self.clock.utc_ms()
        self.clock.advance((turn_before(now, self.every_ms, self.phase) + self.every_ms - now) / 1000)

    def ticks(self, seconds: float, step_s: float = 10.0) -> None:
        """So many seconds go by, children ending at once."""
        for _ in range(round(seconds / step_s)):
            self.probes.tick()
            until(lambda: self.probes._child is None or self.probes._child.poll() is not None)
            self.probes.tick()
            self.clock.advance(step_s)

    @property
    def n_runs(self) -> int:
        return len(self.runs.read_text()) if self.runs.exists() else 0


def test_one_child_for_each_point_of_the_grid_and_none_at_the_start(log):
    beside = Beside(log)
    beside.probes.tick()
    assert beside.n_runs == 0
    beside.to_the_next_turn()
    beside.ticks(5 * HALF_HOUR_S)
    assert beside.n_runs == 5


def test_zero_means_none(log):
    beside = Beside(log, every_s=0)
    beside.ticks(3600)
    assert beside.n_runs == 0


def test_a_turn_that_was_slept_through_is_left_out(log):
    beside = Beside(log)
    beside.probes.tick()
    beside.to_the_next_turn()
    beside.clock.suspend(LATE_MS / 1000 + 1)
    beside.ticks(600)
    assert beside.n_runs == 0
    beside.to_the_next_turn()
    beside.ticks(60)
    assert beside.n_runs == 1


def test_a_clock_that_is_set_back_repeats_no_turn(log):
    beside = Beside(log)
    beside.probes.tick()
    beside.to_the_next_turn()
    beside.ticks(30)
    beside.clock.set_wall(beside.clock.utc_ms() - 1_800_000)
    beside.ticks(600)
    assert beside.n_runs == 1


def test_a_child_has_the_daemon_s_own_priority_and_delays_no_tick(log):
    nice = log.path.with_name("nice")
    program = f"import os, time; open({str(nice)!r}, 'w').write(str(os.nice(0))); time.sleep(60)"
    beside = Beside(log, program=program)
    beside.probes.tick()
    beside.to_the_next_turn()
    before_s = time.monotonic()
    beside.probes.tick()
    until(lambda: nice.exists() and nice.read_text() != "")
    assert int(nice.read_text()) == os.nice(0)
    for _ in range(5):
        beside.clock.advance(LONGEST_S / 6)
        beside.probes.tick()
    assert time.monotonic() - before_s < 20
    assert (beside.n_runs, beside.err.getvalue()) == (1, "")
    beside.probes.close()


def test_one_that_takes_too_long_is_ended_and_it_is_said_once(log):
    beside = Beside(log, program="import time; time.sleep(60)")
    beside.probes.tick()
    for _ in range(2):
        beside.to_the_next_turn()
        beside.probes.tick()
        begun = beside.probes._child
        assert begun is not None
        beside.clock.advance(LONGEST_S + 1)
        assert beside.probes.running
        until(lambda: (beside.probes.tick(), not beside.probes.running)[1])
    assert beside.err.getvalue().count("it took longer than 8 min") == 1


def test_a_failure_is_told_once_until_a_turn_goes_well_and_logging_goes_on(log):
    flag = log.path.with_name("well")
    program = f"import os, sys; sys.exit(0 if os.path.exists({str(flag)!r}) else 'linktrial: wlan0 is gone\\x1b[2J')"
    beside = Beside(log, program=program)
    beside.probes.tick()
    beside.to_the_next_turn()
    beside.ticks(3 * HALF_HOUR_S)
    assert beside.n_runs == 3
    assert beside.err.getvalue().count("a probe could not be taken (wlan0 is gone\\x1b[2J)") == 1
    flag.touch()
    beside.ticks(HALF_HOUR_S)
    flag.unlink()
    beside.ticks(HALF_HOUR_S)
    assert beside.err.getvalue().count("could not be taken") == 2


def test_a_command_that_is_not_there_ends_nothing(log):
    beside = Beside(log)
    beside.probes._command = ["/nowhere/linktrial"]
    beside.probes.tick()
    beside.to_the_next_turn()
    beside.ticks(600)
    assert "a probe could not be taken (FileNotFoundError" in beside.err.getvalue()


@pytest.mark.skipif(sys.platform == "win32", reason="kills")
def test_a_child_that_was_killed_leaves_a_row_that_has_failed(log):
    program = (
        "import os, signal, sqlite3, sys\n"
        "db = sqlite3.connect(sys.argv[1])\n"
        f"db.execute(\"INSERT INTO probe (started_at_utc_ms, far_end, outcome) VALUES ({START_MS}, '', 'running')\")\n"
        "db.commit()\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    beside = Beside(log, program=program)
    beside.probes.tick()
    beside.to_the_next_turn()
    beside.ticks(10)
    probe = newest_probe(log.db)
    assert (probe.outcome, probe.words) == ("failed", "it ended without a word")
    assert START_MS <= probe.ended_at_utc_ms <= START_MS + 600_000


def test_what_a_daemon_that_was_killed_left_running_has_failed_at_the_next_start(log):
    begin_probe(log, START_MS - 5000)
    Beside(log).probes.tick()
    probe = newest_probe(log.db)
    assert (probe.outcome, probe.ended_at_utc_ms) == ("failed", START_MS)


def test_a_probe_that_somebody_takes_by_hand_just_then_is_let_be(log):
    begin_probe(log, START_MS - 5000)
    with Claim.take(log.path, PURPOSE):
        Beside(log).probes.tick()
    assert newest_probe(log.db).outcome == "running"


def test_the_end_of_the_daemon_ends_a_turn(log):
    beside = Beside(log, program="import time; time.sleep(60)")
    beside.probes.tick()
    beside.to_the_next_turn()
    beside.probes.tick()
    child = beside.probes._child
    begin_probe(log, beside.clock.utc_ms())
    beside.probes.close()
    assert child.poll() is not None
    assert newest_probe(log.db).outcome == "failed"
    beside.probes.close()
