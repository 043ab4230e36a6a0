"""What a turn measures with: the machine's own instruments, and in tests played ones."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING, Protocol

from adapters.clock import Clock

if TYPE_CHECKING:
    from adapters.probing.latency import Echo
    from adapters.probing.results import Turn
    from adapters.probing.target import Target
    from adapters.probing.turn import Limits

ShouldStop = Callable[[], bool]
GATEWAY_S = 4.0  # of latency, where that is all
_GATEWAY_PORTS = (53, 80, 443)  # what home routers listen on: a refusal is an answer, too


class Instruments(Protocol):
    """What the logger needs of adapters/probing, and of the laptop's surroundings."""

    def on_battery(self) -> bool:
        """Whether the laptop is unplugged."""

    def metered(self, interface: str) -> bool | None:
        """Whether traffic there costs money; None where nobody says."""

    def in_use(self, interface: str, link_rate_mbps: float | None) -> str | None:
        """How the link is used just now, in words; None where it is not, or nobody can tell. Takes seconds."""

    def whole_turn(self, interface: str, target: Target, limits: Limits, clock: Clock, should_stop: ShouldStop) -> Turn:
        """Latency and transfers, to a far end."""

    def gateway_turn(self, interface: str, clock: Clock, should_stop: ShouldStop) -> Turn:
        """Latency to the gateway, and no more."""


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

    def whole_turn(self, interface: str, target: Target, limits: Limits, clock: Clock, should_stop: ShouldStop) -> Turn:
        from adapters.probing.turn import run_turn

        return run_turn(interface, target, limits, clock, should_stop)

    def gateway_turn(self, interface: str, clock: Clock, should_stop: ShouldStop) -> Turn:
        from adapters.probing.errors import ProbeFailed
        from adapters.probing.latency import Asked, run_round
        from adapters.probing.results import Turn

        began_ms = clock.utc_ms()
        try:
            echo = _gateway_echo(interface)
        except ProbeFailed as error:
            return Turn(began_ms, clock.utc_ms(), "", "failed", str(error))
        try:
            asked = Asked("gateway", echo)
            ends_s = clock.awake_s() + GATEWAY_S
            run_round([asked], lambda: should_stop() or clock.awake_s() > ends_s)
            found = asked.latency("idle")
        finally:
            echo.close()
        return Turn(
            began_ms,
            clock.utc_ms(),
            "",
            "stepped-aside" if should_stop() else "done",
            "",
            latencies=(found,) if found else (),
        )


def _gateway_echo(interface: str) -> Echo:
    """A way of asking the gateway for a sign of life. Raises ProbeFailed."""
    from adapters.probing.echoes import find_echo
    from adapters.probing.errors import ProbeFailed
    from adapters.probing.way import Way

    way = Way(interface)
    gateway = way.gateway()
    if gateway is None:
        raise ProbeFailed(f"{interface} has no gateway")
    family, address = way.resolve(gateway, 0)[0]
    echo = find_echo(way, family, address, _GATEWAY_PORTS)
    if echo is None:
        raise ProbeFailed(f"the gateway {gateway} answers neither ICMP echo requests nor connections")
    return echo
