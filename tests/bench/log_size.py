"""How many bytes a sample takes in the log, blocks and indexes included.

    python tests/bench/log_size.py [--days 7] [--interval 5]

The pottery's simulated laptop is logged for some days by the sampler and the recorder, every field that a good card
gives included, and moved and its router changed at the hours of the scenario. The bytes are those of the closed log's
file. Ends with code 1 above the aim.
"""

from __future__ import annotations

import argparse
import sqlite3
import sys
import tempfile
import time
from pathlib import Path

from adapters.simulated import SimulatedClock, SimulatedRadio, pottery
from logger.log import Log
from logger.recorder import Recorder
from logger.sampler import Sampler
from logger.timeline import Timeline

AIM_BYTES = 48
SAMPLES_A_COMMIT = 60


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=float, default=7)
    parser.add_argument("--interval", type=float, default=5.0, metavar="SECONDS")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "pottery.db"
        began = time.perf_counter()
        fill(path, args.days, args.interval)
        took_s = time.perf_counter() - began
        n_samples, shares = look_at(path)
        bytes_per_sample = path.stat().st_size / n_samples
    print(f"{n_samples:,} samples, one every {args.interval:g} s, logged in {took_s:.0f} s")
    print(f"{bytes_per_sample:.1f} bytes per sample (aim: at most {AIM_BYTES})")
    for name, n_bytes in shares:
        print(f"    {n_bytes / n_samples:5.1f}  {name}")
    return int(bytes_per_sample > AIM_BYTES)


def fill(path: Path, days: float, interval_s: float) -> None:
    """Log the pottery for so long, tags said at the moment as its owner would."""
    start_ms = pottery.start_utc_ms()
    clock = SimulatedClock(start_ms)
    radio = SimulatedRadio(pottery.scene(start_ms), clock, seed=1)
    sampler = Sampler(radio, clock, interval_s)
    tags = sorted(
        [(hour, f"v{version}") for hour, version in pottery.ROUTER_CHANGES if hour] + list(pottery.STAYS),
        key=lambda tag: tag[0],
    )
    with Log.open(path) as log:
        log.db.execute("PRAGMA synchronous = OFF")  # the disk's pace is not what is measured here
        timeline, recorder = Timeline(log, clock, "UTC"), Recorder(log)
        recorder.set_pace(round(interval_s * 1000), start_ms)
        samples, events = [], []
        while clock.elapsed_s() < days * 86_400:
            while tags and tags[0][0] * 3600 <= clock.elapsed_s():
                say(timeline, tags.pop(0)[1])
            new_samples, new_events = sampler.tick()
            samples += new_samples
            events += new_events
            if len(samples) >= SAMPLES_A_COMMIT:
                recorder.record(samples, events)
                samples, events = [], []
            clock.advance(interval_s)
        recorder.record(samples, events)


def say(timeline: Timeline, tag: str) -> None:
    """One tag: a location, or a version of the router, new or known."""
    if not tag.startswith("v") or not tag[1:].isdigit():
        timeline.at(tag)
        return
    number = int(tag[1:])
    if number in [version.number for version in timeline.versions()]:
        timeline.back_to(number)
    else:
        timeline.changed(pottery.VERSIONS[number].label, settings=pottery.VERSIONS[number].settings)


def look_at(path: Path) -> tuple[int, list[tuple[str, int]]]:
    """How many samples there are, and the bytes of each table and index, the largest first (none where this SQLite
    cannot tell)."""
    db = sqlite3.connect(path)
    n_samples = db.execute("SELECT count(*) FROM sample").fetchone()[0]
    try:
        shares = db.execute("SELECT name, sum(pgsize) FROM dbstat GROUP BY name ORDER BY 2 DESC LIMIT 4").fetchall()
    except sqlite3.OperationalError:
        shares = []
    db.close()
    return n_samples, shares


if __name__ == "__main__":
    sys.exit(main())
