"""The one writer of samples and events: finds each sample's period and keeps blocks true."""

from __future__ import annotations

import json
import sqlite3
import struct
from collections.abc import Sequence

from adapters.contract import BitRate
from logger.block_table import (
    BREAKS,
    add_to_fixed,
    fixed_before,
    interval_ms_at,
    rebuild_blocks,
    resume_fold,
    write_blocks,
)
from logger.blocks import DURING_PROBE, GAP_INTERVALS, Fold, FoldSample, LinkFacts
from logger.link_table import NO_LINK_ID, intern_link, intern_rate
from logger.log import OWN_SOURCE, Log
from logger.passes import Taken, begin_pass, last_taken
from logger.probe_table import probing_spans
from logger.sample import Event, LinkIdentity, Sample
from logger.sample_id import FOREVER_MS, LATEST_MS, READINGS, ids_between, sample_id, time_of
from logger.timeline import begin_timeline
from logger.zones import write_zone

# Tags may be said while samples wait for their commit, which takes at most so long.
_LATE_TAG_MS = 60_000

_INSERT = (
    "INSERT INTO sample (id, link_id, rssi_dbm, rssi_avg_dbm, beacon_rssi_avg_dbm, chain_rssi_dbm, noise_dbm,"
    " tx_rate_id, rx_rate_id, tx_packets, tx_retries, tx_failed, beacon_losses, busy_permille, rx_bytes, tx_bytes,"
    f" flags) VALUES ({', '.join('?' * 17)}) ON CONFLICT (id) DO NOTHING"
)


