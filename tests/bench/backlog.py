"""What samples cost that wait in memory because the log cannot be written: their bytes, each vain try, and the write in
the end.

    python tests/bench/backlog.py
"""

from __future__ import annotations

import io
import sys
import tempfile
import time
import tracemalloc
from pathlib import Path

from adapters.simulated import SimulatedClock, SimulatedRadio, pottery
from logger.backlog import KEPT_AT_MOST, Backlog
from logger.log import Log
from logger.recorder import Recorder
from logger.sampler import Sampler
from logger.voice import Voice

INTERVAL_S = 0.1


def main() -> int:
    start_ms = pottery.start_utc_ms()
    clock = SimulatedClock(start_ms)
    sampler = Sampler(SimulatedRadio(pottery.scene(start_ms), clock, seed=1), clock, INTERVAL_S)
    voice = Voice(io.StringIO(), io.StringIO())
    with tempfile.TemporaryDirectory() as folder, Log.open(Path(folder) / "pottery.db") as log:
        recorder = Recorder(log)
        recorder.set_pace(100, start_ms)
        backlog = Backlog(recorder, voice, commit_s=10, interval_s=INTERVAL_S)
        sampler.tick()
        tracemalloc.start()
        for _ in range(KEPT_AT_MOST):
            clock.advance(INTERVAL_S)
            backlog.add(*sampler.tick(), clock.elapsed_s())
        n_bytes = tracemalloc.get_traced_memory()[0]
        tracemalloc.stop()
        log.db.execute(f"PRAGMA max_page_count = {log.db.execute('PRAGMA page_count').fetchone()[0]}")
        in_vain_s = timed(backlog, clock)
        log.db.execute("PRAGMA max_page_count = 1000000000")
        at_last_s = timed(backlog, clock)
    print(f"{KEPT_AT_MOST:,} samples take {n_bytes / 1e6:.1f} MB")
    print(f"a try in vain takes {in_vain_s * 1000:.0f} ms of CPU, the write in the end {at_last_s:.1f} s")
    return 0


def timed(backlog: Backlog, clock: SimulatedClock) -> float:
    began_s = time.process_time()
    backlog.write(clock.utc_ms(), clock.elapsed_s())
    return time.process_time() - began_s


if __name__ == "__main__":
    sys.exit(main())
