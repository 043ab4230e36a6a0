"""What an active test of the link finds: plain frozen values, units in the names, None for unknown."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

Direction = Literal["down", "up"]
Whom = Literal["gateway", "far-end"]
Load = Literal["idle", "down", "up"]
Method = Literal["icmp", "tcp-connect"]
# "failed": it broke off. "stepped-aside": another one had the far end, or we were stopped.
Outcome = Literal["done", "failed", "stepped-aside"]


@dataclass(frozen=True, slots=True)
class Transfer:
    """One timed transfer over TCP, seen from this laptop."""

    direction: Direction
    streams: int
    started_at_utc_ms: int
    duration_ms: int
    bytes: int  # of payload, slow start included
    steady_ms: int | None  # without slow start; None: it never got beyond, ``words`` says why
    steady_bytes: int | None
    tcp_rtt_ms: float | None  # the kernel's smoothed round-trip time of this traffic at the end; of streams the median
    tcp_retransmits: int | None  # segments that this laptop sent again, all streams together; None down
    counted_by: Literal["receiver", "acknowledged"]  # an upload may be counted by what TCP acknowledged
    words: str = ""

    @property
    def goodput_mbps(self) -> float | None:
        """Payload per time, slow start left out, in Mbit/s."""
        if not self.steady_ms or self.steady_bytes is None:
            return None
        return self.steady_bytes * 8 / self.steady_ms / 1000


@dataclass(frozen=True, slots=True)
class Latency:
    """One round of latency: requests sent at an even pace, and how long each answer took."""

    target: Whom
    load: Load  # the transfer that ran meanwhile
    method: Method
    n_sent: int
    n_lost: int  # no answer, or one that came too late
    median_ms: float | None  # of those answered; None: none was
    p95_ms: float | None
    jitter_ms: float | None  # packet delay variation: 95 % point less minimum (RFC 5481, 4.2)


@dataclass(frozen=True, slots=True)
class Turn:
    """One whole turn: latency idle, transfers down and up, latency meanwhile."""

    started_at_utc_ms: int
    ended_at_utc_ms: int
    far_end: str  # as it was told to us; '' where it was not reached
    outcome: Outcome
    words: str  # one line: why it failed or stepped aside, or what could not be measured. May hold others' text
    transfers: tuple[Transfer, ...] = ()
    latencies: tuple[Latency, ...] = ()
    retry_after_s: float | None = None  # the far end's wish, where it was busy
