"""The file in which samples leave and enter a log: CSV, one sample a row, the first row names the columns.

``time`` is ISO 8601 or seconds since 1970-01-01 UTC; without an offset ISO 8601 is UTC too, because a machine wrote
it. ``location``, ``placement`` and ``version`` say where the laptop stood, which setting-down that was and which
config version the router was in. ``band`` is 2.4, 5 or 6 (GHz), ``connected`` 1 or 0, ``bssid`` as 02:00:00:00:00:05
or its alias. ``during_probe`` is 1 where linktrial's own test traffic ran since the sample before: such a row counts as
time, and for nothing else.
An empty cell is unknown; where ``connected`` is unknown there was a link. Units stand in the names.
"""

from __future__ import annotations

import re
from datetime import UTC, datetime, timedelta
from functools import lru_cache
from math import isfinite

from adapters.ieee80211 import band_of
from logger.errors import TagError
from logger.printable import quoted
from logger.sample import LinkIdentity
from logger.sample_id import LATEST_MS
from logger.timeline import checked_name

COLUMNS = (
    *("time", "location", "placement", "version", "band", "frequency_mhz", "rssi_dbm"),
    *("tx_rate_mbps", "rx_rate_mbps", "noise_dbm", "connected", "bssid", "during_probe"),
)
NEEDED = ("time", "location", "placement", "version", "rssi_dbm")  # and band or frequency_mhz

_EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
_MS = timedelta(milliseconds=1)
_NUMBER = re.compile(r"[+-]?\d+(\.\d*)?([eE][+-]?\d+)?", re.ASCII)
_BSSID = re.compile(r"[0-9a-f]{2}([:-][0-9a-f]{2}){5}")
_RADIO_ALIAS = re.compile(r"radio-[a-z2-7]{8}")  # of logger/aliases.py
_PLACEMENT_NUMBER = re.compile(r"([1-9][0-9]{0,3})")
_VERSION_NUMBER = re.compile(r"[vV]?([1-9][0-9]{0,3})")
# Where a spreadsheet may see a cell begin, a semicolon's country included, and what makes a formula of it there.
_RISKY = re.compile(r"(^|[;\t\r\n])(?=[ ]*['=+\-@\t\r\n\uff1d\uff0b\uff0d\uff20])")
_APOSTROPHE = re.compile(r"(^|[;\t\r\n])'(?=[ ]*['=+\-@\t\r\n\uff1d\uff0b\uff0d\uff20])")
_LIMITS = {  # exclusive at the upper end, and 0 is what drivers say when they do not know
    "rssi_dbm": (-120.0, 0.0),
    "noise_dbm": (-150.0, 0.0),
    "tx_rate_mbps": (0.001, 100_000.0),
    "rx_rate_mbps": (0.001, 100_000.0),
}
_BOOLEANS = {
    **dict.fromkeys(("1", "1.0", "true", "yes"), True),
    **dict.fromkeys(("0", "0.0", "false", "no"), False),
}


class BadCell(Exception):
    """A cell that cannot be; the message says what is wrong with it and quotes it."""


def harmless(text: str) -> str:
    """A text cell that a spreadsheet will not run as a formula; ``plain`` takes it back."""
    return _RISKY.sub(r"\1'", text)


def plain(text: str) -> str:
    """A text cell as it was before ``harmless``."""
    return _APOSTROPHE.sub(r"\1", text)


def format_time(utc_ms: int) -> str:
    """ISO 8601 in UTC with milliseconds: 2026-11-24T13:05:00.000Z."""
    return (_EPOCH + utc_ms * _MS).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def format_number(value: float | None) -> str:
    """The shortest text that reads back to the same number, without ".0"; "" for None."""
    return "" if value is None else repr(value).removesuffix(".0")


