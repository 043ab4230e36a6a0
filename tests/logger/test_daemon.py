"""The daemon: the clock's grid, commits in batches, patience with the log, and one daemon per log."""

from __future__ import annotations

import io
import os
import signal
import sqlite3
import subprocess
import sys
import threading
import time
from datetime import UTC, datetime, timedelta

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters import contract
from logger.backlog import Backlog
from logger.claim import Claim, holder
from logger.daemon import Daemon
from logger.errors import LogError, LogFull, LogInUse
from logger.log import Log
from logger.sample import Event, Sample
from logger.sampler import Sampler
from logger.schedule import EPOCH, GridTrigger, OneThreadScheduler, stopping_on_signals
from logger.voice import LINES_PER_MINUTE, Voice
from tests.logger.scripted import LINKED, LOST, START_MS, ScriptedAdapter
from tests.logger.scripted import clock as set_clock

# The grid

moments = st.datetimes(datetime(1970, 1, 2), datetime(2200, 1, 1), timezones=st.just(UTC))
intervals_ms = st.integers(100, 3_600_000)


@given(moments, st.none() | moments, intervals_ms)
def test_the_next_fire_time_is_the_first_multiple_of_the_interval_after_now_and_the_last(now, previous, interval_ms):
    after = max(now, previous or now)
    fires = GridTrigger(interval_ms).get_next_fire_time(previous, now)
    assert (fires - EPOCH) % timedelta(milliseconds=interval_ms) == timedelta(0)
    assert timedelta(0) < fires - after <= timedelta(milliseconds=interval_ms)


@given(moments, intervals_ms, st.integers(1, 50))
def test_the_grid_does_not_drift(start, interval_ms, n):
    trigger = GridTrigger(interval_ms)
    first = fires = trigger.get_next_fire_time(None, start)
    for _ in range(n):
        fires = trigger.get_next_fire_time(fires, fires + timedelta(microseconds=350))  # each tick a little late
    assert fires - first == n * timedelta(milliseconds=interval_ms)


def test_every_five_seconds_means_at_the_fives():
    now = datetime(2026, 11, 24, 14, 5, 3, 17, UTC)
    assert GridTrigger(5000).get_next_fire_time(None, now) == datetime(2026, 11, 24, 14, 5, 5, tzinfo=UTC)


def test_a_night_asleep_is_one_fire_time_and_not_thousands():
    evening, morning = datetime(2026, 11, 24, 22, tzinfo=UTC), datetime(2026, 11, 25, 7, 0, 0, 1, UTC)
    assert GridTrigger(100).get_next_fire_time(evening, morning) > morning


# The scheduler


def run_for(seconds: float, scheduler: OneThreadScheduler) -> None:
    timer = threading.Timer(seconds, scheduler.stop)
    timer.start()
    scheduler.run()
    timer.join()


