"""One whole turn of active tests over the link."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

from adapters.clock import Clock
from adapters.probing.results import Turn
from adapters.probing.target import Target


@dataclass(frozen=True, slots=True)
class Limits:
    """How much a turn may ask of the link."""

    seconds_per_direction: float = 5.0  # half of it with one stream, half with several
    streams: int = 4
    max_bytes: int | None = None  # of payload, both directions together; None: no limit but the time
    idle_seconds: float = 2.5  # of latency before the transfers

    @property
    def longest_s(self) -> float:
        """The turn is over by then, whatever the other side does."""
        return self.idle_seconds + 2 * self.seconds_per_direction + 30


def run_turn(
    interface: str, target: Target, limits: Limits, clock: Clock, should_stop: Callable[[], bool] = lambda: False
) -> Turn:
    """Idle latency, transfers down and up, each with one stream and with several, and latency meanwhile.

    All traffic goes over ``interface``; where the way to the target does not, the turn fails before any is sent.
    ``should_stop`` is asked ten times a second; once it says yes, the turn ends as "stepped-aside" with what it has.
    What the network, the other side or the system does never raises: it is told in the outcome and its words.
    """
    raise NotImplementedError
