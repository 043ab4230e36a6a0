"""When probes take their turns, and how many bytes each may move. Pure arithmetic.

Turns lie on a grid of the clock whose phase is the log's own, so that two laptops do not meet. A day's budget is shared
by its turns alike. Where a share would be too small for a transfer to get beyond slow start, only one turn in n runs,
and begins a day one turn earlier than the day before: over n days each time of day comes up as often as any other.
"""

from __future__ import annotations

from datetime import UTC, datetime, time, timedelta
from hashlib import sha256
from typing import NamedTuple
from zoneinfo import ZoneInfo

TRANSFERS = 4  # of a probe: down and up, with one stream and with several
LEAST_BYTES = 4_000_000  # of a transfer that is to get beyond slow start, where no probe has told how fast the link is
TOLD_AFTER_S = 2.0  # a transfer has settled and lasted by then: adapters/probing/steady.py

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MS = timedelta(milliseconds=1)


class Share(NamedTuple):
    """What one turn may do. ``n_bytes``: at most so many in all, None without a limit; 0: it is left out, and
    ``words`` say why."""

    n_bytes: int | None
    words: str = ""


class Day(NamedTuple):
    """A day of the local clock, half-open, in milliseconds since 1970 UTC; ``ordinal`` counts days."""

    started_at_utc_ms: int
    ended_at_utc_ms: int
    ordinal: int


def phase_ms(identity: str, every_ms: int) -> int:
    """How far after a whole multiple of ``every_ms`` the turns of the log lie whose number that is."""
    return int.from_bytes(sha256(identity.encode()).digest()[:8], "big") % every_ms


def turn_before(now_ms: int, every_ms: int, phase: int) -> int:
    """The latest turn of the grid that is not after ``now_ms``."""
    return now_ms - (now_ms - phase) % every_ms


def day_of(now_ms: int, zone: str) -> Day:
    """The local day that holds ``now_ms``: from midnight to midnight, 23 to 25 hours."""
    local_zone = ZoneInfo(zone)
    date = (_EPOCH + now_ms * _MS).astimezone(local_zone).date()
    ends = [datetime.combine(day, time(), local_zone) for day in (date, date + timedelta(days=1))]
    begins_ms, ends_ms = ((end - _EPOCH) // _MS for end in ends)
    return Day(begins_ms, ends_ms, date.toordinal())


def least_bytes(mbps: float | None) -> int:
    """What a whole probe has to move at least, given how fast the link was last (None: not known)."""
    per_transfer = LEAST_BYTES if mbps is None else max(LEAST_BYTES, round(mbps * 125_000 * TOLD_AFTER_S))
    return TRANSFERS * per_transfer


def share_of(turn_ms: int, *, every_ms: int, day: Day, budget: int, used: int, least: int) -> Share:
    """What the turn at ``turn_ms`` may move. All in bytes: the ``budget`` of the day (0: none), what was ``used`` of it
    before, the ``least`` that makes sense."""
    if not budget:
        return Share(None)
    if budget < least:
        return Share(0, f"the day's budget of {_mb(budget)} is less than the {_mb(least)} of one probe")
    first_ms = day.started_at_utc_ms + (turn_ms - day.started_at_utc_ms) % every_ms
    place = (turn_ms - first_ms) // every_ms  # of this turn among the day's
    n_turns = place + 1 + (day.ended_at_utc_ms - 1 - turn_ms) // every_ms
    one_in = -(-n_turns // (budget // least))
    if (place + day.ordinal) % one_in:
        return Share(0, f"one turn in {one_in} runs, for the day's budget of {_mb(budget)}")
    share = max(0, budget - used) // len(range(place, n_turns, one_in))
    if share < least / 2:  # some was spent by hand; short of that, all that are to run do
        left = f"of the day's budget of {_mb(budget)} this turn's share is {_mb(share)}"
        return Share(0, f"{left}, less than the {_mb(least)} of one probe")
    return Share(share)


def _mb(n_bytes: int) -> str:
    return f"{n_bytes / 1e6:,.0f} MB"
