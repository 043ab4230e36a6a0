"""Who has the link: loggers that share a far end take turns, so that no probe measures another."""

from __future__ import annotations

from collections.abc import Callable

LONGEST_S = 300.0


class Turn:
    """One client at a time, for a while. ``steady_s`` is a clock that is never set."""

    def __init__(self, steady_s: Callable[[], float]) -> None:
        self._steady_s = steady_s
        self._holder: str | None = None
        self._until_s = 0.0

    def take(self, client: str, seconds: float) -> float:
        """0 if the client has it for so many seconds from now on (it may ask again to have it longer); else the seconds
        until the one that has it must have given it back."""
        left_s = self._until_s - self._steady_s()
        if self._holder not in (None, client) and left_s > 0:
            return left_s
        self._holder, self._until_s = client, self._steady_s() + min(seconds, LONGEST_S)
        return 0.0

    def give_back(self, client: str) -> bool:
        """Whether the client had it."""
        had = self._holder == client and self._until_s > self._steady_s()
        if self._holder == client:
            self._holder = None
        return had
