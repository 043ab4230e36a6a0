"""How long `linktrial channels` takes on a year of scans.

    python tests/bench/channels.py [--scans 105000] [--runs 3]

A log is made of a scan of all channels every five minutes: five neighbours in the mean of 20 that come and go, a visit to
each of 25 channels, and a block every ten minutes of the link between. Prints seconds on the clock and of CPU of the
whole program, the best of the runs. Ends with code 1 where the CPU's are above the aim: one thread, so on an idle machine
they are the clock's, too.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from adapters.contract import HeardRadio
from adapters.simulated import SimulatedClock
from logger.log import Log
from logger.recorder import Recorder
from logger.sample import LinkIdentity, Sample
from logger.sighting_table import intern_radio
from logger.timeline import Timeline

AIM_S = 1.5
START_MS = 1_735_689_600_000
SCAN_MS, BLOCK_MS = 300_000, 600_000
CHANNELS_MHZ = (2412, 2437, 2462, *range(5180, 5321, 20), *range(5500, 5701, 20), 5745, 5765, 5785)
OWN = LinkIdentity("wlan0", b"pottery", "02:00:5e:00:50:01", 5180, 80, "5")


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--scans", type=int, default=105_000)
    parser.add_argument("--runs", type=int, default=3)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "year.db"
        fill(path, args.scans)
        n_scans, n_sightings, n_visits, n_blocks = counts(path)
        took = [timed(path) for _ in range(args.runs)]
    clock_s, cpu_s = (min(column) for column in zip(*took, strict=True))
    print(f"{n_scans:,} scans, {n_sightings:,} sightings, {n_visits:,} visits, {n_blocks:,} blocks")
    print(f"linktrial channels: {clock_s:.2f} s, {cpu_s:.2f} s of CPU (aim: at most {AIM_S} s)")
    return int(cpu_s > AIM_S)


def fill(path: Path, n_scans: int) -> None:
    """The year, by the tables' own rows: what is measured is reading."""
    rng = np.random.default_rng(1)
    clock = SimulatedClock(START_MS)
    with Log.open(path) as log:
        log.db.execute("PRAGMA synchronous = OFF")
        Timeline(log, clock, "UTC").at("wheel by the window")
        recorder = Recorder(log)
        recorder.set_pace(BLOCK_MS, START_MS)
        recorder.record(
            [
                Sample(START_MS + at, link=OWN, rssi_dbm=-60, noise_dbm=-95, busy_permille=int(rng.integers(50, 400)))
                for at in range(0, n_scans * SCAN_MS, BLOCK_MS)
            ],
            [],
        )
        with log.transaction() as db:
            radios = [
                intern_radio(
                    db,
                    HeardRadio(
                        f"02:00:5e:00:77:{n:02x}", int(rng.choice(CHANNELS_MHZ)), f"kiln {n}".encode(), None, 20
                    ),
                )
                for n in range(20)
            ]
            radios.append(intern_radio(db, HeardRadio(OWN.bssid or "", 5180, OWN.ssid, 5210.0, 80)))
            level = rng.uniform(-90, -60, len(radios))
            scans = ((n, 1, START_MS + n * SCAN_MS, 1, 1) for n in range(1, n_scans + 1))
            db.executemany("INSERT INTO scan VALUES (?, ?, ?, ?, ?)", scans)
            for n in range(1, n_scans + 1):
                heard = np.flatnonzero(rng.random(len(radios)) < 4.76 / len(radios)).tolist()
                rows = [
                    (n, radios[r], 50, round(level[r] + rng.normal(0, 2)), 3, int(rng.integers(0, 500))) for r in heard
                ]
                db.executemany("INSERT INTO sighting VALUES (?, ?, ?, ?, ?, ?)", rows)
                visits = [(n, mhz, -95, 110, int(rng.integers(0, 60))) for mhz in CHANNELS_MHZ]
                db.executemany("INSERT INTO visit VALUES (?, ?, ?, ?, ?)", visits)


def counts(path: Path) -> tuple[int, ...]:
    with Log.open(path) as log:
        return tuple(
            log.db.execute(f"SELECT count(*) FROM {table}").fetchone()[0]
            for table in ("scan", "sighting", "visit", "block")
        )


def timed(path: Path) -> tuple[float, float]:
    """Seconds on the clock and of CPU, of the whole program."""
    began_s, before = time.perf_counter(), os.times()
    command = [sys.executable, "-m", "logger.console", "channels", "--db", str(path)]
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL)
    after = os.times()
    return time.perf_counter() - began_s, sum(after[2:4]) - sum(before[2:4])


if __name__ == "__main__":
    sys.exit(main())
