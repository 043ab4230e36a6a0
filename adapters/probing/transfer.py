"""Timed transfers: one stream or several on one thread, for some seconds, and what came of them.

One thread serves all streams: nearly all of its time is spent in the kernel, where Python's lock is not held.
"""

from __future__ import annotations

import selectors
import time
from bisect import bisect_left
from collections.abc import Callable, Sequence
from contextlib import AbstractContextManager, nullcontext
from dataclasses import dataclass
from math import inf
from statistics import median

from adapters.clock import Clock
from adapters.probing.errors import ProbeFailed, Stopped
from adapters.probing.http_wire import ANSWER_S, Connection, Proof
from adapters.probing.results import Direction, Transfer
from adapters.probing.steady import Steady, Totals, steady_part, summed
from adapters.probing.streams import Down, Up
from adapters.probing.target import Target
from adapters.probing.tcp_info import TcpInfo, tcp_info
from adapters.probing.way import Way

TICK_S = 0.1
DRAIN_S = 3.0  # for the answers to an upload
MOST_WAITING = 0.1  # of the time, for the next file to begin
_AHEAD_S = 1.0  # so much later than we a far end may begin to count; more is not believed


@dataclass(frozen=True, slots=True)
class Wish:
    """One transfer that is to be made."""

    direction: Direction
    streams: int
    seconds: float
    max_bytes: int | None = None  # of payload, all streams together


def run_transfer(
    wish: Wish,
    target: Target,
    way: Way,
    proof: Proof,
    clock: Clock,
    should_stop: Callable[[], bool] = lambda: False,
    upload_method: str = "PUT",
    load: Callable[[], AbstractContextManager[None]] = nullcontext,
    steady_s: Callable[[], float] = time.monotonic,
) -> Transfer:
    """It, from connecting to closing. ``load`` surrounds the time in which the link is loaded. Raises ProbeFailed where
    it breaks off, Stopped where it is stopped, each with what was ``moved`` until then."""
    share = None if wish.max_bytes is None else wish.max_bytes // wish.streams
    connections: list[Connection] = []
    run: _Run | None = None
    try:
        for _ in range(wish.streams):
            if should_stop():
                raise Stopped("it was stopped")
            connections.append(Connection(target, way, proof, steady_s))
            if target.is_far_end:
                connections[-1].prove()
        begun = clock.utc_ms()
        if wish.direction == "down":
            downs = [Down(connection, share, steady_s) for connection in connections]
            run = _Run(downs, wish.seconds, should_stop, steady_s)
            with load():
                run.go()
            return _down(begun, downs, run)
        ups = [Up(connection, upload_method, share) for connection in connections]
        run = _Run(ups, wish.seconds, should_stop, steady_s)
        with load():
            run.go()
        run.finish(ups)
        return _up(begun, ups, run)
    except ProbeFailed as error:
        if run is not None:
            error.moved = _broken(wish.direction, begun, run)
        raise
    finally:
        for connection in connections:
            connection.close(at_once=True)


class _Run:
    """Pumps the streams, and takes their totals ten times a second."""

    def __init__(
        self,
        streams: Sequence[Down | Up],
        seconds: float,
        should_stop: Callable[[], bool],
        steady_s: Callable[[], float],
    ) -> None:
        self._streams, self._seconds = streams, seconds
        self._should_stop, self._steady_s = should_stop, steady_s
        self.begun_s: list[float] = []  # of each stream, from the first one on
        self.totals: list[tuple[float, int]] = [(0.0, 0)]
        self.handed: list[list[tuple[float, int]]] = [[(0.0, 0)] for _ in streams]  # to each socket
        self.counts = True  # whether the totals are known
        self.infos: list[TcpInfo] = []
        self._zero_s = steady_s()

    @property
    def lasted_s(self) -> float:
        return self.totals[-1][0]

    def go(self) -> None:
        """Until the time is over or a stream has had its share: then the others would have the link for themselves."""
        with selectors.DefaultSelector() as selector:
            self._zero_s = self._steady_s()
            for stream in self._streams:
                self.begun_s.append(self._steady_s() - self._zero_s)
                stream.begin()
                stream.connection.socket.setblocking(False)
                selector.register(stream.connection.socket, stream.events, stream)
            tick_s = TICK_S
            while True:
                now_s = self._steady_s() - self._zero_s
                over = now_s >= self._seconds or any(stream.full for stream in self._streams)
                if over or now_s >= tick_s:
                    self._tick(now_s)
                    tick_s = max(tick_s, now_s - now_s % TICK_S) + TICK_S
                if over:
                    break
                for key, _ in selector.select(max(0.0, min(tick_s, self._seconds) - now_s)):
                    key.data.pump()
        self.infos = [info for stream in self._streams if (info := tcp_info(stream.connection.socket))]

    def finish(self, ups: Sequence[Up]) -> None:
        """Have uploads end and answer. An answer that does not come in time is done without."""
        deadline_s = self._steady_s() + DRAIN_S
        with selectors.DefaultSelector() as selector:
            for up in ups:
                up.end()
                selector.register(up.connection.socket, up.events, up)
            while selector.get_map() and (left_s := deadline_s - self._steady_s()) > 0:
                if self._should_stop():
                    raise Stopped("it was stopped")
                for key, _ in selector.select(min(left_s, TICK_S)):
                    up = key.data
                    up.pump()
                    if up.answered:
                        selector.unregister(up.connection.socket)
                    elif key.events != up.events:
                        selector.modify(up.connection.socket, up.events, up)

    def _tick(self, now_s: float) -> None:
        if self._should_stop():
            raise Stopped("it was stopped")
        self._count(now_s)

    def look(self) -> None:
        """Take the totals once more."""
        self._count(self._steady_s() - self._zero_s)

    def _count(self, now_s: float) -> None:
        counted = [stream.counted() for stream in self._streams]
        known = [count for count in counted if count is not None]
        self.counts = self.counts and len(known) == len(counted)
        if now_s > self.totals[-1][0]:
            self.totals.append((now_s, max(sum(known), self.totals[-1][1])))
            for totals, stream in zip(self.handed, self._streams, strict=True):
                totals.append((now_s, stream.payload_bytes))


