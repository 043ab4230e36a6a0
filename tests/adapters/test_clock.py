"""The machine's clocks, and how late it may wake us."""

from __future__ import annotations

import subprocess
import sys

import pytest

from adapters.clock import SystemClock, share_wake_ups


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux can be asked")
def test_a_wish_to_be_woken_together_with_others_is_taken():
    program = (
        "from adapters.clock import share_wake_ups\n"
        "assert share_wake_ups(0.25)\n"
        "print(open('/proc/self/timerslack_ns').read())"
    )
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, check=True)
    assert int(done.stdout) == 250_000_000


def test_where_the_system_takes_no_wishes_nothing_happens(tmp_path):
    assert not share_wake_ups(0.25, str(tmp_path / "no/such/file"))


def test_the_clocks_go_forwards():
    clock = SystemClock()
    before = clock.utc_ms(), clock.awake_s(), clock.elapsed_s()
    after = clock.utc_ms(), clock.awake_s(), clock.elapsed_s()
    assert all(later >= earlier for earlier, later in zip(before, after, strict=True))
