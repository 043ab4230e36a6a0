"""What the service manager is told: readiness, standing, signs of life at each turn of the loop, the end."""

from __future__ import annotations

import os
import signal
import socket
import subprocess
import sys
import time

import pytest

from logger.schedule import OneThreadScheduler
from logger.supervisor import TELL_EVERY_S, TOLD_AT_MOST, Supervisor
from tests.logger.scripted import clock as set_clock

pytestmark = pytest.mark.skipif(not hasattr(socket, "AF_UNIX"), reason="systemd's sockets are those of Unix")


class Manager:
    """The other end of NOTIFY_SOCKET."""

    def __init__(self, address: str) -> None:
        self.socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
        self.socket.bind(address)
        self.socket.settimeout(20)

    def heard(self) -> list[str]:
        return self.socket.recv(4096).decode().split("\n")

    def silent(self) -> bool:
        self.socket.setblocking(False)
        try:
            self.socket.recv(4096)
        except BlockingIOError:
            return True
        return False


@pytest.fixture
def address(tmp_path):
    return str(tmp_path / "notify")


@pytest.fixture
def manager(address):
    manager = Manager(address)
    yield manager
    manager.socket.close()


def test_it_is_told_of_the_beginning_and_the_end(manager, address):
    supervisor = Supervisor(set_clock(), {"NOTIFY_SOCKET": address})
    supervisor.ready("logs wlan0\nevery 5 s")
    assert manager.heard() == ["READY=1", "STATUS=logs wlan0 every 5 s"]
    supervisor.stopping()
    assert manager.heard() == ["STOPPING=1"]


def test_signs_of_life_come_four_times_in_the_watchdogs_time_and_no_oftener(manager, address):
    clock = set_clock()
    environ = {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "60000000", "WATCHDOG_PID": str(os.getpid())}
    supervisor = Supervisor(clock, environ)
    supervisor.alive(lambda: "so far 1 sample")
    assert manager.heard() == ["WATCHDOG=1", "STATUS=so far 1 sample"]
    n_told = 0
    for _ in range(60):
        clock.advance(1)
        supervisor.alive(lambda: "so far many")
        n_told += not manager.silent()
    assert n_told == 4
    assert not environ, "what the daemon starts has nothing to tell"


def test_time_asleep_does_not_count_for_systemd_counts_it_neither(manager, address):
    clock = set_clock()
    supervisor = Supervisor(clock, {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "60000000"})
    supervisor.alive(str)
    manager.heard()
    clock.suspend(8 * 3600)
    supervisor.alive(str)
    assert manager.silent()


@pytest.mark.parametrize("watchdog", [{}, {"WATCHDOG_USEC": "0"}, {"WATCHDOG_USEC": "soon"}, {"WATCHDOG_PID": "1"}])
def test_without_a_watchdog_it_hears_the_standing_alone(watchdog, manager, address):
    clock = set_clock()
    supervisor = Supervisor(
        clock,
        {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "4000000", **watchdog} if watchdog else {"NOTIFY_SOCKET": address},
    )
    supervisor.alive(lambda: "so far 1 sample")
    assert manager.heard() == ["STATUS=so far 1 sample"]
    clock.advance(TELL_EVERY_S - 1)
    supervisor.alive(str)
    assert manager.silent()


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux has abstract names")
def test_the_socket_may_have_an_abstract_name():
    name = f"linktrial-test-{os.getpid()}"
    manager = Manager(f"\0{name}")
    Supervisor(set_clock(), {"NOTIFY_SOCKET": f"@{name}"}).ready("x")
    assert manager.heard() == ["READY=1", "STATUS=x"]
    manager.socket.close()


@pytest.mark.parametrize("named", ["", "/nowhere/at/all", "vsock:2:1234", "relative"])
def test_where_nobody_listens_nothing_happens(named):
    supervisor = Supervisor(set_clock(), {"NOTIFY_SOCKET": named})
    supervisor.ready("x")
    supervisor.alive(lambda: "x")
    supervisor.stopping()


def test_a_status_is_one_short_line(manager, address):
    Supervisor(set_clock(), {"NOTIFY_SOCKET": address}).ready("SSID\nWATCHDOG=trigger " + "x" * 9999)
    _, status = manager.heard()
    assert status.startswith("STATUS=SSID WATCHDOG=trigger x")
    assert len(status) == len("STATUS=") + TOLD_AT_MOST


def test_the_loop_turns_between_points_that_are_far_apart(monkeypatch):
    """So a long interval trips no watchdog, and a job that hangs does."""
    monkeypatch.setattr("logger.schedule.LONGEST_WAIT_S", 0.02)
    turns = []

    def turned() -> None:
        turns.append(time.monotonic())
        if len(turns) == 5:
            scheduler.stop()

    scheduler = OneThreadScheduler(lambda: None, 3_600_000, each_turn=turned)
    scheduler.run()
    assert len(turns) == 5


def test_the_loop_wakes_once_for_each_point_of_the_grid():
    n_jobs = n_turns = 0

    def job() -> None:
        nonlocal n_jobs
        n_jobs += 1
        if n_jobs == 10:
            scheduler.stop()

    def turned() -> None:
        nonlocal n_turns
        n_turns += 1

    scheduler = OneThreadScheduler(job, 100, each_turn=turned)
    scheduler.run()
    assert n_jobs <= n_turns <= n_jobs + 2, "once more before the first; once more where a clock is slewed"


def test_the_daemon_is_ready_lives_and_ends(manager, address, tmp_path):
    """The very command of the units, under a service manager that is a socket."""
    environ = os.environ | {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "1000000"}
    command = [sys.executable, "-P", "-m", "logger.console", "log", "--simulated", "1", "--interval", "0.1"]
    with subprocess.Popen(
        [*command, "--db", str(tmp_path / "pottery.db")], env=environ, stdout=subprocess.PIPE
    ) as daemon:
        assert manager.heard() == ["READY=1", "WATCHDOG=1", "STATUS=logs wlan0 every 0.1 s"]
        beats = [manager.heard() for _ in range(3)]
        assert all(beat[0] == "WATCHDOG=1" and beat[1].startswith("STATUS=so far ") for beat in beats)
        daemon.send_signal(signal.SIGTERM)
        while (said := manager.heard()) != ["STOPPING=1"]:
            assert said[0] == "WATCHDOG=1"
        daemon.communicate(timeout=20)
    assert daemon.returncode == 0


def test_a_daemon_that_hangs_gives_no_more_signs_of_life_and_says_where_when_it_is_ended(manager, address, tmp_path):
    """What the watchdog sends is SIGABRT."""
    program = (
        "import sys, time, adapters.simulated.radio as radio\n"
        "from logger.console import main\n"
        "def hang(self): time.sleep(60)\n"
        "radio.SimulatedRadio.read = hang\n"
        "main(sys.argv[1:])\n"
    )
    command = [
        sys.executable,
        "-c",
        program,
        "log",
        "--simulated",
        "1",
        "--interval",
        "0.1",
        "--db",
        str(tmp_path / "p.db"),
    ]
    environ = os.environ | {"NOTIFY_SOCKET": address, "WATCHDOG_USEC": "400000"}
    with subprocess.Popen(command, env=environ, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as daemon:
        assert manager.heard()[0] == "READY=1"
        time.sleep(0.5)
        while not manager.silent():  # of the turns before the first tick
            pass
        time.sleep(0.8)
        assert manager.silent()
        daemon.send_signal(signal.SIGABRT)
        _, said = daemon.communicate(timeout=20)
    assert daemon.returncode == -signal.SIGABRT
    assert "in hang" in said
    assert "logger/sampler.py" in said
