"""One whole turn of active tests over the link."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from time import monotonic

from adapters.clock import Clock
from adapters.far_end.claim import LONGEST_S
from adapters.probing.echoes import find_echo
from adapters.probing.errors import FarEndBusy, ProbeFailed, Stopped, WayAstray
from adapters.probing.greeting import Greeting
from adapters.probing.http_wire import Connection, Proof
from adapters.probing.latency import Asked, Echo, RoundBeside, run_round
from adapters.probing.link_use import Counters, read_counters
from adapters.probing.results import Direction, Latency, Load, Outcome, Transfer, Turn, Whom
from adapters.probing.target import Target
from adapters.probing.transfer import Wish, run_transfer, takes_uploads
from adapters.probing.way import Way

SETTLING_S = 30.0  # for all but the measuring: reaching, asking, ending
_GATEWAY_PORTS = (80, 443, 53)  # where it answers no echo request; a refusal is an answer, too
_LEAST_SEEN = 0.5  # of the payload, in the interface's own count
_COUNTED_BYTES = 1_000_000  # less is not worth the question


@dataclass(frozen=True, slots=True)
class Limits:
    """How much a turn may ask of the link."""

    seconds_per_direction: float = 5.0  # half of it with one stream, half with several
    streams: int = 4
    max_bytes: int | None = None  # of payload, both directions together; None: no limit but the time
    idle_seconds: float = 2.5  # of latency before the transfers

    @property
    def longest_s(self) -> float:
        """The turn is over by then, give or take the seconds of one connection, whatever the other side does."""
        return self.idle_seconds + 2 * self.seconds_per_direction + SETTLING_S

    def wishes(self, direction: Direction) -> list[Wish]:
        """The transfers of one direction. Each has an even share of the bytes: what another one leaves may still have
        been under way when it was broken off."""
        counts = [1] if self.streams == 1 else [1, self.streams]
        share = None if self.max_bytes is None else self.max_bytes // (2 * len(counts))
        return [Wish(direction, streams, self.seconds_per_direction / len(counts), share) for streams in counts]


@dataclass(slots=True)
class _Found:
    """What a turn has so far."""

    far_end: str = ""
    transfers: list[Transfer] = field(default_factory=list)
    latencies: list[Latency] = field(default_factory=list)
    remarks: list[str] = field(default_factory=list)


def run_turn(
    interface: str,
    target: Target | None,
    limits: Limits,
    clock: Clock,
    should_stop: Callable[[], bool] = lambda: False,
    counters: Callable[[str], Counters | None] = read_counters,
) -> Turn:
    """Idle latency, transfers down and up, each with one stream and with several, and latency meanwhile. Without a
    target, latency to the gateway.

    All traffic goes over ``interface``; where the way to the target does not, the turn fails before any is sent.
    ``should_stop`` is asked ten times a second; once it says yes, the turn ends as "stepped-aside" with what it has.
    What the network, the other side or the system does never raises: it is told in the outcome and its words.
    """
    begun = clock.utc_ms()
    found = _Found()
    outcome: Outcome = "done"
    retry_after_s = None
    try:
        _measure(interface, target, limits, clock, _or_overdue(should_stop, limits), counters, found)
        words = "; ".join(found.remarks)
    except Stopped as error:
        outcome, words = "stepped-aside", str(error)
    except FarEndBusy as error:
        outcome, words, retry_after_s = "stepped-aside", str(error), error.retry_after_s
    except ProbeFailed as error:
        outcome, words = "failed", str(error)
    except OSError as error:
        outcome, words = "failed", f"{interface}: {error.strerror or error}"
    ended = max(begun, clock.utc_ms())
    return Turn(
        begun, ended, found.far_end, outcome, words, tuple(found.transfers), tuple(found.latencies), retry_after_s
    )


def _or_overdue(should_stop: Callable[[], bool], limits: Limits) -> Callable[[], bool]:
    """The same question, which raises ProbeFailed once the turn has lasted too long."""
    ends_s = monotonic() + limits.longest_s

    def asked() -> bool:
        if monotonic() > ends_s:
            raise ProbeFailed(f"it was not over after {limits.longest_s:.0f} s; the link or the far end is too slow")
        return should_stop()

    return asked


def _measure(
    interface: str,
    target: Target | None,
    limits: Limits,
    clock: Clock,
    should_stop: Callable[[], bool],
    counters: Callable[[str], Counters | None],
    found: _Found,
) -> None:
    way = Way(interface)
    greeting: Greeting | None = None
    proof = Proof(target.token if target else None)
    echoes: list[tuple[Whom, Echo]] = []
    before = counters(interface)
    try:
        if target is not None:
            way.resolve(target.host, target.port)
            if target.is_far_end:
                greeting = Greeting(target, way, proof)
                greeting.hello()
                greeting.claim(min(limits.longest_s, LONGEST_S))
            else:
                Connection(target, way, proof).close()
            found.far_end = target.label
        echoes = _echoes(way, target, found, should_stop)
        _idle(echoes, limits, should_stop, found)
        if target is None:
            return
        wishes: list[tuple[str, list[Wish]]] = [("GET", limits.wishes("down"))]
        method = "PUT" if target.is_far_end else "POST" if takes_uploads(target, way) else ""
        if method:
            wishes.append((method, limits.wishes("up")))
        else:
            found.remarks.append(f"up was not measured: {target.label!a} does not say that it takes POST")
        for method, of_one in wishes:
            asked = [Asked(name, echo) for name, echo in echoes]
            with RoundBeside(asked) as beside:
                for wish in of_one:
                    found.transfers.append(
                        run_transfer(wish, target, way, proof, clock, should_stop, method, beside.load)
                    )
            _tell(asked, of_one[0].direction, found)
        found.remarks += [f"{_name(one)}: {one.words}" for one in found.transfers if one.words]
        _hold_to(interface, before, counters(interface), found)
    except ProbeFailed as error:
        if error.moved is not None:
            found.transfers.append(error.moved)
        raise
    finally:
        for _, echo in echoes:
            echo.close()
        if greeting is not None:
            greeting.close()


def _echoes(way: Way, target: Target | None, found: _Found, should_stop: Callable[[], bool]) -> list[tuple[Whom, Echo]]:
    """A way of asking each, where there is one."""
    echoes: list[tuple[Whom, Echo]] = []
    gateway = way.gateway()
    if gateway is None:
        found.remarks.append(f"{way.interface} has no gateway")
    sought: list[tuple[Whom, str | None, Sequence[int]]] = [
        ("gateway", gateway, _GATEWAY_PORTS),
        ("far-end", target.host if target else None, (target.port,) if target else ()),
    ]
    for name, host, ports in sought:
        if host is None:
            continue
        if should_stop():
            raise Stopped("it was stopped")
        echo = None
        with suppress(WayAstray):
            family, address = way.resolve(host, 0)[0]
            echo = find_echo(way, family, address, ports)
        if echo is None:
            found.remarks.append(f"the {name} answers neither echo requests nor connections")
        else:
            echoes.append((name, echo))
    return echoes


def _idle(
    echoes: Sequence[tuple[Whom, Echo]],
    limits: Limits,
    should_stop: Callable[[], bool],
    found: _Found,
) -> None:
    if not echoes:
        if not found.far_end:
            raise ProbeFailed("; ".join(found.remarks) or "there is nobody to ask")
        return
    asked = [Asked(name, echo) for name, echo in echoes]
    ends_s = monotonic() + limits.idle_seconds
    run_round(asked, lambda: monotonic() >= ends_s or should_stop())
    if should_stop():
        raise Stopped("it was stopped")
    _tell(asked, "idle", found)


def _tell(asked: Sequence[Asked], load: Load, found: _Found) -> None:
    found.latencies += [latency for one in asked if (latency := one.latency(load)) is not None]


def _hold_to(interface: str, before: Counters | None, after: Counters | None, found: _Found) -> None:
    """The traffic has to be in the interface's own count, or it took another way and tells nothing of the link."""
    if before is None or after is None:
        return
    for direction, seen in (("down", after.rx_bytes - before.rx_bytes), ("up", after.tx_bytes - before.tx_bytes)):
        payload = sum(one.bytes for one in found.transfers if one.direction == direction)
        if payload > _COUNTED_BYTES and seen < _LEAST_SEEN * payload:
            found.transfers.clear()
            found.latencies.clear()
            raise WayAstray(
                f"the traffic did not go over {interface}: it counted {seen} of {payload} bytes {direction}"
            )


def _name(transfer: Transfer) -> str:
    return f"{transfer.direction}, {transfer.streams} stream{'s' if transfer.streams > 1 else ''}"
