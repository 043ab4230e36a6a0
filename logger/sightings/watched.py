"""The networks and radios that are watched: what the owner types, the table of them, what was heard of them last."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Iterable
from typing import NamedTuple

from adapters.contract import HeardRadio
from adapters.ieee80211 import ssid_of, ssid_text
from logger.errors import LogError
from logger.log import OWN_SOURCE, Log
from logger.printable import quoted

LONGEST_SSID = 32  # bytes: IEEE 802.11-2020, 9.4.2.2
_ADDRESS = re.compile(r"[0-9a-f]{2}([:-])[0-9a-f]{2}(\1[0-9a-f]{2}){4}", re.IGNORECASE)
# What somebody may have meant for one: pairs with colons, many with hyphens, or twelve digits at a stretch.
_LIKE_ADDRESS = re.compile(
    r"[0-9a-z]{1,2}(:[0-9a-z]{0,2})+|[0-9a-z]{1,2}([:-][0-9a-z]{1,2}){3,}|[0-9a-f]{12}", re.IGNORECASE
)
_LOOKED_BACK = 2000  # scans: a week at the usual pace


class Name(NamedTuple):
    """A network's name, or one radio's address."""

    ssid: bytes | None
    bssid: str | None

    def __str__(self) -> str:
        return self.bssid or ssid_text(self.ssid or b"")

    @property
    def like_an_address(self) -> bool:
        """Whether a network's name looks as if a radio's address had been meant."""
        return self.bssid is None and _LIKE_ADDRESS.fullmatch(str(self)) is not None

    def means(self, heard: HeardRadio) -> bool:
        """Whether a radio is one of those meant."""
        return heard.bssid == self.bssid if self.ssid is None else heard.ssid == self.ssid


class Watched(NamedTuple):
    """One row of the table."""

    name: Name
    since_utc_ms: int


class LastHeard(NamedTuple):
    """The newest sighting of one radio, by its address."""

    bssid: str
    ssid: bytes | None
    ssid_text: str | None
    band: str | None
    frequency_mhz: int
    width_mhz: int | None
    rssi_dbm: float | None
    heard_at_utc_ms: int  # its beacon


def name_of(word: str) -> Name:
    """What is meant by a word: an address where it looks like one, else a network's name. Raises ValueError where it is
    none."""
    if _ADDRESS.fullmatch(word):
        return Name(None, word.lower().replace("-", ":"))
    ssid = ssid_of(word)
    if not 1 <= len(ssid) <= LONGEST_SSID:
        raise ValueError(f"a network's name has 1 to {LONGEST_SSID} bytes, not {len(ssid)}")
    return Name(ssid, None)


def read_watched(db: sqlite3.Connection) -> list[Watched]:
    """All that is watched, in the order in which it was said."""
    rows = db.execute("SELECT ssid, bssid, since_utc_ms FROM watched ORDER BY id")
    return [Watched(Name(row[0], row[1]), row[2]) for row in rows]


def watch(log: Log, name: Name, now_ms: int) -> bool:
    """Watch it from now on; False where it was watched already."""
    with log.transaction() as db:
        made = db.execute(
            "INSERT INTO watched (ssid, bssid, since_utc_ms) VALUES (?, ?, ?) ON CONFLICT DO NOTHING",
            (name.ssid, name.bssid, now_ms),
        )
    return made.rowcount > 0


def stop_watching(log: Log, name: Name) -> None:
    """Raises LogError where it is not watched, naming what is."""
    with log.transaction() as db:
        gone = db.execute("DELETE FROM watched WHERE ssid IS ? AND bssid IS ?", name).rowcount
    if not gone:
        known = ", ".join(quoted(str(each.name)) for each in read_watched(log.db)) or "nothing"
        raise LogError(f"{quoted(str(name))} is not watched; watched is {known}")


def last_heard(db: sqlite3.Connection, names: Iterable[Name]) -> dict[Name, list[LastHeard]]:
    """The radios that this machine's scans of the last week or so heard of each name, the lowest frequency first."""
    return {name: _last_heard(db, name) for name in names}


def _last_heard(db: sqlite3.Connection, name: Name) -> list[LastHeard]:
    column, value = ("bssid", name.bssid) if name.ssid is None else ("ssid", name.ssid)
    # The other columns come from the row that has the maximum: so SQLite promises for max() alone.
    rows = db.execute(
        "SELECT radio.bssid, ssid, ssid_text, band, frequency_mhz, width_mhz, rssi_dbm, max(time_utc_ms - age_ms)"
        " FROM (SELECT id, time_utc_ms FROM scan WHERE source_id = ? ORDER BY time_utc_ms DESC LIMIT ?) AS looked"
        f" CROSS JOIN sighting ON scan_id = looked.id CROSS JOIN radio ON radio.id = radio_id WHERE radio.{column} = ?"
        " GROUP BY radio.bssid ORDER BY frequency_mhz, radio.bssid",
        (OWN_SOURCE, _LOOKED_BACK, value),
    )
    return [LastHeard(*row) for row in rows]


def nearest_heard(db: sqlite3.Connection, name: Name) -> Name | None:
    """A network that was heard whose name is much like one that was not."""
    if name.ssid is None:
        return None
    from difflib import get_close_matches

    heard = [row[0] for row in db.execute("SELECT DISTINCT ssid_text FROM radio WHERE ssid_text IS NOT NULL")]
    folded = {text.casefold(): text for text in heard}
    near = get_close_matches(str(name).casefold(), folded, 1)
    return Name(ssid_of(folded[near[0]]), None) if near else None


def scans_since(db: sqlite3.Connection, utc_ms: int) -> tuple[int, int]:
    """How many scans of this machine the log holds from then on: asked for by linktrial, and others'."""
    row = db.execute(
        "SELECT count(*) FILTER (WHERE active), count(*) FILTER (WHERE NOT active) FROM scan"
        " WHERE source_id = ? AND time_utc_ms >= ?",
        (OWN_SOURCE, utc_ms),
    ).fetchone()
    return row[0], row[1]