class Recorder:
    """Writes samples and events of this machine's own logger. One per log, on one thread."""

    def __init__(self, log: Log) -> None:
        self._log = log
        self._link_ids: dict[LinkIdentity, int] = {}
        self._rate_ids: dict[BitRate, int] = {}
        self._interval_ms: int | None = None
        self._seen: tuple[int, int] | None = None
        self._period: tuple[int, int, int | None] | None = None  # id, start, end
        self._newest_ms: int | None = None  # of the period's samples
        self._fold: Fold | None = None
        self._taken: Taken | None = None  # None: to be asked of the log
        self._probing: list[tuple[int, int]] | None = None  # when probes ran; None: to be asked of the log
        self._breaks: list[int] = []  # times of events that come with the samples being written
        self._late: list[tuple[int, int, int]] = []  # (period id, from, to) where blocks have to be folded again
        self._behind: list[tuple[int, FoldSample]] = []  # (period id, sample) of samples behind the newest

    def set_pace(self, interval_ms: int, from_utc_ms: int) -> None:
        """From now on samples are meant to be this far apart."""
        with self._log.transaction() as db:
            begin_timeline(db, from_utc_ms)
            newest_ms = _newest_ms(db)
            if newest_ms is None or newest_ms < from_utc_ms:
                if newest_ms is not None:  # it may stand before the first pace: the clock was set back
                    held_ms = interval_ms_at(db, OWN_SOURCE, newest_ms)
                    db.execute("INSERT OR IGNORE INTO pace VALUES (?, ?, ?)", (OWN_SOURCE, newest_ms, held_ms))
                db.execute("DELETE FROM pace WHERE source_id = ? AND from_utc_ms > ?", (OWN_SOURCE, from_utc_ms))
                _write_pace(db, interval_ms, from_utc_ms)
            else:
                _write_pace_again(db, interval_ms, from_utc_ms, newest_ms)
        self._interval_ms = None
        self._fold = None

    def record(self, samples: Sequence[Sample], events: Sequence[Event]) -> None:
        """Commit these, in order, with the blocks they touch; all or nothing. Raises LogFull, LogError."""
        if not samples and not events:
            return
        try:
            with self._log.transaction() as db:
                seen = (db.execute("PRAGMA data_version").fetchone()[0], self._log.timeline_edits)
                if seen != self._seen:  # somebody else wrote, or tagged: the timeline may have moved
                    self._period = self._fold = self._probing = None
                    self._seen = seen
                self._write_events(db, events)
                for sample in samples:
                    self._write(db, sample)
                self._write_open_blocks(db)
                self._fold_late(db)
        except BaseException:
            # What the caches hold may have been rolled back.
            self._link_ids.clear()
            self._rate_ids.clear()
            self._late.clear()
            self._behind.clear()
            self._period = self._fold = self._taken = self._probing = None
            raise

    def _write_events(self, db: sqlite3.Connection, events: Sequence[Event]) -> None:
        db.executemany(
            "INSERT INTO event (time_utc_ms, kind, source_id, detail) VALUES (?, ?, ?, ?)",
            [(event.time_utc_ms, event.kind, OWN_SOURCE, json.dumps(event.detail)) for event in events],
        )
        for event in events:
            if event.kind == "time-zone-changed":
                write_zone(db, OWN_SOURCE, event.time_utc_ms, str(event.detail["to"]))
        breaks = self._breaks = [event.time_utc_ms for event in events if event.kind in BREAKS]
        if self._fold is not None and breaks:
            self._fold.break_at(breaks)
        for time_ms in breaks:  # where the clock was set back there are samples on both sides
            reach_ms = time_ms + GAP_INTERVALS * interval_ms_at(db, OWN_SOURCE, time_ms)
            stale = _periods_with_samples(db, time_ms, reach_ms + 1)
            self._late += [(period_id, time_ms, reach_ms + 1) for period_id in stale]

    def _write(self, db: sqlite3.Connection, sample: Sample) -> None:
        taken = self._taken = self._taken or last_taken(db)
        if taken.time_utc_ms is not None and sample.time_utc_ms <= taken.time_utc_ms:
            taken = Taken(taken.number + 1, None)
            begin_pass(db, taken.number, sample.time_utc_ms, self._taken.time_utc_ms or 0)
            self._probing = None
        if self._probing is None:
            self._probing = probing_spans(db, taken.time_utc_ms or sample.time_utc_ms)
        flags = sample.flags
        if self._probing and self._probed(taken.time_utc_ms, sample.time_utc_ms):
            flags |= DURING_PROBE
        nth = taken.number % READINGS
        period_id = self._period_for(db, sample.time_utc_ms)
        late = self._newest_ms is not None and sample.time_utc_ms <= self._newest_ms
        if self._fold is None and not late:
            self._fold = resume_fold(db, period_id, sample.time_utc_ms)
            self._fold.break_at(self._breaks)  # also those after this sample
            self._interval_ms = None
        link_id = self._link_id(db, sample.link)
        chains = sample.chain_rssi_dbm
        row = [
            sample_id(period_id, sample.time_utc_ms, nth), link_id,
            sample.rssi_dbm, sample.rssi_avg_dbm, sample.beacon_rssi_avg_dbm,
            struct.pack(f"{len(chains)}b", *(chain or 0 for chain in chains)) if chains else None,
            sample.noise_dbm, self._rate_id(db, sample.tx_rate), self._rate_id(db, sample.rx_rate),
            sample.tx_packets, sample.tx_retries, sample.tx_failed, sample.beacon_losses, sample.busy_permille,
            sample.rx_bytes, sample.tx_bytes, flags or None,
        ]  # fmt: skip
        time_ms = sample.time_utc_ms
        while db.execute(_INSERT, row).rowcount == 0:  # a seventeenth reading of one millisecond
            time_ms += 1
            row[0] = sample_id(period_id, time_ms, nth)
        self._taken = Taken(taken.number, time_ms)
        to_fold = FoldSample(
            sample.time_utc_ms, link_id, sample.rssi_dbm, sample.noise_dbm,
            sample.tx_rate.mbps if sample.tx_rate else None, sample.rx_rate.mbps if sample.rx_rate else None,
            sample.tx_packets, sample.tx_retries, sample.tx_failed, sample.beacon_losses, sample.busy_permille,
            sample.rx_bytes, sample.tx_bytes, nth, flags,
        )  # fmt: skip
        if late:
            self._behind.append((period_id, to_fold))
            self._late.append((period_id, sample.time_utc_ms, time_ms + 1))
            self._write_open_blocks(db)
            self._fold = None
            return
        self._newest_ms = sample.time_utc_ms
        assert self._fold is not None
        if self._interval_ms is None:
            self._interval_ms = interval_ms_at(db, OWN_SOURCE, sample.time_utc_ms)
        closed = self._fold.add(to_fold, self._interval_ms)
        write_blocks(db, period_id, closed)

    def _probed(self, before_ms: int | None, time_ms: int) -> bool:
        """Whether a probe ran since the sample before, by the stamps of this pass. A probe of an earlier pass at the
        same stamps cannot be told from one of this: rather a sample too many is left out.

        No sample that is in the log already has to be looked at again: a probe is in the log before its traffic begins,
        so whatever it has touched is written later."""
        from_ms = time_ms if before_ms is None else before_ms
        return any(began_ms <= time_ms and ended_ms >= from_ms for began_ms, ended_ms in self._probing or ())

    def _write_open_blocks(self, db: sqlite3.Connection) -> None:
        if self._fold is not None and self._period is not None:
            write_blocks(db, self._period[0], self._fold.open.values())

    def _fold_late(self, db: sqlite3.Connection) -> None:
        """A clock set back stamps samples behind the newest; their stretches are folded again."""
        for period_id in {period_id for period_id, _, _ in self._late}:
            spans = [(from_ms, to_ms) for late_id, from_ms, to_ms in self._late if late_id == period_id]
            from_ms, to_ms = min(from_ms for from_ms, _ in spans), max(to_ms for _, to_ms in spans)
            rebuild_blocks(db, period_id, from_ms, to_ms, keep_fixed=True)
            add_to_fixed(db, period_id, (sample for late_id, sample in self._behind if late_id == period_id))
        self._behind.clear()
        if self._late:
            self._late.clear()
            self._fold = None

    def _period_for(self, db: sqlite3.Connection, time_ms: int) -> int:
        known = self._period
        if known is not None and time_ms >= known[1] and (known[2] is None or time_ms < known[2]):
            return known[0]
        found = _find_period(db, time_ms)
        if found != known:
            self._write_open_blocks(db)
            self._fold = None
            self._period = found
            own = ids_between(found[0], 0, LATEST_MS)
            newest = db.execute("SELECT max(id) FROM sample WHERE id >= ? AND id < ?", own).fetchone()[0]
            self._newest_ms = None if newest is None else time_of(newest)
            if found[1] < (fixed_ms := fixed_before(db, OWN_SOURCE)):  # its blocks there are not to be carried on
                self._newest_ms = max(self._newest_ms or 0, fixed_ms - 1)
        return found[0]

    def _link_id(self, db: sqlite3.Connection, link: LinkIdentity | None) -> int:
        if link is None:
            return NO_LINK_ID
        link_id = self._link_ids.get(link)
        if link_id is None:
            link_id = self._link_ids[link] = intern_link(db, link)
        if self._fold is not None:
            self._fold.links.setdefault(link_id, LinkFacts(link.connected, link.band))
        return link_id

    def _rate_id(self, db: sqlite3.Connection, rate: BitRate | None) -> int | None:
        if rate is None or not rate.mbps:
            return None
        rate_id = self._rate_ids.get(rate)
        if rate_id is None:
            rate_id = self._rate_ids[rate] = intern_rate(db, rate)
        return rate_id


