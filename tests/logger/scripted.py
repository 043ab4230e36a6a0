"""An adapter that says what a test tells it to say, and a log to say it to."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from adapters.contract import (
    Ability,
    BitRate,
    ChannelVisit,
    HeardRadio,
    LinkEvent,
    LinkReading,
    RegulatoryDomain,
)
from adapters.simulated.clock import SimulatedClock

START_MS = 1_790_000_000_000  # a multiple of every interval used
BENCH = "02:00:00:00:00:05"
OTHER = "02:00:00:00:00:24"

LINKED = LinkReading(
    interface="wlan0",
    connected=True,
    ssid=b"pottery",
    bssid=BENCH,
    frequency_mhz=5180,
    width_mhz=80,
    rssi_dbm=-61,
    tx_rate=BitRate(866.7, "VHT", 9, 2, 80, 400),
    rx_rate=BitRate(433.3, "VHT", 9, 1, 80, 400),
    rx_packets_total=1000,
    tx_packets_total=1000,
    tx_retries_total=100,
    tx_failed_total=10,
    beacon_loss_total=0,
    channel_active_ms_total=10_000,
    channel_busy_ms_total=2_000,
    connected_time_s=100,
    associated_at_boottime_ns=1,
    interface_rx_bytes_total=1_000_000,
    interface_tx_bytes_total=500_000,
)
LOST = LinkReading("wlan0", False, interface_rx_bytes_total=1_000_000, interface_tx_bytes_total=500_000)


class ScriptedAdapter:
    """Gives ``reading``; raises it where it is an exception. ``tell`` queues events; ``on_read`` runs first."""

    name = "scripted"
    interface = "wlan0"

    def __init__(self, reading: LinkReading | Exception = LINKED) -> None:
        self.reading = reading
        self.on_read: Callable[[], None] | None = None
        self.n_reads = 0
        self._told: list[LinkEvent] = []
        self.on_air: list[HeardRadio] | Exception = []
        self.visited: list[ChannelVisit] = []
        self.domain: RegulatoryDomain | None = None
        self.scan_refusal: Exception | None = None  # raised by ``begin_scan``
        self.n_scans = 0

    def change(self, **fields: object) -> None:
        assert isinstance(self.reading, LinkReading)
        self.reading = replace(self.reading, **fields)

    def count_up(self, **steps: int) -> None:
        """Counters, named without ``_total``, go on by so much."""
        self.change(**{f"{name}_total": getattr(self.reading, f"{name}_total") + n for name, n in steps.items()})

    def tell(self, *events: LinkEvent) -> None:
        self._told += events

    def read(self) -> LinkReading:
        self.n_reads += 1
        if self.on_read:
            self.on_read()
        if isinstance(self.reading, Exception):
            raise self.reading
        return self.reading

    def events(self) -> list[LinkEvent]:
        told, self._told = self._told, []
        return told

    def heard(self) -> list[HeardRadio]:
        if isinstance(self.on_air, Exception):
            raise self.on_air
        return list(self.on_air)

    def visits(self) -> list[ChannelVisit]:
        return list(self.visited)

    def begin_scan(self) -> None:
        if self.scan_refusal is not None:
            raise self.scan_refusal
        self.n_scans += 1

    def regulatory(self) -> RegulatoryDomain | None:
        return self.domain

    def abilities(self) -> list[Ability]:
        return []

    def close(self) -> None:
        pass


def clock() -> SimulatedClock:
    return SimulatedClock(START_MS)
