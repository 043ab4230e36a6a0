"""Ways of asking a machine for a sign of life: a datagram ICMP socket, which needs no right where the system has it and
allows it (Linux: icmp(7), net.ipv4.ping_group_range), else a TCP connection, where a refusal is an answer, too."""

from __future__ import annotations

import errno
import secrets
import socket
import struct
import sys
import time
from collections.abc import Sequence
from contextlib import suppress
from select import select

from adapters.probing.http_wire import drop_at_close
from adapters.probing.icmp import echo_request, read_echo_reply
from adapters.probing.latency import TIMEOUT_S, Asked, Echo, run_round
from adapters.probing.results import Method
from adapters.probing.way import Address, Way

TRIES = 3  # before a method is given up
_SO_TIMESTAMPNS = 35  # asm-generic/socket.h
_TIMESPEC = struct.Struct("@ll")
_ANSWERS = (0, errno.ECONNREFUSED)
_MOST_WAITING = 64  # connections under way at once


class IcmpEcho:
    """Echo requests. Raises OSError where this user may not."""

    method: Method = "icmp"

    def __init__(self, way: Way, family: int, address: Address) -> None:
        self._version = 6 if family == socket.AF_INET6 else 4
        protocol = socket.IPPROTO_ICMPV6 if self._version == 6 else socket.IPPROTO_ICMP
        self._address = (address[0], 0, *address[2:])
        self._mark = secrets.token_bytes(8)  # tells our answers from others'
        self._next = 0
        self._sent: dict[int, tuple[float, int]] = {}  # by number: steady seconds, nanoseconds of the wall clock
        self._socket = way.open(family, socket.SOCK_DGRAM, protocol)
        self._socket.setblocking(False)
        if sys.platform == "linux":
            with suppress(OSError):  # the kernel's stamps do not depend on when this thread is woken
                self._socket.setsockopt(socket.SOL_SOCKET, _SO_TIMESTAMPNS, 1)

    def send(self) -> int:
        number, self._next = self._next, self._next + 1
        request = echo_request(self._version, number, self._mark + struct.pack("!Q", number))
        self._sent[number] = time.monotonic(), time.time_ns()
        self._socket.sendto(request, self._address)
        return number

    def waits_for(self) -> tuple[list[socket.socket], list[socket.socket]]:
        return [self._socket], []

    def answers(self) -> list[tuple[int, float]]:
        found: list[tuple[int, float]] = []
        while True:
            try:
                data, ancillary, _, _ = self._socket.recvmsg(2048, 128)
            except BlockingIOError:
                return found
            except OSError:  # what routers on the way report; the request stays without an answer
                return found
            now_s = time.monotonic()
            reply = read_echo_reply(self._version, data)
            if reply is None or len(reply[1]) != 16 or reply[1][:8] != self._mark:
                continue
            number = struct.unpack("!Q", reply[1][8:])[0]
            if number in self._sent:  # else it comes twice
                found.append((number, _took_ms(*self._sent.pop(number), now_s, _stamp_ns(ancillary))))

    def close(self) -> None:
        self._socket.close()


def _stamp_ns(ancillary: Sequence[tuple[int, int, bytes]]) -> int | None:
    for level, kind, data in ancillary:
        if (level, kind) == (socket.SOL_SOCKET, _SO_TIMESTAMPNS) and len(data) >= _TIMESPEC.size:
            seconds, nanoseconds = _TIMESPEC.unpack_from(data)
            return int(seconds * 1_000_000_000 + nanoseconds)
    return None


def _took_ms(sent_s: float, sent_ns: int, now_s: float, stamp_ns: int | None) -> float:
    """By the kernel's stamp, where it can be: neither after we had it nor before we asked (clocks are set)."""
    took_ms = (now_s - sent_s) * 1000
    if stamp_ns is None:
        return took_ms
    by_stamp_ms = (stamp_ns - sent_ns) / 1e6
    return by_stamp_ms if 0 <= by_stamp_ms <= took_ms + 0.1 else took_ms


class ConnectEcho:
    """Connections to a port, each closed at once."""

    method: Method = "tcp-connect"

    def __init__(self, way: Way, family: int, address: Address, port: int) -> None:
        self._way, self._family = way, family
        self._address = (address[0], port, *address[2:])
        self._waiting: dict[socket.socket, tuple[int, float]] = {}
        self._next = 0
        self._found: list[tuple[int, float]] = []

    def send(self) -> int:
        number, self._next = self._next, self._next + 1
        if len(self._waiting) >= _MOST_WAITING:
            self._give_up(next(iter(self._waiting)))
        connection = self._way.open(self._family, socket.SOCK_STREAM)
        connection.setblocking(False)
        sent_s = time.monotonic()
        code = connection.connect_ex(self._address)
        if code in (errno.EINPROGRESS, errno.EWOULDBLOCK):
            self._waiting[connection] = number, sent_s
            return number
        connection.close()
        if code in _ANSWERS:
            self._found.append((number, (time.monotonic() - sent_s) * 1000))
        return number

    def waits_for(self) -> tuple[list[socket.socket], list[socket.socket]]:
        return [], list(self._waiting)

    def answers(self) -> list[tuple[int, float]]:
        if self._waiting:
            _, ready, failed = select([], list(self._waiting), list(self._waiting), 0)
            now_s = time.monotonic()
            for connection in {*ready, *failed}:
                number, sent_s = self._waiting[connection]
                if connection.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR) in _ANSWERS:
                    self._found.append((number, (now_s - sent_s) * 1000))
                self._give_up(connection)
            for connection, (_, sent_s) in list(self._waiting.items()):
                if now_s - sent_s > TIMEOUT_S:
                    self._give_up(connection)
        found, self._found = self._found, []
        return found

    def close(self) -> None:
        for connection in list(self._waiting):
            self._give_up(connection)

    def _give_up(self, connection: socket.socket) -> None:
        del self._waiting[connection]
        with suppress(OSError):
            drop_at_close(connection)
        connection.close()


def find_echo(way: Way, family: int, address: Address, ports: Sequence[int]) -> Echo | None:
    """The first way of asking that this machine answers; None where it answers none. Takes up to seconds."""
    with suppress(OSError):
        echo = IcmpEcho(way, family, address)
        if _answers(echo):
            return echo
        echo.close()
    for port in ports:
        connect = ConnectEcho(way, family, address, port)
        if _answers(connect):
            return connect
        connect.close()
    return None


def _answers(echo: Echo) -> bool:
    """Within a second, to one of a few requests."""
    trial = Asked("gateway", echo)
    run_round([trial], lambda: trial.n_answered > 0 or trial.n_sent >= TRIES)
    return trial.n_answered > 0
