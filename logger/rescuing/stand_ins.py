"""Makes the tables of a rescued log fit together: what rows that were lost had to say is stood in for, and named so.

Unknown tags are no tags that somebody gave: a stand-in says that it is one, and 'linktrial timeline amend' mends it.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator, Sequence
from itertools import pairwise
from statistics import median_low
from typing import Any, NamedTuple

from logger.link_table import NO_LINK_ID
from logger.log import OWN_SOURCE
from logger.sample_id import FOREVER_MS, PERIOD_SHIFT, time_of

LOST = "lost in the damage"
_KEYS = {"config_version": "number"}  # id in all other tables
# What is worth nothing without the row that it belongs to: child, parent, column.
_PARTS = (
    *(("transfer", "probe", "probe_id"), ("latency", "probe", "probe_id"), ("sighting", "scan", "scan_id")),
    *(("visit", "scan", "scan_id"), ("sighting", "radio", "radio_id")),
)
_SPACINGS = 2000  # samples that a lost pace is taken from


class _Stay(NamedTuple):
    """A period whose row was lost, as its samples and blocks show it."""

    period_id: int
    first_ms: int
    last_ms: int


def stand_in(db: sqlite3.Connection, now_ms: int) -> list[str]:
    """Insert what is missing, in a transaction of the caller's; says what, a phrase each. Rows that nothing can be
    stood in for are deleted."""
    said = _Words()
    for table, parent, column in _PARTS:
        n = db.execute(f"DELETE FROM {table} WHERE {column} NOT IN (SELECT id FROM {parent})").rowcount
        said.add(f"{table} deleted whose {parent} was lost", n)
    _periods(db, now_ms, said)
    lost = "SELECT DISTINCT link_id FROM kept_block WHERE link_id NOT IN (SELECT id FROM link)"
    for (link_id,) in db.execute(lost).fetchall():
        said.add(f"link {LOST}", _parent(db, "link", link_id, now_ms))
    for _ in range(4):  # a stand-in may need another
        if not _parents(db, now_ms, said):
            break
    for row in db.execute("PRAGMA foreign_key_check").fetchall():
        if row[1] is not None:
            db.execute(f"DELETE FROM {row[0]} WHERE rowid = ?", (row[1],))
            said.add("row without sense deleted")
    _paces(db, said)
    return said.phrases()


class _Words:
    def __init__(self) -> None:
        self._n: dict[str, int] = {}

    def add(self, what: str, n: int = 1) -> None:
        self._n[what] = self._n.get(what, 0) + n

    def phrases(self) -> list[str]:
        return [f"{n} x {what}" for what, n in self._n.items() if n]


def _periods(db: sqlite3.Connection, now_ms: int, said: _Words) -> None:
    """Periods for samples and blocks without one, and for stretches of this machine's time without one: its periods
    tile the time."""
    stays = sorted(_lost_periods(db), key=lambda stay: stay.first_ms)
    whose = {stay: _whose(db, stay.period_id) for stay in stays}
    lost = [stay for stay in stays if whose[stay] == OWN_SOURCE]
    others = [stay for stay in stays if whose[stay] != OWN_SOURCE]
    own = [tuple(row) for row in db.execute(_OWN_PERIODS, (OWN_SOURCE,))]
    zone = own[-1][3] if own else "UTC"
    for begin_ms, end_ms in _holes(own):
        within = [stay for stay in lost if stay.last_ms >= begin_ms and stay.first_ms < end_ms]
        lost = [stay for stay in lost if stay not in within]
        starts: list[tuple[_Stay | None, int]] = [(stay, stay.first_ms) for stay in within]
        if begin_ms > -FOREVER_MS:  # the period before it ended there
            starts[:1] = [(starts[0][0] if starts else None, begin_ms)]
        for stay, started_ms in starts:
            if _period(db, stay and stay.period_id, OWN_SOURCE, started_ms, None, zone):
                said.add("period of this machine whose place and version were lost")
            elif stay:  # two cannot begin at once
                others.append(stay)
    _tile(db)
    for stay in [*others, *lost]:
        source_id = whose[stay]
        if source_id not in (OWN_SOURCE, None) and _period(db, *_of(stay, source_id), zone):
            said.add("period of another source whose place and version were lost")
            continue
        source_id = _other_source(db, None, f"{LOST}: period {stay.period_id}", now_ms)
        if _period(db, *_of(stay, source_id), zone):
            said.add("period of an unknown source")


def _of(stay: _Stay, source_id: int | None) -> tuple[int, int, int, int]:
    return stay.period_id, source_id or 0, stay.first_ms, stay.last_ms + 1


def _whose(db: sqlite3.Connection, period_id: int) -> int | None:
    """The source of a period whose row was lost, as far as that can be told: only a logger names an interface, and what
    was merged has a counterpart. Without either it may be this machine's; None: it is not, but whose it is, is unknown.
    """
    named = db.execute(
        "SELECT max(interface IS NOT NULL) FROM kept_block JOIN link ON link.id = link_id"
        " WHERE period_id = ? AND link_id <> ?",
        (period_id, NO_LINK_ID),
    ).fetchone()[0]
    origin = db.execute(
        "SELECT origin_log_id FROM counterpart WHERE what = 'period' AND id = ?", (period_id,)
    ).fetchone()
    if origin is None and named != 0:
        return OWN_SOURCE
    found = db.execute(
        "SELECT id FROM source WHERE kind = ? AND origin_log_id IS ?",
        ("import" if named == 0 else "logger", origin and origin[0]),
    ).fetchall()
    return int(found[0][0]) if len(found) == 1 else None


_OWN_PERIODS = """
SELECT id, started_at_utc_ms, ended_at_utc_ms, time_zone FROM period WHERE source_id = ? ORDER BY started_at_utc_ms
"""


def _holes(own: Sequence[tuple[Any, ...]]) -> list[tuple[int, int]]:
    """The stretches of time that none of these periods holds."""
    if not own:
        return [(-FOREVER_MS, FOREVER_MS)]
    holes: list[tuple[int, int]] = [(-FOREVER_MS, own[0][1])]
    holes += [(one[2], other[1]) for one, other in pairwise(own) if one[2] is not None and one[2] < other[1]]
    if own[-1][2] is not None:
        holes.append((own[-1][2], FOREVER_MS))
    return holes


def _period(
    db: sqlite3.Connection, an_id: int | None, source_id: int, started_ms: int, ended_ms: int | None, zone: str
) -> int:
    placement_id, number = _unknown_tags(db)
    row = (an_id, source_id, placement_id, number, started_ms, ended_ms, zone)
    return db.execute("INSERT OR IGNORE INTO period VALUES (?, ?, ?, ?, ?, ?, ?)", row).rowcount


def _tile(db: sqlite3.Connection) -> None:
    """Each of this machine's periods ends where the next begins."""
    own = db.execute(_OWN_PERIODS, (OWN_SOURCE,)).fetchall()
    for one, other in zip(own, [*own[1:], None], strict=True):
        ended_ms = other[1] if other else None
        if one[2] != ended_ms:
            db.execute("UPDATE period SET ended_at_utc_ms = ? WHERE id = ?", (ended_ms, one[0]))


