"""Probes and scans of another log, which carry no tag, each value checked before anybody uses it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple, get_args

from adapters.contract import HeardRadio
from adapters.ieee80211 import band_of
from logger.merging.other_values import BSSID, LARGEST, LEVEL, OtherValues
from logger.probe_table import Outcome

# Rows of one kind in a window: a scan of 300 radios every half hour and one of 64 every 15 s make 48,000 sightings.
MOST_IN_WINDOW = 300_000
_DAY_MS, _LONG_MS = 86_400_000, 1e7
_OUTCOMES = frozenset(get_args(Outcome))
_DIRECTIONS, _LOADS = frozenset({"down", "up"}), frozenset({"idle", "down", "up"})
_TARGETS, _METHODS = frozenset({"gateway", "far-end"}), frozenset({"icmp", "tcp-connect"})
_OF_PROBES = (
    "ON probe_id = probe.id WHERE source_id = ? AND probe.started_at_utc_ms >= ? AND probe.started_at_utc_ms < ?"
)
_OF_SCANS = "ON scan_id = scan.id WHERE source_id = ? AND time_utc_ms >= ? AND time_utc_ms < ?"
Row = tuple[Any, ...]
_Parts = dict[int, dict[Row, Row]]  # by what they belong to, and by their key


class OtherProbe(NamedTuple):
    """A probe: its columns from started_at_utc_ms on, with the other log's number of its radio; its results without
    the probe's number."""

    started_at_utc_ms: int
    ended_at_utc_ms: int | None
    link_id: int
    far_end: str
    outcome: str
    words: str
    transfers: tuple[Row, ...]
    latencies: tuple[Row, ...]


class OtherScan(NamedTuple):
    """A scan: sightings with the other log's number of the radio first, visits with the channel first."""

    time_utc_ms: int
    active: int
    everyone: int
    sightings: tuple[Row, ...]
    visits: tuple[Row, ...]


