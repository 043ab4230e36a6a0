"""The daemon's job that keeps what the card has heard: its own scans where it may, those of other programs anyway.

The kernel keeps a radio's last beacon for half a minute, whoever asked for the scan. So whenever a scan has finished,
and every ``watch_every_s`` besides, the cache is read, and the radios watched and those of the network that the laptop
is joined to go into the log; at most every half hour all that was heard goes there. Samples that are taken while a scan
runs are not marked: they hold the level and the rate of the last frame, which a visit elsewhere leaves as it was, and
the times of scans are in the log.
"""

from __future__ import annotations

import sqlite3
from collections import deque
from collections.abc import Iterable, Sequence
from typing import NamedTuple

from adapters.clock import Clock
from adapters.contract import Adapter, AdapterError, ChannelVisit, HeardRadio, LinkEvent, LinkReading, NotPermitted
from logger.daemon import EARLIEST_MS
from logger.errors import LogError
from logger.log import OWN_SOURCE, UNREADABLE, Log
from logger.printable import printable
from logger.probe_table import probing_spans
from logger.sample_id import LATEST_MS
from logger.sighting_table import write_scan
from logger.sightings.believable import believable, believable_visit
from logger.sightings.pace import ScanPace
from logger.sightings.watched import Name, read_watched
from logger.voice import Voice

EVERYONE_EVERY_MS = 1_800_000
FULL_SCAN_CHANNELS = 11  # a scan of fewer looks for a known network: the least of a card's are those of 2.4 GHz
WATCHED_AT_MOST, EVERYONE_AT_MOST = 64, 300  # radios of one look: anybody can send beacons in any name
TAGS_EVERY_S = 10.0  # what other commands say is to be watched
LEAST_APART_S = 15.0  # looks after others' scans; what one has left is there for longer
LONGEST_SCAN_S = 30.0
AT_ONCE_S = 1.0  # no scan of all channels ends sooner: that was another one
LOOK_AGAIN_S = 30.0  # the card was busy
REST_S = 60.0
KEPT_LOOKS = 20  # while the log cannot be written


class _Look(NamedTuple):
    """What goes into the log at once."""

    time_utc_ms: int
    heard: Sequence[HeardRadio]
    visits: Sequence[ChannelVisit]
    active: bool
    everyone: bool
    in_full: bool  # after a scan of all channels: then it tells something, even if it heard nothing


