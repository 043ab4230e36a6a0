"""The short form of the soak: a day of ticks with all that a day brings, and nothing that grows."""

from __future__ import annotations

import io
import subprocess
import sys
from pathlib import Path

import pytest

from logger.daemon import Daemon
from logger.log import Log
from logger.sampler import Sampler
from logger.voice import Voice
from tests.logger.scripted import ScriptedAdapter
from tests.logger.scripted import clock as set_clock

SOAK = Path(__file__).parents[1] / "bench/soak.py"


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_a_day_of_ticks_leaves_memory_files_threads_and_the_write_ahead_log_as_they_were(tmp_path):
    command = [sys.executable, str(SOAK), "--days", "1", "--folder", str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    *_, last = [line.split() for line in done.stderr.splitlines() if line.strip()[:1].isdigit()]
    assert int(last[0].replace(",", "")) > 30_000


def test_the_daemon_keeps_few_of_the_logs_pages_in_memory(tmp_path):
    clock = set_clock()
    with Log.open(tmp_path / "pottery.db") as log:
        sampler = Sampler(ScriptedAdapter(), clock, 5.0)
        Daemon(log, sampler, clock, Voice(io.StringIO(), io.StringIO()), interval_ms=5000).begin(
            version="1.2.3", adapter="scripted", interface="wlan0"
        )
        pages_kept = log.db.execute("PRAGMA cache_size").fetchone()[0]
    assert pages_kept == -512  # KiB
