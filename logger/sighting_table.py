"""Scans in the log: what the wireless card had heard at one look, and what it found on the channels it visited.

A system keeps a radio's last beacon for a while and tells it again at every look. A beacon is the same as one told
before if both were heard at the same moment, give or take ``SAME_BEACON_MS``: then it is not told again. A radio's
description is kept once (table ``radio``). Scans carry no tag: they belong to the period of their source that holds
their time.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from dataclasses import replace

from adapters.contract import ChannelVisit, HeardRadio
from adapters.ieee80211 import band_of, ssid_text
from logger.log import OWN_SOURCE

SAME_BEACON_MS = 1000  # ages and the scan's time are read one after the other, and clocks are slewed
OLDEST_MS = 120_000  # Linux keeps a beacon for 30 s, but that of the radio it is joined to however old
VISITS_REMEMBERED_MS = 3_600_000
_IDENTITY = (
    "bssid = ? AND frequency_mhz = ? AND ssid IS ? AND center_mhz IS ? AND width_mhz IS ? AND country IS ?"
    " AND country_max_dbm IS ? AND power_constraint_db IS ?"
)


def write_scan(
    db: sqlite3.Connection,
    time_utc_ms: int,
    heard: Iterable[HeardRadio],
    visits: Iterable[ChannelVisit] = (),
    *,
    active: bool,
    everyone: bool,
) -> int:
    """Write one look of this machine, in a transaction of the caller; returns its number. ``heard``: the radios to be
    told. Left out are beacons told before, those older than OLDEST_MS, which tell of another time, those of unknown
    age, for nobody can say, and, unless the card was asked to listen, visits that say what the last one of that channel
    said."""
    while True:  # a clock set back may show a scan's millisecond again
        made = db.execute(
            "INSERT INTO scan (source_id, time_utc_ms, active, everyone) VALUES (?, ?, ?, ?)"
            " ON CONFLICT (source_id, time_utc_ms) DO NOTHING",
            (OWN_SOURCE, time_utc_ms, int(active), int(everyone)),
        )
        if made.rowcount:
            break
        time_utc_ms += 1
    scan_id = int(made.lastrowid or 0)
    told = _told(db, time_utc_ms)
    for radio in heard:
        if radio.age_ms is None or radio.age_ms > OLDEST_MS:
            continue
        beacon_ms = time_utc_ms - max(0, radio.age_ms)
        key = (radio.bssid, radio.frequency_mhz)
        if any(abs(beacon_ms - known_ms) <= SAME_BEACON_MS for known_ms in told.get(key, ())):
            continue
        told.setdefault(key, []).append(beacon_ms)
        busy = None if radio.busy_share is None else round(1000 * radio.busy_share)
        db.execute(
            "INSERT OR REPLACE INTO sighting VALUES (?, ?, ?, ?, ?, ?)",
            (scan_id, intern_radio(db, radio), time_utc_ms - beacon_ms, radio.rssi_dbm, radio.station_count, busy),
        )
    known = {} if active else _visited(db, time_utc_ms)
    for visit in visits:
        row = (visit.noise_dbm, visit.active_ms, visit.busy_ms)
        if known.get(visit.frequency_mhz) != row:
            db.execute("INSERT OR REPLACE INTO visit VALUES (?, ?, ?, ?, ?)", (scan_id, visit.frequency_mhz, *row))
    return scan_id


def _told(db: sqlite3.Connection, time_ms: int) -> dict[tuple[str, int], list[int]]:
    """When the beacons were heard that scans told of lately, by address and channel."""
    found: dict[tuple[str, int], list[int]] = {}
    for bssid, frequency_mhz, beacon_ms in db.execute(
        "SELECT bssid, frequency_mhz, time_utc_ms - age_ms FROM scan JOIN sighting ON scan_id = scan.id"
        " JOIN radio ON radio.id = radio_id WHERE source_id = ? AND time_utc_ms >= ? AND time_utc_ms <= ?",
        (OWN_SOURCE, time_ms - OLDEST_MS - SAME_BEACON_MS, time_ms),
    ):
        found.setdefault((bssid, frequency_mhz), []).append(beacon_ms)
    return found


def _visited(db: sqlite3.Connection, time_ms: int) -> dict[int, tuple[int | None, ...]]:
    """What was found on each channel lately, at its last visit."""
    return {
        row[0]: tuple(row[1:])
        for row in db.execute(
            "SELECT frequency_mhz, noise_dbm, active_ms, busy_ms FROM scan JOIN visit ON scan_id = scan.id"
            " WHERE source_id = ? AND time_utc_ms >= ? AND time_utc_ms <= ? ORDER BY time_utc_ms",
            (OWN_SOURCE, time_ms - VISITS_REMEMBERED_MS, time_ms),
        )
    }


def intern_radio(db: sqlite3.Connection, radio: HeardRadio) -> int:
    """The number of a radio as its beacons describe it, made where it is new."""
    # What the log's index takes for unknown.
    radio = replace(
        radio, center_mhz=radio.center_mhz or None, width_mhz=radio.width_mhz or None, country=radio.country or None
    )
    facts = (radio.bssid, radio.frequency_mhz, radio.ssid, radio.center_mhz, radio.width_mhz)
    facts += (radio.country, radio.country_max_dbm, radio.power_constraint_db)  # type: ignore[assignment]
    row = db.execute(f"SELECT id FROM radio WHERE {_IDENTITY}", facts).fetchone()
    if row:
        return int(row[0])
    text = None if radio.ssid is None else ssid_text(radio.ssid)
    made = db.execute(
        "INSERT INTO radio (ssid_text, band, bssid, frequency_mhz, ssid, center_mhz, width_mhz, country,"
        " country_max_dbm, power_constraint_db) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
        (text, band_of(radio.frequency_mhz), *facts),
    )
    return int(made.lastrowid or 0)
