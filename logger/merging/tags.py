"""What the places, versions and periods of a merged log are here: found again by the table ``counterpart``.

Locations are matched by name, config versions by label and settings. Placements are always the other machine's own: it
is another receiver. What the owner renames here stays so until it is changed over there.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping, Sequence
from typing import NamedTuple

from logger.errors import LogError
from logger.marks import Mark
from logger.merging.other_rows import MOST_PERIODS, Place, TaggedPeriod

Known = dict[int, tuple[int, str | None]]  # by the number over there: the number here, and what was seen there


class Tags(NamedTuple):
    """What the other log says, and the numbers that its rows have in the log that they began in."""

    log_id: str
    places: Mapping[int, Place]
    versions: Mapping[int, tuple[str, str, str]]
    origin: Mapping[str, Mapping[int, int]] | None  # None: they began in the other log itself

    def origin_id(self, what: str, number: int) -> int | None:
        return number if self.origin is None else self.origin[what].get(number)


def known(db: sqlite3.Connection, log_id: str, what: str) -> Known:
    """All rows here that stand for rows of that kind there."""
    rows = db.execute(
        "SELECT origin_id, id, seen FROM counterpart WHERE origin_log_id = ? AND what = ?", (log_id, what)
    )
    return {row[0]: (row[1], row[2]) for row in rows}


def remember(db: sqlite3.Connection, log_id: str, what: str, origin_id: int, here: int, seen: str | None) -> None:
    db.execute("INSERT OR REPLACE INTO counterpart VALUES (?, ?, ?, ?, ?)", (log_id, what, origin_id, here, seen))


def forget(db: sqlite3.Connection, log_id: str, what: str, origin_ids: Iterable[int]) -> None:
    db.executemany(
        "DELETE FROM counterpart WHERE origin_log_id = ? AND what = ? AND origin_id = ?",
        [(log_id, what, origin_id) for origin_id in origin_ids],
    )


def reserve_periods(db: sqlite3.Connection, log_id: str, what: str, origin_ids: Sequence[int]) -> dict[int, int]:
    """Numbers of periods for these, which nobody else gets; those that have one keep it. Inside a transaction. What is
    a ``period`` is to become one here, what is ``waiting`` only keeps samples apart."""
    have = known(db, log_id, what)
    missing = [origin_id for origin_id in origin_ids if origin_id not in have]
    if missing:
        row = db.execute("SELECT seq FROM sqlite_sequence WHERE name = 'period'").fetchone()
        used = int(row[0]) if row else 0
        if used + len(missing) > MOST_PERIODS:
            raise LogError("the log has had as many periods as a log can hold; begin another with --db")
        if row is None:
            db.execute("INSERT INTO sqlite_sequence (name, seq) VALUES ('period', 0)")
        db.execute("UPDATE sqlite_sequence SET seq = ? WHERE name = 'period'", (used + len(missing),))
        for number, origin_id in enumerate(missing, used + 1):
            remember(db, log_id, what, origin_id, number, None)
            have[origin_id] = (number, None)
    return {origin_id: have[origin_id][0] for origin_id in origin_ids}


class Tagging:
    """Gives the periods of one source the tags that theirs are here, making what is missing. Inside a transaction."""

    def __init__(self, db: sqlite3.Connection, tags: Tags) -> None:
        self._db, self._tags = db, tags
        self._locations = known(db, tags.log_id, "location")
        self._placements = known(db, tags.log_id, "placement")
        self._versions = known(db, tags.log_id, "version")
        self._found: dict[tuple[str, int], int] = {}
        self.new_versions: dict[int, int] = {}  # number there: number here, for those made here
        self.versions: dict[int, int] = {}  # for all
        self.locations: set[str] = set()

    def mark(self, period: TaggedPeriod, here: int) -> Mark:
        """The period as it is to stand here, under the number ``here``."""
        return Mark(
            here,
            period.started_at_utc_ms,
            self._once("placement", period.placement_id),
            self._once("version", period.version),
            period.time_zone,
        )

    def _once(self, what: str, number: int) -> int:
        if (what, number) not in self._found:
            made = self._placement(number) if what == "placement" else self._version(number)
            self._found[what, number] = made
        return self._found[what, number]

    def _placement(self, number: int) -> int:
        place = self._tags.places[number]
        self.locations.add(place.location)
        seen = json.dumps([place.location, place.name])
        origin_id = self._origin("placement", number)
        here = self._placements.get(origin_id)
        if here is not None and here[1] == seen:
            return here[0]
        location_id = self._location(place)
        free = "(SELECT ifnull(max(number), 0) + 1 FROM placement WHERE location_id = ?)"
        if here is None:
            made = self._db.execute(
                f"INSERT INTO placement (location_id, number, name) VALUES (?, {free}, ?)",
                (location_id, location_id, place.name),
            )
            placement_id = int(made.lastrowid or 0)
        else:
            placement_id = here[0]
            self._db.execute(
                f"UPDATE placement SET number = {free}, location_id = ? WHERE id = ? AND location_id <> ?",
                (location_id, location_id, placement_id, location_id),
            )
            self._db.execute("UPDATE placement SET name = ? WHERE id = ?", (place.name, placement_id))
        remember(self._db, self._tags.log_id, "placement", origin_id, placement_id, seen)
        return placement_id

    def _location(self, place: Place) -> int:
        origin_id = self._origin("location", place.location_id)
        here = self._locations.get(origin_id)
        if here is not None and here[1] == place.location:
            return here[0]
        self._db.execute("INSERT OR IGNORE INTO location (name) VALUES (?)", (place.location,))
        location_id = int(self._db.execute("SELECT id FROM location WHERE name = ?", (place.location,)).fetchone()[0])
        remember(self._db, self._tags.log_id, "location", origin_id, location_id, place.location)
        self._locations[origin_id] = (location_id, place.location)
        return location_id

    def _version(self, number: int) -> int:
        version = self._tags.versions[number]
        seen = json.dumps(version)
        origin_id = self._origin("version", number)
        here = self._versions.get(origin_id)
        if here is None or here[1] != seen or not self._is_there(here[0]):
            changed = here is not None and self._is_there(here[0]) and self._is_only_of(here[0], origin_id)
            here_number = here[0] if changed and here is not None else self._same(version)
            if changed:
                self._db.execute(
                    "UPDATE config_version SET label = ?, settings = ?, notes = ? WHERE number = ?",
                    (*version, here_number),
                )
            elif here_number is None:
                here_number = 1 + self._db.execute("SELECT ifnull(max(number), 0) FROM config_version").fetchone()[0]
                self._db.execute("INSERT INTO config_version VALUES (?, ?, ?, ?)", (here_number, *version))
                self.new_versions[number] = here_number
            assert here_number is not None
            remember(self._db, self._tags.log_id, "version", origin_id, here_number, seen)
            here = self._versions[origin_id] = (here_number, seen)
        self.versions[number] = here[0]
        return here[0]

    def _same(self, version: tuple[str, str, str]) -> int | None:
        """A version here with that label and those settings."""
        for number, settings in self._db.execute(
            "SELECT number, settings FROM config_version WHERE label = ? ORDER BY number", (version[0],)
        ):
            if json.loads(settings) == json.loads(version[1]):
                return int(number)
        return None

    def _is_there(self, number: int) -> bool:
        return self._db.execute("SELECT 1 FROM config_version WHERE number = ?", (number,)).fetchone() is not None

    def _is_only_of(self, number: int, origin_id: int) -> bool:
        """Whether that version stands for this one over there alone, and no period of another log, or of this machine,
        is in it."""
        if any(here == number for origin, (here, _) in self._versions.items() if origin != origin_id):
            return False
        other = self._db.execute(
            "SELECT 1 FROM main.period JOIN main.source ON source.id = source_id"
            " WHERE config_version = ? AND origin_log_id IS NOT ? LIMIT 1",
            (number, self._tags.log_id),
        ).fetchone()
        return other is None

    def _origin(self, what: str, number: int) -> int:
        origin_id = self._tags.origin_id(what, number)
        if origin_id is None:
            raise LogError(
                f"the other log does not know where its {what} {number} came from; merge the log it came from"
            )
        return origin_id
