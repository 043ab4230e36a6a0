"""What a year of probes and of looks at radios adds to a report: loading and summing up, in seconds of processor time.

python tests/bench/year_beside.py
"""

from __future__ import annotations

import random
import resource
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from dashboards.analysis.carrying import summarise_probes, summarise_sightings
from dashboards.beside_frames import load_probes, load_sightings
from dashboards.report import MOST_SCANS
from logger.log import Log

START_MS, DAY_MS, DAYS = 1_760_000_000_000, 86_400_000, 365
PERIODS, RADIOS, PROBE_MS, LOOK_MS = 156, 6, 1_800_000, 300_000


def fill(log: Log) -> None:
    """Versions by turns at one placement, a probe each 30 min, a look at six radios each 5 min."""
    chance = random.Random(1)
    with log.transaction() as db:
        db.execute("INSERT INTO location (id, name) VALUES (1, 'wheel')")
        db.execute("INSERT INTO placement (id, location_id, number) VALUES (1, 1, 1)")
        for version in (1, 2):
            db.execute("INSERT INTO config_version (number, label) VALUES (?, 'x')", (version,))
        for k in range(PERIODS):
            ends = [START_MS + n * DAYS * DAY_MS // PERIODS for n in (k, k + 1)]
            db.execute(
                "INSERT INTO period (source_id, placement_id, config_version, started_at_utc_ms, ended_at_utc_ms,"
                " time_zone) VALUES (1, 1, ?, ?, ?, 'UTC')",
                (1 + k % 2, ends[0], ends[1] if k < PERIODS - 1 else None),
            )
        db.execute("INSERT INTO watched (ssid, since_utc_ms) VALUES (x'61', 0)")
        for k in range(RADIOS):
            db.execute(
                "INSERT INTO radio (id, bssid, ssid, ssid_text, band, frequency_mhz) VALUES (?, ?, x'61', 'a', '5', 5180)",
                (k + 1, f"02:00:00:00:00:0{k}"),
            )
        for k in range(DAYS * DAY_MS // PROBE_MS):
            at_ms = START_MS + k * PROBE_MS + 60_000
            db.execute(
                "INSERT INTO probe (id, started_at_utc_ms, ended_at_utc_ms, far_end, outcome) VALUES (?, ?, ?, 'k', 'done')",
                (k + 1, at_ms, at_ms + 30_000),
            )
            transfers = [(k + 1, way, n, at_ms, chance.gauss(100, 9)) for way in ("down", "up") for n in (1, 4)]
            db.executemany("INSERT INTO transfer VALUES (?, ?, ?, ?, 1, 1, 1, 1, ?, 1, 1)", transfers)
            rounds = [(k + 1, to, load) for to in ("gateway", "far-end") for load in ("idle", "down", "up")]
            db.executemany("INSERT INTO latency VALUES (?, ?, ?, 'icmp', 20, 0, 3.0, 4.0, 1.0)", rounds)
        for k in range(DAYS * DAY_MS // LOOK_MS):
            db.execute("INSERT INTO scan VALUES (?, 1, ?, 1, 0)", (k + 1, START_MS + k * LOOK_MS))
            heard = [(k + 1, n + 1, -60 - chance.randrange(9)) for n in range(RADIOS)]
            db.executemany("INSERT INTO sighting (scan_id, radio_id, age_ms, rssi_dbm) VALUES (?, ?, 0, ?)", heard)


def main() -> int:
    with tempfile.TemporaryDirectory() as folder, Log.open(Path(folder) / "year.db") as log:
        log.db.execute("PRAGMA synchronous = OFF")
        fill(log)
        began_s = time.process_time()
        for name, work in (
            ("probes", lambda: load_probes(log)),
            ("looks that are drawn and listed", lambda: load_sightings(log, most_scans=MOST_SCANS)),
            ("all looks, for effects that are not remembered", lambda: load_sightings(log)),
            ("table of probes", lambda: summarise_probes(load_probes(log))),
            ("table of radios", lambda: summarise_sightings(load_sightings(log, most_scans=MOST_SCANS))),
        ):
            rows = len(work())
            took_s, began_s = time.process_time() - began_s, time.process_time()
            print(f"{name}: {rows:,} rows, {took_s:.2f} s")
    print(f"memory at most: {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")
    return 0


if __name__ == "__main__":
    sys.exit(main())
