"""The far end's server: who may come in, what is asked, what is granted."""

from __future__ import annotations

import asyncio
import math
import os
import re
import socket
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field

from adapters.far_end import PROTOCOL
from adapters.far_end.claim import LONGEST_S, Turn
from adapters.far_end.digest import Gate, Standing
from adapters.far_end.limits import Allowance, Bucket, Buckets, Limits, Room
from adapters.far_end.peers import Peers, plain_address
from adapters.far_end.wire import PIECE, Asked, Refused, Tally, Wire

MOST_COUNT = 10**12
_TOO_MANY_S = 1.0  # how long who asks too often waits for that answer
_FULL = b"HTTP/1.1 503 Service Unavailable\r\nRetry-After: 5\r\nContent-Length: 0\r\nConnection: close\r\n\r\n"


@dataclass(frozen=True, slots=True)
class Happening:
    """What the far end has to tell. ``kind``: "transfer", "claimed", "given-back", "refused" (an address that may not
    come), "wrong-token", "limited" or "failed"."""

    kind: str
    client: str
    detail: dict[str, object] = field(default_factory=dict)


class FarEnd:
    """Serves until it is told to stop. ``name`` is what it calls itself, ``steady_s`` a clock that is never set."""

    def __init__(
        self,
        token: str,
        *,
        name: str,
        version: str,
        limits: Limits | None = None,
        peers: Peers | None = None,
        tell: Callable[[Happening], None] = lambda happening: None,
        steady_s: Callable[[], float] = time.monotonic,
    ) -> None:
        self.limits = limits or Limits()
        self._hello = {"linktrial": version, "protocol": PROTOCOL, "name": name}
        self._peers = peers or Peers()
        self._tell, self._steady_s = tell, steady_s
        self._gate = Gate(token, steady_s)
        self._turn = Turn(steady_s)
        self._room = Room(self.limits)
        self._allowance = Allowance(self.limits, steady_s)
        per_s = self.limits.stranger_requests_per_s
        self._strangers = Buckets(2 * per_s, per_s)
        self._payload = memoryview(os.urandom(PIECE))
        self._tasks: set[asyncio.Task[None]] = set()

    async def serve(self, listeners: Sequence[socket.socket]) -> None:
        """Until cancelled; then every connection is ended."""
        try:
            async with asyncio.TaskGroup() as accepting:
                for listener in listeners:
                    accepting.create_task(self._accept(listener))
        finally:
            for task in list(self._tasks):
                task.cancel()
            await asyncio.gather(*self._tasks, return_exceptions=True)

    async def _accept(self, listener: socket.socket) -> None:
        loop = asyncio.get_running_loop()
        while True:
            await asyncio.sleep(0)  # to accept one that waits already does not: a flood would have all turns
            try:
                sock, address = await loop.sock_accept(listener)
            except OSError:  # no more file descriptors, or the client was gone before
                await asyncio.sleep(0.05)
                continue
            client = plain_address(address[0])
            if not self._peers.may_come(client):
                self._tell(Happening("refused", client))
                sock.close()
                continue
            visit = _Visit(self, sock, client)
            if not self._room.enter(visit):
                self._tell(Happening("limited", client, {"by": "connections"}))
                with suppress(OSError):
                    sock.send(_FULL)
                sock.close()
                continue
            visit.task = asyncio.create_task(visit.run())
            self._tasks.add(visit.task)
            visit.task.add_done_callback(visit.close)


