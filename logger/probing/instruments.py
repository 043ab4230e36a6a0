"""What a turn measures with: the machine's own instruments, and in tests played ones."""

from __future__ import annotations

import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol

from adapters.clock import Clock

if TYPE_CHECKING:
    from adapters.probing.results import Turn
    from adapters.probing.target import Target
    from adapters.probing.turn import Limits

ShouldStop = Callable[[], bool]
LOOK_S = 0.2


class Instruments(Protocol):
    """What the logger needs of adapters/probing, and of the laptop's surroundings."""

    def on_battery(self) -> bool:
        """Whether the laptop is unplugged."""

    def metered(self, interface: str) -> bool | None:
        """Whether traffic there costs money; None where nobody says."""

    def in_use(self, interface: str, link_rate_mbps: float | None) -> str | None:
        """How the link is used just now, in words; None where it is not, or nobody can tell. Takes seconds."""

    def run(self, interface: str, target: Target | None, limits: Limits, clock: Clock, should_stop: ShouldStop) -> Turn:
        """Latency and transfers to the target; without one, latency to the gateway."""

    def wait(self, seconds: float, should_stop: ShouldStop) -> None:
        """So long, or until told to end."""


class OwnInstruments:
    """Those of this machine."""

    def on_battery(self) -> bool:
        from logger.child import runs_on_battery

        return runs_on_battery()

    def metered(self, interface: str) -> bool | None:
        from adapters.probing.metered import is_metered

        return is_metered(interface)

    def in_use(self, interface: str, link_rate_mbps: float | None) -> str | None:
        from adapters.probing.link_use import look_at_use

        use = look_at_use(interface, link_rate_mbps=link_rate_mbps)
        return f"the link is in use: {use.words}" if use and use.in_use else None

    def run(self, interface: str, target: Target | None, limits: Limits, clock: Clock, should_stop: ShouldStop) -> Turn:
        from adapters.probing.turn import run_turn

        return run_turn(interface, target, limits, clock, should_stop)

    def wait(self, seconds: float, should_stop: ShouldStop) -> None:
        ends_s = time.monotonic() + seconds
        while not should_stop() and (left_s := ends_s - time.monotonic()) > 0:
            time.sleep(min(left_s, LOOK_S))
