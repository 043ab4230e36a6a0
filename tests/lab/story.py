"""What the guest writes down of its story, and who takes part. Standard library only."""

from __future__ import annotations

import json
import sqlite3
import subprocess
import sys
import time
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

from air import LAPTOP, AccessPoint, Laptop, run
from pace import Pace

RESULTS = Path("/run/results")
LOG = Path("/run/linktrial/lab.db")
SETTINGS = Path("/run/settings/settings.toml")
PROGRAM = Path(sys.executable).with_name("linktrial")
NOBODY_ID = 65534
NOBODY = ("setpriv", f"--reuid={NOBODY_ID}", f"--regid={NOBODY_ID}", "--clear-groups", "env", "HOME=/tmp")
VIEWS = ("link", "info", "station dump")  # of iw


class Story:
    """Writes down what happens, as it happens."""

    def __init__(self) -> None:
        self._told: dict[str, list[dict[str, object]]] = {
            "moments": [],
            "levels": [],
            "looks": [],
            "runs": [],
            "heard": [],
        }

    def tell(self, chapter: str, **facts: object) -> None:
        """Add one dated entry."""
        self._told[chapter].append({"at_utc_ms": facts.pop("at_utc_ms", now_ms()), **facts})

    def save(self) -> None:
        """Carry it out."""
        (RESULTS / "story.json").write_text(json.dumps(self._told, indent=1))

    def moment(self, name: str, **facts: object) -> None:
        """Something was just done or found true."""
        print(f"{time.monotonic():6.1f} s  {name}", flush=True)
        self.tell("moments", name=name, **facts)

    def level(self, point: AccessPoint, rssi_dbm: int) -> None:
        """Set what the laptop hears of this radio."""
        at = now_ms()
        point.set_level(rssi_dbm)
        self.tell("levels", bssid=point.bssid, rssi_dbm=rssi_dbm, at_utc_ms=at)

    def look(self, name: str) -> None:
        """What the system's own tool shows of the link now."""
        shown = {view: run("iw", "dev", LAPTOP, *view.split(), check=False) for view in VIEWS}
        self.tell("looks", name=name, **shown)

    def program(self, name: str, *words: str, user: tuple[str, ...] = (), said: str = "") -> None:
        """Run linktrial to its end; ``said`` is its standard input."""
        started, clock = now_ms(), time.monotonic()
        done = subprocess.run([*user, str(PROGRAM), *words], input=said, capture_output=True, text=True, timeout=90)
        took = round(time.monotonic() - clock, 2)
        answer = {"code": done.returncode, "stdout": done.stdout, "stderr": done.stderr}
        print(f"{time.monotonic():6.1f} s  linktrial {' '.join(words)} -> {done.returncode} ({took} s)", flush=True)
        self.tell("runs", name=name, words=words, took_s=took, at_utc_ms=started, **answer)


@dataclass
class Lab:
    """All that takes part."""

    story: Story
    pace: Pace
    five: AccessPoint
    two: AccessPoint
    laptop: Laptop


def rows_in_log(table: str, since_utc_ms: int = 0, log: Path = LOG) -> int:
    """How many samples or events a log holds from a moment on; 0 without a log."""
    if not log.exists():
        return 0
    query = f"SELECT count(*) FROM {table} WHERE time_utc_ms >= ?"
    try:
        with closing(sqlite3.connect(f"file:{log}?mode=ro", uri=True)) as db:
            return int(db.execute(query, (since_utc_ms,)).fetchone()[0])
    except sqlite3.OperationalError:
        return 0  # it is only being made


def now_ms() -> int:
    """The wall clock."""
    return time.time_ns() // 1_000_000
