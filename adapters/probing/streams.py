"""One stream of a transfer: what it does when its socket can be read or written, and how much payload that was."""

from __future__ import annotations

import json
import os
import socket
import sys
from collections.abc import Callable
from functools import cache
from itertools import pairwise
from selectors import EVENT_READ, EVENT_WRITE

from adapters.http_chunks import Chunks, ChunksBroken
from adapters.probing.errors import ProbeFailed
from adapters.probing.http_wire import MOST_ANSWER_BYTES, Connection, Head, HeadReader, reason, refuse
from adapters.probing.steady import Totals
from adapters.probing.tcp_info import unacknowledged_bytes

BUFFER_BYTES = 4 << 20
ASKED_BYTES = 1 << 34  # of a far end at once
CHUNK_BYTES = 1 << 16
_CHUNK_HEAD = b"%x\r\n" % CHUNK_BYTES
_CHUNK_WIRE = len(_CHUNK_HEAD) + CHUNK_BYTES + 2
_CHUNKS = 32
_LAST_CHUNK = b"0\r\n\r\n"
_UNSENT_BYTES = 512 << 10  # as much waits in the socket at most, so that the end of an upload is near
_TLS_RECORD_BYTES = 1 << 14
# What comes down is thrown away in the kernel, without a copy (tcp(7), MSG_TRUNC).
_DISCARD = socket.MSG_TRUNC if sys.platform == "linux" else 0


class Down:
    """Gets bytes, one body after the other, until ``share_bytes`` have come (None: until it is stopped)."""

    events = EVENT_READ

    def __init__(self, connection: Connection, share_bytes: int | None, steady_s: Callable[[], float]) -> None:
        self.connection, self._share, self._steady_s = connection, share_bytes, steady_s
        self.payload_bytes = 0
        self.waited_s = 0.0  # between a body's end and the next one's beginning
        self.full = False
        self._reader = HeadReader()
        self._body: Body | None = None
        self._ended_s: float | None = None
        self._flags = 0 if connection.target.tls else _DISCARD
        self._room = _room()

    def begin(self) -> None:
        self._ask()

    def pump(self) -> None:
        """Take what is there. Raises ProbeFailed."""
        taken = self._take()
        while taken and getattr(self.connection.socket, "pending", int)():  # TLS holds more than the socket shows
            taken = self._take()

    def counted(self) -> int | None:
        return self.payload_bytes

    def _take(self) -> bool:
        body = self._body
        try:
            if body is None:
                data = self.connection.socket.recv(65_536)
                got = len(data)
            elif body.chunked:
                got = self.connection.socket.recv_into(self._room)
            elif self._flags:
                got = self.connection.socket.recv_into(self._room, body.most(BUFFER_BYTES), self._flags)
            else:
                got = self.connection.socket.recv_into(self._room, body.most(BUFFER_BYTES))
        except OSError as error:
            if _would_block(error):
                return False
            raise ProbeFailed(f"the transfer broke off: {reason(error)}") from error
        if not got:
            self._closed(body)
        elif body is None:
            self._take_head(data)
        else:
            self._count(body, body.take(self._room, got))
        return got > 0

    def _take_head(self, data: bytes) -> None:
        found = self._reader.feed(data)
        if found is None:
            return
        head, rest = found
        refuse(head, self.connection.target.label)
        self._body = Body(head)
        if self._ended_s is not None:
            self.waited_s += self._steady_s() - self._ended_s
        self._count(self._body, self._body.take(rest, len(rest)))

    def _count(self, body: Body, payload: int) -> None:
        self.payload_bytes += payload
        self.full = self._share is not None and self.payload_bytes >= self._share
        if body.over and not self.full:
            self._next(body)

    def _closed(self, body: Body | None) -> None:
        if body is None or not body.ends_with_connection:
            raise ProbeFailed("the transfer broke off: the other side closed the connection before the end")
        body.over = True
        self._next(body)

    def _next(self, body: Body) -> None:
        self._body, self._ended_s = None, self._steady_s()
        if not body.keeps:
            raise ProbeFailed(
                "the other side closes the connection after each file, so that its file is too short to tell a rate; "
                "name a larger one"
            )
        self._ask()

    def _ask(self) -> None:
        target = self.connection.target
        path = target.path
        if target.is_far_end:
            left = ASKED_BYTES if self._share is None else self._share - self.payload_bytes
            path += f"?count={min(left, ASKED_BYTES)}"
        try:
            self.connection.socket.sendall(self.connection.request("GET", path))
        except OSError as error:
            raise ProbeFailed(f"the transfer broke off: {reason(error)}") from error