class _Visit:
    """One connection of a client."""

    def __init__(self, far_end: FarEnd, sock: socket.socket, client: str) -> None:
        self.client, self.paired = client, False
        self.task: asyncio.Task[None] | None = None
        self._far_end, self._sock = far_end, sock
        sock.setblocking(False)
        with suppress(OSError):
            sock.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
        self._wire = Wire(sock, far_end.limits, far_end._payload, self._spend)

    def turn_out(self) -> None:
        if self.task is not None:
            self._wire.reset()
            self.task.cancel()

    async def run(self) -> None:
        far_end = self._far_end
        lasts = asyncio.get_running_loop().call_later(far_end.limits.stranger_s, self._no_longer_a_stranger)
        try:
            while await self._one():
                pass
        except (OSError, TimeoutError):
            self._wire.reset()
        except Exception as error:  # one connection's trouble is not the others'
            self._wire.reset()
            far_end._tell(Happening("failed", self.client, {"error": f"{type(error).__name__}: {error}"}))
        finally:
            lasts.cancel()

    def close(self, task: asyncio.Task[None]) -> None:
        """Not in ``run``: one that is turned out at once has never run."""
        self._far_end._tasks.discard(task)
        self._far_end._room.leave(self)
        self._sock.close()

    def _no_longer_a_stranger(self) -> None:
        if not self.paired:
            self.turn_out()

    def _spend(self, amount: int) -> float:
        return self._far_end._allowance.spend(self.client, amount)

    async def _one(self) -> bool:
        """One request and its answer; whether there may be another."""
        limits = self._far_end.limits
        try:
            asked = await self._wire.next_request(limits.idle_s if self.paired else limits.head_s)
            if asked is None:
                return False
            if asked.method == "GET" and asked.path == "/":
                return await self._hello(asked)
            standing = self._standing(asked)
            if standing is not Standing.PAIRED:
                return await self._challenge(asked, standing)
            self.paired = True
            counterproof = self._far_end._gate.counterproof(asked.only("authorization") or "", asked.target)
            self._wire.shown["Authentication-Info"] = counterproof
            return await self._grant(asked)
        except Refused as refused:
            await self._wire.answer(refused.status, {"error": str(refused)}, keeps=False)
            await self._wire.linger()
            return False

    async def _hello(self, asked: Asked) -> bool:
        if not self.paired and not await self._patience():
            return False
        return await self._answer(asked, 200, self._far_end._hello)

    def _standing(self, asked: Asked) -> Standing:
        return self._far_end._gate.standing(asked.only("authorization"), asked.method, asked.target, self.client)

    async def _challenge(self, asked: Asked, standing: Standing) -> bool:
        now_s = self._far_end._steady_s()
        if standing is Standing.WRONG:
            self._far_end._tell(Happening("wrong-token", self.client))
            if not await self._patience():
                return False
        elif standing is Standing.NONE and self._stranger().level(now_s) > 0:  # or the debt would outlast the asking
            self._stranger().take(1, now_s)
        challenge = self._far_end._gate.challenge(self.client, stale=standing is Standing.STALE)
        words = {"error": "say the pairing token, as HTTP Digest (RFC 7616)"}
        # Who asks for too many challenges is given them still: a paired client may be at the same address.
        keeps = self._stranger().level(now_s) > 0
        return await self._answer(asked, 401, words, {"WWW-Authenticate": challenge}, keeps=keeps)

    def _stranger(self) -> Bucket:
        return self._far_end._strangers.of(self.client, self._far_end._steady_s())

    async def _patience(self) -> bool:
        """Whether a stranger's request may be answered; else it has been told when to come back."""
        now_s = self._far_end._steady_s()
        bucket = self._stranger()
        if bucket.level(now_s) >= 1:
            bucket.take(1, now_s)
            return True
        self._far_end._tell(Happening("limited", self.client, {"by": "requests"}))
        await asyncio.sleep(_TOO_MANY_S)
        await self._wire.answer(429, {"error": "too many requests"}, more={"Retry-After": "1"}, keeps=False)
        await self._wire.linger()
        return False

    async def _grant(self, asked: Asked) -> bool:
        match asked.path, asked.method:
            case "/bytes", "GET":
                return await self._down(asked)
            case "/bytes", "PUT":
                return await self._up(asked)
            case "/claim", "GET":
                return await self._claim(asked)
            case "/claim", "DELETE":
                had = self._far_end._turn.give_back(self._who(asked))
                if had:
                    self._far_end._tell(Happening("given-back", self.client))
                return await self._answer(asked, 200, {"given_back": had})
            case (("/bytes" | "/claim" | "/"), _):
                raise Refused(405, "this is not done with that method")
        raise Refused(404, "there is nothing here of that name")

    async def _down(self, asked: Asked) -> bool:
        count = _number(asked, "count", MOST_COUNT)
        if await self._over_budget(asked):
            return False
        tally = Tally(self._far_end._steady_s)
        keeps = asked.keeps_alive and asked.length == 0
        try:
            await self._wire.pour(count, tally, keeps=keeps)
        except OSError:
            tally.ended = "gone"
        self._told("down", tally)
        if tally.ended != "whole":
            self._wire.reset()
        return keeps and tally.ended == "whole"

    async def _up(self, asked: Asked) -> bool:
        if await self._over_budget(asked):
            return False
        tally = Tally(self._far_end._steady_s)
        try:
            await self._wire.swallow(asked, tally)
        except OSError:
            tally.ended = "gone"
        self._told("up", tally)
        if tally.ended == "gone":
            return False
        seconds = tally.received[-1][0] / 1000
        body = {"bytes": tally.bytes, "seconds": seconds, "received": tally.received}
        whole = tally.ended == "whole"
        keeps = whole and asked.keeps_alive
        await self._wire.answer(200 if whole else 408, body, keeps=keeps)
        if not keeps:
            await self._wire.linger()
        return keeps

    async def _claim(self, asked: Asked) -> bool:
        seconds = _number(asked, "seconds", int(LONGEST_S))
        wait_s = self._far_end._turn.take(self._who(asked), seconds)
        if wait_s > 0:
            words = {"error": "another client has the link"}
            return await self._answer(asked, 409, words, {"Retry-After": str(math.ceil(wait_s))})
        self._far_end._tell(Happening("claimed", self.client, {"seconds": seconds}))
        return await self._answer(asked, 200, {"seconds": seconds})

    def _who(self, asked: Asked) -> str:
        """Clients that share an address can tell themselves apart."""
        return f"{self.client} {asked.query().get('as', '')}"

    async def _over_budget(self, asked: Asked) -> bool:
        wait_s = self._far_end._allowance.refusal_s(self.client)
        if wait_s <= 0:
            return False
        self._far_end._tell(Happening("limited", self.client, {"by": "bytes"}))
        words = {"error": "the bytes of this day are spent"}
        await self._wire.answer(429, words, more={"Retry-After": str(math.ceil(wait_s))}, keeps=False)
        await self._wire.linger()
        return True

    async def _answer(
        self,
        asked: Asked,
        status: int,
        body: Mapping[str, object],
        more: Mapping[str, str] | None = None,
        *,
        keeps: bool = True,
    ) -> bool:
        """Whether there may be another request: a body that nobody read ends the connection."""
        keeps = keeps and asked.keeps_alive and asked.length == 0
        await self._wire.answer(status, body, more=more, keeps=keeps)
        if not keeps:
            await self._wire.linger()
        return keeps

    def _told(self, direction: str, tally: Tally) -> None:
        detail = {
            "direction": direction,
            "bytes": tally.bytes,
            "seconds": round(tally.seconds, 3),
            "ended": tally.ended,
        }
        self._far_end._tell(Happening("transfer", self.client, detail))


def _number(asked: Asked, name: str, most: int) -> int:
    text = asked.query().get(name, "")
    if not re.fullmatch(r"[0-9]{1,15}", text) or not 0 <= int(text) <= most:
        raise Refused(400, f"say {name}=, a whole number up to {most}")
    return int(text)
