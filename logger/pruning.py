"""Gives raw samples up after a while, a bite at a time. Their blocks stay for ever, and with them every report.

The table ``pruned`` holds for each source the moment before which samples are given up. That horizon moves first, then
the samples before it go: whoever is killed between leaves samples that nobody counts on, and the next bite takes them.
Imported recordings are kept: they do not grow.
"""

from __future__ import annotations

import sqlite3
import time
from collections.abc import Callable, Iterator

from adapters.clock import Clock
from logger.errors import LogError
from logger.log import OWN_SOURCE, UNREADABLE, Log
from logger.sample_id import LATEST_MS, ids_between, time_of

DAY_MS = 86_400_000
GRID_MS = 600_000  # the horizon lies on the ten minutes of the clock

# The horizon moves once an hour, and only while the wall clock keeps step with the steady one: a clock that stands a
# year ahead until the network sets it right must not cost a year of samples. Even where nobody sets it right, it costs
# a day of samples an hour at most.
MOVED_EVERY_S = 3600.0
MOVED_AT_MOST_MS = DAY_MS
OUT_OF_STEP_MS = 60_000

BITE_EVERY_S = 5.0
AIM_S = 0.03  # of one bite
FIRST_BITE, LARGEST_BITE = 200, 20_000  # samples
FIRST_SHRINK, LARGEST_SHRINK = 8, 2000  # pages
SLACK_PAGES = 512  # free pages that stay for new samples, and
SLACK_SHARE = 0.02  # of all pages, too


def horizon_of(db: sqlite3.Connection, source_id: int = OWN_SOURCE) -> int | None:
    """Before which moment samples of that source were given up, in milliseconds since 1970 UTC; None: none were."""
    row = db.execute("SELECT before_utc_ms FROM pruned WHERE source_id = ?", (source_id,)).fetchone()
    return int(row[0]) if row else None


def horizons(db: sqlite3.Connection) -> dict[int, int]:
    """The same for all sources that have any."""
    return {row[0]: row[1] for row in db.execute("SELECT source_id, before_utc_ms FROM pruned")}


