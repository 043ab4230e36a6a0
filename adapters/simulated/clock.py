"""A clock that stands still until it is told to go on, so that weeks pass in seconds."""

from __future__ import annotations


class SimulatedClock:
    """The clocks of a simulated laptop, as in :class:`adapters.clock.Clock`.

    Kept in whole microseconds, so that a hundred thousand steps of 0.1 s end where they should. ``start_utc_ms``:
    the wall clock at the beginning; both steady clocks begin at 0, as at a boot.
    """

    def __init__(self, start_utc_ms: int) -> None:
        self._elapsed_us = 0
        self._asleep_us = 0
        self._wall_minus_elapsed_us = start_utc_ms * 1000

    def utc_ms(self) -> int:
        return (self._wall_minus_elapsed_us + self._elapsed_us) // 1000

    def awake_s(self) -> float:
        return (self._elapsed_us - self._asleep_us) / 1e6

    def elapsed_s(self) -> float:
        return self._elapsed_us / 1e6

    def advance(self, seconds: float) -> None:
        """The laptop is awake for so long. Raises ValueError for a negative time."""
        self._elapsed_us += _microseconds(seconds)

    def suspend(self, seconds: float) -> None:
        """The laptop sleeps for so long: ``awake_s`` stands still. Raises ValueError for a negative time."""
        slept_us = _microseconds(seconds)
        self._elapsed_us += slept_us
        self._asleep_us += slept_us

    def set_wall(self, utc_ms: int) -> None:
        """Somebody sets the wall clock, forwards or back; the steady clocks do not notice."""
        self._wall_minus_elapsed_us = utc_ms * 1000 - self._elapsed_us


def _microseconds(seconds: float) -> int:
    if not seconds >= 0:
        raise ValueError(f"time goes forwards only, not by {seconds} s")
    return round(seconds * 1e6)
