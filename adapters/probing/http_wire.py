"""As much of HTTP/1.1 (RFC 9112) as a probe speaks: a request's head, a response's head and body, and nothing that the
other side could make endless. Redirects are not followed: what is measured is who was named."""

from __future__ import annotations

import socket
import time
from collections.abc import Callable
from dataclasses import dataclass, field

from adapters.far_end import REALM, USER
from adapters.probing.digest import Digest, NoChallenge, read_challenge
from adapters.probing.errors import FarEndBusy, ProbeFailed
from adapters.probing.target import Target
from adapters.probing.way import Way

MOST_HEAD_BYTES = 16_384
MOST_ANSWER_BYTES = 1_000_000  # of an answer that is read, not a transfer
ANSWER_S = 10.0
CONNECT_S = 5.0
MOST_RETRY_AFTER_S = 86_400.0
_FOR_NOW = {409: "is in use by another laptop", 429: "grants no more for now", 503: "has no room for now"}


@dataclass(frozen=True, slots=True)
class Head:
    """Of a response; header names in lower case."""

    status: int
    headers: tuple[tuple[str, str], ...]
    keeps: bool  # whether another request may follow on this connection

    def all(self, name: str) -> list[str]:
        return [value for known, value in self.headers if known == name]

    def one(self, name: str) -> str | None:
        """Its value; None where it is not there. Raises ProbeFailed where it is there with different values."""
        values = set(self.all(name))
        if len(values) > 1:
            raise ProbeFailed(f"the other side's answer contradicts itself ({name})")
        return values.pop() if values else None

    @property
    def chunked(self) -> bool:
        coding = (self.one("transfer-encoding") or "").strip().lower()
        if coding not in ("", "chunked"):
            raise ProbeFailed(f"the other side's answer is coded as {coding!a}, which is not known here")
        return coding == "chunked"

    @property
    def length(self) -> int | None:
        """Content-Length; None where the body ends with the connection or is chunked."""
        told = self.one("content-length")
        if self.status in (204, 304):
            return 0
        if self.chunked or told is None:
            return None
        if not (told.isascii() and told.isdecimal()) or len(told) > 18:
            raise ProbeFailed(f"the other side's answer has no length that can be ({told[:40]!a})")
        return int(told)

    def retry_after_s(self) -> float | None:
        told = (self.all("retry-after") or [""])[0].strip()
        return min(float(told), MOST_RETRY_AFTER_S) if told.isascii() and told.isdecimal() else None


@dataclass(slots=True)
class HeadReader:
    """Takes a head in, however its bytes come."""

    _held: bytearray = field(default_factory=bytearray)

    def feed(self, data: bytes) -> tuple[Head, bytes] | None:
        """The head and what came behind it, once it is whole. Raises ProbeFailed for what is none."""
        self._held += data
        while True:
            end = self._held.find(b"\r\n\r\n", 0, MOST_HEAD_BYTES)
            if end < 0 and len(self._held) < MOST_HEAD_BYTES:
                return None
            if end < 0:
                raise ProbeFailed("the other side's answer has no end to its head; is it a web server?")
            head = _read_head(bytes(self._held[:end]))
            del self._held[: end + 4]
            if not 100 <= head.status < 200:  # those come before the answer
                rest = bytes(self._held)
                self._held.clear()
                return head, rest


def _read_head(data: bytes) -> Head:
    first, *lines = data.decode("latin-1").split("\r\n")
    version, _, rest = first.partition(" ")
    status = rest[:3]
    if not version.startswith("HTTP/1.") or len(status) != 3 or not (status.isascii() and status.isdecimal()):
        raise ProbeFailed(f"the other side's answer is not HTTP ({first[:40]!a}); is it a web server?")
    headers = []
    for line in lines:
        name, colon, value = line.partition(":")
        if not colon or not name or name != name.strip():
            raise ProbeFailed(f"the other side's answer has a header that is none ({line[:40]!a})")
        headers.append((name.lower(), value.strip()))
    connection = " ".join(value for name, value in headers if name == "connection").lower()
    keeps = "close" not in connection and (version != "HTTP/1.0" or "keep-alive" in connection)
    return Head(int(status), tuple(headers), keeps)


@dataclass(frozen=True, slots=True)
class Answer:
    """A response that was read whole."""

    head: Head
    body: bytes


