"""What samples and tags are made of in another log, each value checked before anybody uses it."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from math import isfinite
from typing import Any, NamedTuple, get_args

from adapters.contract import BitRate, PhyMode
from adapters.ieee80211 import band_of
from logger.block_table import BLOCK_COLUMNS
from logger.blocks import ALL_FLAGS, STRETCH_MS
from logger.errors import TagError
from logger.merging.other_values import BSSID, LARGEST, LEVEL, OtherValues
from logger.printable import printable
from logger.router_settings import KINDS, check_setting
from logger.sample import LinkIdentity
from logger.sample_id import LATEST_MS, ids_between
from logger.wording import event_words

MOST_PERIODS, MOST_EVENTS = 131_070, 1_000_000
LONGEST_DETAIL = 4000  # characters of an event's detail
_LOG_ID = re.compile(r"[0-9a-f]{32}")
_KINDS = {
    *("connected", "disconnected", "roamed", "channel-switched", "suspended", "resumed", "logger-stopped"),
    *("logger-lost", "logger-started", "radio-off", "radio-on", "interface-gone", "interface-back"),
    *("adapter-failed", "adapter-recovered", "clock-set", "time-zone-changed", "samples-dropped", "log-damaged"),
    *("imported", "merged"),
}
_NUMBERS = re.compile(r".*_(s|ms|mhz|code)|n|n_.*|rows|new")
_NO_LINK = LinkIdentity(None, None, None, None, None, None, connected=False)
_MODES: dict[str, PhyMode] = {mode: mode for mode in get_args(PhyMode)}
_SAMPLE = (
    "id, link_id, rssi_dbm, rssi_avg_dbm, beacon_rssi_avg_dbm, chain_rssi_dbm, noise_dbm, tx_rate_id, rx_rate_id,"
    " tx_packets, tx_retries, tx_failed, beacon_losses, busy_permille, rx_bytes, tx_bytes, flags"
)
_PARTS = ("rssi", "noise", "tx_rate", "rx_rate", "probing", "tx_rate_stale", "rx_rate_stale")
_HISTOGRAMS = {"rssi_histogram", "tx_rate_histogram", "rx_rate_histogram"}
_BLOCK_COLUMNS = BLOCK_COLUMNS[1:]


class Source(NamedTuple):
    """A recorder of the other log. ``origin_id`` and ``log_id``: its number in the log that it began in."""

    id: int
    kind: str
    name: str
    log_id: str
    origin_id: int
    as_of_utc_ms: int  # the newest that is known of it
    added_at_utc_ms: int


class Place(NamedTuple):
    """A placement with the name of its location."""

    id: int
    location_id: int
    location: str
    name: str | None


class TaggedPeriod(NamedTuple):
    id: int
    placement_id: int
    version: int
    started_at_utc_ms: int
    ended_at_utc_ms: int | None
    time_zone: str


class OtherEvent(NamedTuple):
    time_utc_ms: int
    kind: str
    detail: str  # JSON


class OtherRows(OtherValues):
    """The rows that samples and tags are made of."""

    def sources(self) -> list[Source]:
        found = []
        for row in self._few(
            "SELECT id, kind, name, origin_log_id, origin_source_id, origin_as_of_utc_ms, added_at_utc_ms FROM source"
        ):
            source_id = self._int(row[0], 1, 1 << 40, "the number of a source")
            if row[1] not in ("logger", "import"):
                raise self.refuse("the kind of a source", row[1])
            name = printable(self._text(row[2], 500, "the name of a source"))[:200]
            if row[3] is None:
                log_id, origin_id, as_of = self.other.log_id, source_id, self._as_of(source_id)
            else:
                if not _LOG_ID.fullmatch(self._text(row[3], 32, "the origin of a source")):
                    raise self.refuse("the origin of a source", row[3])
                log_id, origin_id = row[3], self._int(row[4], 1, 1 << 40, "the origin of a source")
                as_of = 0 if row[5] is None else self._time(row[5], "the age of a source")
            found.append(Source(source_id, row[1], name, log_id, origin_id, as_of, self._time(row[6], "a time")))
        return found

    def _as_of(self, source_id: int) -> int:
        newest = 0
        for sql, values in (
            ("SELECT max(time_utc_ms) FROM event WHERE source_id = ?", (source_id,)),
            ("SELECT max(last_utc_ms) FROM block WHERE period_id IN (SELECT id FROM period WHERE source_id = ?)",
             (source_id,)),
            ("SELECT max(ifnull(ended_at_utc_ms, started_at_utc_ms)) FROM probe WHERE source_id = ?", (source_id,)),
            ("SELECT max(time_utc_ms) FROM scan WHERE source_id = ?", (source_id,)),
            ("SELECT max(made_at_utc_ms) FROM edit", ()),
            ("SELECT max(undone_at_utc_ms) FROM edit", ()),
        ):  # fmt: skip
            row = self.other.one(sql, values)
            if row is not None and row[0] is not None:
                newest = max(newest, self._time(row[0], "a time"))
        return newest

    def origin_ids(self, log_id: str, what: str) -> dict[int, int]:
        """For rows that came from a third log: their number there, by their number in the other."""
        found: dict[int, int] = {}
        for row in self._few(
            "SELECT id, origin_id FROM counterpart WHERE origin_log_id = ? AND what = ? ORDER BY origin_id DESC",
            (log_id, what),
        ):
            found[self._int(row[0], 0, 1 << 40, "a number")] = self._int(row[1], 0, 1 << 40, "a number")
        return found

    def places(self) -> dict[int, Place]:
        """The placements, by their number."""
        names = {
            self._int(row[0], 1, 1 << 40, "the number of a location"): self._name(row[1], "location")
            for row in self._few("SELECT id, name FROM location")
        }
        found = {}
        for row in self._few("SELECT id, location_id, name FROM placement ORDER BY location_id, number"):
            place_id = self._int(row[0], 1, 1 << 40, "the number of a placement")
            if row[1] not in names:
                raise self.refuse("the location of a placement", row[1])
            name = None if row[2] is None else self._name(row[2], "placement")
            found[place_id] = Place(place_id, row[1], names[row[1]], name)
        return found

    def versions(self) -> dict[int, tuple[str, str, str]]:
        """Label, settings (canonical JSON) and notes of the config versions, by number."""
        found = {}
        for row in self._few("SELECT number, label, settings, notes FROM config_version"):
            number = self._int(row[0], 1, 1 << 40, "the number of a version")
            notes = self._text(row[3], 2000, "notes")
            if any(ord(c) < 32 for c in notes):
                raise self.refuse("notes", notes)
            found[number] = (self._name(row[1], "label"), self._settings(row[2]), notes)
        return found

    def _settings(self, text: object) -> str:
        settings = self.parsed(text, "the settings of a version")
        checked = {}
        for key, value in settings.items():
            if key not in KINDS or isinstance(value, bool) or not isinstance(value, str | int | float):
                raise self.refuse("a setting", key)
            try:
                checked[key] = check_setting(key, str(value))
            except (TagError, ValueError, OverflowError) as error:
                raise self.refuse("a setting", f"{key} {value}") from error
        return json.dumps(checked, sort_keys=True)

    def periods(
        self, source_id: int, places: Mapping[int, Place], versions: Mapping[int, object]
    ) -> list[TaggedPeriod]:
        """The timeline of a source, in order; each period ends where the next begins."""
        found: list[TaggedPeriod] = []
        for row in self._few(
            "SELECT id, placement_id, config_version, started_at_utc_ms, ended_at_utc_ms, time_zone FROM period"
            " WHERE source_id = ? ORDER BY started_at_utc_ms",
            (source_id,),
            MOST_PERIODS,
        ):
            period_id = self._int(row[0], 1, MOST_PERIODS, "the number of a period")
            if row[1] not in places or row[2] not in versions:
                raise self.refuse("the tags of period", period_id)
            started_ms = self._time(row[3], "the beginning of a period")
            ended_ms = None if row[4] is None else self._time(row[4], "the end of a period")
            if ended_ms is not None and ended_ms <= started_ms:
                raise self.refuse("the end of period", period_id)
            if found and found[-1].ended_at_utc_ms != started_ms:
                raise self.refuse("the beginning of period", period_id)
            found.append(TaggedPeriod(period_id, row[1], row[2], started_ms, ended_ms, self._zone(row[5])))
        if len({period.id for period in found}) < len(found):
            raise self.refuse("the number of a period", "twice the same")
        return found

    def links(self) -> dict[int, LinkIdentity | None]:
        """The radios, by their number; None for "no link"."""
        found: dict[int, LinkIdentity | None] = {}
        for row in self._few("SELECT id, connected, interface, ssid, bssid, frequency_mhz, width_mhz, band FROM link"):
            link_id = self._int(row[0], 0, 1 << 40, "the number of a radio")
            connected = self._int(row[1], 0, 1, "a radio")
            interface = None if row[2] is None else self._text(row[2], 64, "the name of an interface")
            if interface is not None and printable(interface) != interface:
                raise self.refuse("the name of an interface", interface)
            ssid = None if row[3] is None else self._blob(row[3], 32, "a network's name")
            bssid = None if row[4] is None else self._text(row[4], 20, "an address")
            frequency = self._or_none(row[5], 1, 1 << 20, "a frequency")
            width = self._or_none(row[6], 1, 1000, "a width")
            if (bssid is not None and not BSSID.fullmatch(bssid)) or row[7] not in (None, "2.4", "5", "6"):
                raise self.refuse("a radio", bssid if bssid is not None else row[7])
            if frequency is not None and band_of(frequency) != row[7]:
                raise self.refuse("the frequency of a radio", frequency)
            identity = LinkIdentity(interface, ssid, bssid, frequency, width, row[7], connected=bool(connected))
            found[link_id] = None if identity == _NO_LINK else identity
        return found

    def rates(self) -> dict[int, BitRate]:
        """The physical-layer rates, by their number."""
        found = {}
        for row in self._few("SELECT id, mbps, phy_mode, mcs, streams, width_mhz, guard_interval_ns FROM rate"):
            mbps = self._real(row[1], 0.0, 1e6, "a rate")
            mode = None if row[2] is None else _MODES.get(self._text(row[2], 12, "the mode of a rate"))
            if not mbps or (mode is None and row[2] is not None):
                raise self.refuse("a rate", row[1:3])
            rest = [self._or_none(value, 0, 10_000, "a rate") for value in row[3:]]
            found[self._int(row[0], 0, 1 << 40, "the number of a rate")] = BitRate(mbps, mode, *rest)
        return found

    def times(self, table: str, source_id: int) -> list[tuple[Any, ...]]:
        """The rows of pace, zone, pass or pruned of a source, without it."""
        columns = {
            "pace": "from_utc_ms, interval_ms", "zone": "from_utc_ms, time_zone",
            "pass": "number, from_utc_ms, after_utc_ms", "pruned": "before_utc_ms",
        }[table]  # fmt: skip
        found = []
        for row in self._few(f"SELECT {columns} FROM {table} WHERE source_id = ? ORDER BY 1", (source_id,)):
            match table, row:
                case "pace", (from_ms, interval_ms):
                    self._time(from_ms, "a pace")
                    self._int(interval_ms, 1, 3_600_000, "a pace")
                case "zone", (from_ms, zone):
                    self._time(from_ms, "a zone")
                    self._zone(zone)
                case "pass", (number, from_ms, after_ms):
                    self._int(number, 1, 1 << 40, "a pass")
                    self._time(from_ms, "a pass")
                    self._time(after_ms, "a pass")
                case _:
                    self._time(row[0], "what was pruned")
            found.append(row)
        return found

    def events(self, source_id: int) -> Iterator[OtherEvent]:
        """The events of a source, in the order in which they were written."""
        for n, row in enumerate(
            self.other.rows("SELECT time_utc_ms, kind, detail FROM event WHERE source_id = ? ORDER BY id", (source_id,))
        ):
            if n >= MOST_EVENTS:
                raise self.other.refuse("has more events than a log can have")
            if row[1] not in _KINDS:
                raise self.refuse("the kind of an event", row[1])
            detail = self.parsed(row[2], "an event")
            for key, value in detail.items():
                number = isinstance(value, int | float) and not isinstance(value, bool)
                if number and not (isfinite(value) and abs(value) < 1 << 53):
                    raise self.refuse("an event", value)
                if not number and (_NUMBERS.fullmatch(key) or not isinstance(value, str | bool)):
                    raise self.refuse("an event", f"{key} {value}")
            try:
                event_words(row[1], detail)
            except (ValueError, TypeError, KeyError, OverflowError) as error:
                raise self.refuse("an event", row[2]) from error
            yield OtherEvent(self._time(row[0], "the time of an event"), row[1], json.dumps(detail))

    def samples(
        self, period_id: int, from_ms: int, to_ms: int, links: Mapping[int, int], rates: Mapping[int | None, int | None]
    ) -> Iterator[tuple[Any, ...]]:
        """Rows of the table sample, link_id and rates as ``links`` and ``rates`` say; in order."""
        last = -1
        for row in self.other.rows(
            f"SELECT {_SAMPLE} FROM sample WHERE id >= ? AND id < ? ORDER BY id", ids_between(period_id, from_ms, to_ms)
        ):
            an_id, link_id, rssi, rssi_avg, beacon, chains, noise, tx_rate, rx_rate, *counts, flags = row
            link = links.get(link_id) if type(link_id) is int else None
            if type(an_id) is not int or an_id <= last or link is None:
                raise self.refuse("a sample", row[:2])
            for level in (rssi, rssi_avg, beacon, noise):
                if level is not None and not (type(level) is float and LEVEL[0] <= level <= LEVEL[1]):
                    raise self.refuse("the level of a sample", level)
            if chains is not None and not (type(chains) is bytes and 0 < len(chains) <= 16):
                raise self.refuse("the chains of a sample", chains)
            for count in counts:
                if count is not None and not (type(count) is int and 0 <= count <= LARGEST):
                    raise self.refuse("a count of a sample", count)
            if flags is not None and not (type(flags) is int and 0 <= flags <= ALL_FLAGS):
                raise self.refuse("the flags of a sample", flags)
            try:
                tx, rx = rates[tx_rate], rates[rx_rate]
            except (KeyError, TypeError):
                raise self.refuse("the rate of a sample", (tx_rate, rx_rate)) from None
            last = an_id
            yield (an_id, link, rssi, rssi_avg, beacon, chains, noise, tx, rx, *counts, flags)

    def blocks(self, period_id: int, before_ms: int, links: Mapping[int, int]) -> Iterator[tuple[Any, ...]]:
        """Rows of the table block that begin before then, link_id as ``links`` says; without period_id."""
        columns = ", ".join(_BLOCK_COLUMNS)
        for row in self.other.rows(
            f"SELECT {columns} FROM block WHERE period_id = ? AND started_at_utc_ms < ?", (period_id, before_ms)
        ):
            values = dict(zip(_BLOCK_COLUMNS, row, strict=True))
            link = links.get(values["link_id"]) if type(values["link_id"]) is int else None
            if link is None:
                raise self.refuse("the radio of a block", values["link_id"])
            for name, value in values.items():
                if name in _HISTOGRAMS:
                    counts = self._blob(value, 3 * 255, "a block")
                    if len(counts) % 3:
                        raise self.refuse("a block", value)
                elif "_sum_" in name and not name.endswith(("permille", "ms_sum")):
                    self._real(value, -1e12, 1e12, "a block")
                else:
                    self._int(value, 0, 1 << 62, "a block")
            started, ended = values["started_at_utc_ms"], values["ended_at_utc_ms"]
            inside = started <= values["first_utc_ms"] <= values["last_utc_ms"] < ended <= started + STRETCH_MS
            parts = all(values[f"{name}_n"] <= values["n_samples"] for name in _PARTS)
            if not (inside and ended <= LATEST_MS and parts and 0 < values["n_samples"] < 1 << 32):
                raise self.refuse("a block", (started, ended))
            yield (row[0], link, *row[2:])

    def parsed(self, value: object, what: str) -> dict[str, Any]:
        """A short JSON object."""
        text = self._text(value, LONGEST_DETAIL, what)
        try:
            found = json.loads(text)
        except (ValueError, RecursionError) as error:
            raise self.refuse(what, text[:60]) from error
        if not isinstance(found, dict):
            raise self.refuse(what, text[:60])
        return found
