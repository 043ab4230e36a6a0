"""Is somebody using the link just now? By the interface's own counters, over a second or so while we are silent.

What counts as use, and why: more than 25 kB/s (200 kbit/s), the least that somebody would notice us by: a call with a
picture, music, a page being loaded; on a slow link already 1 % of its rate, for there less of it is left; never under
4 kB/s, which an idle laptop chatters. Or 20 packets a second in both directions: a call without a picture is small, and
has 17 to 50.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass

MOST_QUIET_BYTES_PER_S = 25_000.0
LEAST_QUIET_BYTES_PER_S = 4_000.0
QUIET_SHARE = 0.01  # of the link's rate
CALL_PACKETS_PER_S = 20.0  # in each direction


@dataclass(frozen=True, slots=True)
class Counters:
    """Of an interface, since it came up."""

    rx_bytes: int
    tx_bytes: int
    rx_packets: int
    tx_packets: int


@dataclass(frozen=True, slots=True)
class LinkUse:
    """What went over the link, and whether that counts as use."""

    bytes_per_s: float  # both directions
    packets_per_s: float  # of the direction that has fewer
    in_use: bool

    @property
    def words(self) -> str:
        return f"{self.bytes_per_s * 8 / 1e6:.2g} Mbit/s and {self.packets_per_s:.0f} packets a second each way"


def read_counters(interface: str) -> Counters | None:
    """Now; None where there is no such interface."""
    import psutil

    found = psutil.net_io_counters(pernic=True).get(interface)
    if found is None:
        return None
    return Counters(found.bytes_recv, found.bytes_sent, found.packets_recv, found.packets_sent)


def look_at_use(
    interface: str,
    seconds: float = 1.5,
    link_rate_mbps: float | None = None,
    counters: Callable[[str], Counters | None] = read_counters,
    steady_s: Callable[[], float] = time.monotonic,
    sleep: Callable[[float], None] = time.sleep,
) -> LinkUse | None:
    """Takes so many seconds. None where the system does not count. ``link_rate_mbps`` is that of the physical layer."""
    begun_s, before = steady_s(), counters(interface)
    sleep(seconds)
    after, took_s = counters(interface), steady_s() - begun_s
    if before is None or after is None or took_s <= 0:
        return None
    rx = (after.rx_bytes - before.rx_bytes) / took_s
    tx = (after.tx_bytes - before.tx_bytes) / took_s
    packets = min(after.rx_packets - before.rx_packets, after.tx_packets - before.tx_packets) / took_s
    if rx < 0 or tx < 0:  # the interface went and came meanwhile
        return None
    return judged(rx + tx, packets, link_rate_mbps)


def judged(bytes_per_s: float, packets_per_s: float, link_rate_mbps: float | None) -> LinkUse:
    """By the rule above."""
    quiet = MOST_QUIET_BYTES_PER_S
    if link_rate_mbps is not None:
        quiet = min(quiet, max(LEAST_QUIET_BYTES_PER_S, QUIET_SHARE * link_rate_mbps * 1e6 / 8))
    return LinkUse(bytes_per_s, packets_per_s, bytes_per_s > quiet or packets_per_s >= CALL_PACKETS_PER_S)
