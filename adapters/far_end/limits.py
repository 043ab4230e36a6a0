"""What the far end grants: to a client (an address), and in all. All of it is bounded, whoever asks."""

from __future__ import annotations

from collections import OrderedDict
from collections.abc import Callable
from dataclasses import dataclass
from typing import Protocol

_MOST_CLIENTS_KNOWN = 1024


@dataclass(frozen=True, slots=True)
class Limits:
    """0 stands for no limit where that is said."""

    transfer_s: float = 90.0  # one transfer: the longest of a probe, a minute up, and its answer
    stall_s: float = 10.0  # within which a transfer must get on
    head_s: float = 10.0  # within which a request must have come whole, and an answer must have been taken
    idle_s: float = 60.0  # between two requests of a paired client
    stranger_s: float = 30.0  # a connection on which nobody said the token
    stranger_requests_per_s: float = 20.0  # without the token, from one address
    connections_per_client: int = 32
    connections: int = 128
    daily_bytes_per_client: float = 250e9  # both directions; 0: no limit
    daily_bytes: float = 1000e9  # 0: no limit
    rate_per_client_mbps: float = 0.0  # 0: no limit, for a limit is what would be measured
    rate_mbps: float = 0.0  # 0: no limit
    head_bytes: int = 8192


class Guest(Protocol):
    """A connection, as the room sees it."""

    client: str
    paired: bool

    def turn_out(self) -> None: ...


class Room:
    """Places for connections. Who knows the token keeps theirs; among strangers the newest comes in, and the address
    that holds the most gives up its oldest."""

    def __init__(self, limits: Limits) -> None:
        self._limits = limits
        self._guests: dict[str, dict[Guest, None]] = {}
        self._count = 0

    def __len__(self) -> int:
        return self._count

    def enter(self, guest: Guest) -> bool:
        """Whether there is a place for it, now that others may have been turned out."""
        here = self._guests.get(guest.client, {})
        if len(here) >= self._limits.connections_per_client and not self._turn_out_one(here):
            return False
        if self._count >= self._limits.connections:
            greediest = max(self._guests.values(), key=lambda guests: sum(not one.paired for one in guests))
            if not self._turn_out_one(greediest):
                return False
        self._guests.setdefault(guest.client, {})[guest] = None
        self._count += 1
        return True

    def leave(self, guest: Guest) -> None:
        here = self._guests.get(guest.client)
        if here is None or guest not in here:
            return
        del here[guest]
        self._count -= 1
        if not here:
            del self._guests[guest.client]

    def _turn_out_one(self, guests: dict[Guest, None]) -> bool:
        oldest = next((guest for guest in guests if not guest.paired), None)
        if oldest is None:
            return False
        self.leave(oldest)
        oldest.turn_out()
        return True


class Bucket:
    """Fills steadily up to its size. What is taken may leave it in debt, which is to be waited for."""

    def __init__(self, size: float, per_s: float, now_s: float) -> None:
        self.size, self._per_s = size, per_s
        self._level, self._at_s = size, now_s

    def level(self, now_s: float) -> float:
        self._level = min(self.size, self._level + (now_s - self._at_s) * self._per_s)
        self._at_s = now_s
        return self._level

    def take(self, amount: float, now_s: float) -> None:
        self._level = self.level(now_s) - amount

    def wait_s(self, level: float, now_s: float) -> float:
        """Seconds until it holds so much."""
        return max(0.0, (level - self.level(now_s)) / self._per_s)


class Buckets:
    """A bucket for each client. Those of clients that were not seen for longest are forgotten, full ones or not, when
    there are too many."""

    def __init__(self, size: float, per_s: float) -> None:
        self._size, self._per_s = size, per_s
        self._of: OrderedDict[str, Bucket] = OrderedDict()

    def of(self, client: str, now_s: float) -> Bucket:
        bucket = self._of.get(client)
        if bucket is None:
            bucket = self._of[client] = Bucket(self._size, self._per_s, now_s)
            if len(self._of) > _MOST_CLIENTS_KNOWN:
                self._of.popitem(last=False)
        self._of.move_to_end(client)
        return bucket


class Allowance:
    """What may still be transferred, and how fast, for a client and in all. ``steady_s``: a clock that is never set."""

    _DAY_S = 86_400.0
    _ROOM_AGAIN = 0.01  # of a day's bytes must be there before one is told to come back

    def __init__(self, limits: Limits, steady_s: Callable[[], float]) -> None:
        self._steady_s = steady_s
        self._daily = _pair(limits.daily_bytes_per_client, limits.daily_bytes_per_client / self._DAY_S)
        self._daily_in_all = _one(limits.daily_bytes, limits.daily_bytes / self._DAY_S, steady_s())
        per_client, in_all = limits.rate_per_client_mbps * 125_000, limits.rate_mbps * 125_000
        self._rate = _pair(per_client / 20, per_client)  # 50 ms at once
        self._rate_in_all = _one(in_all / 20, in_all, steady_s())

    def refusal_s(self, client: str) -> float:
        """0 if the client may transfer; else the seconds until it may again."""
        now_s = self._steady_s()
        spent = [bucket for bucket in self._of(client, self._daily, self._daily_in_all) if bucket.level(now_s) <= 0]
        return max((bucket.wait_s(bucket.size * self._ROOM_AGAIN, now_s) for bucket in spent), default=0.0)

    def spend(self, client: str, amount: int) -> float:
        """Count so many bytes. The seconds to wait before the next; negative if there are to be no more."""
        now_s = self._steady_s()
        spent, wait_s = False, 0.0
        for bucket in self._of(client, self._daily, self._daily_in_all):
            bucket.take(amount, now_s)
            spent = spent or bucket.level(now_s) <= 0
        for bucket in self._of(client, self._rate, self._rate_in_all):
            bucket.take(amount, now_s)
            wait_s = max(wait_s, bucket.wait_s(0, now_s))
        return -1.0 if spent else wait_s

    def _of(self, client: str, per_client: Buckets | None, in_all: Bucket | None) -> list[Bucket]:
        found = [per_client.of(client, self._steady_s())] if per_client else []
        return [*found, in_all] if in_all else found


def _pair(size: float, per_s: float) -> Buckets | None:
    return Buckets(size, per_s) if size > 0 else None


def _one(size: float, per_s: float, now_s: float) -> Bucket | None:
    return Bucket(size, per_s, now_s) if size > 0 else None
