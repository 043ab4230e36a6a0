"""The daemon on a bus with a logind: what was measured is in the log before the laptop may sleep."""

from __future__ import annotations

import socket
import sqlite3
import threading
import time
from contextlib import ExitStack

import pytest
from needs import require_programs

from logger.schedule import OneThreadScheduler
from tests.adapters.private_bus import FakeLogind, private_bus
from tests.logger.test_log_command import daemon


@pytest.fixture
def logind(tmp_path, monkeypatch):
    require_programs("dbus-daemon")
    folder = tmp_path / "bus"
    folder.mkdir()
    with private_bus(folder) as address:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", address)
        made = FakeLogind(address)
        yield made
        made.close()


def n_logged(path) -> int:
    with sqlite3.connect(path) as db:
        n = db.execute("SELECT count(*) FROM sample").fetchone()[0]
    db.close()
    return n


def test_what_waits_for_its_commit_is_written_before_sleep_and_the_daemon_goes_on(tmp_path, logind):
    path = tmp_path / "pottery.db"
    with daemon(path, "--simulated", "1", "--interval", "0.1") as process:
        logind.give_lock()
        time.sleep(2)
        assert n_logged(path) == 0  # ten seconds have not gone by
        logind.tell(True)
        assert logind.lock_is_given_back()
        assert n_logged(path) >= 10
        logind.tell(False)
        logind.give_lock()
        process.terminate()
        process.communicate(timeout=20)
    assert process.returncode == 0
    with sqlite3.connect(path) as db:
        kinds = [row[0] for row in db.execute("SELECT kind FROM event ORDER BY id")]
    db.close()
    assert kinds == ["logger-started", "logger-stopped"]  # a sleep that was told and did not come is none


def test_a_bus_that_ends_does_not_end_the_daemon(tmp_path, monkeypatch):
    require_programs("dbus-daemon")
    with ExitStack() as stack:
        with private_bus(tmp_path) as address:
            monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", address)
            process = stack.enter_context(daemon(tmp_path / "pottery.db", "--simulated", "1", "--interval", "0.1"))
        time.sleep(1)
        assert process.poll() is None
        process.terminate()
        process.communicate(timeout=20)
    assert process.returncode == 0


def test_the_loop_hears_something_else_between_two_samples():
    ours, theirs = socket.socketpair()

    class Ear:
        def fileno(self) -> int:
            return ours.fileno()

        def hear(self) -> None:
            heard.append(ours.recv(10))
            if len(heard) == 2:
                ours.close()  # closed ears are not waited for
                scheduler.stop()

    heard: list[bytes] = []
    scheduler = OneThreadScheduler(lambda: None, 3_600_000, ear=Ear())
    speaker = threading.Thread(target=lambda: (theirs.send(b"a"), time.sleep(0.2), theirs.send(b"b")))
    speaker.start()
    begun_s = time.monotonic()
    scheduler.run()
    speaker.join()
    theirs.close()
    assert heard == [b"a", b"b"]
    assert time.monotonic() - begun_s < 8