class Connection:
    """One connection to the target over the way, with the proof that the target asks for. Blocks, within deadlines;
    a transfer takes its ``socket`` over. Raises ProbeFailed from everything."""

    def __init__(self, target: Target, way: Way, proof: Proof, steady_s: Callable[[], float] = time.monotonic) -> None:
        self.target, self._proof, self._steady_s = target, proof, steady_s
        self.socket = _connected(target, way, CONNECT_S)

    def close(self, at_once: bool = False) -> None:
        """``at_once``: what is under way is dropped, in both directions, and the link is free."""
        if at_once:
            drop_at_close(self.socket)
        self.socket.close()

    def ask(self, method: str, path: str, within_s: float = ANSWER_S) -> Answer:
        """One exchange without a body of ours. Where the target asks for proof, it is given and the answer is the
        second one."""
        for last in (False, True):
            answer = self._exchange(self.request(method, path), within_s)
            if answer.head.status != 401 or last:
                break
            self._proof.take(answer.head)
            if not answer.head.keeps:
                raise ProbeFailed("the other side ends the connection where it asks for proof")
        return answer

    def prove(self) -> None:
        """See to it that the next request brings its proof."""
        if not self._proof.given:
            refuse(self.ask("GET", f"{self.target.path}?count=0").head, self.target.label)

    def request(self, method: str, path: str, *more: str) -> bytes:
        """A request's head; ``more`` are whole header lines."""
        lines = [f"{method} {path} HTTP/1.1", f"Host: {self.target.authority}", "User-Agent: linktrial"]
        lines += ["Accept-Encoding: identity", *self._proof.headers(method, path), *more]
        return "\r\n".join([*lines, "", ""]).encode("ascii")

    def _exchange(self, request: bytes, within_s: float) -> Answer:
        deadline_s = self._steady_s() + within_s
        reader, head, body = HeadReader(), None, bytearray()
        try:
            self._wait_until(deadline_s)
            self.socket.sendall(request)
            while head is None:
                found = reader.feed(self._receive(deadline_s))
                if found:
                    head, body = found[0], bytearray(found[1])
            if head.chunked:
                raise ProbeFailed("the other side's answer comes in chunks where it should be short")
            length = head.length
            if length is not None and length > MOST_ANSWER_BYTES:
                raise ProbeFailed("the other side's answer is too long")
            while length is None or len(body) < length:
                try:
                    body += self._receive(deadline_s)
                except ConnectionEnded:
                    if length is None:
                        break
                    raise
                if len(body) > MOST_ANSWER_BYTES:
                    raise ProbeFailed("the other side's answer is too long")
        except OSError as error:
            raise ProbeFailed(f"{self.target.label!a} does not answer: {reason(error)}") from error
        return Answer(head, bytes(body if length is None else body[:length]))

    def _receive(self, deadline_s: float) -> bytes:
        self._wait_until(deadline_s)
        data = self.socket.recv(65_536)
        if not data:
            raise ConnectionEnded("the connection was closed before the answer was whole")
        return data

    def _wait_until(self, deadline_s: float) -> None:
        left_s = deadline_s - self._steady_s()
        if left_s <= 0:
            raise ProbeFailed(f"{self.target.label!a} does not answer in time")
        self.socket.settimeout(left_s)


class ConnectionEnded(ProbeFailed):
    """The other side closed it."""


class Proof:
    """That we know the token, for as many requests and connections as there are."""

    def __init__(self, token: str | None) -> None:
        self._token = token
        self._digest: Digest | None = None

    @property
    def given(self) -> bool:
        """Whether it has been asked for, so that requests bring it."""
        return self._digest is not None

    def headers(self, method: str, path: str) -> list[str]:
        """For the next request, if proof was asked for already."""
        if self._digest is None or self._token is None:
            return []
        return [f"Authorization: {self._digest.answer(method, path, USER, self._token)}"]

    def answered_by(self, head: Head) -> bool:
        """Whether the answer to the last request shows that the other side knows the token, too: anybody can say
        yes to everything."""
        return self._digest is not None and self._digest.shown_in(head.one("authentication-info") or "")

    def take(self, head: Head) -> None:
        """A refusal with its challenge. Raises ProbeFailed where the token was tried and is wrong."""
        if self._token is None:
            raise ProbeFailed("the other side asks for a password; name one that gives its file to everybody")
        digest = read_challenge(head.all("www-authenticate"))
        if digest.realm != REALM:
            raise NoChallenge("the other side asks for a proof that is not for a far end; is it one?")
        if self._digest is not None and not digest.stale:
            raise ProbeFailed("the far end does not take the token; pair this laptop with it anew")
        self._digest = digest


def refuse(head: Head, label: str) -> None:
    """Raises the error that a response other than 200 stands for."""
    if head.status == 200:
        return
    if head.status in _FOR_NOW:
        raise FarEndBusy(f"{label!a} {_FOR_NOW[head.status]} (HTTP {head.status})", head.retry_after_s())
    if 300 <= head.status < 400:
        where = (head.all("location") or ["elsewhere"])[0][:200]
        raise ProbeFailed(f"{label!a} sends us on to {where!a}; name that, if it is yours")
    if head.status == 401:
        raise ProbeFailed("the far end does not take the token; pair this laptop with it anew")
    raise ProbeFailed(f"{label!a} refuses (HTTP {head.status})")


def reason(error: OSError) -> str:
    """Why, in a few words."""
    if isinstance(error, TimeoutError):
        return "not in time"
    return error.strerror or " ".join(str(error).split()) or type(error).__name__


def drop_at_close(connection: socket.socket) -> None:
    """What is still under way is dropped when it is closed (SO_LINGER of 0)."""
    import struct

    connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))


def _connected(target: Target, way: Way, within_s: float) -> socket.socket:
    """By the first of its addresses that answers; each has its share of the time."""
    words = "it has no address"
    addresses = list(way.resolve(target.host, target.port))
    for family, address in addresses:
        try:
            made = way.open(family, socket.SOCK_STREAM)
        except OSError as error:
            words = reason(error)
            continue
        try:
            made.settimeout(within_s / len(addresses))
            made.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            made.connect(address)
            way.answered(target.host, target.port, address)
            return _secured(made, target.host) if target.tls else made
        except (OSError, ValueError) as error:
            made.close()
            words = reason(error) if isinstance(error, OSError) else str(error)
    raise ProbeFailed(f"{target.label!a} cannot be reached over {way.interface}: {words}")


def _secured(made: socket.socket, host: str) -> socket.socket:
    import ssl  # late: a far end of ours needs none

    return ssl.create_default_context().wrap_socket(made, server_hostname=host)