def _lost_periods(db: sqlite3.Connection) -> Iterator[_Stay]:
    known = {row[0] for row in db.execute("SELECT id FROM period")}
    found: dict[int, tuple[int, int]] = {}
    for period_id, first_ms, last_ms in db.execute(
        "SELECT period_id, min(first_utc_ms), max(last_utc_ms) FROM kept_block GROUP BY period_id"
    ):
        found[period_id] = (first_ms, last_ms)
    an_id = db.execute("SELECT min(id) FROM sample").fetchone()[0]
    while an_id is not None:
        period_id = an_id >> PERIOD_SHIFT
        end = period_id + 1 << PERIOD_SHIFT
        last = db.execute("SELECT max(id) FROM sample WHERE id < ?", (end,)).fetchone()[0]
        first_ms, last_ms = found.get(period_id, (time_of(an_id), time_of(last)))
        found[period_id] = (min(first_ms, time_of(an_id)), max(last_ms, time_of(last)))
        an_id = db.execute("SELECT min(id) FROM sample WHERE id >= ?", (end,)).fetchone()[0]
    for period_id in sorted(set(found) - known):
        yield _Stay(period_id, *found[period_id])


def _unknown_tags(db: sqlite3.Connection) -> tuple[int, int]:
    """The placement and the version that stand for unknown ones."""
    db.execute("INSERT OR IGNORE INTO location (name) VALUES (?)", (f"place {LOST}",))
    location_id = db.execute("SELECT id FROM location WHERE name = ?", (f"place {LOST}",)).fetchone()[0]
    db.execute("INSERT OR IGNORE INTO placement (location_id, number) VALUES (?, 1)", (location_id,))
    placement_id = db.execute("SELECT id FROM placement WHERE location_id = ?", (location_id,)).fetchone()[0]
    row = db.execute("SELECT number FROM config_version WHERE label = ?", (f"version {LOST}",)).fetchone()
    if row is None:
        last = db.execute(
            "SELECT max(number) FROM (SELECT number FROM config_version UNION SELECT config_version FROM period)"
        )
        row = (1 + (last.fetchone()[0] or 0),)
        db.execute("INSERT INTO config_version (number, label) VALUES (?, ?)", (row[0], f"version {LOST}"))
    return placement_id, row[0]


