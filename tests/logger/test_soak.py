"""The short form of the soak: a day of ticks with all that a day brings, and nothing that grows."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest

SOAK = Path(__file__).parents[1] / "bench/soak.py"


@pytest.mark.skipif(sys.platform != "linux", reason="reads /proc")
def test_a_day_of_ticks_leaves_memory_files_threads_and_the_write_ahead_log_as_they_were(tmp_path):
    command = [sys.executable, str(SOAK), "--days", "1", "--folder", str(tmp_path)]
    done = subprocess.run(command, capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    *_, last = [line.split() for line in done.stderr.splitlines() if line.strip()[:1].isdigit()]
    assert int(last[0].replace(",", "")) > 30_000
