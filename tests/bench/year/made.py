"""A log of a year, every sample in it: a laptop that is moved between two locations while the router goes through its
versions by turns. Samples are written as rows, since a year of ticks would take hours; the blocks are folded from them
by the log's own code."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import numpy as np

from logger.block_table import rebuild_blocks
from logger.log import Log
from logger.sample_id import sample_id

START_MS = 1_735_689_600_000  # 2025-01-01
DAY_MS = 86_400_000
ZONE = "Europe/Vienna"
LOCATIONS = ("bench by the window", "kiln room")
STAYS_A_WEEK = 3
RATES_MBPS = (433.3, 585.0, 650.0, 780.0, 866.7)
_INSERT = (
    "INSERT INTO sample (id, link_id, rssi_dbm, rssi_avg_dbm, noise_dbm, tx_rate_id, rx_rate_id, tx_packets, tx_retries,"
    " tx_failed, beacon_losses, busy_permille, rx_bytes, tx_bytes) VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?,?)"
)


def make_log(path: Path, *, days: float, interval_s: float, n_versions: int = 4, seed: int = 1) -> int:
    """Make the log at ``path``; returns the number of samples."""
    rng = np.random.default_rng(seed)
    interval_ms = round(1000 * interval_s)
    stay_ms = 7 * DAY_MS // STAYS_A_WEEK
    n_stays = max(2, round(days * DAY_MS / stay_ms))
    n_samples = 0
    with Log.open(path) as log:
        with log.transaction() as db:
            db.executemany("INSERT INTO location (name) VALUES (?)", [(name,) for name in LOCATIONS])
            db.executemany(
                "INSERT INTO placement (location_id, number) VALUES (?, ?)", [(1, 1), (2, 1), (1, 2), (2, 2)]
            )
            db.executemany(
                "INSERT INTO config_version (number, label) VALUES (?, ?)",
                [(version, f"antennas turned, {version}") for version in range(1, n_versions + 1)],
            )
            db.executemany(
                "INSERT INTO link (id, interface, ssid, ssid_text, bssid, frequency_mhz, width_mhz, band)"
                " VALUES (?, 'wlan0', x'706f74', 'pot', '02:00:00:00:00:05', ?, 80, ?)",
                [(1, 5180, "5"), (2, 2437, "2.4")],
            )
            db.executemany("INSERT INTO rate (id, mbps) VALUES (?, ?)", list(enumerate(RATES_MBPS, 1)))
            db.execute("INSERT INTO pace VALUES (1, ?, ?)", (START_MS, interval_ms))
            db.execute("INSERT INTO event (time_utc_ms, kind) VALUES (?, 'logger-started')", (START_MS,))
        for k in range(n_stays):
            started_ms = START_MS + k * stay_ms
            ended_ms = min(started_ms + stay_ms, START_MS + round(days * DAY_MS))
            version, placement_id = 1 + k // 2 % n_versions, 1 + k % 2 + 2 * (k // 40 % 2)
            with log.transaction() as db:
                period_id = db.execute(
                    "INSERT INTO period (source_id, placement_id, config_version, started_at_utc_ms, ended_at_utc_ms,"
                    " time_zone) VALUES (1, ?, ?, ?, ?, ?)",
                    (placement_id, version, started_ms, None if k == n_stays - 1 else ended_ms, ZONE),
                ).lastrowid
                assert period_id is not None
                for rows in _samples(period_id, started_ms, ended_ms, interval_ms, -65.0 + version, rng):
                    n_samples += len(rows)
                    db.executemany(_INSERT, rows)
                rebuild_blocks(db, period_id)
        log.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    return n_samples


def _samples(
    period_id: int, started_ms: int, ended_ms: int, interval_ms: int, level_dbm: float, rng: np.random.Generator
) -> Iterator[list[tuple[object, ...]]]:
    """The rows of one stay, a quarter of a day at a time: noise with a memory, a day's cycle, half a day in three on
    the other band, two losses of the link a day."""
    level_db = 0.0
    for from_ms in range(started_ms, ended_ms, DAY_MS // 4):
        times = np.arange(from_ms, min(from_ms + DAY_MS // 4, ended_ms), interval_ms, dtype=np.int64)
        slow = np.empty(len(times) * interval_ms // 60_000 + 2)
        for i in range(len(slow)):
            slow[i] = level_db = 0.98 * level_db + rng.normal(0, 0.3)
        minute = (times - from_ms) / 60_000
        rssi = np.round(
            level_dbm
            + np.interp(minute, np.arange(len(slow)), slow)
            + np.sin(2 * np.pi * times / DAY_MS)
            + rng.normal(0, 1.5, len(times))
        )
        link = np.where(times // (DAY_MS // 2) % 3 == 0, 2, 1)
        if rng.random() < 0.5:
            lost_ms = from_ms + rng.integers(0, DAY_MS // 5)
            link[(times >= lost_ms) & (times < lost_ms + 90_000)] = 0
        rate = rng.integers(1, len(RATES_MBPS) + 1, len(times))
        first_id = sample_id(period_id, 0)
        told = zip(link.tolist(), rssi.tolist(), rate.tolist(), (first_id + times * 16).tolist(), strict=True)
        yield [
            (at_id, on, dbm, dbm, -92.0, mbps, mbps, 190, 16, 0, 0, 120, 10_000, 9_000)
            if on
            else (at_id, 0, *(None,) * 12)
            for on, dbm, mbps, at_id in told
        ]
