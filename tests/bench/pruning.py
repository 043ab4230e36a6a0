"""How long pruning holds the log, and whether the file follows.

    python tests/bench/pruning.py [--days 365] [--interval 1] [--prune-days 30] [--quick]

A log of so many days at a steady pace is filled quickly (samples are inserted directly, blocks are those of the log's
own fold for one day, stamped again for each). Then the oldest days are pruned as the daemon does it, but with pauses of
a twentieth of a second instead of five; meanwhile a second connection writes as a logger does and measures how long it
has to wait. Ends with code 1 where the log was held for more than the aim, or the file did not follow.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
import threading
import time
from pathlib import Path

from adapters.simulated import SimulatedClock
from logger.log import Log
from logger.pruning import DAY_MS, Pruner
from logger.recorder import Recorder
from logger.sample import LinkIdentity, Sample
from logger.timeline import Timeline

AIM_S = 0.1
PAUSE_S = 0.05
BEGAN_MS = 1_790_000_000_000 // DAY_MS * DAY_MS
WIFI = LinkIdentity("wlan0", b"Pottery", "02:00:00:00:00:05", 5180, 80, "5")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--interval", type=float, default=1.0, metavar="SECONDS")
    parser.add_argument("--prune-days", type=int, default=30)
    parser.add_argument("--quick", action="store_true", help="20 days at 10 s, half of them pruned")
    parser.add_argument("--aim", type=float, default=AIM_S, metavar="SECONDS", help="of the longest hold")
    args = parser.parse_args()
    days, interval_s, given_up = (20, 10.0, 10) if args.quick else (args.days, args.interval, args.prune_days)
    with tempfile.TemporaryDirectory(dir=os.environ.get("TMPDIR")) as folder:
        return bench(Path(folder) / "pottery.db", days, interval_s, given_up, args.aim)


def bench(path: Path, days: int, interval_s: float, given_up: int, aim_s: float) -> int:
    now_ms = BEGAN_MS + days * DAY_MS
    with Log.open(path) as log:
        n = fill(log, days, round(interval_s * 1000))
        log.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        before, sizes = path.stat().st_size, []
        pruner = Pruner(log, SimulatedClock(now_ms), keep_days=days - given_up)
        wal = path.with_name(path.name + "-wal")
        with Waiting(path) as waiting:
            began_s = time.perf_counter()
            pruner.move_horizons(now_ms)
            n_bites = n_shrinks = 0
            while pruner.bite():
                n_bites += 1
                time.sleep(PAUSE_S)
                sizes.append(wal.stat().st_size)
            bitten_s = time.perf_counter() - began_s
            while pruner.shrink():
                n_shrinks += 1
                time.sleep(PAUSE_S)
                sizes.append(wal.stat().st_size)
            took_s = time.perf_counter() - began_s
        log.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        after = path.stat().st_size
        n_left = log.db.execute("SELECT count(*) FROM sample").fetchone()[0]
    share = 1 - n_left / n
    print(f"{n:,} samples, {given_up} of {days} days pruned: {n_left:,} left")
    print(f"longest hold {1000 * pruner.longest_hold_s:.0f} ms (aim {1000 * aim_s:.0f}),"
          f" longest wait of another writer {1000 * waiting.longest_s:.0f} ms in {waiting.n} writes")  # fmt: skip
    print(
        f"{n_bites} bites in {bitten_s:.1f} s, {n_shrinks} to shrink the file; {took_s:.1f} s in all, pauses included"
    )
    print(f"file {before / 1e6:.1f} MB before, {after / 1e6:.1f} MB after; -wal at most {max(sizes) / 1e6:.1f} MB")
    followed = after < before * (1 - 0.8 * share) + 4_000_000
    return int(pruner.longest_hold_s > aim_s or waiting.longest_s > aim_s or not followed)


def fill(log: Log, days: int, pace_ms: int) -> int:
    """One day by the recorder, the others copied from it by SQL; returns how many samples."""
    clock = SimulatedClock(BEGAN_MS)
    Timeline(log, clock, "UTC").at("kiln room")
    recorder = Recorder(log)
    recorder.set_pace(pace_ms, BEGAN_MS)
    a_day = DAY_MS // pace_ms
    for first in range(0, a_day, 10_000):
        recorder.record([Sample(BEGAN_MS + pace_ms * i, WIFI, -60.0 - i % 9, noise_dbm=-92.0, tx_packets=3, rx_bytes=99)
                         for i in range(first, min(a_day, first + 10_000))], [])  # fmt: skip
    db = log.db
    columns = [row[1] for row in db.execute("PRAGMA table_info(sample)")]
    rest = ", ".join(columns[1:])
    tables = {
        "sample": f"INSERT INTO sample (id, {rest}) SELECT id + (? << 4), {rest} FROM sample WHERE id < ?",
        "block": "INSERT INTO block SELECT period_id, started_at_utc_ms + :by, link_id, ended_at_utc_ms + :by,"
        " first_utc_ms + :by, last_utc_ms + :by, " + ", ".join(
            row[1] for row in db.execute("PRAGMA table_info(block)").fetchall()[6:]
        ) + " FROM block WHERE started_at_utc_ms < :end",
    }  # fmt: skip
    end = (1 << 46) + (BEGAN_MS + DAY_MS << 4)
    db.execute("PRAGMA synchronous = OFF")
    for day in range(1, days):
        with log.transaction():
            db.execute(tables["sample"], (day * DAY_MS, end))
            db.execute(tables["block"], {"by": day * DAY_MS, "end": BEGAN_MS + DAY_MS})
    db.execute("PRAGMA synchronous = FULL")
    return a_day * days


class Waiting:
    """A logger beside: commits a row every 50 ms and keeps how long it waited for the log at most."""

    def __init__(self, path: Path) -> None:
        self._path, self._over = path, threading.Event()
        self._thread = threading.Thread(target=self._write)
        self.longest_s, self.n = 0.0, 0

    def __enter__(self) -> Waiting:
        self._thread.start()
        return self

    def __exit__(self, *_: object) -> None:
        self._over.set()
        self._thread.join()

    def _write(self) -> None:
        with Log.open(self._path) as log:
            while not self._over.wait(0.05):
                began_s = time.perf_counter()
                log.db.execute("BEGIN IMMEDIATE")
                self.longest_s = max(self.longest_s, time.perf_counter() - began_s)
                log.db.execute("INSERT INTO event (time_utc_ms, kind) VALUES (0, 'connected')")
                log.db.execute("COMMIT")
                self.n += 1


if __name__ == "__main__":
    sys.exit(main())