class Pruner:
    """Prunes one log; ``tick`` whenever all that was measured is in the log."""

    def __init__(
        self, log: Log, clock: Clock, *, keep_days: float, timer_s: Callable[[], float] = time.perf_counter
    ) -> None:
        """``keep_days``: how long samples are kept, 0 for ever. ``timer_s``: measures the bites."""
        self._log, self._clock, self._timer_s = log, clock, timer_s
        self._keep_ms = round(keep_days * DAY_MS)
        self._bite, self._shrink = FIRST_BITE, FIRST_SHRINK
        self._next_s = clock.elapsed_s() + BITE_EVERY_S
        self._in_step_since_s = clock.elapsed_s()
        self._ahead_ms = self._ahead_of_steady_ms()
        self._due: list[tuple[int, int]] | None = None  # periods with pruned samples, (id, horizon); None: to look up
        self.longest_hold_s = 0.0

    def tick(self) -> None:
        """A bite, where it is time for one and there is something to prune."""
        now_s = self._clock.elapsed_s()
        if not self._keep_ms or now_s < self._next_s:
            return
        self._next_s = now_s + BITE_EVERY_S
        if abs(self._ahead_of_steady_ms() - self._ahead_ms) > OUT_OF_STEP_MS:
            self._ahead_ms, self._in_step_since_s = self._ahead_of_steady_ms(), now_s
        try:
            if now_s - self._in_step_since_s >= MOVED_EVERY_S:
                self._in_step_since_s = now_s
                self.move_horizons(self._clock.utc_ms(), at_most_ms=MOVED_AT_MOST_MS)
            elif not self.bite():
                self.shrink()
        except (LogError, *UNREADABLE):  # busy or full: there is time; damaged: others say so
            return

    def move_horizons(self, now_utc_ms: int, *, at_most_ms: int | None = None) -> None:
        """Let the horizon of each logger's samples follow the clock, by ``at_most_ms`` where that is told."""
        limit_ms = (now_utc_ms - self._keep_ms) // GRID_MS * GRID_MS
        moved = []
        for (source_id,) in self._log.db.execute("SELECT id FROM source WHERE kind = 'logger'").fetchall():
            oldest_ms = self._oldest_ms(source_id, limit_ms)
            known_ms = horizon_of(self._log.db, source_id)
            if oldest_ms is None:  # nothing there to give up
                continue
            from_ms = oldest_ms if known_ms is None else max(oldest_ms, known_ms)
            before_ms = limit_ms if at_most_ms is None else min(limit_ms, from_ms // GRID_MS * GRID_MS + at_most_ms)
            if known_ms is None or before_ms > known_ms:
                moved.append((source_id, before_ms))
        if moved:
            with self._log.transaction() as db:
                db.executemany("INSERT OR REPLACE INTO pruned VALUES (?, ?)", moved)
            self._due = None

    def bite(self) -> bool:
        """Delete some of the samples before the horizon, in one short transaction; says whether there were any."""
        if self._due is None:
            self._due = list(self._with_pruned_samples())
        while self._due:
            period_id, before_ms = self._due[-1]
            first, end = ids_between(period_id, 0, before_ms)
            began_s = self._timer_s()
            with self._log.transaction() as db:
                row = db.execute(
                    "SELECT id FROM sample WHERE id >= ? AND id < ? ORDER BY id LIMIT 1 OFFSET ?",
                    (first, end, self._bite),
                ).fetchone()
                n = db.execute("DELETE FROM sample WHERE id >= ? AND id < ?", (first, row[0] if row else end)).rowcount
            took_s = self._timer_s() - began_s
            self.longest_hold_s = max(self.longest_hold_s, took_s)
            if row is None:
                self._due.pop()
            if n:
                self._bite = _adapted(self._bite, took_s, FIRST_BITE, LARGEST_BITE)
                return True
        return False

    def shrink(self) -> bool:
        """Give some of the free room at the end of the file back; says whether there was more than new samples need
        soon. A log that cannot shrink keeps it for them."""
        db = self._log.db
        n_free, n_pages = (db.execute(f"PRAGMA {name}").fetchone()[0] for name in ("freelist_count", "page_count"))
        surplus = n_free - max(SLACK_PAGES, round(SLACK_SHARE * n_pages))
        if surplus <= 0 or db.execute("PRAGMA auto_vacuum").fetchone()[0] != 2:
            return False
        began_s = self._timer_s()
        db.executescript(f"PRAGMA incremental_vacuum({min(surplus, self._shrink)})")  # execute() would take one page
        took_s = self._timer_s() - began_s
        self.longest_hold_s = max(self.longest_hold_s, took_s)
        self._shrink = _adapted(self._shrink, took_s, FIRST_SHRINK, LARGEST_SHRINK)
        return True

    def _oldest_ms(self, source_id: int, before_ms: int) -> int | None:
        """The stamp of the oldest sample of those that may be given up; None where there are none."""
        found = [
            row[0]
            for (period_id,) in self._log.db.execute(
                "SELECT id FROM period WHERE source_id = ? AND started_at_utc_ms < ?", (source_id, before_ms)
            ).fetchall()
            if (row := self._first_sample(period_id, before_ms)) is not None
        ]
        return min(map(time_of, found), default=None)

    def _with_pruned_samples(self) -> Iterator[tuple[int, int]]:
        for period_id, before_ms in self._log.db.execute(
            "SELECT period.id, before_utc_ms FROM pruned JOIN period ON period.source_id = pruned.source_id"
            " WHERE started_at_utc_ms < before_utc_ms ORDER BY started_at_utc_ms DESC"
        ).fetchall():
            if self._first_sample(period_id, before_ms) is not None:
                yield period_id, before_ms

    def _first_sample(self, period_id: int, before_ms: int) -> sqlite3.Row | None:
        ids = ids_between(period_id, 0, min(before_ms, LATEST_MS))
        row: sqlite3.Row | None = self._log.db.execute(
            "SELECT id FROM sample WHERE id >= ? AND id < ? ORDER BY id LIMIT 1", ids
        ).fetchone()
        return row

    def _ahead_of_steady_ms(self) -> float:
        return self._clock.utc_ms() - 1000 * self._clock.elapsed_s()


def _adapted(size: int, took_s: float, least: int, most: int) -> int:
    """The next bite: as large as the aim allows by what the last one took, and at most twice the last one."""
    return max(least, min(most, int(size * min(2.0, AIM_S / max(took_s, 1e-6)))))
