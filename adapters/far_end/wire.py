"""One connection: heads of requests in, answers out, bodies at full speed, and a deadline on all of it.

h11 parses the heads; bodies pass it by, in large pieces. What waits in memory is bounded by one head and one piece a
connection.
"""

from __future__ import annotations

import asyncio
import json
import socket
import struct
from collections.abc import Awaitable, Callable, Mapping
from contextlib import suppress
from dataclasses import dataclass, field
from email.utils import formatdate
from http import HTTPStatus
from typing import TypeVar
from urllib.parse import parse_qsl

import h11

from adapters.far_end.limits import Limits
from adapters.http_chunks import Chunks, ChunksBroken

_Moved = TypeVar("_Moved")

PIECE = 1 << 20
_SMALL_PIECE = 1 << 16  # slow links begin, and stay, with these: a stall is told by a piece
_CHUNKED_PIECE = 1 << 18
_HEAD_PIECE = 4096
_STEP_MS = 100  # between the running totals of an upload
_DRAIN_BYTES, _DRAIN_S = 1 << 18, 1.0
_CLOSE = {"Connection": "close"}
_scratch = memoryview(bytearray(PIECE))  # what uploads are thrown into; never read


class Refused(Exception):
    """A request that gets an answer and no more: status, and what to say."""

    def __init__(self, status: int, words: str) -> None:
        super().__init__(words)
        self.status = status


@dataclass(frozen=True, slots=True)
class Asked:
    """The head of a request."""

    method: str
    target: str
    headers: tuple[tuple[str, str], ...]  # names in lower case
    length: int | None  # bytes of the body; None: in chunks, whose end will be told
    keeps_alive: bool

    @property
    def path(self) -> str:
        return self.target.partition("?")[0]

    def query(self) -> dict[str, str]:
        """Raises Refused for one that says something twice or cannot be read."""
        try:
            pairs = parse_qsl(
                self.target.partition("?")[2], keep_blank_values=True, strict_parsing=True, max_num_fields=8
            )
        except ValueError:
            pairs = []
            if "?" in self.target:
                raise Refused(400, "the query cannot be read") from None
        if len(dict(pairs)) != len(pairs):
            raise Refused(400, "the query says something twice")
        return dict(pairs)

    def only(self, name: str) -> str | None:
        """The value of a header that stands there once; None if it stands there otherwise."""
        values = [value for said, value in self.headers if said == name]
        return values[0] if len(values) == 1 else None


@dataclass(slots=True)
class Tally:
    """Bytes that came or went. ``received``: [milliseconds since the beginning, bytes so far], every 100 ms."""

    clock_s: Callable[[], float]
    bytes: int = 0
    received: list[tuple[int, int]] = field(default_factory=list)
    ended: str = "whole"  # or "time", "stall", "budget", "gone"
    begun_s: float = field(init=False)

    def __post_init__(self) -> None:
        self.begin()

    def begin(self) -> None:
        self.begun_s = self.clock_s()

    @property
    def seconds(self) -> float:
        return self.clock_s() - self.begun_s

    def add(self, amount: int) -> None:
        self.bytes += amount
        now_ms = round(self.seconds * 1000)
        if now_ms >= (self.received[-1][0] if self.received else 0) + _STEP_MS:
            self.received.append((now_ms, self.bytes))

    def close(self) -> None:
        now_ms = round(self.seconds * 1000)
        if self.received and self.received[-1][0] == now_ms:  # one row for each moment
            self.received.pop()
        if not self.received or self.received[-1][1] != self.bytes:
            self.received.append((now_ms, self.bytes))


