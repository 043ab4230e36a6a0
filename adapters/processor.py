"""How long this thread had to wait for a processor that others had."""

from __future__ import annotations


def waited_s(statistics: str = "/proc/thread-self/schedstat") -> float | None:
    """Seconds since it began in which it could have run and did not; None where the system does not tell. Linux does:
    the second number of Documentation/scheduler/sched-stats, in nanoseconds."""
    try:
        with open(statistics, encoding="ascii") as file:
            return int(file.read().split()[1]) / 1e9
    except (OSError, ValueError, IndexError):
        return None
