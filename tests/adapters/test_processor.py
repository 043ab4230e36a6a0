"""How long a thread waits for a processor."""

from __future__ import annotations

import os
import subprocess
import sys
import time

import pytest

from adapters.processor import waited_s


@pytest.mark.parametrize("text", ["", "12", "a b c", "12 x 3"])
def test_a_system_that_does_not_tell_or_tells_otherwise_gives_none(tmp_path, text):
    assert waited_s(str(tmp_path / "not-there")) is None
    file = tmp_path / "schedstat"
    file.write_text(text)
    assert waited_s(str(file)) is None


def test_nanoseconds_become_seconds(tmp_path):
    file = tmp_path / "schedstat"
    file.write_text("5000000000 1500000000 77\n")
    assert waited_s(str(file)) == 1.5


@pytest.mark.skipif(sys.platform != "linux", reason="Linux alone tells")
def test_a_thread_that_shares_its_processor_waits_for_it():
    before = os.sched_getaffinity(0)
    one = {min(before)}
    os.sched_setaffinity(0, one)
    try:
        rival = subprocess.Popen([sys.executable, "-c", "while True: pass"])  # inherits the one processor
        time.sleep(0.2)
        began_s = waited_s()
        until_s = time.monotonic() + 1.0
        while time.monotonic() < until_s:
            pass
        waited = waited_s() - began_s
    finally:
        os.sched_setaffinity(0, before)
        rival.kill()
        rival.wait()
    assert 0.2 < waited < 1.0
