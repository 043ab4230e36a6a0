"""Probes and scans of another log, which carry no tag, each value checked before anybody uses it."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any, NamedTuple, get_args

from adapters.contract import HeardRadio
from adapters.ieee80211 import band_of
from logger.merging.other_values import BSSID, LARGEST, LEVEL, OtherValues
from logger.probe_table import Outcome

MOST_IN_WINDOW = 100_000  # probes or scans, and sightings: one scan every 5 min are 144 in twelve hours
MOST_OF_ONE = 1000  # transfers or rounds of a probe, sightings or visits of a scan
_DAY_MS, _LONG_MS = 86_400_000, 1e7
_OUTCOMES = frozenset(get_args(Outcome))
_DIRECTIONS, _LOADS = frozenset({"down", "up"}), frozenset({"idle", "down", "up"})
_TARGETS, _METHODS = frozenset({"gateway", "far-end"}), frozenset({"icmp", "tcp-connect"})
Row = tuple[Any, ...]


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
                self._transfers(row[0]),
                self._latencies(row[0]),
            )

    def _transfers(self, probe_id: int) -> tuple[Row, ...]:
        found = {}
        for row in self._few(
            "SELECT direction, streams, started_at_utc_ms, duration_ms, bytes, steady_ms, steady_bytes, goodput_mbps,"
            " tcp_rtt_ms, tcp_retransmits FROM transfer WHERE probe_id = ?",
            (probe_id,),
            MOST_OF_ONE,
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
            found[checked[:2]] = checked
        return tuple(found[key] for key in sorted(found))

    def _latencies(self, probe_id: int) -> tuple[Row, ...]:
        found = {}
        for row in self._few(
            "SELECT target, load, method, n_sent, n_lost, median_ms, p95_ms, jitter_ms FROM latency WHERE probe_id = ?",
            (probe_id,),
            MOST_OF_ONE,
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
            found[checked[:2]] = checked
        return tuple(found[key] for key in sorted(found))

    def scans(self, source_id: int, from_ms: int, to_ms: int) -> Iterator[OtherScan]:
        """Those of a source in [from_ms, to_ms), in order."""
        last_ms, n_heard = -1, 0
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
            sightings = tuple(self._sightings(row[0]))
            n_heard += len(sightings)
            if n_heard > MOST_IN_WINDOW:
                raise self.other.refuse("has more sightings in twelve hours than a log can take")
            active, everyone = (self._int(value, 0, 1, "a scan") for value in row[2:])
            yield OtherScan(time_ms, active, everyone, sightings, tuple(self._visits(row[0])))

    def _sightings(self, scan_id: int) -> Iterator[Row]:
        for row in self._few(
            "SELECT radio_id, age_ms, rssi_dbm, station_count, busy_permille FROM sighting WHERE scan_id = ?",
            (scan_id,),
            MOST_OF_ONE,
        ):
            yield (
                self._int(row[0], 0, 1 << 40, "the radio of a sighting"),
                self._int(row[1], 0, _DAY_MS, "the age of a sighting"),
                self._real_or_none(row[2], *LEVEL, "the level of a sighting"),
                self._or_none(row[3], 0, 65_535, "a count of stations"),
                self._or_none(row[4], 0, 1000, "a busy share"),
            )

    def _visits(self, scan_id: int) -> Iterator[Row]:
        for row in self._few(
            "SELECT frequency_mhz, noise_dbm, active_ms, busy_ms FROM visit WHERE scan_id = ?", (scan_id,), MOST_OF_ONE
        ):
            yield (
                self._int(row[0], 1, 1 << 20, "the channel of a visit"),
                self._or_none(row[1], -200, 100, "the noise of a visit"),
                self._or_none(row[2], 0, LARGEST, "the time of a visit"),
                self._or_none(row[3], 0, LARGEST, "the time of a visit"),
            )