def _find_period(db: sqlite3.Connection, time_ms: int) -> tuple[int, int, int | None]:
    """The period of a sample stamped ``time_ms``; begins the timeline where there is none."""
    begin_timeline(db, time_ms)
    latest = db.execute(
        "SELECT id, started_at_utc_ms, ended_at_utc_ms FROM period WHERE source_id = ?"
        " ORDER BY started_at_utc_ms DESC LIMIT 1",
        (OWN_SOURCE,),
    ).fetchone()
    if latest[1] - _LATE_TAG_MS <= time_ms < latest[1] and not _has_samples(db, latest[0]):
        # Taken before the latest tag. (Where that period has samples, the clock was set back, and this is a later one.)
        earlier = db.execute(
            "SELECT id, started_at_utc_ms, ended_at_utc_ms FROM period WHERE source_id = ? AND started_at_utc_ms <= ?"
            " ORDER BY started_at_utc_ms DESC LIMIT 1",
            (OWN_SOURCE, time_ms),
        ).fetchone()
        latest = earlier or latest
    return latest[0], latest[1], latest[2]


def _write_pace(db: sqlite3.Connection, interval_ms: int, from_ms: int) -> None:
    known = db.execute("SELECT 1 FROM pace WHERE source_id = ? LIMIT 1", (OWN_SOURCE,)).fetchone()
    if not known or interval_ms_at(db, OWN_SOURCE, from_ms) != interval_ms:
        db.execute("INSERT OR REPLACE INTO pace VALUES (?, ?, ?)", (OWN_SOURCE, from_ms, interval_ms))