def test_the_job_runs_on_the_calling_thread_just_after_each_point_of_the_grid():
    seen = []
    run_for(0.75, OneThreadScheduler(lambda: seen.append((threading.get_ident(), time.time())), 100))
    assert 3 <= len(seen) <= 8
    assert {thread for thread, _ in seen} == {threading.get_ident()}
    assert sorted(at % 0.1 for _, at in seen)[len(seen) // 2] < 0.05


def test_what_the_job_raises_ends_the_run_and_is_raised():
    def job() -> None:
        raise sqlite3.IntegrityError("a fault of the program")

    with pytest.raises(sqlite3.IntegrityError):
        OneThreadScheduler(job, 100).run()


def test_a_clock_set_back_by_a_day_does_not_silence_the_logger_for_a_day():
    seen = []
    scheduler = OneThreadScheduler(lambda: seen.append(1), 100)
    (job,) = scheduler.get_jobs()
    job.modify(next_run_time=datetime.now(UTC) + timedelta(days=1))  # as it stands after the clock was set back
    run_for(0.5, scheduler)
    assert seen


def test_a_tick_that_takes_longer_than_the_interval_leaves_points_out_and_piles_nothing_up():
    seen = []
    run_for(0.8, OneThreadScheduler(lambda: (seen.append(1), time.sleep(0.25)), 100))
    assert 1 <= len(seen) <= 4


# The backlog


class FlakyRecorder:
    """Records to a list; raises ``error`` instead where there is one."""

    def __init__(self) -> None:
        self.samples: list[Sample] = []
        self.events: list[Event] = []
        self.batches: list[int] = []
        self.error: Exception | None = None

    def record(self, samples, events) -> None:
        if self.error:
            raise self.error
        self.samples += samples
        self.events += events
        self.batches.append(len(samples))


def quiet_voice() -> Voice:
    return Voice(io.StringIO(), io.StringIO())


def fill(backlog: Backlog, n: int, interval_s: float, first: int = 0) -> None:
    for number in range(first, first + n):
        at_s = number * interval_s
        utc_ms = START_MS + round(at_s * 1000)
        backlog.add([Sample(utc_ms, None)], [], at_s)
        backlog.write_if_due(utc_ms, at_s)


def test_a_signal_that_was_ignored_from_the_start_stays_so(monkeypatch):
    """nohup, and a shell for what it runs in the background, ask for that."""
    stops = []
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with stopping_on_signals(lambda: stops.append(1)):
            signal.raise_signal(signal.SIGHUP)
            assert not stops
            signal.raise_signal(signal.SIGTERM)
            assert stops
        assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, before)


@pytest.mark.parametrize(("interval_s", "batch"), [(0.1, 100), (1, 10), (5, 2), (7, 1), (10, 1), (3600, 1)])
def test_samples_are_committed_in_batches_of_ten_seconds_at_most(interval_s, batch):
    recorder = FlakyRecorder()
    fill(Backlog(recorder, quiet_voice(), commit_s=10, interval_s=interval_s), 1000, interval_s)
    assert max(recorder.batches) * interval_s <= max(10, interval_s)
    assert max(recorder.batches) >= min(batch, 99)
    assert len(recorder.batches) >= 1000 // batch


@pytest.mark.parametrize("error", [LogFull("no room"), LogError("busy"), sqlite3.OperationalError("disk I/O error")])
def test_while_the_log_cannot_be_written_samples_wait_and_it_is_said_once(error):
    recorder, err = FlakyRecorder(), io.StringIO()
    backlog = Backlog(recorder, Voice(io.StringIO(), err), commit_s=10, interval_s=5)
    recorder.error = error
    fill(backlog, 100, 5)
    assert len(err.getvalue().splitlines()) == 1
    assert str(error) in err.getvalue()
    recorder.error = None
    fill(backlog, 1, 5, first=100)
    assert [sample.time_utc_ms for sample in recorder.samples] == [START_MS + 5000 * n for n in range(101)]
    assert recorder.events == []


def test_beyond_the_bound_the_oldest_are_dropped_and_an_event_tells_how_many():
    recorder = FlakyRecorder()
    backlog = Backlog(recorder, quiet_voice(), commit_s=10, interval_s=5, kept_at_most=20)
    recorder.error = LogFull("no room")
    fill(backlog, 50, 5)
    recorder.error = None
    fill(backlog, 1, 5, first=50)
    assert len(recorder.samples) == 20
    detail = {"n": 31, "from_utc_ms": START_MS, "to_utc_ms": START_MS + 30 * 5000}
    assert recorder.events == [Event(START_MS + 50 * 5000, "samples-dropped", detail)]
    fill(backlog, 10, 5, first=51)
    assert len(recorder.events) == 1


def test_a_fault_of_the_program_is_not_taken_for_a_full_disk():
    recorder = FlakyRecorder()
    recorder.error = sqlite3.IntegrityError("CHECK constraint failed")
    with pytest.raises(sqlite3.IntegrityError):
        fill(Backlog(recorder, quiet_voice(), commit_s=10, interval_s=10), 1, 10)


# The daemon on a log


