"""What became of the logger's last run: did it end, was the machine restarted, was the clock set back since."""

from __future__ import annotations

import json
import sqlite3

from adapters.boot import same_boot
from logger.log import OWN_SOURCE
from logger.passes import last_taken
from logger.sample import Event, clock_set

REBOOTED, WITHOUT_A_WORD = "rebooted", "ended without a word"
_OF_COMMANDS = "('imported', 'merged')"
_RUNS = "('logger-started', 'logger-stopped', 'logger-lost')"


def since_the_last_run(db: sqlite3.Connection, now_ms: int, boot: str | None) -> list[Event]:
    """Events that the start of a run finds out, for the log, in order.

    A run that left no ``logger-stopped`` was lost: that is stamped just after the last thing that it wrote. A clock
    that shows less than that was set back meanwhile. ``boot``: the identity of the boot as adapters/boot.py has it.
    """
    wrote_ms = _last_written_ms(db)
    if wrote_ms is None:
        return []
    events = []
    last = db.execute(
        f"SELECT kind, detail FROM event WHERE source_id = ? AND kind IN {_RUNS} ORDER BY id DESC LIMIT 1",
        (OWN_SOURCE,),
    ).fetchone()
    if last is not None and last[0] == "logger-started":
        wrote_ms += 1
        rebooted = same_boot(json.loads(last[1]).get("boot"), boot) is False
        events.append(Event(wrote_ms, "logger-lost", {"reason": REBOOTED if rebooted else WITHOUT_A_WORD}))
    if now_ms < wrote_ms:
        events.append(clock_set(wrote_ms, now_ms))
    return events


def _last_written_ms(db: sqlite3.Connection) -> int | None:
    """The stamp of the last thing that a run wrote; what the clock's earlier passes stamped later does not count."""
    last_event = db.execute(
        f"SELECT time_utc_ms FROM event WHERE source_id = ? AND kind NOT IN {_OF_COMMANDS} ORDER BY id DESC LIMIT 1",
        (OWN_SOURCE,),
    ).fetchone()
    stamps = [last_taken(db).time_utc_ms, last_event and last_event[0]]
    return max((stamp for stamp in stamps if stamp is not None), default=None)
