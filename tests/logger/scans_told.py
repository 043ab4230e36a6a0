"""What a log tells of scans, read back row by row. (The program itself reads them joined with their tags.)"""

from __future__ import annotations

import sqlite3
from typing import NamedTuple

from adapters.contract import ChannelVisit
from logger.log import OWN_SOURCE


class Sighting(NamedTuple):
    """One radio heard. ``time_utc_ms``: of its beacon, which the scan told ``age_ms`` later."""

    time_utc_ms: int
    age_ms: int
    scan_id: int
    radio_id: int
    bssid: str
    frequency_mhz: int
    ssid: bytes | None
    width_mhz: int | None
    rssi_dbm: float | None
    station_count: int | None
    busy_permille: int | None


class Scan(NamedTuple):
    """One look. ``active``: linktrial asked the card to listen; ``everyone``: all radios heard are told."""

    id: int
    time_utc_ms: int
    active: bool
    everyone: bool


def read_scans(db: sqlite3.Connection, from_ms: int, to_ms: int, source_id: int = OWN_SOURCE) -> list[Scan]:
    """Looks in [from_ms, to_ms), in order."""
    rows = db.execute(
        "SELECT id, time_utc_ms, active, everyone FROM scan WHERE source_id = ? AND time_utc_ms >= ?"
        " AND time_utc_ms < ? ORDER BY time_utc_ms",
        (source_id, from_ms, to_ms),
    )
    return [Scan(row[0], row[1], bool(row[2]), bool(row[3])) for row in rows]


def newest_scan(db: sqlite3.Connection) -> Scan | None:
    """The last look of this machine."""
    row = db.execute(
        "SELECT id, time_utc_ms, active, everyone FROM scan WHERE source_id = ? ORDER BY time_utc_ms DESC LIMIT 1",
        (OWN_SOURCE,),
    ).fetchone()
    return Scan(row[0], row[1], bool(row[2]), bool(row[3])) if row else None


def read_sightings(db: sqlite3.Connection, from_ms: int, to_ms: int, source_id: int = OWN_SOURCE) -> list[Sighting]:
    """What scans in [from_ms, to_ms) told, in order of the scans."""
    rows = db.execute(
        "SELECT time_utc_ms - age_ms, age_ms, scan_id, radio_id, bssid, frequency_mhz, ssid, width_mhz, rssi_dbm,"
        " station_count, busy_permille FROM scan JOIN sighting ON scan_id = scan.id JOIN radio ON radio.id = radio_id"
        " WHERE source_id = ? AND time_utc_ms >= ? AND time_utc_ms < ? ORDER BY time_utc_ms, radio_id",
        (source_id, from_ms, to_ms),
    )
    return [Sighting(*row) for row in rows]


def read_visits(db: sqlite3.Connection, scan_id: int) -> list[ChannelVisit]:
    """What a scan found on the channels it visited."""
    rows = db.execute(
        "SELECT frequency_mhz, noise_dbm, active_ms, busy_ms FROM visit WHERE scan_id = ? ORDER BY frequency_mhz",
        (scan_id,),
    )
    return [ChannelVisit(*row) for row in rows]
