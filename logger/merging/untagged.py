"""Probes and scans of another log's source, each exactly once: whatever differs here is made as it is there.

They carry no tag, so they need no waiting room: they come once their source is here, some at a time, the oldest first.
A merge that is killed leaves what it has brought, and the next one brings the rest. Windows of time are compared by
counts and sums: a scan is written once, so its time will do; a probe is written in steps, the last of which is its end.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field

from adapters.contract import HeardRadio
from logger.log import Log
from logger.merging.other_untagged import OtherProbe, OtherScan, OtherUntagged
from logger.merging.samples import PAUSE_S
from logger.probe_table import Latency, Transfer, put_results, read_probes
from logger.sample_id import LATEST_MS
from logger.sighting_table import intern_radio

WINDOW_MS = 10_800_000  # compared at once
AT_ONCE = 300  # probes and scans that one transaction writes, at least where there are so many
_PROBES = (
    "SELECT count(*), ifnull(sum(started_at_utc_ms), 0), ifnull(sum(ended_at_utc_ms), 0),"
    " ifnull(sum(outcome = 'running'), 0), ifnull(sum((SELECT count(*) FROM transfer WHERE probe_id = probe.id)), 0),"
    " ifnull(sum((SELECT count(*) FROM latency WHERE probe_id = probe.id)), 0) FROM probe"
    " WHERE source_id = ? AND started_at_utc_ms >= ? AND started_at_utc_ms < ?"
)
_SCANS = (
    "SELECT count(*), ifnull(sum(time_utc_ms), 0) FROM scan"
    " WHERE source_id = ? AND time_utc_ms >= ? AND time_utc_ms < ?"
)
_TIMES = "SELECT time_utc_ms FROM scan WHERE source_id = ? AND time_utc_ms >= ? AND time_utc_ms < ?"
_FIRST = (
    "SELECT min(started_at_utc_ms) FROM probe WHERE source_id = ? AND started_at_utc_ms >= ?",
    "SELECT min(time_utc_ms) FROM scan WHERE source_id = ? AND time_utc_ms >= ?",
)


@dataclass(slots=True)
class _Change:
    """What is to be written here, and the times of what is to go first."""

    probes: list[OtherProbe] = field(default_factory=list)
    scans: list[OtherScan] = field(default_factory=list)
    probes_gone: list[int] = field(default_factory=list)
    scans_gone: list[int] = field(default_factory=list)

    def add(self, other: _Change) -> None:
        self.probes += other.probes
        self.scans += other.scans
        self.probes_gone += other.probes_gone
        self.scans_gone += other.scans_gone


class Untagged:
    """Brings probes and scans in. ``links``: the numbers here of radios that a laptop was on, by those over there."""

    def __init__(
        self, log: Log, rows: OtherUntagged, links: Mapping[int, int], progress: Callable[[int], object]
    ) -> None:
        self._log, self._rows, self._links, self._progress = log, rows, links, progress
        self._radios: Mapping[int, HeardRadio] | None = None  # over there; None: not looked up
        self._radio_ids: dict[int, int] = {}  # here, by those over there

    def look(self, there: int, mine: int | None) -> None:
        """Check all that ``bring`` would read."""
        for _ in self._differing(there, mine):
            pass

    def bring(self, there: int, mine: int) -> tuple[int, int]:
        """Let source ``mine`` have the probes and scans that source ``there`` has over there, and no others; returns
        how many probes and scans came or changed."""
        n_probes = n_scans = 0
        waiting = _Change()
        for change in self._differing(there, mine):
            n_probes, n_scans = n_probes + len(change.probes), n_scans + len(change.scans)
            waiting.add(change)
            if len(waiting.probes) + len(waiting.scans) >= AT_ONCE:
                self._write(mine, waiting)
                waiting = _Change()
                time.sleep(PAUSE_S)  # whoever else wants to write gets his turn
        self._write(mine, waiting)
        return n_probes, n_scans

    def _write(self, mine: int, change: _Change) -> None:
        with self._log.transaction() as db:
            gone = ((mine, at) for at in change.probes_gone)
            db.executemany("DELETE FROM probe WHERE source_id = ? AND started_at_utc_ms = ?", gone)
            gone = ((mine, at) for at in change.scans_gone)
            db.executemany("DELETE FROM scan WHERE source_id = ? AND time_utc_ms = ?", gone)
            for probe in change.probes:
                self._write_probe(mine, probe)
            for scan in change.scans:
                self._write_scan(mine, scan)

    def _differing(self, there: int, mine: int | None) -> Iterator[_Change]:
        """What is to be done in each window that differs."""
        rows, db = self._rows, self._log.db
        for begin_ms, end_ms in self._windows(there, mine):
            change, n = _Change(), 0
            for sql in (_PROBES, _SCANS):
                counts = rows.other.one(sql, (there, begin_ms, end_ms)) or (0,)
                n += counts[0]
                if counts == tuple(db.execute(sql, (mine, begin_ms, end_ms)).fetchone()):
                    continue
                if sql == _PROBES:
                    found = {
                        each.started_at_utc_ms: self._with_own_link(each)
                        for each in rows.probes(there, begin_ms, end_ms)
                    }
                    have = {} if mine is None else _probes_here(self._log, begin_ms, end_ms, mine)
                    change.probes_gone = [at for at, each in have.items() if found.get(at) != each]
                    change.probes = [each for at, each in found.items() if have.get(at) != each]
                    continue
                scans = {each.time_utc_ms: each for each in rows.scans(there, begin_ms, end_ms)}
                times = {row[0] for row in db.execute(_TIMES, (mine, begin_ms, end_ms))}
                change.scans_gone = sorted(times - set(scans))
                change.scans = [each for at, each in scans.items() if at not in times]
                self._look_up_radios(change.scans)
            self._progress(n)
            if change.probes or change.scans or change.probes_gone or change.scans_gone:
                yield change

    def _windows(self, there: int, mine: int | None) -> Iterator[tuple[int, int]]:
        """Those in which either log has a probe or a scan of the source."""
        from_ms = 0
        while from_ms <= LATEST_MS:
            firsts = [self._rows.first(sql, (there, from_ms)) for sql in _FIRST]
            firsts += [self._log.db.execute(sql, (mine, from_ms)).fetchone()[0] for sql in _FIRST]
            times = [at for at in firsts if at is not None]
            if not times:
                return
            window = min(times) // WINDOW_MS
            yield window * WINDOW_MS, (window + 1) * WINDOW_MS
            from_ms = (window + 1) * WINDOW_MS

    def _with_own_link(self, probe: OtherProbe) -> OtherProbe:
        if probe.link_id not in self._links:
            raise self._rows.refuse("the radio of a probe", probe.link_id)
        return probe._replace(link_id=self._links[probe.link_id])

    def _look_up_radios(self, scans: list[OtherScan]) -> None:
        if self._radios is None:
            self._radios = self._rows.radios()
        for scan in scans:
            for sighting in scan.sightings:
                if sighting[0] not in self._radios:
                    raise self._rows.refuse("the radio of a sighting", sighting[0])

    def _write_probe(self, mine: int, probe: OtherProbe) -> None:
        db = self._log.db
        made = db.execute(
            "INSERT INTO probe (source_id, started_at_utc_ms, ended_at_utc_ms, link_id, far_end, outcome, words)"
            " VALUES (?, ?, ?, ?, ?, ?, ?)",
            (mine, *probe[:6]),
        )
        transfers, latencies = (Transfer(*row) for row in probe.transfers), (Latency(*row) for row in probe.latencies)
        put_results(db, int(made.lastrowid or 0), transfers, latencies)

    def _write_scan(self, mine: int, scan: OtherScan) -> None:
        db = self._log.db
        made = db.execute(
            "INSERT INTO scan (source_id, time_utc_ms, active, everyone) VALUES (?, ?, ?, ?)", (mine, *scan[:3])
        )
        for radio_id, *values in scan.sightings:
            db.execute(
                "INSERT OR IGNORE INTO sighting VALUES (?, ?, ?, ?, ?, ?)",
                (made.lastrowid, self._radio_id(radio_id), *values),
            )
        visits = ((made.lastrowid, *visit) for visit in scan.visits)
        db.executemany("INSERT OR IGNORE INTO visit VALUES (?, ?, ?, ?, ?)", visits)

    def _radio_id(self, there: int) -> int:
        assert self._radios is not None
        if there not in self._radio_ids:
            self._radio_ids[there] = intern_radio(self._log.db, self._radios[there])
        return self._radio_ids[there]


def _probes_here(log: Log, begin_ms: int, end_ms: int, mine: int) -> dict[int, OtherProbe]:
    return {
        each.started_at_utc_ms: OtherProbe(
            *each[1:7], tuple(sorted(map(tuple, each.transfers))), tuple(sorted(map(tuple, each.latencies)))
        )
        for each in read_probes(log.db, begin_ms, end_ms, mine)
    }
