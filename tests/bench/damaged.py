"""What damage costs: the look for it at each start, beginning anew, and a rescue.

    python tests/bench/damaged.py [--days 365] [--interval 5] [--pages 20] [--seed 1]

A log of so many days, with an event every half hour, is looked through as the daemon does at its start; then so many of
its pages are overwritten with noise, and it is set aside and rescued. Says what came back.
"""

from __future__ import annotations

import argparse
import random
import sys
import tempfile
import time
from pathlib import Path

from adapters.simulated import SimulatedClock
from logger.damage import look_for_damage, opened_for_logging
from logger.log import Log
from logger.rescuing.rescue import rescue
from tests.bench.pruning import BEGAN_MS, DAY_MS, fill

PAGE = 4096
EVENT_EVERY_MS = 1_800_000


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--interval", type=float, default=5.0, metavar="SECONDS")
    parser.add_argument("--pages", type=int, default=20)
    parser.add_argument("--seed", type=int, default=1)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        bench(Path(folder) / "pottery.db", args.days, round(args.interval * 1000), args.pages, random.Random(args.seed))
    return 0


def bench(path: Path, days: int, interval_ms: int, n_pages: int, chance: random.Random) -> None:
    now_ms = BEGAN_MS + days * DAY_MS
    with Log.open(path) as log:
        n_samples = fill(log, days, interval_ms)
        with log.transaction() as db:
            times = range(BEGAN_MS, now_ms, EVENT_EVERY_MS)
            db.executemany("INSERT INTO event (time_utc_ms, kind) VALUES (?, 'roamed')", ((at,) for at in times))
    print(f"{n_samples:,} samples, {path.stat().st_size / 1e6:.0f} MB")
    with Log.open(path) as log:
        began_s = time.perf_counter()
        look_for_damage(log)
        print(f"looked for damage in {(time.perf_counter() - began_s) * 1000:.0f} ms")
    in_all = path.stat().st_size // PAGE
    with path.open("r+b") as file:
        for _ in range(n_pages):
            file.seek(chance.randrange(30, in_all) * PAGE)
            file.write(chance.randbytes(PAGE))
        file.seek(68)  # so that the daemon meets it at once
        file.write(b"noise")
    began_s = time.perf_counter()
    with opened_for_logging(path, SimulatedClock(now_ms)) as (_, said):
        print(f"began anew in {(time.perf_counter() - began_s) * 1000:.0f} ms: {said[:60]}...")
    (aside,) = path.parent.glob("*.damaged-*")
    began_s, cpu_s = time.perf_counter(), time.process_time()
    done = rescue(aside, path.with_name("rescued.db"), now_utc_ms=now_ms)
    took_s, cpu_s = time.perf_counter() - began_s, time.process_time() - cpu_s
    n_saved = done.tables["sample"].n_saved
    print(f"rescued {n_saved:,} samples in {took_s:.0f} s; {cpu_s / n_saved * 1e6:.0f} s of CPU a million")
    n_lost = {table: saved.n_pages_lost for table, saved in done.tables.items() if saved.n_pages_lost}
    print(f"lost {n_samples - n_saved:,} samples, {sum(span.n for span in done.lost):,} by the blocks; pages: {n_lost}")


if __name__ == "__main__":
    sys.exit(main())