class Body:
    """How far a response's body has come."""

    def __init__(self, head: Head) -> None:
        self.chunked, self._left = head.chunked, head.length
        self.ends_with_connection = self._left is None and not self.chunked
        self.keeps = head.keeps and not self.ends_with_connection
        self.over = self._left == 0
        self._chunks = Chunks() if self.chunked else None

    def most(self, room: int) -> int:
        """How much may be taken at once."""
        return room if self._left is None else min(room, self._left)

    def take(self, data: bytes | bytearray, got: int) -> int:
        """Bytes of payload among those that came, which are the first of ``data`` if the body has chunks."""
        if self._chunks is not None:
            try:
                payload, ends = self._chunks.take(data, got)
            except ChunksBroken as error:
                raise ProbeFailed(f"the other side's chunks cannot be read ({error})") from error
            self.over = self._chunks.over
            if ends < got:
                raise ProbeFailed("the other side sends more than it said")
            return payload
        if self._left is not None:
            if got > self._left:
                raise ProbeFailed("the other side sends more than it said")
            self._left -= got
            self.over = self._left == 0
        return got


class Up:
    """Sends bytes until ``share_bytes`` are sent (None: until it is told to end), then takes the answer."""

    def __init__(self, connection: Connection, method: str, share_bytes: int | None) -> None:
        self.connection, self._method, self._share = connection, method, share_bytes
        self.full = False
        self.answered = False
        self.received: Totals | None = None  # as the far end counted it
        self._sent = 0  # on the wire, behind the request's head
        self._last: bytes | None = None  # what is left of the end, once it has been told to end
        self._reader = HeadReader()
        self._answer: tuple[Head, bytearray] | None = None
        self._wire = _chunks()

    @property
    def events(self) -> int:
        return EVENT_READ | EVENT_WRITE if self._last != b"" else EVENT_READ

    @property
    def payload_bytes(self) -> int:
        return _payload(self._sent)

    def begin(self) -> None:
        head = self.connection.request(
            self._method, self.connection.target.path, "Content-Type: application/octet-stream",
            "Transfer-Encoding: chunked",
        )  # fmt: skip
        try:
            if sys.platform == "linux":
                self.connection.socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NOTSENT_LOWAT, _UNSENT_BYTES)
            self.connection.socket.sendall(head)
        except OSError as error:
            raise ProbeFailed(f"the transfer broke off: {reason(error)}") from error

    def end(self) -> None:
        """No more than the chunk that was begun; over TLS one more, for what OpenSSL has begun to send must be sent."""
        if self._last is None:
            at = self._sent % len(self._wire)
            left = -at % _CHUNK_WIRE + (_CHUNK_WIRE if self.connection.target.tls else 0)
            rest = (self._wire[at : at + left].tobytes() + self._wire[:left].tobytes())[:left]
            self._last = rest + _LAST_CHUNK
            self._sent += len(rest)

    def pump(self) -> None:
        """Send what the socket takes, and look for an answer. Raises ProbeFailed."""
        self._listen()
        if self.answered:
            return
        try:
            if self._last:
                self._last = self._last[self._send(self._last) :]
            elif self._last is None:
                at = self._sent % len(self._wire)
                self._sent += self._send(self._wire[at:])
        except OSError as error:
            if not _would_block(error):
                self._listen()  # why it closed the connection may stand in its answer
                raise ProbeFailed(f"the transfer broke off: {reason(error)}") from error
        self.full = self._share is not None and self.payload_bytes + CHUNK_BYTES > self._share

    def counted(self) -> int | None:
        """Bytes of payload that the other side has acknowledged; None where the system does not tell."""
        waiting = unacknowledged_bytes(self.connection.socket)
        return None if waiting is None else _payload(max(0, self._sent - waiting))

    def _send(self, data: bytes | memoryview) -> int:
        room = BUFFER_BYTES
        if self._share is not None and self._last is None:
            room = max(1, _wire(self._share) - self._sent)
        if self.connection.target.tls:  # by the record: one that was begun must be sent on with all it was begun with
            room = min(room, _TLS_RECORD_BYTES)
        return self.connection.socket.send(data[:room])

    def _listen(self) -> None:
        try:
            data = self.connection.socket.recv(65_536)
        except OSError as error:
            if _would_block(error):
                return
            raise ProbeFailed(f"the transfer broke off: {reason(error)}") from error
        if self._answer is None:
            found = self._reader.feed(data)
            if found is not None:
                self._answer = found[0], bytearray(found[1])
                refuse(found[0], self.connection.target.label)
                if self._last is None:
                    raise ProbeFailed("the other side answered before the transfer was over")
        else:
            self._answer[1].extend(data)
        if self._answer is not None:
            head, body = self._answer
            length = MOST_ANSWER_BYTES if head.length is None else min(head.length, MOST_ANSWER_BYTES)
            if not data or len(body) >= length:
                self.answered = True
                self.received = read_received(bytes(body[:length]), self.payload_bytes)
        elif not data:
            raise ProbeFailed("the transfer broke off: the other side closed the connection")