def _parents(db: sqlite3.Connection, now_ms: int, said: _Words) -> bool:
    """Rows that others point to and that are missing; whether there were any."""
    wrong = {(row[0], row[3]) for row in db.execute("PRAGMA foreign_key_check")}
    for table, number in sorted(wrong):
        key = next(row for row in db.execute(f"PRAGMA foreign_key_list({table})") if row[0] == number)
        parent, column = key[2], key[3]
        missing = f"{column} NOT IN (SELECT {_KEYS.get(parent, 'id')} FROM {parent})"
        if parent == "rate":
            said.add(
                "sample whose rate was lost", db.execute(f"UPDATE {table} SET {column} = NULL WHERE {missing}").rowcount
            )
            continue
        for (an_id,) in db.execute(f"SELECT DISTINCT {column} FROM {table} WHERE {missing}").fetchall():
            if _parent(db, parent, an_id, now_ms):
                said.add(f"{parent.replace('_', ' ')} {LOST}")
    return bool(wrong)


def _parent(db: sqlite3.Connection, table: str, an_id: int, now_ms: int) -> bool:
    row: tuple[object, ...]
    match table:
        case "source":
            return _other_source(db, an_id, f"{LOST}: source {an_id}", now_ms) == an_id
        case "location":
            sql, row = "INSERT OR IGNORE INTO location VALUES (?, ?)", (an_id, f"place {an_id} {LOST}")
        case "placement":
            location_id = db.execute(
                "SELECT location_id FROM placement WHERE id = ?", (_unknown_tags(db)[0],)
            ).fetchone()[0]
            sql = (
                "INSERT OR IGNORE INTO placement (id, location_id, number)"
                " SELECT ?1, ?2, max(number) + 1 FROM placement WHERE location_id = ?2"
            )
            row = (an_id, location_id)
        case "config_version":
            sql = "INSERT OR IGNORE INTO config_version (number, label) VALUES (?, ?)"
            row = (an_id, f"v{an_id}, {LOST}")
        case "link":
            sql, row = "INSERT OR IGNORE INTO link (id, interface) VALUES (?, ?)", (an_id, f"radio {an_id} {LOST}")
        case _:  # a period whose id cannot be one: what points to it goes
            return False
    return bool(db.execute(sql, row).rowcount)


def _other_source(db: sqlite3.Connection, an_id: int | None, name: str, now_ms: int) -> int:
    row = (an_id, "import", name, now_ms)
    made = db.execute("INSERT INTO source (id, kind, name, added_at_utc_ms) VALUES (?, ?, ?, ?)", row)
    return int(made.lastrowid or 0)


def _paces(db: sqlite3.Connection, said: _Words) -> None:
    """How far apart samples were meant to be, where that was lost: as they lie."""
    for period_id, source_id in db.execute(
        "SELECT min(id), source_id FROM period WHERE source_id NOT IN (SELECT source_id FROM pace) GROUP BY source_id"
    ).fetchall():
        bounds = (period_id << PERIOD_SHIFT, period_id + 1 << PERIOD_SHIFT, _SPACINGS)
        ids = db.execute("SELECT id FROM sample WHERE id >= ? AND id < ? ORDER BY id LIMIT ?", bounds).fetchall()
        times = [time_of(row[0]) for row in ids]
        steps = [step for one, other in pairwise(times) if (step := other - one) > 0]
        if steps:
            db.execute("INSERT INTO pace VALUES (?, ?, ?)", (source_id, times[0], median_low(steps)))
            said.add("pace taken from the samples")
