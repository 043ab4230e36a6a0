"""What stands in the timeline: config versions and periods, as they are read from the log."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from typing import NamedTuple

from logger.errors import TagError
from logger.log import OWN_SOURCE
from logger.printable import quoted
from logger.router_settings import Settings

_PERIODS = (
    f"SELECT period.id, CASE WHEN source.id <> {OWN_SOURCE} THEN source.name END, location.name,"
    " CAST(ifnull(placement.name, placement.number) AS TEXT), period.config_version,"
    " period.started_at_utc_ms, period.ended_at_utc_ms, period.time_zone,"
    " (SELECT ifnull(sum(n_samples), 0) FROM block WHERE block.period_id = period.id)"
    " FROM period JOIN source ON source.id = source_id JOIN placement ON placement.id = placement_id"
    " JOIN location ON location.id = location_id"
)


class Version(NamedTuple):
    """One state of the router."""

    number: int
    label: str
    settings: Settings
    notes: str


class Period(NamedTuple):
    """One period with its tags; ``ended_at_utc_ms`` None while it is open."""

    id: int
    source: str | None  # None: this machine's own logger
    location: str
    placement: str
    config_version: int
    started_at_utc_ms: int
    ended_at_utc_ms: int | None
    time_zone: str
    n_samples: int


def read_periods(db: sqlite3.Connection) -> list[Period]:
    """All periods, this machine's and imported ones, in order of time."""
    return [Period(*row) for row in db.execute(f"{_PERIODS} ORDER BY period.started_at_utc_ms, period.id")]


def read_locations(db: sqlite3.Connection) -> list[str]:
    """The names of the locations that have periods, the earliest first."""
    rows = db.execute(
        "SELECT location.name FROM period JOIN placement ON placement.id = placement_id"
        " JOIN location ON location.id = location_id GROUP BY location.id ORDER BY min(started_at_utc_ms)"
    )
    return [row[0] for row in rows]


def period_at(db: sqlite3.Connection, time_ms: int) -> Period | None:
    """This machine's period that holds at that time; None before the log began."""
    row = db.execute(
        f"{_PERIODS} WHERE source_id = ? AND period.started_at_utc_ms <= ?"
        " ORDER BY period.started_at_utc_ms DESC LIMIT 1",
        (OWN_SOURCE, time_ms),
    ).fetchone()
    return Period(*row) if row else None


def read_versions(db: sqlite3.Connection) -> list[Version]:
    """All config versions, by number."""
    rows = db.execute("SELECT number, label, settings, notes FROM config_version ORDER BY number")
    return [Version(row[0], row[1], json.loads(row[2]), row[3]) for row in rows]


def find_version(versions: Sequence[Version], word: str) -> Version:
    """A version by "v2", "2", or its label exactly. A number comes first; raises TagError for a label that two share,
    and for what is unknown, naming the nearest."""
    digits = word[1:] if word[:1] in ("v", "V") else word
    if digits.isascii() and digits.isdecimal():
        for version in versions:
            if version.number == int(digits):
                return version
    called = [version for version in versions if version.label == word]
    if len(called) == 1:
        return called[0]
    if called:
        raise TagError(f"{len(called)} config versions are called {quoted(word)}; say {_listed(called)}")
    from difflib import get_close_matches

    near = get_close_matches(word, [version.label for version in versions], 1, cutoff=0.4)
    hint = f"did you mean {quoted(near[0])}?" if near else f"there are: {_listed(versions) or 'none yet'}"
    raise TagError(f"there is no config version {quoted(word)}; {hint}")


def _listed(versions: Sequence[Version]) -> str:
    shown = ", ".join(f"v{version.number}" for version in versions[:20])
    return f"{shown}, ..." if len(versions) > 20 else shown


def version_in_force(db: sqlite3.Connection) -> int | None:
    """The config version of this machine's last period, which goes on; None in a log without one of its own."""
    row = db.execute(
        "SELECT config_version FROM period WHERE source_id = ? AND ended_at_utc_ms IS NULL"
        " ORDER BY started_at_utc_ms DESC LIMIT 1",
        (OWN_SOURCE,),
    ).fetchone()
    return int(row[0]) if row else None
