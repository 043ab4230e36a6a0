"""Probes and scans of another log's source, each exactly once: whatever differs here is made as it is there.

They carry no tag, so they need no waiting room: they come once their source is here, twelve hours a transaction, the
oldest first. A merge that is killed leaves what it has brought, and the next one brings the rest. A probe is compared
with all that it measured, for it is written in steps; a scan is written once, so the times of scans will do.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator, Mapping

from adapters.contract import HeardRadio
from logger.log import Log
from logger.merging.other_untagged import OtherProbe, OtherScan, OtherUntagged
from logger.merging.samples import PAUSE_S, WINDOW_MS
from logger.probe_table import Latency, Transfer, put_results, read_probes
from logger.sample_id import LATEST_MS
from logger.sighting_table import intern_radio

_SCANS = (
    "SELECT count(*), ifnull(sum(time_utc_ms), 0) FROM scan"
    " WHERE source_id = ? AND time_utc_ms >= ? AND time_utc_ms < ?"
)
_FIRST = (
    "SELECT min(started_at_utc_ms) FROM probe WHERE source_id = ? AND started_at_utc_ms >= ?",
    "SELECT min(time_utc_ms) FROM scan WHERE source_id = ? AND time_utc_ms >= ?",
)


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
        for probes, scans, gone in self._differing(there, mine):
            with self._log.transaction() as db:
                db.executemany("DELETE FROM probe WHERE source_id = ? AND started_at_utc_ms = ?", gone["probe"])
                db.executemany("DELETE FROM scan WHERE source_id = ? AND time_utc_ms = ?", gone["scan"])
                for probe in probes:
                    self._write_probe(mine, probe)
                for scan in scans:
                    self._write_scan(mine, scan)
            n_probes, n_scans = n_probes + len(probes), n_scans + len(scans)
            time.sleep(PAUSE_S)  # whoever else wants to write gets his turn
        return n_probes, n_scans

    def _differing(
        self, there: int, mine: int | None
    ) -> Iterator[tuple[list[OtherProbe], list[OtherScan], dict[str, list[tuple[int | None, int]]]]]:
        """Per window that differs: what is to be written, and what is to go first, as (source, time) by table."""
        rows, db = self._rows, self._log.db
        for begin_ms, end_ms in self._windows(there, mine):
            probes = {
                each.started_at_utc_ms: self._with_own_link(each) for each in rows.probes(there, begin_ms, end_ms)
            }
            have = {} if mine is None else _probes_here(self._log, begin_ms, end_ms, mine)
            gone = {"probe": [(mine, at) for at, each in have.items() if probes.get(at) != each], "scan": []}
            new = [each for at, each in probes.items() if have.get(at) != each]
            scans: list[OtherScan] = []
            counts = rows.other.one(_SCANS, (there, begin_ms, end_ms))
            if counts != tuple(db.execute(_SCANS, (mine, begin_ms, end_ms)).fetchone()):
                found = {each.time_utc_ms: each for each in rows.scans(there, begin_ms, end_ms)}
                times = {
                    row[0]
                    for row in db.execute(
                        "SELECT time_utc_ms FROM scan WHERE source_id = ? AND time_utc_ms >= ? AND time_utc_ms < ?",
                        (mine, begin_ms, end_ms),
                    )
                }
                gone["scan"] = [(mine, at) for at in sorted(times - set(found))]
                scans = [each for at, each in found.items() if at not in times]
                self._look_up_radios(scans)
            self._progress(len(probes) + (counts or (0,))[0])
            if new or scans or any(gone.values()):
                yield new, scans, gone

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
