"""What an access point says of itself, as far as it can be: its beacons are a stranger's, and the log's columns have
types and ranges."""

from __future__ import annotations

import re
from dataclasses import replace

from adapters.contract import ChannelVisit, HeardRadio

LONGEST_SSID = 32
_ADDRESS = re.compile(r"[0-9a-f]{2}(:[0-9a-f]{2}){5}")
_COUNTRY = re.compile(r"[A-Z]{2}")


def believable(heard: HeardRadio) -> HeardRadio | None:
    """The radio with None for what cannot be; None where that is its address or its channel."""
    frequency_mhz = _whole(heard.frequency_mhz, 100, 100_000)
    if frequency_mhz is None or not isinstance(heard.bssid, str) or not _ADDRESS.fullmatch(heard.bssid):
        return None
    named = isinstance(heard.ssid, bytes) and 1 <= len(heard.ssid) <= LONGEST_SSID
    return replace(
        heard,
        frequency_mhz=frequency_mhz,
        ssid=heard.ssid if named else None,
        center_mhz=_number(heard.center_mhz, frequency_mhz - 320.0, frequency_mhz + 320.0),
        width_mhz=_whole(heard.width_mhz, 1, 320),
        rssi_dbm=_number(heard.rssi_dbm, -150.0, -1.0),
        age_ms=_whole(heard.age_ms, 0, 1 << 31),
        station_count=_whole(heard.station_count, 0, 65_535),
        busy_share=_number(heard.busy_share, 0.0, 1.0),
        country=heard.country if isinstance(heard.country, str) and _COUNTRY.fullmatch(heard.country) else None,
        country_max_dbm=_whole(heard.country_max_dbm, -128, 127),
        power_constraint_db=_whole(heard.power_constraint_db, 0, 255),
    )


def believable_visit(visit: ChannelVisit) -> ChannelVisit | None:
    """The same of a visit: None where its channel cannot be, or nothing is told of it."""
    frequency_mhz = _whole(visit.frequency_mhz, 100, 100_000)
    if frequency_mhz is None:
        return None
    visit = ChannelVisit(
        frequency_mhz,
        _whole(visit.noise_dbm, -150, -1),
        _whole(visit.active_ms, 0, 1 << 53),
        _whole(visit.busy_ms, 0, 1 << 53),
    )
    return None if visit == ChannelVisit(frequency_mhz) else visit


def _whole(value: object, low: int, high: int) -> int | None:
    return value if isinstance(value, int) and low <= value <= high else None


def _number(value: object, low: float, high: float) -> float | None:
    return value if isinstance(value, int | float) and low <= value <= high else None  # NaN is not
