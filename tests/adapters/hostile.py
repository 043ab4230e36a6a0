"""Clients that mean no good, by kind, as many at once as one likes: each comes again as soon as it is thrown out.

    python -m tests.adapters.hostile PORT HOW_MANY [ADDRESS]

says so when it begins and runs until it is ended, from addresses of 127.0.1.0/24 or from that one, and then tells in JSON how often each kind came and was thrown
out. In a process of its own, so that what it costs is not counted as the far end's.
"""

from __future__ import annotations

import asyncio
import json
import os
import signal
import socket
import sys
from collections import Counter
from collections.abc import Awaitable, Callable

_GET = b"GET / HTTP/1.1\r\nHost: w\r\n\r\n"
_PUT = b"PUT /bytes HTTP/1.1\r\nHost: w\r\nTransfer-Encoding: chunked\r\n\r\n"
_WRONG = (
    b'GET /bytes?count=1000000000 HTTP/1.1\r\nHost: w\r\nAuthorization: Digest username="linktrial", realm="linktrial", '
    b'nonce="1-1-1", uri="/bytes?count=1000000000", qop=auth, algorithm=SHA-256, nc=00000001, cnonce="c", response="%s"\r\n\r\n'
)


class Line:
    """A connection as they have it."""

    def __init__(self, sock: socket.socket) -> None:
        self._sock, self._loop = sock, asyncio.get_running_loop()

    async def send(self, data: bytes) -> None:
        await self._loop.sock_sendall(self._sock, data)

    async def until_thrown_out(self) -> None:
        while await self._loop.sock_recv(self._sock, 4096):
            pass


async def slow(line: Line) -> None:
    """A byte a second of a request."""
    for byte in _GET * 100:
        await line.send(bytes([byte]))
        await asyncio.sleep(1)


async def half_open(line: Line) -> None:
    """Says nothing, ever."""
    await line.until_thrown_out()


async def garbage(line: Line) -> None:
    await line.send(os.urandom(4096))
    await line.until_thrown_out()


async def pipelining(line: Line) -> None:
    """Many requests at once, without waiting for an answer."""
    await line.send(_GET * 2000)
    await line.until_thrown_out()


async def long_header(line: Line) -> None:
    """A header without end."""
    await line.send(b"GET / HTTP/1.1\r\nHost: w\r\n")
    for number in range(10_000):
        await line.send(b"X-Clay-%d: %s\r\n" % (number, b"c" * 1000))


async def endless_body(line: Line) -> None:
    """A body without end, and without the token."""
    await line.send(_PUT)
    while True:
        await line.send(b"10000\r\n" + b"c" * 65_536 + b"\r\n")


async def never_reading(line: Line) -> None:
    """Asks and asks, and takes no answer."""
    while True:
        await line.send(_GET)


async def guessing(line: Line) -> None:
    """One token after the other."""
    for _ in range(1000):
        await line.send(_WRONG % os.urandom(32).hex().encode())
    await line.until_thrown_out()


async def hasty(line: Line) -> None:
    """Comes and goes."""


KINDS: tuple[Callable[[Line], Awaitable[None]], ...] = (
    *(slow, half_open, garbage, pipelining, long_header, endless_body, never_reading, guessing, hasty),
)


async def besiege(port: int, how_many: int, came: Counter[str], address: str | None = None) -> None:
    """All kinds by turns, until cancelled."""

    async def one(number: int) -> None:
        loop, kind = asyncio.get_running_loop(), KINDS[number % len(KINDS)]
        while True:
            with socket.socket() as sock:
                sock.setblocking(False)
                sock.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 4096)
                sock.bind((address or f"127.0.1.{1 + number % 250}", 0))
                try:
                    await loop.sock_connect(sock, ("127.0.0.1", port))
                    came[kind.__name__] += 1
                    await kind(Line(sock))
                except OSError:
                    pass
            await asyncio.sleep(0.05)

    await asyncio.gather(*(one(number) for number in range(how_many)))


def main() -> None:
    port, how_many = map(int, sys.argv[1:3])
    address = sys.argv[3] if len(sys.argv) > 3 else None
    came: Counter[str] = Counter()

    async def until_ended() -> None:
        loop, ended = asyncio.get_running_loop(), asyncio.Event()
        loop.add_signal_handler(signal.SIGTERM, ended.set)
        siege = asyncio.create_task(besiege(port, how_many, came, address))
        print("at it", flush=True)
        await asyncio.wait([siege, asyncio.create_task(ended.wait())], return_when=asyncio.FIRST_COMPLETED)
        siege.cancel()
        await asyncio.gather(siege, return_exceptions=True)

    asyncio.run(until_ended())
    print(json.dumps(came))


if __name__ == "__main__":
    main()
