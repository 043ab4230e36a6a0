"""What the guest carried out: its story, the program's answers, and the log, ready to be judged.

python tests/lab/trip.py     # what the daemon cost on the last trip, against a shell loop round iw
"""

from __future__ import annotations

import json
import re
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise
from pathlib import Path
from typing import Any

from boot import work_folder

Entry = dict[str, Any]
A_TICK_MS = 20  # of the guest's time, reading included


@dataclass(frozen=True)
class Shown:
    """The link as iw showed it at one moment."""

    at_utc_ms: int
    bssid: str
    frequency_mhz: int
    width_mhz: int
    rssi_dbm: int
    tx_rate_mbps: float
    rx_rate_mbps: float


class Trip:
    """One boot's results."""

    def __init__(self, results: Path) -> None:
        self.results = results
        self.log = results / "lab.db"
        self.story: dict[str, list[Entry]] = json.loads((results / "story.json").read_text(encoding="utf-8"))

        self.db = sqlite3.connect(f"file:{self.log}?mode=ro", uri=True)
        self.db.row_factory = sqlite3.Row

    def close(self) -> None:
        """Give the log back."""
        self.db.close()

    def moment(self, name: str) -> Entry:
        """The one entry of this name; ``at_utc_ms`` says when."""
        return _only(self.story["moments"], name)

    def answer(self, name: str) -> Entry:
        """What the program answered: code, stdout, stderr."""
        return _only(self.story["runs"], name)

    def samples(self, start: str, end: str, *, settle_ms: int = 0) -> list[sqlite3.Row]:
        """Rows of tagged_sample between two moments, the first ``settle_ms`` left out, and a tick that fell into the last
        moment."""
        span = (self.moment(start)["at_utc_ms"] + settle_ms, self.moment(end)["at_utc_ms"] - A_TICK_MS)
        return self.db.execute(
            "SELECT * FROM tagged_sample WHERE time_utc_ms BETWEEN ? AND ? ORDER BY time_utc_ms", span
        ).fetchall()

    def events(self, start: str, end: str) -> list[tuple[str, Entry]]:
        """(kind, detail) of the events between two moments, in order. One that a tick reads is stamped as the tick began:
        some milliseconds before the moment, where that fell into the tick."""
        span = [self.moment(name)["at_utc_ms"] - A_TICK_MS for name in (start, end)]
        query = "SELECT kind, detail FROM event WHERE time_utc_ms >= ? AND time_utc_ms < ? ORDER BY time_utc_ms, id"
        return [(row["kind"], json.loads(row["detail"])) for row in self.db.execute(query, span)]

    def looks(self, name: str) -> list[Shown]:
        """What iw showed."""
        return [_shown(look) for look in self.story["looks"] if look["name"] == name]

    def sample_at(self, utc_ms: int) -> sqlite3.Row:
        """The sample nearest to a moment."""
        query = "SELECT * FROM tagged_sample ORDER BY abs(time_utc_ms - ?) LIMIT 1"
        row: sqlite3.Row = self.db.execute(query, (utc_ms,)).fetchone()
        return row

    def samples_with_planted_level(self, settle_ms: int) -> Iterator[tuple[sqlite3.Row, int]]:
        """Every sample that was taken while a known level stood, ``settle_ms`` after it was set or later."""
        levels = self.story["levels"]
        for level, following in pairwise(levels):
            query = "SELECT * FROM tagged_sample WHERE time_utc_ms BETWEEN ? AND ? AND bssid = ?"
            span = (level["at_utc_ms"] + settle_ms, following["at_utc_ms"])
            for row in self.db.execute(query, (*span, level["bssid"])):
                yield row, level["rssi_dbm"]

    def cost(self) -> dict[str, float]:
        """The daemon's memory (MB) and CPU per sample (ms) over the first stay, and a shell loop's per turn."""
        before, after, loop = map(self.moment, ("first stay", "first stay over", "shell loop"))
        n = len(self.samples("first stay", "first stay over"))
        return {
            "samples": n,
            "resident_mb": round(after["resident_mb"], 1),
            "daemon_cpu_ms_per_sample": round(1000 * (after["cpu_s"] - before["cpu_s"]) / n, 2),
            "shell_loop_cpu_ms_per_turn": round(1000 * loop["loop_cpu_s"], 2),
            "iw_alone_cpu_ms_per_run": round(1000 * loop["iw_alone_cpu_s"], 2),
        }


def _only(entries: list[Entry], name: str) -> Entry:
    [entry] = [entry for entry in entries if entry["name"] == name]
    return entry


def _shown(look: Entry) -> Shown:
    def find(view: str, pattern: str) -> str:
        found = re.search(pattern, look[view])
        assert found, f"iw showed no {pattern!r}:\n{look[view]}"
        return found[1]

    return Shown(
        at_utc_ms=look["at_utc_ms"],
        bssid=find("link", r"Connected to ([0-9a-f:]{17})"),
        frequency_mhz=int(find("link", r"freq: (\d+)")),
        width_mhz=int(find("info", r"width: (\d+) MHz")),
        rssi_dbm=int(find("station dump", r"signal:\s+(-\d+)")),
        tx_rate_mbps=float(find("station dump", r"tx bitrate:\s+([\d.]+)")),
        rx_rate_mbps=float(find("station dump", r"rx bitrate:\s+([\d.]+)")),
    )


if __name__ == "__main__":
    print(json.dumps(Trip(work_folder() / "results").cost(), indent=2))