class Sightings:
    """One per daemon. ``hear`` and ``see`` are told what the sampler is told; ``tick`` is called after each sample, and
    raises nothing. ``every_s``: 0 for nothing at all, be it others' scans."""

    def __init__(self, log: Log, adapter: Adapter, clock: Clock, voice: Voice, *, every_s: float) -> None:
        self._log, self._adapter, self._clock, self._voice = log, adapter, clock, voice
        self._every_s = every_s
        self._pace = ScanPace(every_s)
        self._watched: frozenset[Name] = frozenset()
        self._watched_at_s = self._look_at_s = self._rests_until_s = self._write_at_s = float("-inf")
        self._looked_s = float("-inf")
        self._own: bytes | None = None  # the name of the network that the laptop is joined to, or was
        self._asked_s: float | None = None
        self._runs_since_s: float | None = None
        self._finished = self._finished_in_full = False
        self._heard_in_full: frozenset[str] = frozenset()  # of those watched, by our own last scan
        self._everyone_ms: int | None = None
        self._unwritten: deque[_Look] = deque(maxlen=KEPT_LOOKS)
        self._refused = self._broken = False

    @property
    def scanning(self) -> bool:
        """Whether the card is away from its channel by turns, as far as is known."""
        since = [each for each in (self._asked_s, self._runs_since_s) if each is not None]
        return bool(since) and self._clock.elapsed_s() - max(since) < LONGEST_SCAN_S

    def hear(self, event: LinkEvent) -> None:
        """An event that the adapter told."""
        now_s = self._clock.elapsed_s()
        if event.kind == "scan-started":
            self._runs_since_s = now_s
        elif event.kind == "scan-finished":
            if self._asked_s is not None and self._runs_since_s is None and now_s - self._asked_s < AT_ONCE_S:
                return  # of another, which ended as we asked
            self._finished, self._runs_since_s = True, None
            self._finished_in_full = event.n_channels is None or event.n_channels >= FULL_SCAN_CHANNELS
        else:
            self._pace.link_changed(now_s)

    def see(self, reading: LinkReading | None) -> None:
        """A reading of the adapter, None where it failed."""
        self._pace.see(reading, self._clock.elapsed_s())
        if reading is not None and reading.connected and reading.ssid:
            self._own = reading.ssid

    def tick(self, *, may_ask: bool = True) -> None:
        """Ask, look, write: whichever it is time for. ``may_ask``: no probe is about to begin, as far as the daemon
        knows; the log tells of one that has."""
        now_s = self._clock.elapsed_s()
        if not self._every_s or now_s < self._rests_until_s:
            return
        try:
            self._tick(now_s, may_ask=may_ask)
        except AdapterError:  # the sampler meets and tells it
            self._rests_until_s = now_s + LOOK_AGAIN_S
        except Exception as error:  # whatever is on the air, logging goes on
            self._rests_until_s = now_s + REST_S
            if not self._broken:
                self._broken = True
                words = f"{type(error).__name__}: {error}"
                self._voice.complain(f"what scans hear cannot be kept ({printable(words)}); logging goes on")

    def _tick(self, now_s: float, *, may_ask: bool) -> None:
        now_ms = self._clock.utc_ms()
        if not EARLIEST_MS <= now_ms <= LATEST_MS:
            return
        if now_s >= self._watched_at_s:
            self._watched_at_s = now_s + TAGS_EVERY_S
            self._read_watched()
        if self._asked_s is not None and now_s - self._asked_s > LONGEST_SCAN_S:
            self._asked_s = None  # it ended without a word
        ours = self._asked_s is not None
        if self._finished and (ours or now_s - self._looked_s >= LEAST_APART_S):
            self._finished, self._asked_s = False, None
            self._look(now_s, scanned=True, active=ours)
        elif now_s >= self._look_at_s and not self.scanning:  # what a scan finds is told at its end, all at once
            self._look(now_s, scanned=False, active=False)
        self._write(now_s)
        if not may_ask or not self._watched or self.scanning:
            return
        if self._pace.may_begin(now_s) and not self._probing(now_ms):
            self._ask(now_s)

    # --- asking ---

    def _ask(self, now_s: float) -> None:
        try:
            self._adapter.begin_scan()
        except NotPermitted as refusal:
            self._pace.scanned(now_s)
            if not self._refused:
                self._refused = True
                self._voice.complain(
                    f"{refusal}; until then radios that are watched are heard when another program scans"
                )
        except AdapterError:
            self._pace.put_off(now_s, LOOK_AGAIN_S)
        else:
            self._asked_s, self._runs_since_s = now_s, None
            self._pace.scanned(now_s)

    def _probing(self, now_ms: int) -> bool:
        try:
            return any(began_ms <= now_ms for began_ms, _ in probing_spans(self._log.db, now_ms))
        except UNREADABLE:  # busy or damaged: rather a scan later
            return True

    def _read_watched(self) -> None:
        try:
            watched = frozenset(each.name for each in read_watched(self._log.db))
        except UNREADABLE:
            return
        if watched - self._watched:
            self._pace.hurry()
        self._watched = watched

    # --- looking ---

    def _look(self, now_s: float, *, scanned: bool, active: bool) -> None:
        self._looked_s, self._look_at_s = now_s, now_s + self._every_s
        radios = [radio for radio in map(believable, self._adapter.heard()) if radio is not None]
        now_ms = self._clock.utc_ms()  # their ages are of now
        visits = [visit for visit in map(believable_visit, self._adapter.visits()) if visit is not None]
        wanted = [radio for radio in radios if self._is_wanted(radio)]
        in_full = scanned and self._finished_in_full
        self._count_as_scan(now_s, wanted, in_full=in_full, active=active)
        everyone = in_full and self._everyone_due(now_ms)
        if everyone:
            self._everyone_ms = now_ms
            told = _strongest(wanted, WATCHED_AT_MOST)
            known = set(map(_radio, told))
            told += [radio for radio in _strongest(radios, EVERYONE_AT_MOST) if _radio(radio) not in known]
        else:
            told = _strongest(wanted, WATCHED_AT_MOST)
            channels = {radio.frequency_mhz for radio in told}
            visits = [visit for visit in visits if visit.frequency_mhz in channels]
        self._unwritten.append(_Look(now_ms, told, visits, active, everyone, in_full))

    def _is_wanted(self, radio: HeardRadio) -> bool:
        ours = radio.associated or (radio.ssid is not None and radio.ssid == self._own)
        return ours or any(name.means(radio) for name in self._watched)

    def _count_as_scan(self, now_s: float, wanted: Iterable[HeardRadio], *, in_full: bool, active: bool) -> None:
        """Another program's scan spares one of ours, if it heard all that our last one did: many visit few channels."""
        heard = frozenset(
            radio.bssid
            for radio in wanted
            if radio.age_ms is not None and radio.age_ms <= 2000 * LEAST_APART_S and not radio.associated
        )
        if active and in_full:
            self._heard_in_full = heard
        elif in_full and self._heard_in_full and heard >= self._heard_in_full:
            self._pace.scanned(now_s)

    def _everyone_due(self, now_ms: int) -> bool:
        if self._everyone_ms is None:
            row = self._log.db.execute(
                "SELECT max(time_utc_ms) FROM scan WHERE source_id = ? AND everyone AND time_utc_ms >= ?",
                (OWN_SOURCE, now_ms - EVERYONE_EVERY_MS),
            ).fetchone()
            self._everyone_ms = row[0] or 0
        return not 0 <= now_ms - self._everyone_ms < EVERYONE_EVERY_MS  # below 0: the clock was set back

    # --- writing ---

    def _write(self, now_s: float) -> None:
        if now_s < self._write_at_s:
            return
        while self._unwritten:
            look = self._unwritten[0]
            try:
                with self._log.transaction() as db:
                    _write(db, look)
            except (LogError, sqlite3.OperationalError):  # busy or full; a damaged one is met where samples are written
                self._write_at_s = now_s + AT_ONCE_S
                return
            self._unwritten.popleft()


def _write(db: sqlite3.Connection, look: _Look) -> None:
    scan_id = write_scan(db, look.time_utc_ms, look.heard, look.visits, active=look.active, everyone=look.everyone)
    if not look.in_full and not db.execute("SELECT 1 FROM sighting WHERE scan_id = ?", (scan_id,)).fetchone():
        db.execute("DELETE FROM scan WHERE id = ?", (scan_id,))  # nothing new since


def _strongest(radios: Iterable[HeardRadio], at_most: int) -> list[HeardRadio]:
    return sorted(radios, key=lambda radio: -200.0 if radio.rssi_dbm is None else radio.rssi_dbm, reverse=True)[
        :at_most
    ]


def _radio(heard: HeardRadio) -> tuple[str, int]:
    return heard.bssid, heard.frequency_mhz