class Run:
    """A daemon on a real log, with a scripted adapter and a clock set by hand."""

    def __init__(self, log: Log, interval_ms: int = 5000, terminal: bool = False) -> None:
        self.log, self.interval_ms = log, interval_ms
        self.adapter, self.clock = ScriptedAdapter(), set_clock()
        self.out, self.err = io.StringIO(), io.StringIO()
        self.out.isatty = lambda: terminal
        sampler = Sampler(self.adapter, self.clock, interval_ms / 1000)
        self.daemon = Daemon(log, sampler, self.clock, Voice(self.out, self.err), interval_ms=interval_ms)
        self.daemon.begin(version="1.2.3", adapter="scripted", interface="wlan0")

    def ticks(self, n: int) -> None:
        for _ in range(n):
            self.daemon.tick()
            self.clock.advance(self.interval_ms / 1000)

    def times(self) -> list[int]:
        return [row[0] for row in self.log.db.execute("SELECT time_utc_ms FROM sample ORDER BY time_utc_ms")]

    def kinds(self) -> list[str]:
        return [row[0] for row in self.log.db.execute("SELECT kind FROM event ORDER BY id")]


@pytest.fixture
def run(log) -> Run:
    return Run(log)


def test_a_run_leaves_its_samples_its_pace_and_its_two_events(run):
    run.ticks(7)
    assert run.daemon.end()
    assert run.times() == [START_MS + 5000 * n for n in range(7)]
    assert run.kinds() == ["logger-started", "logger-stopped"]
    assert run.log.db.execute("SELECT interval_ms FROM pace").fetchone()[0] == 5000


def test_a_power_cut_takes_ten_seconds_of_samples_at_most(run, tmp_path):
    run.ticks(7)
    with sqlite3.connect(tmp_path / "pottery.db") as other:  # what anybody but the daemon can see
        committed = other.execute("SELECT count(*) FROM sample").fetchone()[0]
    other.close()
    assert 7 - committed <= 1


def test_a_tick_nearer_to_the_next_point_of_the_grid_takes_no_sample(run):
    run.clock.advance(2.4)
    run.daemon.tick()
    run.clock.advance(0.2)
    run.daemon.tick()
    run.daemon.end()
    assert run.times() == [START_MS + 2400]


def test_a_full_disk_loses_nothing_that_was_logged_and_nothing_that_fits_into_memory(run):
    run.ticks(10)
    logged = len(run.times())
    pages = run.log.db.execute("PRAGMA page_count").fetchone()[0]
    run.log.db.execute(f"PRAGMA max_page_count = {pages}")
    run.ticks(500)
    assert "no room" in run.err.getvalue()
    assert len(run.err.getvalue().splitlines()) == 1
    assert logged <= len(run.times()) < 510
    run.log.db.execute("PRAGMA max_page_count = 1000000")
    run.ticks(1)
    assert run.daemon.end()
    assert len(run.times()) == 511
    assert "can be written again" in run.out.getvalue()


