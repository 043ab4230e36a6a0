"""A server that says what a test tells it to: one function per connection, on a thread of its own."""

from __future__ import annotations

import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass, field


@dataclass
class Visit:
    """One connection, with what was asked on it."""

    socket: socket.socket
    asked: list[str] = field(default_factory=list)
    _held: bytes = b""

    def request(self) -> str:
        """The head of the next request; '' where there is none."""
        while b"\r\n\r\n" not in self._held:
            data = self.socket.recv(65_536)
            if not data:
                return ""
            self._held += data
        head, _, self._held = self._held.partition(b"\r\n\r\n")
        self.asked.append(head.decode())
        return self.asked[-1]

    def say(self, *lines: str, body: bytes = b"") -> None:
        self.socket.sendall("\r\n".join([*lines, "", ""]).encode() + body)

    def chunks(self, on_data: Callable[[int], None] = lambda count: None) -> int:
        """Bytes of payload of a body in chunks, read to its end."""
        from adapters.http_chunks import Chunks

        chunks, count, data = Chunks(), 0, self._held
        while True:
            got, end = chunks.take(data, len(data))
            count += got
            on_data(count)
            if chunks.over:
                self._held = data[end:]
                return count
            data = self.socket.recv(1 << 18)
            assert data


@dataclass
class Played:
    port: int
    visits: list[Visit]

    @property
    def url(self) -> str:
        return f"http://127.0.0.1:{self.port}/clay.bin"


@contextmanager
def played_server(play: Callable[[Visit], None]) -> Iterator[Played]:
    """Every connection is played by ``play`` and then closed; a connection that the other side breaks off is no mistake."""
    listener = socket.create_server(("127.0.0.1", 0))
    played = Played(listener.getsockname()[1], [])
    threads: list[threading.Thread] = []

    def visit(connection: socket.socket) -> None:
        with connection, suppress(OSError):
            connection.settimeout(20)
            one = Visit(connection)
            played.visits.append(one)
            play(one)

    def serve() -> None:
        while True:
            try:
                connection, _ = listener.accept()
            except OSError:
                return
            threads.append(threading.Thread(target=visit, args=(connection,)))
            threads[-1].start()

    serving = threading.Thread(target=serve)
    serving.start()
    try:
        yield played
    finally:
        with suppress(OSError):
            listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        serving.join(20)
        for thread in threads:
            thread.join(20)
        assert not any(thread.is_alive() for thread in [serving, *threads])
