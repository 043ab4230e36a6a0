"""What became of the link: the system's own events, and those that only the readings show, each told once."""

from __future__ import annotations

from collections.abc import Iterable

from adapters.contract import EventKind, LinkEvent, LinkReading
from adapters.ieee80211 import ssid_text
from logger.sample import Event

_NOT_OF_THE_LINK: tuple[EventKind, ...] = ("scan-started", "scan-finished")


class LinkStory:
    """Follows one link through events and readings.

    An adapter may tell nothing (some systems do), or tell late: the reading shows a change a moment before
    the system's word on it arrives. So a change that the adapter did not tell is inferred from the reading,
    marked ``"inferred": true``, and the adapter's own word, should it come with the next reading, is then
    not repeated.
    """

    def __init__(self) -> None:
        self._known = False  # whether anything has been read or told yet
        self._connected = False
        self._bssid: str | None = None
        self._last_bssid: str | None = None  # of the link now, or of the one lost
        self._frequency_mhz: int | None = None
        self._inferred: tuple[EventKind, str | None] | None = None  # kind and BSSID, from the last reading

    def follow(self, told: Iterable[LinkEvent], reading: LinkReading | None, utc_ms: int) -> list[Event]:
        """Events for the log, stamped ``utc_ms``: those ``told``, in their order, then those that
        ``reading`` shows beyond them (None: there was no reading)."""
        events = []
        for event in told:
            if event.kind in _NOT_OF_THE_LINK:
                continue
            if not self._inferred_already(event):
                events.append(Event(utc_ms, event.kind, self._detail(event, reading)))
            self._take_in(event)
        self._inferred = None
        if reading is not None:
            kind = self._change_shown_by(reading)
            if kind is not None:
                events.append(Event(utc_ms, kind, self._inferred_detail(kind, reading)))
                self._inferred = (kind, reading.bssid)
            self._known, self._connected = True, reading.connected
            self._bssid, self._frequency_mhz = reading.bssid, reading.frequency_mhz
            self._last_bssid = reading.bssid or self._last_bssid
        return events

    def _inferred_already(self, event: LinkEvent) -> bool:
        """Whether the last reading showed this already; true once for each change inferred."""
        if self._inferred is None:
            return False
        kind, bssid = self._inferred
        if kind != event.kind or _differ(bssid, event.bssid):
            return False
        self._inferred = None
        return True

    def _take_in(self, event: LinkEvent) -> None:
        self._known, self._connected = True, event.kind != "disconnected"
        if event.kind == "channel-switched":
            self._frequency_mhz = event.frequency_mhz
        else:  # what the event leaves open is not guessed at
            self._bssid, self._frequency_mhz = event.bssid, event.frequency_mhz
            self._last_bssid = event.bssid or self._last_bssid

    def _change_shown_by(self, reading: LinkReading) -> EventKind | None:
        if not self._known:
            return None
        if reading.connected != self._connected:
            return "connected" if reading.connected else "disconnected"
        if not reading.connected:
            return None
        if _differ(reading.bssid, self._bssid):
            return "roamed"
        if _differ(reading.frequency_mhz, self._frequency_mhz):
            return "channel-switched"
        return None

    def _detail(self, event: LinkEvent, reading: LinkReading | None) -> dict[str, object]:
        same = reading is not None and reading.connected and not _differ(reading.bssid, event.bssid)
        ssid = event.ssid if event.ssid is not None else (reading.ssid if same and reading is not None else None)
        detail: dict[str, object | None] = {
            "bssid": event.bssid,
            "ssid_text": None if ssid is None else ssid_text(ssid),
            "frequency_mhz": event.frequency_mhz,
            "width_mhz": event.width_mhz,
            "reason_code": event.reason_code,
            "by_access_point": event.by_access_point,
        }
        if event.kind == "disconnected" and event.bssid is None:
            detail["bssid"] = self._bssid
        detail |= self._where_from(event.kind, event.bssid, event.frequency_mhz)
        return {name: value for name, value in detail.items() if value is not None}

    def _inferred_detail(self, kind: EventKind, reading: LinkReading) -> dict[str, object]:
        detail: dict[str, object | None] = {
            "bssid": reading.bssid if reading.connected else self._bssid,
            "ssid_text": None if reading.ssid is None else ssid_text(reading.ssid),
            "frequency_mhz": reading.frequency_mhz,
            "width_mhz": reading.width_mhz,
            "inferred": True,
        }
        detail |= self._where_from(kind, reading.bssid, reading.frequency_mhz)
        return {name: value for name, value in detail.items() if value is not None}

    def _where_from(self, kind: EventKind, bssid: str | None, frequency_mhz: int | None) -> dict[str, object | None]:
        if kind == "roamed" and _differ(bssid, self._last_bssid):
            return {"from_bssid": self._last_bssid}
        if kind == "channel-switched" and _differ(frequency_mhz, self._frequency_mhz):
            return {"from_frequency_mhz": self._frequency_mhz}
        return {}


def _differ(one: object | None, other: object | None) -> bool:
    """Whether two facts differ, as far as both are known."""
    return one is not None and other is not None and one != other
