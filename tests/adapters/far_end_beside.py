"""A far end that runs beside a test, on a thread with a loop of its own, and a client that knows the token."""

from __future__ import annotations

import asyncio
import hashlib
import http.client
import re
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from adapters.far_end.listening import listen
from adapters.far_end.server import FarEnd, Happening

TOKEN = "glaze0-kiln00-wheel0-shelf0"


@dataclass
class Beside:
    host: str
    port: int
    token: str
    told: list[Happening] = field(default_factory=list)

    @property
    def url(self) -> str:
        return f"http://{self.host}:{self.port}"

    def connect(self, source: str | None = None, *, receive_bytes: int | None = None) -> socket.socket:
        """A plain connection, from an address of 127.0.0.0/8 if one is given."""
        sock = socket.socket()
        sock.settimeout(20)
        if receive_bytes:
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, receive_bytes)
        if source:
            sock.bind((source, 0))
        sock.connect((self.host, self.port))
        return sock

    def kinds(self) -> list[str]:
        return [happening.kind for happening in self.told]


class Paired:
    """Knows the token, keeps its connection and its nonce."""

    def __init__(self, beside: Beside, source: str | None = None, token: str | None = None) -> None:
        self._http = http.client.HTTPConnection(
            beside.host, beside.port, timeout=30, source_address=(source, 0) if source else None
        )
        self._hash = sha256(f"linktrial:linktrial:{token or beside.token}")
        self.nonce, self.count = "", 0

    def ask(self, method: str, target: str, body: Any = None, **headers: str) -> tuple[http.client.HTTPResponse, bytes]:
        for _ in range(3):
            answer = self.open(method, target, body, **headers)
            content = answer.read()
            if answer.status != 401:
                break
        return answer, content

    def open(self, method: str, target: str, body: Any = None, **headers: str) -> http.client.HTTPResponse:
        """The answer, whose body is still to be read. A challenge is remembered, and not answered."""
        said = {"Authorization": self.credentials(method, target)} if self.nonce else {}
        self._http.request(method, target, body, {**said, **headers})
        answer = self._http.getresponse()
        if challenge := answer.headers.get("WWW-Authenticate"):
            self.nonce, self.count = re.search('nonce="([^"]+)"', challenge)[1], 0
        return answer

    def credentials(self, method: str, target: str, count: int | None = None) -> str:
        """By the formula of RFC 7616, 3.4.1, and not by our own module."""
        self.count += 1
        used = f"{count or self.count:08x}"
        proof = sha256(f"{self._hash}:{self.nonce}:{used}:clay:auth:{sha256(f'{method}:{target}')}")
        return (
            f'Digest username="linktrial", realm="linktrial", nonce="{self.nonce}", uri="{target}", qop=auth, '
            f'algorithm=SHA-256, nc={used}, cnonce="clay", response="{proof}"'
        )

    def close(self) -> None:
        self._http.close()


def sha256(text: str) -> str:
    return hashlib.sha256(text.encode()).hexdigest()


@contextmanager
def paired(beside: Beside, source: str | None = None, token: str | None = None) -> Iterator[Paired]:
    client = Paired(beside, source, token)
    try:
        yield client
    finally:
        client.close()


@contextmanager
def far_end_beside(*, host: str = "127.0.0.1", token: str = TOKEN, **options: Any) -> Iterator[Beside]:
    """Serves meanwhile, on a port of its own. ``options`` are those of FarEnd."""
    listeners = listen(0, [host])
    beside = Beside(host, listeners[0].getsockname()[1], token)
    loop = asyncio.new_event_loop()
    began: threading.Event = threading.Event()
    serving: list[asyncio.Task[None]] = []

    async def serve() -> None:
        words = {"name": "wheel", "version": "0.0.0", "tell": beside.told.append, **options}
        serving.append(asyncio.ensure_future(FarEnd(token, **words).serve(listeners)))
        began.set()
        await asyncio.wait(serving)

    thread = threading.Thread(target=lambda: loop.run_until_complete(serve()))
    thread.start()
    try:
        assert began.wait(10)
        yield beside
    finally:
        loop.call_soon_threadsafe(serving[0].cancel)
        thread.join(20)
        for listener in listeners:
            listener.close()
        loop.close()
        assert not thread.is_alive()
        assert serving[0].cancelled() or serving[0].exception() is None


def soon(holds: Callable[[], bool], within_s: float = 10) -> bool:
    """Whether it comes to hold."""
    ends_s = time.monotonic() + within_s
    while not holds():
        if time.monotonic() > ends_s:
            return False
        time.sleep(0.01)
    return True


def everything(sock: socket.socket) -> bytes:
    """All that comes until the other side ends; a reset is an end."""
    parts = []
    try:
        while part := sock.recv(1 << 16):
            parts.append(part)
    except ConnectionError:
        pass
    return b"".join(parts)