def read_received(body: bytes, sent_bytes: int) -> Totals | None:
    """The far end's running totals, in seconds, from its answer to an upload; None where it tells none, or such as
    cannot be: that fall, run on for longer than an hour, or sum up to other than what was sent."""
    try:
        rows = json.loads(body)["received"]
        totals = [(float(ms) / 1000, int(count)) for ms, count in rows]
    except (ValueError, TypeError, KeyError, OverflowError, RecursionError):
        return None
    if not totals or totals[-1][1] != sent_bytes:
        return None
    if totals[0] != (0.0, 0):
        totals.insert(0, (0.0, 0))
    if len(totals) > 2 and totals[-2][0] == totals[-1][0]:  # the end, within the millisecond of the last look
        del totals[-2]
    return totals if all(t0 < t1 <= 3600 and b0 <= b1 for (t0, b0), (t1, b1) in pairwise(totals)) else None


@cache
def _room() -> bytearray:
    """What comes down is received into it, if it has to be received; one for all streams."""
    return bytearray(BUFFER_BYTES)


def _would_block(error: OSError) -> bool:
    wants = ("SSLWantReadError", "SSLWantWriteError")  # by name: ssl is loaded only where it is used
    return isinstance(error, BlockingIOError | InterruptedError) or type(error).__name__ in wants


def _chunks() -> memoryview:
    """Bytes that nothing on the way could compress, in chunks of HTTP, to be sent again and again."""
    noise = os.urandom(CHUNK_BYTES * _CHUNKS)
    parts = (noise[n : n + CHUNK_BYTES] for n in range(0, len(noise), CHUNK_BYTES))
    return memoryview(b"".join(_CHUNK_HEAD + part + b"\r\n" for part in parts))


def _payload(wire: int) -> int:
    """Of so many bytes of chunks."""
    return wire // _CHUNK_WIRE * CHUNK_BYTES + min(max(wire % _CHUNK_WIRE - len(_CHUNK_HEAD), 0), CHUNK_BYTES)


def _wire(payload: int) -> int:
    """Bytes of whole chunks that hold at most so much payload."""
    return payload // CHUNK_BYTES * _CHUNK_WIRE
