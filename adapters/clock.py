"""The three clocks a logger needs, with the choice per operating system in one place."""

from __future__ import annotations

import sys
import time
from typing import Protocol


class Clock(Protocol):
    """Wall time for stamps, two steady clocks for durations: one stops while the machine sleeps, one does not."""

    def utc_ms(self) -> int:
        """Wall clock, milliseconds since 1970-01-01 UTC. May be set back or forward by anyone."""

    def awake_s(self) -> float:
        """Steady seconds that leave out time asleep."""

    def elapsed_s(self) -> float:
        """Steady seconds that include time asleep."""


class SystemClock:
    """The machine's own clocks.

    On Linux CLOCK_MONOTONIC stops during suspend and CLOCK_BOOTTIME does not (man 2 clock_gettime). On macOS
    the *name* CLOCK_MONOTONIC_RAW includes sleep while time.monotonic() (mach_absolute_time) does not.
    """

    def utc_ms(self) -> int:
        return time.time_ns() // 1_000_000

    def awake_s(self) -> float:
        return time.monotonic()

    def elapsed_s(self) -> float:
        if sys.platform == "linux":
            return time.clock_gettime(time.CLOCK_BOOTTIME)
        if sys.platform == "darwin":
            return time.clock_gettime(time.CLOCK_MONOTONIC_RAW)
        return time.monotonic()


def share_wake_ups(slack_s: float, setting: str = "/proc/self/timerslack_ns") -> bool:
    """Let the system wake this thread up to ``slack_s`` late, together with whatever else is due by then, so that an
    idle machine sleeps longer at a stretch; 0: as late as is usual. Whether it took the wish; only Linux does (proc(5),
    timerslack_ns)."""
    try:
        with open(setting, "w", encoding="ascii") as slack_ns:
            slack_ns.write(str(round(slack_s * 1e9)))
    except OSError:
        return False
    return True
