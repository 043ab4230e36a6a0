"""Rounds of latency: requests at an even pace (RFC 3432), however long the answers take, and statistics of their times.

Requests do not wait for answers, or a link that stalls would be asked least when it is worst. An answer that takes
longer than ``TIMEOUT_S`` is lost: nobody in a call waits for it, and a TCP connection whose first packet was lost takes
at least as long (RFC 6298, 2.1), so that both methods mean the same by it. The first exchange is thrown away, for it
wakes a radio that saves power.
"""

from __future__ import annotations

import socket
import time
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from select import select
from statistics import median
from threading import Event, Thread
from typing import Protocol

from adapters.probing.results import Latency, Load, Method, Whom

TIMEOUT_S = 1.0
PACE_S = {"icmp": 0.05, "tcp-connect": 0.1}  # ICMP: closer than a radio's power save waits, which is about .1 s
_LOOK_S = 0.05  # between looks whether the round is over


class Echo(Protocol):
    """One target and a method of asking it (adapters/probing/echoes.py)."""

    method: Method

    def send(self) -> int:
        """Ask. The request's number, which is never used twice. Raises OSError where it could not even be sent."""

    def waits_for(self) -> tuple[list[socket.socket], list[socket.socket]]:
        """Sockets that an answer makes readable, and writable."""

    def answers(self) -> list[tuple[int, float]]:
        """Numbers of requests answered since the last call, with the milliseconds that each took; never waits."""

    def close(self) -> None: ...


class Asked:
    """One target in one round."""

    def __init__(self, target: Whom, echo: Echo) -> None:
        self.target, self.echo = target, echo
        self.n_sent = 0
        self.n_answered = 0  # late ones and the first one, too
        self.next_s = 0.0
        self._under_way: set[int] = set()
        self._first: int | None = None
        self.times_ms: list[float] = []  # of those answered in time, the first left out

    def send(self) -> None:
        self.n_sent += 1
        try:
            number = self.echo.send()
        except OSError:
            return  # lost
        self._under_way.add(number)
        if self.n_sent == 1:
            self._first = number

    def hear(self) -> None:
        """An answer that comes twice counts once, and one that comes too late does not."""
        for number, took_ms in self.echo.answers():
            if number not in self._under_way:
                continue
            self._under_way.discard(number)
            self.n_answered += 1
            if took_ms <= TIMEOUT_S * 1000 and number != self._first:
                self.times_ms.append(took_ms)

    @property
    def all_answered(self) -> bool:
        return not self._under_way

    def latency(self, load: Load) -> Latency | None:
        """None where nothing was asked but the first, which does not count."""
        if self.n_sent < 2:
            return None
        return summary(self.target, load, self.echo.method, self.times_ms, self.n_sent - 1)


def run_round(
    asked: Sequence[Asked],
    over: Callable[[], bool],
    asks: Callable[[], bool] = lambda: True,
    steady_s: Callable[[], float] = time.monotonic,
) -> None:
    """Ask each at its pace until ``over``, but only while it ``asks``; then wait for what is still to come."""
    for one in asked:
        one.next_s = steady_s()
    while not over():
        now_s, pauses = steady_s(), not asks()
        for one in asked:
            if now_s >= one.next_s and not pauses:
                one.send()
                # What was overslept is not made good in a burst.
                one.next_s = max(one.next_s + PACE_S[one.echo.method], now_s)
        waits_s = [_LOOK_S] if pauses else [_LOOK_S, *(one.next_s - steady_s() for one in asked)]
        _listen(asked, min(waits_s))
    ends_s = steady_s() + TIMEOUT_S
    while (left_s := ends_s - steady_s()) > 0 and not all(one.all_answered for one in asked):
        _listen(asked, left_s)


def _listen(asked: Sequence[Asked], within_s: float) -> None:
    reading, writing = [], []
    for one in asked:
        read, write = one.echo.waits_for()
        reading += read
        writing += write
    if reading or writing:
        select(reading, writing, writing, max(0.0, within_s))
    else:
        time.sleep(max(0.0, within_s))
    for one in asked:
        one.hear()


class RoundBeside:
    """A round on a thread of its own: ``with RoundBeside(asked) as beside``. It asks ``with beside.load()``, as often
    as there is any; connecting and ending, where the link is idle, are left out."""

    def __init__(self, asked: Sequence[Asked]) -> None:
        self._over, self._loaded = Event(), Event()
        rounds = (asked, self._over.is_set, self._loaded.is_set)
        self._thread = Thread(target=run_round, args=rounds, daemon=True)

    @contextmanager
    def load(self) -> Iterator[None]:
        self._loaded.set()
        try:
            yield
        finally:
            self._loaded.clear()

    def __enter__(self) -> RoundBeside:
        self._thread.start()
        return self

    def __exit__(self, *raised: object) -> None:
        self._over.set()
        self._thread.join()


def summary(target: Whom, load: Load, method: Method, times_ms: Sequence[float], n_sent: int) -> Latency:
    """Of the answers' times, and of how many requests there were."""
    times_ms = sorted(times_ms)
    p95_ms = _point(times_ms, 0.95) if times_ms else None
    return Latency(
        target=target,
        load=load,
        method=method,
        n_sent=n_sent,
        n_lost=n_sent - len(times_ms),
        median_ms=median(times_ms) if times_ms else None,
        p95_ms=p95_ms,
        jitter_ms=None if p95_ms is None else p95_ms - times_ms[0],
    )


def _point(ordered: Sequence[float], share: float) -> float:
    """Below which that share lies; between two values, evenly."""
    at = share * (len(ordered) - 1)
    low = int(at)
    high = min(low + 1, len(ordered) - 1)
    return ordered[low] + (ordered[high] - ordered[low]) * (at - low)