class OtherUntagged(OtherValues):
    """Checked reading of what belongs to a source and a time. Everything raises MergeRefused for what cannot be."""

    def radios(self) -> dict[int, HeardRadio]:
        """The radios that scans heard, by their number."""
        found = {}
        for row in self._few(
            "SELECT id, bssid, frequency_mhz, ssid, band, center_mhz, width_mhz, country, country_max_dbm,"
            " power_constraint_db FROM radio"
        ):
            bssid = self._text(row[1], 20, "an address")
            frequency = self._int(row[2], 1, 1 << 20, "a frequency")
            country = None if row[7] is None else self._text(row[7], 2, "a country")
            if not BSSID.fullmatch(bssid) or band_of(frequency) != row[4]:
                raise self.refuse("a radio", bssid)
            if country is not None and not (country.isascii() and country.isprintable()):
                raise self.refuse("a country", country)
            found[self._int(row[0], 0, 1 << 40, "the number of a radio")] = HeardRadio(
                bssid,
                frequency,
                None if row[3] is None else self._blob(row[3], 32, "a network's name"),
                self._real_or_none(row[5], 0.0, float(1 << 20), "a frequency"),
                self._or_none(row[6], 0, 1000, "a width"),
                country=country,
                country_max_dbm=self._or_none(row[8], -200, 300, "a limit of power"),
                power_constraint_db=self._or_none(row[9], 0, 300, "a limit of power"),
            )
        return found

    def first(self, sql: str, values: tuple[int, int]) -> int | None:
        """The time that a query finds."""
        row = self.other.one(sql, values)
        return None if row is None or row[0] is None else self._int(row[0], 0, 1 << 62, "a time")

    def probes(self, source_id: int, from_ms: int, to_ms: int) -> Iterator[OtherProbe]:
        """Those of a source begun in [from_ms, to_ms), in order."""
        last_ms = -1
        transfers, latencies = self._transfers(source_id, from_ms, to_ms), self._latencies(source_id, from_ms, to_ms)
        for row in self._few(
            "SELECT id, started_at_utc_ms, ended_at_utc_ms, link_id, far_end, outcome, words FROM probe"
            " WHERE source_id = ? AND started_at_utc_ms >= ? AND started_at_utc_ms < ? ORDER BY started_at_utc_ms",
            (source_id, from_ms, to_ms),
            MOST_IN_WINDOW,
        ):
            started_ms = self._time(row[1], "the beginning of a probe")
            if started_ms <= last_ms:
                raise self.refuse("the beginning of a probe", started_ms)
            last_ms = started_ms
            yield OtherProbe(
                started_ms,
                None if row[2] is None else self._int(row[2], started_ms, (1 << 42) - 1, "the end of a probe"),
                self._int(row[3], 0, 1 << 40, "the radio of a probe"),
                self._words(row[4], "a far end"),
                self._one_of(row[5], _OUTCOMES, "the outcome of a probe"),
                self._words(row[6], "the words of a probe"),
                _sorted(transfers.get(row[0], {})),
                _sorted(latencies.get(row[0], {})),
            )

    def _parts(self, sql: str, values: tuple[int, ...]) -> Iterator[Row]:
        return self._few(sql, values, MOST_IN_WINDOW)

    def _transfers(self, *of: int) -> _Parts:
        found: _Parts = {}
        for probe_id, *row in self._parts(
            "SELECT probe_id, direction, streams, transfer.started_at_utc_ms, duration_ms, bytes, steady_ms,"
            f" steady_bytes, goodput_mbps, tcp_rtt_ms, tcp_retransmits FROM probe JOIN transfer {_OF_PROBES}",
            of,
        ):
            checked = (
                self._one_of(row[0], _DIRECTIONS, "a direction"),
                self._int(row[1], 1, 10_000, "a number of streams"),
                self._time(row[2], "the beginning of a transfer"),
                self._int(row[3], 0, _DAY_MS, "the length of a transfer"),
                self._int(row[4], 0, LARGEST, "the bytes of a transfer"),
                self._or_none(row[5], 0, _DAY_MS, "the length of a transfer"),
                self._or_none(row[6], 0, LARGEST, "the bytes of a transfer"),
                self._real_or_none(row[7], 0.0, 1e7, "a goodput"),
                self._real_or_none(row[8], 0.0, _LONG_MS, "a round-trip time"),
                self._or_none(row[9], 0, LARGEST, "a count of retransmits"),
            )
            found.setdefault(probe_id, {})[checked[:2]] = checked
        return found

    def _latencies(self, *of: int) -> _Parts:
        found: _Parts = {}
        for probe_id, *row in self._parts(
            "SELECT probe_id, target, load, method, n_sent, n_lost, median_ms, p95_ms, jitter_ms"
            f" FROM probe JOIN latency {_OF_PROBES}",
            of,
        ):
            n_sent = self._int(row[3], 1, 1_000_000, "a count of requests")
            checked = (
                self._one_of(row[0], _TARGETS, "the target of a round"),
                self._one_of(row[1], _LOADS, "the load of a round"),
                self._one_of(row[2], _METHODS, "the method of a round"),
                n_sent,
                self._int(row[4], 0, n_sent, "a count of requests"),
                *(self._real_or_none(value, 0.0, _LONG_MS, "a latency") for value in row[5:]),
            )
            found.setdefault(probe_id, {})[checked[:2]] = checked
        return found

    def scans(self, source_id: int, from_ms: int, to_ms: int) -> Iterator[OtherScan]:
        """Those of a source in [from_ms, to_ms), in order."""
        last_ms = -1
        sightings, visits = self._sightings(source_id, from_ms, to_ms), self._visits(source_id, from_ms, to_ms)
        for row in self._few(
            "SELECT id, time_utc_ms, active, everyone FROM scan"
            " WHERE source_id = ? AND time_utc_ms >= ? AND time_utc_ms < ? ORDER BY time_utc_ms",
            (source_id, from_ms, to_ms),
            MOST_IN_WINDOW,
        ):
            time_ms = self._time(row[1], "the time of a scan")
            if time_ms <= last_ms:
                raise self.refuse("the time of a scan", time_ms)
            last_ms = time_ms
            active, everyone = (self._int(value, 0, 1, "a scan") for value in row[2:])
            heard, found = _sorted(sightings.get(row[0], {})), _sorted(visits.get(row[0], {}))
            yield OtherScan(time_ms, active, everyone, heard, found)

    def _sightings(self, *of: int) -> _Parts:
        found: _Parts = {}
        for scan_id, *row in self._parts(
            "SELECT scan_id, radio_id, age_ms, rssi_dbm, station_count, busy_permille"
            f" FROM scan JOIN sighting {_OF_SCANS}",
            of,
        ):
            radio_id = self._int(row[0], 0, 1 << 40, "the radio of a sighting")
            found.setdefault(scan_id, {})[(radio_id,)] = (
                radio_id,
                self._int(row[1], 0, _DAY_MS, "the age of a sighting"),
                self._real_or_none(row[2], *LEVEL, "the level of a sighting"),
                self._or_none(row[3], 0, 65_535, "a count of stations"),
                self._or_none(row[4], 0, 1000, "a busy share"),
            )
        return found

    def _visits(self, *of: int) -> _Parts:
        found: _Parts = {}
        for scan_id, *row in self._parts(
            f"SELECT scan_id, frequency_mhz, noise_dbm, active_ms, busy_ms FROM scan JOIN visit {_OF_SCANS}", of
        ):
            frequency_mhz = self._int(row[0], 1, 1 << 20, "the channel of a visit")
            found.setdefault(scan_id, {})[(frequency_mhz,)] = (
                frequency_mhz,
                self._or_none(row[1], -200, 100, "the noise of a visit"),
                self._or_none(row[2], 0, LARGEST, "the time of a visit"),
                self._or_none(row[3], 0, LARGEST, "the time of a visit"),
            )
        return found


def _sorted(parts: dict[Row, Row]) -> tuple[Row, ...]:
    return tuple(parts[key] for key in sorted(parts))