def _write_pace_again(db: sqlite3.Connection, interval_ms: int, from_ms: int, newest_ms: int) -> None:
    """The clock was set back: up to ``newest_ms`` the slower pace of all passes holds, lest time that a sample stands
    for be taken for a gap; beyond, the new one alone."""
    earliest_ms = db.execute("SELECT min(from_utc_ms) FROM pace WHERE source_id = ?", (OWN_SOURCE,)).fetchone()[0]
    db.execute("DELETE FROM pace WHERE source_id = ? AND from_utc_ms > ?", (OWN_SOURCE, newest_ms))
    _write_pace(db, max(interval_ms, interval_ms_at(db, OWN_SOURCE, from_ms)), from_ms)
    db.execute(
        "UPDATE pace SET interval_ms = max(interval_ms, ?) WHERE source_id = ? AND from_utc_ms > ?",
        (interval_ms, OWN_SOURCE, from_ms),
    )
    _write_pace(db, interval_ms, newest_ms + 1)
    stale_ms = from_ms if earliest_ms is not None and earliest_ms < from_ms else None  # the first holds before it, too
    for period_id in _periods_with_samples(db, 0 if stale_ms is None else from_ms, FOREVER_MS):
        rebuild_blocks(db, period_id, stale_ms, keep_fixed=True)


def _newest_ms(db: sqlite3.Connection) -> int | None:
    """The latest stamp of this machine's samples, whatever their pass."""
    own = db.execute("SELECT id FROM period WHERE source_id = ?", (OWN_SOURCE,)).fetchall()
    newest = [
        db.execute("SELECT max(id) FROM sample WHERE id >= ? AND id < ?", ids_between(each, 0, FOREVER_MS)).fetchone()
        for (each,) in own
    ]
    return max((time_of(row[0]) for row in newest if row[0] is not None), default=None)


def _periods_with_samples(db: sqlite3.Connection, from_ms: int, to_ms: int) -> list[int]:
    """This machine's periods that have samples stamped in [from_ms, to_ms)."""
    own = db.execute("SELECT id FROM period WHERE source_id = ?", (OWN_SOURCE,)).fetchall()
    return [period_id for (period_id,) in own if _has_samples(db, period_id, from_ms, to_ms)]


def _has_samples(db: sqlite3.Connection, period_id: int, from_ms: int = 0, to_ms: int = LATEST_MS + 1) -> bool:
    ids = ids_between(period_id, from_ms, to_ms)
    return db.execute("SELECT 1 FROM sample WHERE id >= ? AND id < ? LIMIT 1", ids).fetchone() is not None
