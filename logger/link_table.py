"""The radios that the laptop was on, and the rates of their frames: each stands once in the log, under a number."""

from __future__ import annotations

import sqlite3

from adapters.contract import BitRate
from adapters.ieee80211 import ssid_text
from logger.sample import LinkIdentity

NO_LINK_ID = 0


def intern_link(db: sqlite3.Connection, link: LinkIdentity) -> int:
    """The id of a radio, made where it is new."""
    row = db.execute(
        "SELECT id FROM link WHERE connected = ? AND interface IS ? AND ssid IS ? AND bssid IS ?"
        " AND frequency_mhz IS ? AND width_mhz IS ? AND band IS ?",
        (
            link.connected,
            link.interface,
            link.ssid,
            link.bssid,
            link.frequency_mhz,
            link.width_mhz,
            link.band,
        ),
    ).fetchone()
    if row:
        return int(row[0])
    text = None if link.ssid is None else ssid_text(link.ssid)
    made = db.execute(
        "INSERT INTO link (connected, interface, ssid, ssid_text, bssid, frequency_mhz, width_mhz, band)"
        " VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        (
            link.connected,
            link.interface,
            link.ssid,
            text,
            link.bssid,
            link.frequency_mhz,
            link.width_mhz,
            link.band,
        ),
    )
    return int(made.lastrowid or 0)


def intern_rate(db: sqlite3.Connection, rate: BitRate) -> int:
    """The id of a rate, made where it is new. ``rate.mbps`` must be known."""
    facts = (rate.mbps, rate.phy_mode, rate.mcs, rate.streams, rate.width_mhz, rate.guard_interval_ns)
    row = db.execute(
        "SELECT id FROM rate WHERE mbps = ? AND phy_mode IS ? AND mcs IS ? AND streams IS ?"
        " AND width_mhz IS ? AND guard_interval_ns IS ?",
        facts,
    ).fetchone()
    if row:
        return int(row[0])
    made = db.execute(
        "INSERT INTO rate (mbps, phy_mode, mcs, streams, width_mhz, guard_interval_ns) VALUES (?, ?, ?, ?, ?, ?)",
        facts,
    )
    return int(made.lastrowid or 0)