def _broken(direction: Direction, begun_utc_ms: int, run: _Run) -> Transfer:
    run.look()
    steady = Steady(None, None, None, "it broke off")
    counted_by = "receiver" if direction == "down" else "acknowledged"
    return _transfer(direction, begun_utc_ms, run, run.totals[-1][1], steady, counted_by)


def _down(begun_utc_ms: int, streams: Sequence[Down], run: _Run) -> Transfer:
    steady = steady_part(run.totals)
    waited = sum(stream.waited_s for stream in streams) / (len(streams) * run.lasted_s)
    if waited > MOST_WAITING:
        steady = Steady(None, None, None, "the file is so short that asking for it again and again took the time")
    return _transfer("down", begun_utc_ms, run, sum(stream.payload_bytes for stream in streams), steady, "receiver")


def _up(begun_utc_ms: int, streams: Sequence[Up], run: _Run) -> Transfer:
    sent = sum(stream.payload_bytes for stream in streams)
    told = [
        (begun, stream.received)
        for begun, stream, handed in zip(run.begun_s, streams, run.handed, strict=True)
        if stream.received is not None and believable(stream.received, handed)
    ]
    if len(told) == len(streams):
        steady = steady_part(summed(told), run.lasted_s)
        return _transfer("up", begun_utc_ms, run, sent, steady, "receiver")
    if run.counts:
        return _transfer("up", begun_utc_ms, run, run.totals[-1][1], steady_part(run.totals), "acknowledged")
    steady = Steady(None, None, None, "neither the other side nor this system tells how much of it arrived")
    return _transfer("up", begun_utc_ms, run, sent, steady, "acknowledged")


def believable(received: Totals, handed: Totals) -> bool:
    """Whether the far end can have had by then what it says, by what our socket had been handed. Both clocks begin with
    the request, the far end's a little later."""
    return all(count <= _handed_by(handed, t + _AHEAD_S) for t, count in received)


def _handed_by(handed: Totals, t: float) -> float:
    """At the next look after that moment; what was handed over after the last, nobody noted."""
    at = bisect_left(handed, t, key=lambda one: one[0])
    return handed[at][1] if at < len(handed) else inf


def _transfer(
    direction: Direction, begun_utc_ms: int, run: _Run, payload: int, steady: Steady, counted_by: str
) -> Transfer:
    # Down, this side has sent no more than a request: its own round trips and segments sent again tell of that alone.
    sends = direction == "up"
    rtts = [rtt for info in run.infos if (rtt := info.rtt_ms if sends else info.receiver_rtt_ms) is not None]
    retransmits = [info.total_retransmits for info in run.infos if sends and info.total_retransmits is not None]
    return Transfer(
        direction=direction,
        streams=len(run.handed),
        started_at_utc_ms=begun_utc_ms,
        duration_ms=round(run.lasted_s * 1000),
        bytes=payload,
        steady_ms=None if steady.duration_s is None else round(steady.duration_s * 1000),
        steady_bytes=steady.bytes,
        tcp_rtt_ms=median(rtts) if rtts else None,
        tcp_retransmits=sum(retransmits) if retransmits else None,
        counted_by="receiver" if counted_by == "receiver" else "acknowledged",
        words=steady.words,
    )


def takes_uploads(target: Target, way: Way) -> bool:
    """Whether a server that is no far end says of its file that it takes POST (OPTIONS, RFC 9110, 9.3.7). PUT is not
    thought of: it would replace the file."""
    connection = Connection(target, way, Proof(None))
    try:
        head = connection.ask("OPTIONS", target.path, ANSWER_S).head
        allowed = ",".join(head.all("allow")).upper().split(",")
        return head.status in (200, 204) and "POST" in (one.strip() for one in allowed)
    except ProbeFailed:
        return False
    finally:
        connection.close(at_once=True)
