"""What the simulated link carries when it is tested: transfers and latency, as a turn of probes finds them.

There is no standard for any of this. A transfer gets a share of the link rate (what the medium's access, its
acknowledgements and TCP leave), as far as neighbours leave the channel free; an answer waits longer while a transfer
fills the router's queues. What the router has a hand in stands in its state.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp
from random import Random

from adapters.probing.results import Direction, Latency, Load, Transfer, Turn
from adapters.simulated.scene import RouterState

SECONDS = 5  # a direction: half with one stream, half with several
STREAMS = 4
IDLE_S = 3.0
SLOW_START_MS = 400
ONE_STREAM_SHARE = (0.75, 0.95)  # of what several get
GOODPUT_SPREAD, LATENCY_SPREAD = 0.10, 0.25  # standard deviations of logarithms
IDLE_MS = {"gateway": 1.8, "far-end": 2.2}
LOST_IDLE, LOST_LOADED = 0.001, 0.006
N_SENT = 25
SEGMENT_BYTES = 1448


@dataclass(frozen=True, slots=True)
class Carrier:
    """The link as a turn finds it: rates in Mbit/s, and the share of the time in which others use the channel."""

    rx_mbps: float
    tx_mbps: float
    busy_share: float


def carried(router: RouterState, link: Carrier, at_utc_ms: int, far_end: str, random: Random) -> Turn:
    """One whole turn that begins at that moment."""
    free = max(1 - link.busy_share, 0.1)
    transfers: list[Transfer] = []
    latencies = _latencies("idle", 1 / free, LOST_IDLE, random)
    now_ms = at_utc_ms + round(IDLE_S * 1000)
    ways: tuple[tuple[Direction, float], ...] = (("down", link.rx_mbps), ("up", link.tx_mbps))
    for direction, rate_mbps in ways:
        all_mbps = rate_mbps * router.goodput_share * free * exp(random.gauss(0, GOODPUT_SPREAD))
        for streams, part in ((1, random.uniform(*ONE_STREAM_SHARE)), (STREAMS, 1.0)):
            transfers.append(_transfer(direction, streams, now_ms, all_mbps * part, random))
            now_ms += SECONDS * 500
        latencies += _latencies(direction, router.loaded_times / free, LOST_LOADED, random)
    return Turn(at_utc_ms, now_ms, far_end, "done", "", tuple(transfers), tuple(latencies))


def _transfer(direction: Direction, streams: int, at_ms: int, mbps: float, random: Random) -> Transfer:
    duration_ms = SECONDS * 500
    steady_ms = duration_ms - SLOW_START_MS
    steady_bytes = round(mbps * 125 * steady_ms)
    moved = steady_bytes + round(mbps * 125 * SLOW_START_MS / 2)
    resent = round(moved / SEGMENT_BYTES * 1e-4 * random.uniform(0.2, 1.8)) if direction == "up" else 0
    rtt_ms = round(8 * exp(random.gauss(0, LATENCY_SPREAD)), 2)
    return Transfer(direction, streams, at_ms, duration_ms, moved, steady_ms, steady_bytes, rtt_ms, resent, "receiver")


def _latencies(load: Load, times: float, lost_share: float, random: Random) -> list[Latency]:
    """Rounds to the gateway and to the far end, which come the same way."""
    slow = times * exp(random.gauss(0, LATENCY_SPREAD))
    found = []
    for target in ("gateway", "far-end"):
        median_ms = IDLE_MS[target] * slow
        p95_ms = median_ms * (1.6 + random.expovariate(2.0))
        n_lost = sum(random.random() < lost_share for _ in range(N_SENT))
        found.append(
            Latency(
                "gateway" if target == "gateway" else "far-end", load, "icmp", N_SENT, n_lost,
                round(median_ms, 2), round(p95_ms, 2), round(p95_ms - 0.7 * median_ms, 2),
            )
        )  # fmt: skip
    return found