class Wire:
    """``spend`` counts bytes of bodies: it gives the seconds to wait before the next, or less than 0 to end."""

    def __init__(self, sock: socket.socket, limits: Limits, payload: memoryview, spend: Callable[[int], float]) -> None:
        self._sock, self._limits, self._payload, self._spend = sock, limits, payload, spend
        self._loop = asyncio.get_running_loop()
        self._parser = self._fresh_parser()
        self._rest = b""  # what came beyond the request
        self.shown: dict[str, str] = {}  # headers of every answer to the request that came last

    async def next_request(self, first_byte_s: float) -> Asked | None:
        """None where the client has ended or says nothing. Raises Refused, TimeoutError and OSError."""
        self._parser, kept = self._fresh_parser(), self._rest
        self._rest, self.shown = b"", {}
        if not kept:
            try:
                async with asyncio.timeout(first_byte_s):
                    kept = await self._loop.sock_recv(self._sock, _HEAD_PIECE)
            except TimeoutError:
                return None
        async with asyncio.timeout(self._limits.head_s):
            while True:
                try:
                    self._parser.receive_data(kept)
                    event = self._parser.next_event()
                except h11.RemoteProtocolError as error:
                    raise Refused(error.error_status_hint, "this is no request that HTTP/1.1 knows") from None
                if isinstance(event, h11.Request):
                    return self._asked(event)
                if event is not h11.NEED_DATA:
                    return None
                kept = await self._loop.sock_recv(self._sock, _HEAD_PIECE)

    async def answer(
        self,
        status: int,
        body: Mapping[str, object] | None = None,
        *,
        more: Mapping[str, str] | None = None,
        keeps: bool = True,
    ) -> None:
        """A whole answer in JSON. Raises TimeoutError and OSError."""
        text = json.dumps(body or {}).encode() + b"\n"
        head = _head(status, len(text), "application/json", {**self.shown, **(more or {}), **({} if keeps else _CLOSE)})
        await self._send(head + text)

    async def pour(self, count: int, tally: Tally, *, keeps: bool) -> None:
        """So many incompressible bytes, until a limit. Raises OSError where the client is gone."""
        ends_s = self._loop.time() + self._limits.transfer_s
        more = {**self.shown, **({} if keeps else _CLOSE)}
        await self._send(_head(200, count, "application/octet-stream", more))
        size = _SMALL_PIECE
        while tally.bytes < count:
            piece = self._payload[: min(size, count - tally.bytes)]
            begun_s = self._loop.time()
            if not await self._within(ends_s, tally, self._pass_on(piece)):
                return
            tally.add(len(piece))
            if self._loop.time() - begun_s < 0.02 and size < PIECE:
                size *= 2
            if not await self._paced(len(piece), ends_s, tally):
                return

    async def swallow(self, asked: Asked, tally: Tally) -> None:
        """The body, thrown away, until a limit. Raises Refused and OSError."""
        if (asked.only("expect") or "").lower() == "100-continue":
            await self._send(b"HTTP/1.1 100 Continue\r\n\r\n")
        ends_s = self._loop.time() + self._limits.transfer_s
        tally.begin()
        if asked.length is None:
            await self._swallow_chunks(tally, ends_s)
        else:
            await self._swallow_known(asked.length, tally, ends_s)
        tally.close()

    async def linger(self) -> None:
        """End so that the last answer arrives though the client is still sending."""
        with suppress(OSError, TimeoutError):
            self._sock.shutdown(socket.SHUT_WR)
            async with asyncio.timeout(_DRAIN_S):
                left = _DRAIN_BYTES
                while left > 0 and (came := await self._loop.sock_recv_into(self._sock, _scratch[:_SMALL_PIECE])):
                    left -= came

    def reset(self) -> None:
        """End at once: what is still to be sent is given up, in the kernel, too."""
        with suppress(OSError):
            self._sock.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))

    async def _swallow_known(self, length: int, tally: Tally, ends_s: float) -> None:
        here = min(len(self._rest), length)
        self._rest = self._rest[here:]
        tally.add(here)
        while tally.bytes < length:
            room = _scratch[: min(PIECE, length - tally.bytes)]
            came = await self._within(ends_s, tally, self._loop.sock_recv_into(self._sock, room))
            if not came:
                tally.ended = "gone" if tally.ended == "whole" else tally.ended
                return
            tally.add(came)
            if not await self._paced(came, ends_s, tally):
                return

    async def _swallow_chunks(self, tally: Tally, ends_s: float) -> None:
        chunks, came = Chunks(), len(self._rest)
        room = bytearray(_CHUNKED_PIECE)  # of its own, for these bytes are read
        data: bytes | bytearray = self._rest
        while True:
            try:
                payload, end = chunks.take(data, came)
            except ChunksBroken:
                raise Refused(400, "the body is not in chunks") from None
            tally.add(payload)
            self._rest = bytes(data[end:came])
            if chunks.over or not await self._paced(payload, ends_s, tally):
                return
            data = room
            came = await self._within(ends_s, tally, self._loop.sock_recv_into(self._sock, room)) or 0
            if not came:
                tally.ended = "gone" if tally.ended == "whole" else tally.ended
                return

    async def _within(self, ends_s: float, tally: Tally, moving: Awaitable[_Moved]) -> _Moved | None:
        """What was moved; None where a deadline came first."""
        stalls_s = self._loop.time() + self._limits.stall_s
        try:
            async with asyncio.timeout_at(min(ends_s, stalls_s)):
                return await moving
        except TimeoutError:
            tally.ended = "time" if ends_s <= stalls_s else "stall"
            return None

    async def _paced(self, amount: int, ends_s: float, tally: Tally) -> bool:
        """Let others have their turn; longer where there is a rate to keep."""
        wait_s = self._spend(amount)
        if wait_s < 0:
            tally.ended = "budget"
        elif self._loop.time() + wait_s >= ends_s:
            tally.ended = "time"
        else:
            await asyncio.sleep(wait_s)
        return tally.ended == "whole"

    async def _pass_on(self, piece: memoryview) -> bool:
        await self._loop.sock_sendall(self._sock, piece)
        return True

    async def _send(self, data: bytes) -> None:
        async with asyncio.timeout(self._limits.head_s):
            await self._loop.sock_sendall(self._sock, data)

    def _fresh_parser(self) -> h11.Connection:
        return h11.Connection(h11.SERVER, max_incomplete_event_size=self._limits.head_bytes)

    def _asked(self, request: h11.Request) -> Asked:
        if not request.http_version.startswith(b"1."):
            raise Refused(505, "HTTP/1.1 is spoken here")
        headers = tuple((_text(name), _text(value)) for name, value in request.headers)
        said = dict(headers)
        length: int | None = int(said.get("content-length", 0))
        if "transfer-encoding" in said:
            if "content-length" in said:  # two ends of one body: RFC 9112, 6.1
                raise Refused(400, "a body is in chunks or has a length")
            length = None
        self._rest = bytes(self._parser.trailing_data[0])
        closes = "close" in said.get("connection", "").lower() or request.http_version < b"1.1"
        return Asked(_text(request.method), _text(request.target), headers, length, not closes)


def _text(raw: bytes) -> str:
    return raw.decode("ascii", "surrogateescape")


def _head(status: int, length: int, kind: str, more: Mapping[str, str]) -> bytes:
    lines = {
        "Date": formatdate(usegmt=True),
        "Content-Type": kind,
        "Content-Length": str(length),
        "Cache-Control": "no-store",
        **more,
    }
    headers = "".join(f"{name}: {value}\r\n" for name, value in lines.items())
    return f"HTTP/1.1 {status} {HTTPStatus(status).phrase}\r\n{headers}\r\n".encode("ascii", "surrogateescape")
