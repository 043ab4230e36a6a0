"""logind's word before sleep, on a bus of our own; and no trouble where there is none."""

from __future__ import annotations

import select
import socket
import time

import pytest
from jeepney import new_signal
from jeepney.bus_messages import message_bus
from jeepney.io.blocking import open_dbus_connection
from needs import require_programs

from adapters import sleep_signal
from adapters.sleep_signal import SleepSignal
from tests.adapters.private_bus import MANAGER, FakeLogind, private_bus


@pytest.fixture
def bus(tmp_path, monkeypatch):
    require_programs("dbus-daemon")
    with private_bus(tmp_path) as address:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", address)
        yield address


@pytest.fixture
def logind(bus):
    made = FakeLogind(bus)
    yield made
    made.close()


def hear(signal: SleepSignal, until, seconds: float = 10) -> None:
    """Listen as the daemon's loop does, until something has come of it."""
    deadline_s = time.monotonic() + seconds
    while not until():
        assert time.monotonic() < deadline_s, "it did not come"
        if signal.fileno() < 0:
            return
        if select.select([signal], [], [], 0.1)[0]:
            signal.hear()


def test_sleep_waits_until_we_are_ready_and_waking_is_told(logind):
    told, held = [], []

    def on_sleep(begins: bool) -> None:
        told.append(begins)
        held.append(not logind.lock_is_given_back(0))

    signal = SleepSignal.open(on_sleep)
    assert logind.give_lock() == ("sleep", "linktrial", "what was measured is written", "delay")
    hear(signal, lambda: signal._lock is not None)
    logind.tell(True)
    hear(signal, lambda: told == [True])
    assert held == [True]
    assert logind.lock_is_given_back()
    logind.tell(False)
    hear(signal, lambda: told == [True, False])
    logind.give_lock()  # for the next time
    hear(signal, lambda: signal._lock is not None)
    signal.close()
    assert logind.lock_is_given_back()
    signal.close()


def test_a_signal_of_somebody_else_is_none(bus, logind):
    told = []
    signal = SleepSignal.open(told.append)
    logind.give_lock()
    hear(signal, lambda: signal._lock is not None)
    with open_dbus_connection(bus) as stranger:
        stranger.send(new_signal(MANAGER, "PrepareForSleep", "b", (True,)))
        stranger.send_and_get_reply(message_bus.GetId())  # by then the bus has passed it on
    logind.tell(False)
    hear(signal, lambda: bool(told))
    assert told == [False]
    signal.close()


def test_without_logind_on_the_bus_nothing_is_told_and_nothing_waits(bus):
    told = []
    signal = SleepSignal.open(told.append)
    begun_s = time.monotonic()
    while time.monotonic() - begun_s < 0.5:
        if select.select([signal], [], [], 0.1)[0]:
            signal.hear()
    assert signal.fileno() >= 0
    assert told == []
    signal.close()


def test_a_bus_that_ends_is_let_go(tmp_path, monkeypatch):
    require_programs("dbus-daemon")
    with private_bus(tmp_path) as address:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", address)
        signal = SleepSignal.open(lambda begins: None)
    hear(signal, lambda: signal.fileno() < 0)
    assert signal.fileno() == -1
    signal.hear()
    signal.close()


@pytest.mark.parametrize("address", ["unix:path=/nowhere/at/all", "tcp:host=localhost", "nonsense", "unix:x=1"])
def test_where_there_is_no_bus_there_is_no_trouble(monkeypatch, address):
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", address)
    assert SleepSignal.open(lambda begins: None) is None


def test_where_no_bus_can_be_its_library_is_left_alone(monkeypatch):
    monkeypatch.delenv("DBUS_SYSTEM_BUS_ADDRESS", raising=False)
    monkeypatch.setattr(sleep_signal, "_USUAL_BUS", "/nowhere/at/all")
    monkeypatch.setattr("jeepney.bus.get_bus", lambda name: pytest.fail("it was asked for a bus"))
    assert SleepSignal.open(lambda begins: None) is None


def test_a_bus_that_never_answers_does_not_hold_us(tmp_path, monkeypatch):
    monkeypatch.setattr(sleep_signal, "CONNECT_WITHIN_S", 0.2)
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path / 'silent'}")
    with socket.socket(socket.AF_UNIX) as silent:
        silent.bind(str(tmp_path / "silent"))
        silent.listen()
        begun_s = time.monotonic()
        assert SleepSignal.open(lambda begins: None) is None
        assert time.monotonic() - begun_s < 5


def test_a_word_that_is_not_as_it_should_be_ends_the_listening_and_nothing_else(bus, logind):
    told = []
    signal = SleepSignal.open(told.append)
    logind.give_lock()
    hear(signal, lambda: signal._lock is not None)
    logind.connection.send(new_signal(MANAGER, "PrepareForSleep"))
    hear(signal, lambda: signal.fileno() < 0)
    assert (signal.fileno(), told) == (-1, [])
    assert logind.lock_is_given_back()


def test_a_bus_that_speaks_nonsense_is_let_go():
    ours, theirs = socket.socketpair()
    signal = SleepSignal(ours, lambda begins: None)
    theirs.sendall(b"\xff" * 64)
    hear(signal, lambda: signal.fileno() < 0)
    assert signal.fileno() == -1
    theirs.close()
