"""What a turn measures with: the machine's own instruments, and in tests played ones."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol

from adapters.clock import Clock

if TYPE_CHECKING:
    from adapters.probing.results import Turn
    from adapters.probing.target import Target
    from adapters.probing.turn import Limits

ShouldStop = Callable[[], bool]


class Instruments(Protocol):
    """What the logger needs of adapters/probing, and of the laptop's surroundings."""

    def on_battery(self) -> bool:
        """Whether the laptop is unplugged."""

    def metered(self, interface: str) -> bool | None:
        """Whether traffic there costs money; None where nobody says."""

    def in_use(self, interface: str, should_stop: ShouldStop) -> str | None:
        """Who uses the link just now, in words; None where nobody does. Takes seconds."""

    def whole_turn(self, interface: str, target: Target, limits: Limits, clock: Clock, should_stop: ShouldStop) -> Turn:
        """Latency and transfers, to a far end."""

    def gateway_turn(self, interface: str, clock: Clock, should_stop: ShouldStop) -> Turn:
        """Latency to the gateway, and no more."""
