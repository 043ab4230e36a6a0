"""Where a transfer's steady part begins: goodput is told of TCP in equilibrium, not of its slow start (RFC 6349, 3.3).

The rule, on running totals taken about every 100 ms, when the transfer is over:

1. Rates are taken over windows of .3 s. The *level* is the median of those that end in the latter half of the time.
2. The steady part begins at the end of the first window that has half of the level and is not followed by one with more
   than 1.25 times as much, but not before .5 s: within those a radio wakes up, its rate control settles, and slow start
   overshoots and recovers.
3. It has to last for 1 s. If not, the transfer was too short to tell.
4. If its latter half carried more than twice as much as its former, the rate was still growing, and it is not told.
   Slow start doubles every round trip, so it shows; congestion avoidance grows linearly and belongs to the equilibrium.

So a link that wavers is told, and what grows by round trips is not. The steady part lies behind the window that it was
found by, so a chance peak there does not count.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass
from statistics import median

WINDOW_S = 0.3
HALF = 0.5  # of the level
SETTLED = 1.25  # a window over the one before
AT_LEAST_S = 0.5
ENOUGH_S = 1.0
GROWING = 2.0  # latter half over former half

Totals = Sequence[tuple[float, int]]  # seconds since the beginning, bytes until then; neither ever falls


@dataclass(frozen=True, slots=True)
class Steady:
    """The steady part, or in words why there is none."""

    from_s: float | None
    duration_s: float | None
    bytes: int | None
    words: str = ""


def steady_part(totals: Totals, until_s: float | None = None) -> Steady:
    """Of these totals, up to ``until_s`` or their end."""
    end_s = totals[-1][0] if totals else 0.0
    end_s = end_s if until_s is None else min(end_s, until_s)
    moments = [t for t, _ in totals if WINDOW_S <= t <= end_s]
    late = [_window(totals, t) for t in moments if t >= end_s / 2]
    if not late or end_s < AT_LEAST_S + ENOUGH_S:
        return _none("the transfer was too short to tell its rate")
    if bytes_until(totals, end_s) <= 0:
        return _none("nothing came through")
    least = HALF * median(late)
    from_s = next((t for t in moments if t >= AT_LEAST_S and _settled(totals, t, least)), end_s)
    if end_s - from_s < ENOUGH_S:
        return _none("the transfer was over before its rate had settled")
    begun, middle, ended = (bytes_until(totals, t) for t in (from_s, (from_s + end_s) / 2, end_s))
    if ended - middle > GROWING * (middle - begun):
        return _none("the rate was still growing when the time was over")
    return Steady(from_s, end_s - from_s, round(ended - begun))


def _settled(totals: Totals, t: float, least: float) -> bool:
    before = _window(totals, t)
    return before >= least and _window(totals, t + WINDOW_S) <= SETTLED * before


def _window(totals: Totals, t: float) -> float:
    """Bytes in the window that ends there."""
    return bytes_until(totals, t) - bytes_until(totals, t - WINDOW_S)


def bytes_until(totals: Totals, t: float) -> float:
    """Between two totals, evenly; before the first and after the last, as there."""
    at = bisect_left(totals, t, key=lambda one: one[0])
    if at == 0:
        return totals[0][1] if totals else 0
    if at == len(totals):
        return totals[-1][1]
    (t0, b0), (t1, b1) = totals[at - 1], totals[at]
    return b0 + (b1 - b0) * (t - t0) / (t1 - t0)


def summed(streams: Sequence[tuple[float, Totals]], tick_s: float = 0.1) -> list[tuple[float, int]]:
    """The totals of several streams as one: each with the second at which it began. As long as the first to end."""
    end_s = min((begun + totals[-1][0] for begun, totals in streams if totals), default=0.0)
    moments = [n * tick_s for n in range(int(end_s / tick_s + 1e-9) + 1)]
    if end_s - moments[-1] > tick_s / 10:
        moments.append(end_s)
    return [(t, round(sum(bytes_until(totals, t - begun) for begun, totals in streams))) for t in moments]


def _none(words: str) -> Steady:
    return Steady(None, None, None, words)
