"""The daemon's job for scans on a log, with a card that a test plays."""

from __future__ import annotations

import io

from adapters.contract import HeardRadio, LinkEvent
from logger.log import Log
from logger.sampler import Sampler
from logger.sightings.job import Sightings
from logger.sightings.watched import Name
from logger.timeline import begin_timeline
from logger.voice import Voice
from tests.logger.scripted import BENCH, LOST, OTHER, ScriptedAdapter, clock

NEIGHBOUR = "02:00:00:00:00:99"
POTTERY = Name(b"pottery", None)
STARTED, FINISHED = LinkEvent("scan-started"), LinkEvent("scan-finished")


def own(rssi_dbm: float = -61.0, age_ms: int = 50) -> HeardRadio:
    return HeardRadio(BENCH, 5180, b"pottery", rssi_dbm=rssi_dbm, age_ms=age_ms, associated=True)


def other_band(rssi_dbm: float = -48.0, age_ms: int = 500) -> HeardRadio:
    return HeardRadio(OTHER, 2437, b"pottery", rssi_dbm=rssi_dbm, age_ms=age_ms)


def neighbour(age_ms: int = 500) -> HeardRadio:
    return HeardRadio(NEIGHBOUR, 5500, b"bakery", rssi_dbm=-80.0, age_ms=age_ms)


class HearingAdapter(ScriptedAdapter):
    """A card that says when it has begun to scan."""

    def __init__(self) -> None:
        super().__init__()
        self.on_air = [own(), other_band(), neighbour()]
        self.n_asked = 0

    def begin_scan(self) -> None:
        self.n_asked += 1
        super().begin_scan()
        self.tell(STARTED)


class Desk:
    """The job, its adapter and clock, on one log; a reading every five seconds."""

    def __init__(self, log: Log, every_s: float = 300.0) -> None:
        self.log, self.adapter, self.clock = log, HearingAdapter(), clock()
        self.said, self.complained = io.StringIO(), io.StringIO()
        with log.transaction() as db:
            begin_timeline(db, self.clock.utc_ms())
        voice = Voice(self.said, self.complained)
        self.job = Sightings(log, self.adapter, self.clock, voice, every_s=every_s)
        self.sampler = Sampler(self.adapter, self.clock, 5.0, [self.job])
        self.asked_at_s: list[float] = []

    def pass_by(self, seconds: float, *, answers: bool = True, kb_per_reading: float = 1.0) -> None:
        """Readings; a scan asked for finishes at the next but one."""
        for _ in range(round(seconds / 5)):
            self.clock.advance(5.0)
            if self.adapter.reading is not LOST:
                self.adapter.count_up(interface_rx_bytes=round(1000 * kb_per_reading))
            before = self.adapter.n_asked
            self.sampler.tick()
            self.job.tick()
            if self.adapter.n_asked > before:
                self.asked_at_s.append(self.clock.elapsed_s())
            elif answers and self.job.scanning:
                self.adapter.tell(FINISHED)

    def scans(self) -> list[tuple[bool, bool]]:
        rows = self.log.db.execute("SELECT active, everyone FROM scan ORDER BY time_utc_ms")
        return [(bool(row[0]), bool(row[1])) for row in rows]

    def heard(self, bssid: str) -> list[float]:
        query = "SELECT rssi_dbm FROM tagged_sighting WHERE bssid = ? ORDER BY time_utc_ms"
        return [row[0] for row in self.log.db.execute(query, (bssid,))]