def parse_time(cell: str) -> int:
    """The moment of a ``time`` cell, in milliseconds since 1970-01-01 UTC. Raises BadCell."""
    cell = cell.strip()
    try:
        if cell[4:5] == "-":
            moment = datetime.fromisoformat(cell)
            if moment.tzinfo is None:
                moment = moment.replace(tzinfo=UTC)
            time_ms = (moment - _EPOCH) // _MS
        else:
            time_ms = round(float(cell) * 1000)
    except (ValueError, OverflowError):
        problem = "is neither ISO 8601 nor seconds since 1970" if cell else "is empty"
        raise BadCell(f"time {quoted(cell)} {problem}") from None
    if not 0 <= time_ms <= LATEST_MS:
        held = f"1970-01-01 to {format_time(LATEST_MS)[:10]}, which is all that a log can hold"
        raise BadCell(f"time {quoted(cell)} lies outside {held}; are those milliseconds?")
    return time_ms


@lru_cache(maxsize=10_000)
def parse_name(cell: str, what: str) -> str:
    """A ``location``, ``placement`` or ``version`` cell. Raises BadCell."""
    try:
        return checked_name(plain(cell.strip()), what)
    except TagError as error:
        raise BadCell(f"{what} {quoted(cell)}: {error}") from None


def placement_number(name: str) -> int | None:
    """2 for "2"; None for a placement that has a name instead."""
    match = _PLACEMENT_NUMBER.fullmatch(name)
    return int(match[1]) if match else None


def version_number(name: str) -> int | None:
    """2 for "v2" and "2"; None for a version that has a label instead."""
    match = _VERSION_NUMBER.fullmatch(name)
    return int(match[1]) if match else None


@lru_cache(maxsize=100_000)
def parse_number(cell: str, column: str) -> float | None:
    """A level or rate in the unit of its column; None for an empty cell. Raises BadCell."""
    text = cell.strip()
    if not text:
        return None
    if not _NUMBER.fullmatch(text):
        raise BadCell(f"{column} {quoted(cell)} is not a number")
    value, (least, limit) = float(text), _LIMITS[column]
    if not (isfinite(value) and least <= value < limit):
        raise BadCell(f"{column} {quoted(cell)} is not from {least:g} to below {limit:g}; leave unknown empty")
    return value


@lru_cache(maxsize=10_000)
def parse_link(band: str, frequency_mhz: str, connected: str, bssid: str) -> LinkIdentity | None:
    """The radio that four cells tell of; None for "no link" of no known band. Raises BadCell."""
    frequency = _frequency(frequency_mhz)
    known_band = _band(band)
    if frequency is not None:
        if known_band not in (None, band_of(frequency)):
            raise BadCell(f"band {quoted(band)} and frequency_mhz {quoted(frequency_mhz)} contradict each other")
        known_band = band_of(frequency)
    linked = _BOOLEANS.get(connected.strip().lower()) if connected.strip() else True
    if linked is None:
        raise BadCell(f"connected {quoted(connected)} is not 1 or 0")
    if linked:
        return LinkIdentity(None, None, _parse_bssid(bssid), frequency, None, known_band)
    return LinkIdentity(None, None, None, None, None, known_band, connected=False) if known_band else None


@lru_cache(maxsize=100)
def parse_mark(cell: str, column: str) -> bool:
    """Whether a cell of 1 or 0 is 1; an empty one is not. Raises BadCell."""
    marked = _BOOLEANS.get(cell.strip().lower()) if cell.strip() else False
    if marked is None:
        raise BadCell(f"{column} {quoted(cell)} is not 1 or 0")
    return marked


def _band(cell: str) -> str | None:
    text = cell.strip().lower().removesuffix("ghz").strip().removesuffix(".0")
    if text not in ("2.4", "5", "6", ""):
        raise BadCell(f"band {quoted(cell)} is not 2.4, 5 or 6")
    return text or None


def _parse_bssid(cell: str) -> str | None:
    text = cell.strip().lower()
    if not text or _RADIO_ALIAS.fullmatch(text):
        return text or None
    if not _BSSID.fullmatch(text):
        raise BadCell(f"bssid {quoted(cell)} is not six pairs of hexadecimal digits, as in 02:00:00:00:00:05")
    return text.replace("-", ":")


def _frequency(cell: str) -> int | None:
    text = cell.strip().removesuffix(".0")
    if not text:
        return None
    if not (text.isascii() and text.isdigit() and band_of(int(text[:9]))):
        raise BadCell(f"frequency_mhz {quoted(cell)} is in no Wi-Fi band; MHz of the channel's centre are meant")
    return int(text)
