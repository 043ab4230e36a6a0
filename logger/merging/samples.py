"""The samples of another log's source, each exactly once: those that are missing here come in bites.

They come under a number that no period has yet, where nobody sees them: that of the period to come, or for one that is
there already a waiting number beside it. So a merge that is killed has changed nothing that shows, and the next one
finds what it has brought.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterator, Mapping
from typing import Any

from logger.block_table import rebuild_blocks
from logger.log import Log
from logger.merging.other_rows import OtherRows
from logger.sample_id import LATEST_MS, PERIOD_SHIFT, ids_between, time_of

WINDOW_MS = 43_200_000  # compared at once
MOST_IN_WINDOW = 2_000_000  # samples: ten a second are 432,000
AIM_S = 0.05  # of one bite
FIRST_BITE, LARGEST_BITE = 500, 20_000
PAUSE_S = 0.02  # between bites, at least: whoever else wants to write gets his turn
_WITHIN = (1 << PERIOD_SHIFT) - 1  # of an id: all but the period
_CHECKED = (1 << 30) - 1  # of an id: what differs within a window
_COUNT = f"SELECT count(*), ifnull(sum(id & {_CHECKED}), 0) FROM sample WHERE id >= ? AND id < ?"
_FIRST = "SELECT id FROM sample WHERE id >= ? AND id < ? ORDER BY id LIMIT 1"
_INSERT = (
    "INSERT INTO sample (id, link_id, rssi_dbm, rssi_avg_dbm, beacon_rssi_avg_dbm, chain_rssi_dbm, noise_dbm,"
    " tx_rate_id, rx_rate_id, tx_packets, tx_retries, tx_failed, beacon_losses, busy_permille, rx_bytes, tx_bytes,"
    f" flags) VALUES ({', '.join('?' * 17)})"
)


class Samples:
    """Brings samples in. ``links`` and ``rates``: the numbers here, by those over there."""

    def __init__(
        self,
        log: Log,
        rows: OtherRows,
        links: Mapping[int, int],
        rates: Mapping[int | None, int | None],
        progress: Callable[[int], object],
    ) -> None:
        self._log, self._rows, self._links, self._rates, self._progress = log, rows, links, rates, progress
        self._bite = FIRST_BITE
        self._waiting: list[tuple[Any, ...]] = []

    def bring(
        self, there: int, visible: int | None, hidden: int | None, from_ms: int, reserve: Callable[[], int]
    ) -> tuple[int | None, list[int]]:
        """Let ``hidden`` have the samples of period ``there``, stamped since ``from_ms``, that neither it nor the
        period ``visible`` here has. Returns ``hidden``, which ``reserve`` has given where there was none and one was
        needed, and the ids in ``visible`` that the other log has not; what ``hidden`` has more goes."""
        surplus: list[int] = []
        for begin_ms, end_ms, spans in self._differing(there, visible, hidden, from_ms):
            have = {row[0] & _WITHIN: row[0] for span in spans for row in self._ids(span)}
            for row in self._rows.samples(there, begin_ms, end_ms, self._links, self._rates):
                within = row[0] & _WITHIN
                if have.pop(within, None) is None:
                    hidden = reserve() if hidden is None else hidden
                    self._waiting.append((hidden << PERIOD_SHIFT | within, *row[1:]))
                    if len(self._waiting) >= self._bite:
                        self._flush()
            waits = [an_id for an_id in have.values() if an_id >> PERIOD_SHIFT != visible]
            if waits:  # of a merge that was killed; over there they are of another period now
                with self._log.transaction() as db:
                    db.executemany("DELETE FROM sample WHERE id = ?", [(an_id,) for an_id in waits])
            surplus += set(have.values()) - set(waits)
        self._flush()
        return hidden, surplus

    def look(self, there: int, visible: int | None, hidden: int | None, from_ms: int) -> None:
        """Check all that ``bring`` would read."""
        for begin_ms, end_ms, _ in self._differing(there, visible, hidden, from_ms):
            for _ in self._rows.samples(there, begin_ms, end_ms, self._links, self._rates):
                pass

    def _differing(
        self, there: int, visible: int | None, hidden: int | None, from_ms: int
    ) -> Iterator[tuple[int, int, list[tuple[int, int]]]]:
        """The windows in which the two logs differ, each with the ids here that lie in it."""
        for begin_ms, end_ms in self._windows(there, (visible, hidden), from_ms):
            spans = [ids_between(period, begin_ms, end_ms) for period in (visible, hidden) if period is not None]
            n_there, sum_there = self._rows.other.one(_COUNT, ids_between(there, begin_ms, end_ms)) or (0, 0)
            if n_there > MOST_IN_WINDOW:
                raise self._rows.other.refuse("has more samples in twelve hours than a log can take")
            counts = [self._log.db.execute(_COUNT, span).fetchone() for span in spans]
            if (n_there, sum_there) != (sum(row[0] for row in counts), sum(row[1] for row in counts)):
                yield begin_ms, end_ms, spans
            self._progress(n_there)

    def _windows(self, there: int, here: tuple[int | None, ...], from_ms: int) -> Iterator[tuple[int, int]]:
        """Those in which any of these periods has samples."""
        while from_ms <= LATEST_MS:
            firsts = [self._rows.other.one(_FIRST, ids_between(there, from_ms, LATEST_MS + 1))]
            for period in here:
                if period is not None:
                    firsts.append(self._log.db.execute(_FIRST, ids_between(period, from_ms, LATEST_MS + 1)).fetchone())
            times = [time_of(row[0]) for row in firsts if row is not None]
            if not times:
                return
            window = min(times) // WINDOW_MS
            yield max(from_ms, window * WINDOW_MS), (window + 1) * WINDOW_MS
            from_ms = (window + 1) * WINDOW_MS

    def _ids(self, span: tuple[int, int]) -> Iterator[Any]:
        return iter(self._log.db.execute("SELECT id FROM sample WHERE id >= ? AND id < ?", span).fetchall())

    def _flush(self) -> None:
        if not self._waiting:
            return
        began_s = time.perf_counter()
        with self._log.transaction() as db:
            db.executemany(_INSERT, self._waiting)
        took_s = time.perf_counter() - began_s
        self._waiting.clear()
        self._bite = _next_bite(self._bite, took_s)


def let_in(log: Log, hidden: int, visible: int) -> int:
    """Move the samples that wait under ``hidden`` into their period, the oldest first, and fold their blocks; some at a
    time, after each of which the log is whole. Returns how many."""
    n, bite = 0, FIRST_BITE
    first, end = ids_between(hidden, 0, LATEST_MS + 1)
    shift = visible - hidden << PERIOD_SHIFT
    while True:
        began_s = time.perf_counter()
        with log.transaction() as db:
            row = db.execute(_FIRST, (first, end)).fetchone()
            if row is None:
                return n
            after = db.execute(
                "SELECT id FROM sample WHERE id >= ? AND id < ? ORDER BY id LIMIT 1 OFFSET ?", (first, end, bite)
            ).fetchone()
            upto = after[0] if after else end
            last = db.execute("SELECT max(id) FROM sample WHERE id >= ? AND id < ?", (first, upto)).fetchone()[0]
            moved = "UPDATE OR IGNORE sample SET id = id + ? WHERE id >= ? AND id < ?"
            n += db.execute(moved, (shift, first, upto)).rowcount
            db.execute("DELETE FROM sample WHERE id >= ? AND id < ?", (first, upto))  # what was there already
            rebuild_blocks(db, visible, time_of(row[0]), time_of(last) + 1, keep_fixed=True)
        bite = _next_bite(bite, time.perf_counter() - began_s)


def _next_bite(bite: int, took_s: float) -> int:
    """As large as the aim allows by what the last one took, after a pause."""
    time.sleep(max(PAUSE_S, took_s / 4))
    return max(FIRST_BITE, min(LARGEST_BITE, int(bite * min(2.0, AIM_S / max(took_s, 1e-6)))))


def clear(log: Log, period_id: int) -> None:
    """Delete the samples under a number that nobody sees, in bites."""
    first, end = ids_between(period_id, 0, LATEST_MS + 1)
    bite = LARGEST_BITE
    while True:
        with log.transaction() as db:
            row = db.execute(
                "SELECT id FROM sample WHERE id >= ? AND id < ? ORDER BY id LIMIT 1 OFFSET ?", (first, end, bite)
            ).fetchone()
            db.execute("DELETE FROM sample WHERE id >= ? AND id < ?", (first, row[0] if row else end))
        if row is None:
            return


def drop_doubles(db: sqlite3.Connection, source_id: int, surplus: Mapping[int, list[int]]) -> None:
    """An edit over there may have moved samples that a clock set back stamped outside of their period in another way
    than the same edit did here: those that are in two periods now leave the one that the other log does not have them
    in. Inside a transaction."""
    periods = [row[0] for row in db.execute("SELECT id FROM period WHERE source_id = ?", (source_id,))]
    for period_id, ids in surplus.items():
        for an_id in ids:
            others = [(other << PERIOD_SHIFT) | (an_id & _WITHIN) for other in periods if other != period_id]
            if any(db.execute("SELECT 1 FROM sample WHERE id = ?", (other,)).fetchone() for other in others):
                db.execute("DELETE FROM sample WHERE id = ?", (an_id,))
                time_ms = time_of(an_id)
                rebuild_blocks(db, period_id, time_ms, time_ms + 1, keep_fixed=True)
