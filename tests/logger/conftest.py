"""A log, a clock set by hand, and samples of the pottery's link."""

from __future__ import annotations

import pytest
import sqlite_utils  # noqa: F401  so that logs are migrated in this process, not in a child each time

from adapters.contract import BitRate
from logger.log import Log
from logger.sample import LinkIdentity, Sample
from logger.timeline import Timeline

START_MS = 1_790_000_000_000  # 2026-09-21 14:13:20 UTC
POTTERY_5 = LinkIdentity("wlan0", b"Pottery", "02:00:00:00:00:05", 5180, 80, "5")
POTTERY_24 = LinkIdentity("wlan0", b"Pottery", "02:00:00:00:00:02", 2437, 20, "2.4")
RATE = BitRate(433.3, "VHT", 9, 1, 80, 400)


class HandClock:
    """A clock that moves only when told."""

    def __init__(self, utc_ms: int = START_MS) -> None:
        self.now_ms = utc_ms

    def utc_ms(self) -> int:
        return self.now_ms

    def awake_s(self) -> float:
        return self.now_ms / 1000

    def elapsed_s(self) -> float:
        return self.now_ms / 1000


@pytest.fixture
def clock():
    return HandClock()


@pytest.fixture
def log(tmp_path):
    with Log.open(tmp_path / "pottery.db") as log:
        yield log


@pytest.fixture
def timeline(log, clock):
    return Timeline(log, clock, "Europe/Berlin")


def linked(time_ms: int, rssi_dbm: float | None = -60, link: LinkIdentity = POTTERY_5) -> Sample:
    """A sample of a link that stands."""
    return Sample(time_ms, link, rssi_dbm, noise_dbm=-92, tx_rate=RATE, tx_packets=3, tx_retries=1, rx_bytes=1000)


def unlinked(time_ms: int) -> Sample:
    """A sample of an outage."""
    return Sample(time_ms, None)


def block_rows(log: Log) -> list[tuple[object, ...]]:
    return [tuple(row) for row in log.db.execute("SELECT * FROM block")]
