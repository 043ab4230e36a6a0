"""How long a comparison and a report take the first time, and when their effects are remembered.

    python tests/bench/remembered_effects.py [--days 365] [--versions 4]

A year of one-second samples as its blocks stand in the log: about 55,000, ten minutes long and finer towards each change,
of a laptop that is moved between two locations while the router goes through its versions by turns. The samples are left
out, for no figure here depends on them. Ends with code 1 where a comparison that is remembered takes longer than
the aim, imports aside.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
import time
from contextlib import redirect_stdout
from io import StringIO
from pathlib import Path

import numpy as np
import sqlite_utils  # noqa: F401  so that the log is made in this process

from dashboards.many_effects import all_cores
from logger.block_table import write_blocks
from logger.blocks import Block, FoldSample, stretch_at
from logger.console import main as linktrial
from logger.log import Log

AIM_S = 0.3
START_MS = 1_735_689_600_000  # 2025-01-01
DAY_MS = 86_400_000
STAYS_A_WEEK = 3
RATES_MBPS = (433.3, 585.0, 650.0, 780.0, 866.7)


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=float, default=365)
    parser.add_argument("--versions", type=int, default=4)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "year.db"
        n_blocks, n_samples = fill(path, args.days, args.versions)
        print(f"{n_blocks:,} blocks of {n_samples:,} samples, {path.stat().st_size / 1e6:.0f} MB; {all_cores()} cores")
        compare = ["compare", "v1", "v2", "--db", str(path), "--json"]
        print(f"{timed(compare):7.2f} s  compare, the first time, pandas and scipy loaded by it")
        again_s = min(timed(compare) for _ in range(5))
        print(f"{again_s:7.3f} s  compare, remembered, after imports (aim: at most {AIM_S:g})")
        print(f"{as_a_program(compare):7.2f} s  compare, remembered, the whole program")
        report = ["report", "--db", str(path), "--output", str(Path(folder) / "report.html")]
        print(f"{timed(report):7.2f} s  report, the first time but for that comparison")
        print(f"{timed(report):7.2f} s  report, remembered")
        for n_processes in dict.fromkeys((1, all_cores())):
            print(f"{all_effects_s(path, n_processes):7.2f} s  all effects, {n_processes} at work")
    return int(again_s > AIM_S)


def fill(path: Path, days: float, n_versions: int) -> tuple[int, int]:
    """Write the blocks; returns how many, and of how many samples."""
    rng = np.random.default_rng(1)
    stay_ms = 7 * DAY_MS // STAYS_A_WEEK
    starts_ms = [START_MS + k * stay_ms for k in range(max(2 * n_versions, round(days * DAY_MS / stay_ms)))]
    n_samples = 0
    with Log.open(path) as log, log.transaction() as db:
        db.executemany("INSERT INTO location (name) VALUES (?)", [("bench",), ("kiln room",)])
        db.executemany("INSERT INTO placement (location_id, number) VALUES (?, ?)", [(1, 1), (2, 1), (1, 2), (2, 2)])
        db.executemany(
            "INSERT INTO config_version (number, label) VALUES (?, ?)",
            [(version, f"state {version}") for version in range(1, n_versions + 1)],
        )
        db.executemany(
            "INSERT INTO link (id, interface, ssid, ssid_text, bssid, frequency_mhz, width_mhz, band)"
            " VALUES (?, 'wlan0', x'706f74', 'pot', '02:00:00:00:00:05', ?, 80, ?)",
            [(1, 5180, "5"), (2, 2437, "2.4")],
        )
        for k, started_ms in enumerate(starts_ms):
            ended_ms = started_ms + stay_ms
            last = k == len(starts_ms) - 1
            version, placement_id = 1 + k // 2 % n_versions, 1 + k % 2 + 2 * (k // 40 % 2)
            period_id = db.execute(
                "INSERT INTO period (source_id, placement_id, config_version, started_at_utc_ms, ended_at_utc_ms,"
                " time_zone) VALUES (1, ?, ?, ?, ?, 'Europe/Vienna')",
                (placement_id, version, started_ms, None if last else ended_ms),
            ).lastrowid
            blocks = list(stay_blocks(started_ms, ended_ms, -65.0 + version, rng))
            write_blocks(db, period_id, blocks)
            n_samples += sum(block.n_samples for block in blocks)
        n_blocks = db.execute("SELECT count(*) FROM block").fetchone()[0]
    return n_blocks, n_samples


def stay_blocks(started_ms: int, ended_ms: int, level_dbm: float, rng: np.random.Generator):
    """The blocks of one period; four samples are folded for each, and stand for all of its seconds."""
    at_ms, drift_db = started_ms, 0.0
    while at_ms < ended_ms:
        stretch = stretch_at(at_ms, started_ms, ended_ms)
        length_ms = stretch.ended_at_utc_ms - stretch.started_at_utc_ms
        drift_db = 0.98 * drift_db + rng.normal(0, 0.3)
        day_db = np.sin(2 * np.pi * at_ms / DAY_MS)
        link_id = 2 if at_ms // (DAY_MS // 2) % 3 == 0 else 1  # half a day in three on the other band
        link_id = 0 if rng.random() < 0.002 else link_id
        block = Block(stretch, link_id, stretch.started_at_utc_ms)
        for nth in range(4):
            time_ms = stretch.started_at_utc_ms + nth * length_ms // 4
            rssi_dbm = float(round(level_dbm + drift_db + day_db + rng.normal()))
            rate_mbps = RATES_MBPS[int(rng.integers(5))]
            told = (
                (rssi_dbm, -92.0, rate_mbps, rate_mbps, 900, 80, 1, 0, 120, 10_000, 9_000) if link_id else (None,) * 11
            )
            block.add(FoldSample(time_ms, link_id, *told), length_ms // 4, False)
        scale_up(block, length_ms // 1000)
        yield block
        at_ms = stretch.ended_at_utc_ms


def scale_up(block: Block, n: int) -> None:
    """As if there had been a sample each second."""
    times = n / block.n_samples
    for name in ("n_samples", "offset_sum", "rssi_n", "noise_n", "tx_rate_n", "rx_rate_n", "busy_n", "busy_sum"):
        setattr(block, name, round(getattr(block, name) * times))
    for name in ("rssi_sum", "noise_sum", "tx_rate_sum", "tx_rate_log2", "rx_rate_sum", "rx_rate_log2"):
        setattr(block, name, getattr(block, name) * times)
    for histogram in (block.rssi, block.tx_rate, block.rx_rate):
        histogram.update({value: round(count * times) for value, count in histogram.items()})


def timed(words: list[str]) -> float:
    began = time.perf_counter()
    with redirect_stdout(StringIO()):
        code = linktrial(words)
    assert code == 0, words
    return time.perf_counter() - began


def as_a_program(words: list[str]) -> float:
    """The quickest of three, the interpreter's own start included."""
    took = []
    for _ in range(3):
        began = time.perf_counter()
        subprocess.run([sys.executable, "-m", "logger.console", *words], check=True, stdout=subprocess.DEVNULL)
        took.append(time.perf_counter() - began)
    return min(took)


def all_effects_s(path: Path, n_processes: int) -> float:
    """A report's effects, none of them remembered."""
    from dashboards.report import find

    with Log.open(path) as log:
        with log.transaction() as db:
            db.execute("DELETE FROM answer")
        began = time.perf_counter()
        find(log, now_utc_ms=START_MS, zone="Europe/Vienna", n_processes=n_processes)
        return time.perf_counter() - began


if __name__ == "__main__":
    sys.exit(main())
