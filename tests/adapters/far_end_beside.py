"""A far end that runs beside a test, on a thread with a loop of its own."""

from __future__ import annotations

import asyncio
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import Any

from adapters.far_end.server import FarEnd, Happening, listen

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
