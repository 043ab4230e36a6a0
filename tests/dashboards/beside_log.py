"""A log with probes and with sightings of both bands: two days at the wheel, the laptop on 5 GHz, the antennas changed
at noon between them. What v2 did is planted."""

from __future__ import annotations

import random
from pathlib import Path

from logger.log import Log
from logger.recorder import Recorder
from logger.tags import version_in_force
from logger.timeline import Timeline
from tests.logger.conftest import POTTERY_5, START_MS, HandClock, linked

MINUTE_MS, HOUR_MS = 60_000, 3_600_000
HOURS = 24  # of each version
DOWN_RATIO, LATENCY_RATIO, LEVEL_DB = 1.6, 0.6, 5.0  # of v2
SSID = b"pottery"
RADIO_24, COPY_24, RADIO_5 = "02:00:00:00:00:24", "02:00:00:00:01:24", "02:00:00:00:00:99"
NEIGHBOUR = "02:00:00:00:00:77"
FAR_END = "kiln server"


def make_beside_log(
    path: Path, *, hours: int = HOURS, far_end: str = FAR_END, ssid: bytes = SSID, seed: int = 1
) -> Path:
    """Write it and return its path."""
    chance = random.Random(seed)
    clock = HandClock()
    with Log.open(path) as log:
        log.db.execute("PRAGMA synchronous = OFF")
        timeline, recorder = Timeline(log, clock, "Europe/Vienna"), Recorder(log)
        recorder.set_pace(MINUTE_MS, START_MS)
        timeline.at("wheel")
        for label in ("", "longer antennas"):
            if label:
                timeline.changed(label)
            begin_ms, clock.now_ms = clock.now_ms, clock.now_ms + hours * HOUR_MS
            times_ms = range(begin_ms, clock.now_ms, MINUTE_MS)
            recorder.record([linked(at_ms, -60 - chance.randrange(4), POTTERY_5) for at_ms in times_ms], [])
            better = version_in_force(log.db) == 2
            for at_ms in range(begin_ms + 5 * MINUTE_MS, clock.now_ms, 30 * MINUTE_MS):
                add_probe(log, at_ms, chance, better=better, far_end=far_end)
            for at_ms in range(begin_ms + MINUTE_MS, clock.now_ms, 5 * MINUTE_MS):
                add_scan(log, at_ms, chance, better=better, ssid=ssid)
        with log.transaction() as db:
            db.execute("INSERT INTO watched (ssid, since_utc_ms) VALUES (?, ?)", (ssid, START_MS))
    return path


def add_probe(
    log: Log,
    at_ms: int,
    chance: random.Random,
    *,
    better: bool = False,
    far_end: str = FAR_END,
    outcome: str = "done",
    streams: int = 4,
    method: str = "icmp",
) -> int:
    """One probe over the link that was used last; returns its number."""
    scatter = [2 ** chance.gauss(0, 0.2) for _ in range(4)]
    with log.transaction() as db:
        link_id = db.execute("SELECT max(id) FROM link").fetchone()[0]
        probe_id = db.execute(
            "INSERT INTO probe (started_at_utc_ms, ended_at_utc_ms, link_id, far_end, outcome) VALUES (?, ?, ?, ?, ?)",
            (at_ms, at_ms + 25_000, link_id, far_end, outcome),
        ).lastrowid
        for direction, mbps in (("down", 120 * (DOWN_RATIO if better else 1)), ("up", 60.0)):
            for n, share in ((1, 0.8), (streams, 1.0)):
                rate = mbps * share * scatter[direction == "up"]
                db.execute(
                    "INSERT INTO transfer VALUES (?, ?, ?, ?, 2500, ?, 2000, ?, ?, 8.0, 3)",
                    (probe_id, direction, n, at_ms, int(rate * 3e5), int(rate * 2.5e5), rate),
                )
        for target, ms in (("gateway", 2.0), ("far-end", 4.0 * (LATENCY_RATIO if better else 1))):
            for load, more in (("idle", 1.0), ("down", 12.0), ("up", 8.0)):
                lost = int(chance.random() < 0.1)
                median = ms * more * scatter[2]
                db.execute(
                    "INSERT INTO latency VALUES (?, ?, ?, ?, 20, ?, ?, ?, ?)",
                    (probe_id, target, load, method, lost, median, 2 * median, median),
                )
    assert probe_id is not None
    return probe_id


def add_scan(log: Log, at_ms: int, chance: random.Random, *, better: bool = False, ssid: bytes = SSID) -> None:
    """One look: the router's radios on both bands, the guests' network on 2.4 GHz, a neighbour."""
    fading = chance.gauss(0, 1.5)
    level = -66 + (LEVEL_DB if better else 0) + fading
    heard = [(RADIO_24, ssid, "2.4", 2437, level), (COPY_24, b"guests", "2.4", 2437, level + 0.4)]
    heard += [(RADIO_5, ssid, "5", 5180, -60 + chance.gauss(0, 1.5)), (NEIGHBOUR, b"nextdoor", "2.4", 2462, -80.0)]
    with log.transaction() as db:
        scan_id = db.execute("INSERT INTO scan (time_utc_ms, active, everyone) VALUES (?, 1, 1)", (at_ms,)).lastrowid
        for bssid, name, band, mhz, rssi in heard:
            row = db.execute("SELECT id FROM radio WHERE bssid = ?", (bssid,)).fetchone()
            radio_id = (
                row[0]
                if row
                else db.execute(
                    "INSERT INTO radio (bssid, ssid, ssid_text, band, frequency_mhz) VALUES (?, ?, ?, ?, ?)",
                    (bssid, name, name.decode("utf-8", "replace"), band, mhz),
                ).lastrowid
            )
            db.execute(
                "INSERT INTO sighting (scan_id, radio_id, age_ms, rssi_dbm) VALUES (?, ?, 1000, ?)",
                (scan_id, radio_id, round(rssi)),
            )
