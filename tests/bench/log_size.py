"""How many bytes a sample takes in the log, blocks and indexes included; and what scans and probes take in a day.

    python tests/bench/log_size.py [--days 7] [--interval 5]

The pottery's simulated laptop is logged for some days by the sampler and the recorder, every field that a good card
gives included, and moved and its router changed at the hours of the scenario. The bytes are those of the closed log's
file. Ends with code 1 above the aim.

Scans and probes go into a log of their own, at the paces of the settings: the router's three radios every 5 min, twenty
neighbours more every half hour, a probe of four transfers and six rounds of latency every half hour.
"""

from __future__ import annotations

import argparse
import random
import sqlite3
import sys
import tempfile
import time
from pathlib import Path

from adapters.contract import ChannelVisit, HeardRadio
from adapters.simulated import SimulatedClock, SimulatedRadio, pottery
from logger.log import Log
from logger.probe_table import Latency, Transfer, begin_probe, end_probe
from logger.recorder import Recorder
from logger.sampler import Sampler
from logger.sighting_table import write_scan
from logger.timeline import Timeline

AIM_BYTES = 48
DAY_MS = 86_400_000
WATCHED, NEIGHBOURS = 3, 20
SAMPLES_A_COMMIT = 60
START_MS = 1_790_000_000_000
FREQUENCIES = (*range(2412, 2473, 5), *range(5180, 5321, 20), *range(5500, 5701, 20))


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
    with tempfile.TemporaryDirectory() as folder:
        for what, write, n_in_a_day in (("scan", scans, 288), ("probe", probes, 48)):
            path = Path(folder) / f"{what}.db"
            with Log.open(path):
                pass
            empty = path.stat().st_size
            n_rows = write(path, args.days)
            n_bytes = path.stat().st_size - empty
            rows = f"{n_bytes / n_rows:.1f} bytes per {'sighting' if what == 'scan' else 'row'}, "
            print(f"{what}s, {n_in_a_day} a day: {rows}{n_bytes / args.days / 1000:.0f} kB a day")
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


def scans(path: Path, days: float) -> int:
    """Scans of so many days; how many sightings."""
    chance, n = random.Random(1), 0
    with Log.open(path) as log:
        log.db.execute("PRAGMA synchronous = OFF")
        for look in range(int(288 * days)):
            everyone = look % 6 == 0
            heard = [
                HeardRadio(
                    f"02:00:00:00:00:{i:02x}", FREQUENCIES[i % len(FREQUENCIES)], f"network {i}".encode(),
                    rssi_dbm=-40.0 - i - chance.randrange(8), age_ms=chance.randrange(30_000),
                    station_count=chance.randrange(9), busy_share=chance.random(), country="DE", country_max_dbm=20,
                )
                for i in range(WATCHED + NEIGHBOURS * everyone)
            ]  # fmt: skip
            visits = [
                ChannelVisit(mhz, -92, 110, chance.randrange(110)) for mhz in FREQUENCIES[: None if everyone else 3]
            ]
            with log.transaction() as db:
                write_scan(db, START_MS + look * 300_000, heard, visits, active=True, everyone=everyone)
            n += len(heard)
    return n


def probes(path: Path, days: float) -> int:
    """Probes of so many days; how many rows of them."""
    chance, n = random.Random(1), int(48 * days)
    with Log.open(path) as log:
        log.db.execute("PRAGMA synchronous = OFF")
        for number in range(n):
            at_ms = START_MS + number * DAY_MS // 48
            transfers = [
                Transfer(way, streams, at_ms, 2500, chance.randrange(10**8), 1900, chance.randrange(10**8),
                         400 * chance.random(), 5 * chance.random(), chance.randrange(50))
                for way in ("down", "up") for streams in (1, 4)
            ]  # fmt: skip
            latencies = [
                Latency(target, load, "icmp", 20, 0, 5 * chance.random(), 9 * chance.random(), 7 * chance.random())
                for target in ("gateway", "far-end")
                for load in ("idle", "down", "up")
            ]
            probe_id = begin_probe(log, at_ms, far_end="http://192.168.1.20:47317")
            end_probe(log, probe_id, at_ms + 25_000, "done", transfers=transfers, latencies=latencies)
    return 11 * n


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