def test_a_command_that_holds_the_log_delays_the_samples_and_loses_none(run, tmp_path):
    other = sqlite3.connect(tmp_path / "pottery.db", isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    run.log.db.execute("PRAGMA busy_timeout = 0")
    run.ticks(4)
    other.execute("ROLLBACK")
    other.close()
    run.ticks(2)
    run.daemon.end()
    assert len(run.times()) == 6


def test_a_log_that_cannot_be_written_at_the_end_is_said(run):
    run.ticks(1)
    run.log.db.execute("PRAGMA query_only = ON")
    assert not run.daemon.end()
    assert "cannot be written" in run.err.getvalue()


def test_a_failing_adapter_never_ends_the_daemon(run):
    run.ticks(2)
    run.adapter.reading = RuntimeError("the driver went mad")
    run.ticks(5)
    run.adapter.reading = contract.InterfaceGone("wlan0 is gone; plug it in again")
    run.ticks(5)
    run.adapter.reading = LINKED
    run.ticks(15)
    run.daemon.end()
    assert run.kinds() == [
        "logger-started", "adapter-failed", "interface-gone", "adapter-recovered", "interface-back", "logger-stopped"
    ]  # fmt: skip
    assert "RuntimeError: the driver went mad" in run.out.getvalue()


def test_a_clock_set_back_loses_nothing_that_was_logged(run):
    run.ticks(4)
    run.clock.set_wall(START_MS - 3_600_000)
    run.ticks(4)
    run.daemon.end()
    assert len(run.times()) == 8
    assert "clock-set" in run.kinds()


# What it says


def test_in_a_journal_it_says_plain_lines_and_a_summary_every_hour(log):
    run = Run(log, interval_ms=60_000)
    run.ticks(2)
    run.adapter.reading = LOST
    run.ticks(60)
    run.daemon.end()
    lines = run.out.getvalue().splitlines()
    assert [line.split(" ", 1)[1] for line in lines] == [
        f"linktrial 1.2.3 logs wlan0 (scripted) every 60 s into {run.log.path}",
        "the link was lost",
        "so far 61 samples, 59 of them without a link, and 1 event",
        "stopped after 62 samples",
    ]


def test_on_a_terminal_one_line_is_redrawn_with_hostile_names_escaped(log):
    run = Run(log, terminal=True)
    run.adapter.change(ssid=b"\x1b[2J\r<script>\xff")
    run.ticks(5)
    said = run.out.getvalue()
    assert "-61 dBm" in said
    assert "v1, unnamed spot" in said
    assert r"\x1b[2J\x0d<script>\xff" in said
    assert said.count("\n") == 1  # the first line only
    assert said.replace("\r\x1b[K", "").replace("\n", "").isprintable()


def test_an_interface_that_flaps_does_not_fill_the_journal():
    out = io.StringIO()
    voice = Voice(out, io.StringIO())
    for n in range(1000):
        voice.event(START_MS + n, f"event {n}")
    voice.event(START_MS + 60_000, "a minute later")
    lines = out.getvalue().splitlines()
    assert len(lines) == LINES_PER_MINUTE + 2
    assert lines[-2].endswith(f"{1000 - LINES_PER_MINUTE} more events were logged")


def test_a_reader_that_goes_away_stops_nothing():
    class Gone(io.StringIO):
        def write(self, text: str) -> int:
            raise BrokenPipeError

    err = io.StringIO()
    voice = Voice(Gone(), err)
    voice.line(START_MS, "one")
    voice.complain("the other reader still listens")
    voice.close()
    assert err.getvalue() == "linktrial: the other reader still listens\n"


# One daemon per log


def test_a_log_is_claimed_by_one_at_a_time(tmp_path):
    log = tmp_path / "pottery.db"
    assert holder(log) is None
    with Claim.take(log):
        assert holder(log) == os.getpid()
        with pytest.raises(LogInUse, match=f"process {os.getpid()} is logging into .*pottery.db already"):
            Claim.take(log)
    assert holder(log) is None
    Claim.take(log).release()


def test_two_names_of_one_log_are_one_log(tmp_path):
    log, other_name = tmp_path / "pottery.db", tmp_path / "link.db"
    log.touch()
    other_name.symlink_to(log)
    with Claim.take(log), pytest.raises(LogInUse):
        Claim.take(other_name)


def test_the_claim_of_a_daemon_that_was_killed_is_free(tmp_path):
    log = tmp_path / "pottery.db"
    program = "import sys, time; from pathlib import Path; from logger.claim import Claim\n"
    program += "claim = Claim.take(Path(sys.argv[1])); print('mine', flush=True); time.sleep(60)"
    with subprocess.Popen([sys.executable, "-c", program, str(log)], stdout=subprocess.PIPE) as killed:
        assert killed.stdout.readline() == b"mine\n"
        assert holder(log) == killed.pid
        killed.kill()
    assert holder(log) is None
    Claim.take(log).release()


def test_the_claim_lets_sqlite_do_its_own_locking(tmp_path):
    with Log.open(tmp_path / "pottery.db") as log, Claim.take(log.path):
        holder(log.path)
        other = sqlite3.connect(log.path, timeout=0)
        with log.transaction(), pytest.raises(sqlite3.OperationalError, match="locked"):
            other.execute("BEGIN IMMEDIATE")
        other.close()


def test_a_folder_that_cannot_be_written_is_said_in_one_line(tmp_path):
    with pytest.raises(LogError, match="cannot be written"):
        Claim.take(tmp_path / "no such folder" / "pottery.db")
