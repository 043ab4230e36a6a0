"""The id of a sample: its period, its time, and which of the readings of that millisecond it is, in 63 bits.

So the samples of a period lie side by side in the file, in order of time, and need no index. A millisecond has room
for 16 readings of one period; what comes beyond is kept as of the next one. A logger's clock that is set back shows
the same milliseconds again: there the last four bits are the number of the pass (logger/passes.py).
"""

from __future__ import annotations

TIME_BITS, NTH_BITS = 42, 4  # 2^42 ms after 1970 is in the year 2109
PERIOD_SHIFT = TIME_BITS + NTH_BITS
READINGS = 1 << NTH_BITS  # of one millisecond
LATEST_MS = (1 << TIME_BITS) - 1
FOREVER_MS = 1 << 62  # later than any time, for open ends


def sample_id(period_id: int, time_utc_ms: int, nth: int = 0) -> int:
    """The id of one reading of that millisecond, 0 <= ``nth`` < 16. Raises ValueError for a time before 1970 or
    after 2109."""
    if not 0 <= time_utc_ms <= LATEST_MS:
        raise ValueError(f"{time_utc_ms} ms lies before 1970 or after 2109")
    return period_id << PERIOD_SHIFT | time_utc_ms << NTH_BITS | nth


def ids_between(period_id: int, from_ms: int, to_ms: int) -> tuple[int, int]:
    """The half-open range of ids of a period's samples in [from_ms, to_ms); any integers will do."""
    first, end = (min(max(time_ms, 0), LATEST_MS + 1) for time_ms in (from_ms, to_ms))
    base = period_id << PERIOD_SHIFT
    return base + (first << NTH_BITS), base + (end << NTH_BITS)


def time_of(an_id: int) -> int:
    """The time in an id, in milliseconds since 1970 UTC."""
    return an_id >> NTH_BITS & LATEST_MS


def nth_of(an_id: int) -> int:
    """Which of the readings of its millisecond; of a logger's sample, the number of its pass modulo 16."""
    return an_id & READINGS - 1
