"""What a year at one sample a second costs those who ask: report, status, tag; against one scan of its samples.

    python tests/bench/year [--keep FOLDER] [--no-browser]

Makes logs (minutes; --keep FOLDER leaves them for the next time): the year at one sample a second, 31.5 million; a tenth
and a hundredth of it, both as shorter logs and as a year at a slower pace. Each command is run as a program, the best of
three; memory is the most that was resident. "First": nothing is remembered, as on a log that no daemon reviewed;
"after a review": effects are known, as they are while a daemon runs, and the rest is what the log says by itself. The scan
is one GROUP BY over the same table of samples, in the same run, with the file in the page cache for both. Ends with code 1
where an aim is missed.
"""

from __future__ import annotations

import argparse
import os
import sqlite3
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

import sqlite_utils  # noqa: F401  so that logs are made in this process
from first_figure import first_figures_s
from made import make_log

YEAR_DAYS = 365.0
SCAN = "SELECT period_id, link_id, count(*), avg(rssi_dbm), min(rssi_dbm), max(rssi_dbm) FROM sample GROUP BY 1, 2"
ROUNDS = 3
LINE = "{:<44} {:>10} {:>10} {:>8} {:>9} {:>8}"


class Made(NamedTuple):
    name: str
    days: float
    interval_s: float


LOGS = (
    Made("1 % of the year: 3.65 days at 1 s", YEAR_DAYS / 100, 1),
    Made("10 % of the year: 36.5 days at 1 s", YEAR_DAYS / 10, 1),
    Made("a year at 100 s", YEAR_DAYS, 100),
    Made("a year at 10 s", YEAR_DAYS, 10),
    Made("a year at 1 s", YEAR_DAYS, 1),
)


class Ran(NamedTuple):
    seconds: float
    resident_mb: float


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--keep", type=Path, metavar="FOLDER", help="make the logs here, or find them here")
    parser.add_argument("--no-browser", action="store_true", help="leave out how soon the first figure is drawn")
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as scratch:
        folder = args.keep or Path(scratch)
        folder.mkdir(parents=True, exist_ok=True)
        page = Path(scratch) / "report.html"
        print(LINE.format("", "samples", "blocks", "scan", "report", "MB"))
        for made in LOGS:
            path = _log(folder, made)
            _forget(path)
            scan_s = _scan_s(path)
            first = _ran(["report", "--output", str(page)], path) if made is LOGS[-1] else None
            _ran(["review", "--ahead", "1000"], path)
            report = min(_ran(["report", "--output", str(page)], path) for _ in range(ROUNDS))
            n_samples, n_blocks = _sizes(path)
            told = (f"{n_samples:,}", f"{n_blocks:,}", f"{scan_s:.2f} s", f"{report.seconds:.2f} s")
            print(LINE.format(made.name, *told, f"{report.resident_mb:.0f}"), flush=True)
        assert first is not None
        held = [
            _aim("report of the year, s", report.seconds, 3.0),
            _aim("its resident memory, MB", report.resident_mb, 400.0),
            _aim("report over scan", report.seconds / scan_s, 0.2),
            _aim("size of the HTML, MB", page.stat().st_size / 1e6, 6.0),
            _aim("status, s", min(_ran(["status"], path) for _ in range(ROUNDS)).seconds, 0.3),
            _aim("at, s", min(_ran(["at", place], path) for place in ("yard", "kiln room", "yard")).seconds, 0.3),
        ]
        if not args.no_browser:
            looks = sorted(first_figures_s(page) for _ in range(ROUNDS))
            held.append(_aim("first figure drawn, s", looks[ROUNDS // 2][0], 2.0))
            held.append(_aim("first figure over time drawn, s", looks[ROUNDS // 2][1], 2.0))
        print(
            f"{first.seconds:>8.2f}          the report the first time, nothing remembered ({first.resident_mb:.0f} MB)"
        )
        compare = min(_ran(["compare", "v1", "v2", "--json"], path) for _ in range(ROUNDS))
        print(f"{compare.seconds:>8.2f}          compare, remembered, the whole program")
    return int(not all(held))


def _log(folder: Path, made: Made) -> Path:
    path = folder / f"{made.days:g}-days-at-{made.interval_s:g}-s.db"
    if not path.exists():
        partial = path.with_suffix(".partial")
        make_log(partial, days=made.days, interval_s=made.interval_s)
        partial.rename(path)
    return path


def _forget(path: Path) -> None:
    """All answers: logs that were kept may remember some."""
    with sqlite3.connect(path) as db:
        db.execute("DELETE FROM answer")
    db.close()


def _scan_s(path: Path) -> float:
    """The second of two: the first fills the page cache."""
    with sqlite3.connect(path) as db:
        for _ in range(2):
            began = time.perf_counter()
            db.execute(SCAN).fetchall()
            took_s = time.perf_counter() - began
    db.close()
    return took_s


def _sizes(path: Path) -> tuple[int, int]:
    with sqlite3.connect(path) as db:
        sizes = tuple(db.execute(f"SELECT count(*) FROM {table}").fetchone()[0] for table in ("sample", "block"))
    db.close()
    return sizes


def _ran(words: list[str], path: Path) -> Ran:
    """A command of linktrial as a program. The clock of this machine is long after the log: no answer may be late."""
    began = time.perf_counter()
    child = subprocess.Popen(
        [sys.executable, "-m", "logger.console", *words, "--db", str(path)], stdout=subprocess.DEVNULL
    )
    _, status, used = os.wait4(child.pid, 0)
    assert os.waitstatus_to_exitcode(status) == 0, words
    return Ran(time.perf_counter() - began, used.ru_maxrss / 1024)


def _aim(what: str, measured: float, at_most: float) -> bool:
    held = measured <= at_most
    print(f"{measured:>8.2f} {'<=' if held else '> '} {at_most:<5g} {what}{'' if held else '   MISSED'}", flush=True)
    return held


if __name__ == "__main__":
    sys.exit(main())
