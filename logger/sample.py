"""The row of the hot path: one sample as it goes into the log, before its period is known."""

from __future__ import annotations

from typing import NamedTuple

from adapters.contract import BitRate


class LinkIdentity(NamedTuple):
    """One radio as seen through one interface. Imported rows may know only the band."""

    interface: str | None
    ssid: bytes | None
    bssid: str | None
    frequency_mhz: int | None
    width_mhz: int | None
    band: str | None  # "2.4", "5" or "6" (GHz)
    connected: bool = True  # False: a "no link" of one band, which only imported recordings know


class Sample(NamedTuple):
    """One scheduled reading. ``link`` None means awake and logging, and no link. Counters are differences
    since the sample before; None where a counter restarted or the laptop slept in between."""

    time_utc_ms: int
    link: LinkIdentity | None
    rssi_dbm: float | None = None
    rssi_avg_dbm: float | None = None
    beacon_rssi_avg_dbm: float | None = None
    chain_rssi_dbm: tuple[int | None, ...] | None = None
    noise_dbm: float | None = None
    tx_rate: BitRate | None = None  # None also when no frame has refreshed it
    rx_rate: BitRate | None = None
    tx_packets: int | None = None
    tx_retries: int | None = None
    tx_failed: int | None = None
    beacon_losses: int | None = None
    busy_permille: int | None = None
    rx_bytes: int | None = None
    tx_bytes: int | None = None
    flags: int = 0  # the sum of what logger/blocks.py names


class Event(NamedTuple):
    """Something that happened between samples; ``detail`` is JSON-ready."""

    time_utc_ms: int
    kind: str
    detail: dict[str, object]


def clock_set(from_ms: int, to_ms: int) -> Event:
    """The wall clock showed ``to_ms`` where it would have shown ``from_ms``."""
    detail: dict[str, object] = {
        "step_s": round((to_ms - from_ms) / 1000, 1),
        "from_utc_ms": from_ms,
        "to_utc_ms": to_ms,
    }
    return Event(to_ms, "clock-set", detail)
