"""The radios that are watched, in words and for machines."""

from __future__ import annotations

import sqlite3
from collections.abc import Sequence

from logger.printable import printable
from logger.sightings.watched import LastHeard, Name, Watched, last_heard, read_watched
from logger.times import format_duration
from logger.wording import counted

MOST_SHOWN = 24  # radios of a name: a campus has hundreds, and anybody can send beacons in a name
WatchedRadios = list[tuple[Watched, list[LastHeard]]]


def watched_radios(db: sqlite3.Connection) -> WatchedRadios:
    """All that is watched, with the radios heard of it."""
    all_watched = read_watched(db)
    radios = last_heard(db, (watched.name for watched in all_watched))
    return [(watched, radios[watched.name]) for watched in all_watched]


def watched_lines(watched: WatchedRadios, now_ms: int) -> list[str]:
    """One line per radio, each once, and one per name of which none was heard."""
    lines: dict[str, str] = {}
    for each, radios in watched:
        shown, more = last_shown(radios)
        for radio in shown:
            of = "" if radio.ssid is None else f" of '{printable(radio.ssid_text or '')}'"
            lines.setdefault(radio.bssid, f"watched{of}: {radio_words(radio, now_ms)}")
        if more:
            lines[str(each.name)] = f"watched: {name_words(each.name)}, {more}"
        if not radios:
            lines[str(each.name)] = f"watched: {name_words(each.name)}, not heard"
    return list(lines.values())


def radio_lines(radios: Sequence[LastHeard], now_ms: int) -> list[str]:
    """One line per radio of a name."""
    shown, more = last_shown(radios)
    return [*(radio_words(radio, now_ms) for radio in shown), *([more] if more else [])]


def last_shown(radios: Sequence[LastHeard]) -> tuple[list[LastHeard], str]:
    """Those heard last, in their order, and words for the rest, '' where there is none."""
    newest = sorted(range(len(radios)), key=lambda at: -radios[at].heard_at_utc_ms)[:MOST_SHOWN]
    n_more = len(radios) - len(newest)
    return [radios[at] for at in sorted(newest)], f"and {counted(n_more, 'more radio')}, heard before" if n_more else ""


def radio_words(heard: LastHeard, now_ms: int) -> str:
    """One radio as it was heard last: "02:00:00:00:00:05, 5 GHz, 5180 MHz: -61 dBm, 2 min ago"."""
    band = "" if heard.band is None else f"{heard.band} GHz, "
    level = "heard" if heard.rssi_dbm is None else f"{heard.rssi_dbm:.3g} dBm"
    ago = format_duration(max(0, now_ms - heard.heard_at_utc_ms) // 1000)
    return f"{printable(heard.bssid)}, {band}{heard.frequency_mhz} MHz: {level}, {ago} ago"


def name_words(name: Name) -> str:
    """A network's name in quotation marks, or an address without."""
    return printable(name.bssid or f"'{name}'")


def watched_json(watched: Watched, radios: Sequence[LastHeard]) -> dict[str, object]:
    """One watched name and its radios, for machines."""
    shown = ("bssid", "ssid_text", "band", "frequency_mhz", "width_mhz", "rssi_dbm", "heard_at_utc_ms")
    return {
        "ssid_text": None if watched.name.ssid is None else str(watched.name),
        "bssid": watched.name.bssid,
        "since_utc_ms": watched.since_utc_ms,
        "radios": [{name: getattr(radio, name) for name in shown} for radio in radios],
    }
