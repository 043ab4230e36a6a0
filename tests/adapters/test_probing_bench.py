"""One stream of a probe moves 5 Gbit/s on loopback, or half of what curl does to the same far end in the same run."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

from needs import require_programs

BENCH = Path(__file__).parents[1] / "bench" / "loopback.py"


def test_a_probe_is_not_what_limits_a_transfer():
    require_programs("curl")
    done = subprocess.run(
        [sys.executable, str(BENCH), "--rounds", "1", "--seconds", "1.7"], capture_output=True, text=True, timeout=120
    )
    assert done.returncode == 0, done.stdout + done.stderr
