"""How long a merge takes, how long it holds the log, and how much memory it needs.

    python tests/bench/merging.py [--days 30] [--interval 1] [--quick]

Another machine's log is filled as tests/bench/pruning.py does it, merged, logged into for a day more, and merged again;
then once more, with nothing new. Meanwhile a second connection writes to our log as a logger does.
"""

from __future__ import annotations

import argparse
import resource
import sys
import tempfile
import time
from pathlib import Path

from pruning import BEGAN_MS, Waiting, fill

from logger.log import Log
from logger.merging.merge import merge
from logger.pruning import DAY_MS
from logger.recorder import Recorder
from logger.sample import LinkIdentity, Sample

WIFI = LinkIdentity("wlan0", b"Pottery", "02:00:00:00:00:05", 5180, 80, "5")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=int, default=30)
    parser.add_argument("--interval", type=float, default=1.0, metavar="SECONDS")
    parser.add_argument("--quick", action="store_true", help="2 days at 5 s")
    args = parser.parse_args()
    days, interval_s = (2, 5.0) if args.quick else (args.days, args.interval)
    pace_ms = round(1000 * interval_s)
    with tempfile.TemporaryDirectory() as folder:
        there, here = Path(folder) / "kiln.db", Path(folder) / "office.db"
        with Log.open(there) as log:
            n = fill(log, days, pace_ms)
        with Log.open(here) as log, Log.open(there) as other:
            measured(log, there, f"first merge of {n:,} samples")
            begin_ms, n_more = BEGAN_MS + days * DAY_MS, DAY_MS // pace_ms
            Recorder(other).record([Sample(begin_ms + pace_ms * i, WIFI, -60.0) for i in range(n_more)], [])
            measured(log, there, f"again, with {n_more:,} more")
            measured(log, there, "again, with nothing new")
            got = log.db.execute("SELECT count(*) FROM sample").fetchone()[0]
    print(f"resident memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB at most")
    return int(got != n + n_more)


def measured(log: Log, there: Path, what: str) -> None:
    began_s = time.perf_counter()
    with Waiting(log.path) as waiting:
        done = merge(log, there, now_utc_ms=BEGAN_MS + 1000 * DAY_MS)
    took_s = time.perf_counter() - began_s
    print(
        f"{what}: {took_s:.1f} s, {done.n_new:,} new; a writer beside waited {1000 * waiting.longest_s:.0f} ms at most"
    )


if __name__ == "__main__":
    sys.exit(main())
