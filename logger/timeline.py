"""The timeline: where the laptop stood and which config version the router was in. All of it can be edited
afterwards, back-dated and undone; each edit is one transaction, samples and blocks included."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager

from adapters.clock import Clock
from logger import marks
from logger.errors import TagError
from logger.log import OWN_SOURCE, Log
from logger.marks import Mark, Marks
from logger.passes import last_taken
from logger.repoint import read_marks, write_marks
from logger.router_settings import SettingValue, changed_settings
from logger.tags import Period, Version, find_version, period_at, read_periods, read_versions
from logger.times import format_local, local_zone_name
from logger.undo import difference, state_of, take_back
from logger.zones import zone_at

UNNAMED = "unnamed spot"
AS_FOUND = "as found"
LABEL_LENGTH = 80
JUST_NOW_MS = 10_000


def begin_timeline(db: sqlite3.Connection, time_ms: int, location: str = UNNAMED, time_zone: str | None = None) -> bool:
    """Open the first period where the log has none yet; says whether it did. Inside a transaction."""
    if db.execute("SELECT 1 FROM period WHERE source_id = ? LIMIT 1", (OWN_SOURCE,)).fetchone():
        return False
    # Versions that an import brought are states of that recording's router: ours begins with the next number.
    number = 1 + db.execute("SELECT ifnull(max(number), 0) FROM config_version").fetchone()[0]
    db.execute("INSERT INTO config_version (number, label) VALUES (?, ?)", (number, AS_FOUND))
    placement_id = _new_placement(db, _location_id(db, location))
    write_marks(db, OWN_SOURCE, [Mark(None, time_ms, placement_id, number, time_zone or local_zone_name())])
    return True


class Timeline:
    """Says what was changed, where and when. Times are UTC milliseconds; None means now."""

    def __init__(self, log: Log, clock: Clock, time_zone: str | None = None) -> None:
        self._log = log
        self._clock = clock
        self.time_zone = time_zone or local_zone_name()

    # What the owner says

    def at(self, location: str, when_ms: int | None = None, *, same_placement: bool = False) -> Period:
        """The laptop stands at this location since then: a new placement, or the last one there again."""
        name = checked_name(location, "location")
        with self._edit(f"at {_quoted(name)}") as (db, now_ms):
            self._refuse_future(db, now_ms)
            time_ms = self._moment(when_ms, now_ms)
            if not self._marks(db):
                begin_timeline(db, time_ms, name, self.time_zone)
                return self._at(db, time_ms)
            location_id = _location_id(db, name)
            if same_placement:
                placement_id = _last_placement(db, location_id, name)
                self._refuse_repeat(db, time_ms, f"at that placement of '{name}'", placement_id=placement_id)
            else:
                placement_id = _new_placement(db, location_id)
            self._write(db, marks.place, time_ms, placement_id)
            return self._at(db, time_ms)

    def changed(
        self,
        label: str,
        when_ms: int | None = None,
        settings: Mapping[str, SettingValue | None] | None = None,
        notes: str = "",
    ) -> tuple[Version, Period]:
        """The router was changed then: a new config version, with the settings in force until then and these."""
        name = checked_name(label, "label")
        with self._edit(f"changed {_quoted(name)}") as (db, now_ms):
            self._refuse_future(db, now_ms)
            time_ms = self._moment(when_ms, now_ms)
            begin_timeline(db, time_ms, time_zone=self.time_zone)
            current = self._marks(db)
            held = _version(db, current[self._index(current, time_ms)].config_version)
            number = 1 + db.execute("SELECT max(number) FROM config_version").fetchone()[0]
            version = Version(number, name, changed_settings(held.settings, settings or {}), notes)
            db.execute(
                "INSERT INTO config_version (number, label, settings, notes) VALUES (?, ?, ?, ?)",
                (number, name, json.dumps(version.settings), notes),
            )
            self._write(db, marks.configure, time_ms, number)
            return version, self._at(db, time_ms)

    def back_to(self, number: int, when_ms: int | None = None) -> Period:
        """The router is back in an earlier version since then."""
        with self._edit(f"back-to v{number}") as (db, now_ms):
            self._refuse_future(db, now_ms)
            time_ms = self._moment(when_ms, now_ms)
            _version(db, number)  # there must be one
            self._refuse_repeat(db, time_ms, f"in v{number}", config_version=number)
            self._write(db, marks.configure, time_ms, number)
            return self._at(db, time_ms)

    # Afterthoughts

    def amend_period(
        self,
        period_id: int,
        *,
        location: str | None = None,
        same_placement: bool = False,
        number: int | None = None,
        started_ms: int | None = None,
    ) -> None:
        """Other tags, or another beginning, for one period of this machine. A location means a new placement there,
        or with ``same_placement`` the last one."""
        with self._edit(f"timeline amend {period_id}") as (db, now_ms):
            current = self._marks(db)
            index = self._own(current, period_id)
            placement_id = None
            if location is not None:
                name = checked_name(location, "location")
                location_id = _location_id(db, name)
                new = not same_placement
                placement_id = _new_placement(db, location_id) if new else _last_placement(db, location_id, name)
            if number is not None:
                _version(db, number)
            edited = marks.retag(current, index, placement_id, number)
            if started_ms is not None:
                edited = marks.move_start(edited, index, self._moment(started_ms, now_ms))
            write_marks(db, OWN_SOURCE, edited)

    def amend_version(
        self,
        number: int,
        *,
        label: str | None = None,
        settings: Mapping[str, SettingValue | None] | None = None,
        notes: str | None = None,
    ) -> None:
        """Another label, other settings or notes for one version."""
        with self._edit(f"timeline amend v{number}") as (db, _):
            held = _version(db, number)
            db.execute(
                "UPDATE config_version SET label = ?, settings = ?, notes = ? WHERE number = ?",
                (
                    held.label if label is None else checked_name(label, "label"),
                    json.dumps(changed_settings(held.settings, settings or {})),
                    held.notes if notes is None else notes,
                    number,
                ),
            )

    def amend_location(self, name: str, new_name: str) -> None:
        """Another name for one location."""
        new_name = checked_name(new_name, "location")
        with self._edit(f"timeline amend {_quoted(name)} --name {_quoted(new_name)}") as (db, _):
            if db.execute("SELECT 1 FROM location WHERE name = ?", (new_name,)).fetchone():
                raise TagError(f"there is a location '{new_name}' already; amend the periods one by one")
            if not db.execute("UPDATE location SET name = ? WHERE name = ?", (new_name, name)).rowcount:
                raise TagError(f"there is no location '{name}'; 'linktrial timeline' lists them")

    def split(self, when_ms: int) -> int:
        """Two periods out of the one that holds at that time; returns the id of the later one."""
        with self._edit("timeline split") as (db, now_ms):
            time_ms = self._moment(when_ms, now_ms)
            if any(mark.started_at_utc_ms == time_ms for mark in self._marks(db)):
                raise TagError("a period begins at that very moment already")
            self._write(db, lambda current, when, _, zone: marks.cut(current, when, zone), time_ms, 0)
            return self._at(db, time_ms).id

    def join(self, period_id: int) -> None:
        """Let this period and the one before it be one, with the tags of the earlier."""
        with self._edit(f"timeline join {period_id}") as (db, _):
            current = self._marks(db)
            write_marks(db, OWN_SOURCE, marks.join(current, self._own(current, period_id)))

    def undo(self) -> str:
        """Take the last edit back; returns its words. Raises TagError when there is none."""
        with self._log.transaction() as db:
            row = db.execute(
                "SELECT id, words, change FROM edit WHERE undone_at_utc_ms IS NULL ORDER BY id DESC LIMIT 1"
            ).fetchone()
            if row is None:
                raise TagError("there is nothing to undo")
            take_back(db, json.loads(row["change"]), row["words"])
            db.execute("UPDATE edit SET undone_at_utc_ms = ? WHERE id = ?", (self._clock.utc_ms(), row["id"]))
        self._log.timeline_edits += 1
        return str(row["words"])

    # What stands there

    def periods(self) -> list[Period]:
        """All periods, this machine's and imported ones, in order of time."""
        return read_periods(self._log.db)

    def now_utc_ms(self) -> int:
        return self._clock.utc_ms()

    def local(self, utc_ms: int) -> str:
        """A time as a person here says it."""
        return format_local(utc_ms, self.time_zone, self.now_utc_ms())

    def versions(self) -> list[Version]:
        """All config versions, by number."""
        return read_versions(self._log.db)

    def version_at(self, when_ms: int | None) -> Version | None:
        """The version in force then (None: now), if the log has begun by then."""
        period = period_at(self._log.db, self.now_utc_ms() if when_ms is None else when_ms)
        return _version(self._log.db, period.config_version) if period else None

    def next_version_after(self, period: Period) -> tuple[int, int] | None:
        """When the router was next changed after this machine's ``period``, and into which version; None if never."""
        row = self._log.db.execute(
            "SELECT started_at_utc_ms, config_version FROM period"
            " WHERE source_id = ? AND started_at_utc_ms > ? AND config_version <> ? ORDER BY started_at_utc_ms LIMIT 1",
            (OWN_SOURCE, period.started_at_utc_ms, period.config_version),
        ).fetchone()
        return (row[0], row[1]) if row else None

    def locations(self) -> list[str]:
        """The names of all locations, in order of their first mention."""
        return [row[0] for row in self._log.db.execute("SELECT name FROM location ORDER BY id")]

    def find_version(self, word: str) -> Version:
        """A version by "v2", "2" or its label. Raises TagError."""
        return find_version(self.versions(), word)

    # Within

    @contextmanager
    def _edit(self, words: str) -> Iterator[tuple[sqlite3.Connection, int]]:
        with self._log.transaction() as db:
            now_ms = self._clock.utc_ms()  # not before: who had to wait for another tag is later than that
            before = state_of(db)
            yield db, now_ms
            change = difference(before, state_of(db))
            db.execute(
                "INSERT INTO edit (made_at_utc_ms, words, change) VALUES (?, ?, ?)",
                (now_ms, words, json.dumps(change)),
            )
        self._log.timeline_edits += 1

    def _moment(self, when_ms: int | None, now_ms: int) -> int:
        if when_ms is not None and when_ms > now_ms:
            raise TagError(f"{format_local(when_ms, self.time_zone)} lies in the future; say it when it has happened")
        return now_ms if when_ms is None else when_ms

    def _marks(self, db: sqlite3.Connection) -> Marks:
        return read_marks(db, OWN_SOURCE)

    def _index(self, current: Marks, time_ms: int) -> int:
        if not current:
            raise TagError("the log has not begun; say 'linktrial at LOCATION' first")
        if time_ms < (began_ms := current[0].started_at_utc_ms):
            began = format_local(began_ms, self.time_zone)
            raise TagError(f"the log began at {began}; nothing can be said of the time before")
        return marks.index_at(current, time_ms)

    def _own(self, current: Marks, period_id: int) -> int:
        for index, mark in enumerate(current):
            if mark.period_id == period_id:
                return index
        raise TagError(f"this machine has no period {period_id}; 'linktrial timeline' lists them")

    def _refuse_future(self, db: sqlite3.Connection, now_ms: int) -> None:
        """After a clock set back, a tag would land before the last one and hold only until that."""
        current = self._marks(db)
        if current and current[-1].started_at_utc_ms > now_ms:
            begins = format_local(current[-1].started_at_utc_ms, self.time_zone)
            raise TagError(
                f"the clock was set back: period {current[-1].period_id} begins at {begins}, which is to come;"
                f" say 'linktrial timeline amend {current[-1].period_id} --starts now' first"
            )

    def _write(self, db: sqlite3.Connection, edit: Callable[..., Marks], time_ms: int, tag: int) -> None:
        current = self._marks(db)
        self._index(current, time_ms)
        travelled = db.execute("SELECT 1 FROM zone WHERE source_id = ? AND from_utc_ms > ?", (OWN_SOURCE, time_ms))
        zone = zone_at(db, OWN_SOURCE, time_ms) if travelled.fetchone() else None
        edited = edit(current, time_ms, tag, zone or self.time_zone)
        write_marks(db, OWN_SOURCE, edited, set_back_to_ms=self._set_back_to_ms(db, time_ms))

    def _set_back_to_ms(self, db: sqlite3.Connection, time_ms: int) -> int | None:
        """``time_ms``, where that is now, and the clock was set back since the last sample was taken."""
        now_ms, taken_ms = self._clock.utc_ms(), last_taken(db).time_utc_ms
        is_now = time_ms > now_ms - JUST_NOW_MS
        return time_ms if is_now and taken_ms is not None and taken_ms > now_ms else None

    def _refuse_repeat(self, db: sqlite3.Connection, time_ms: int, what: str, **tag: int) -> None:
        current = self._marks(db)
        mark = current[self._index(current, time_ms)]
        if all(getattr(mark, name) == value for name, value in tag.items()):
            since = format_local(mark.started_at_utc_ms, self.time_zone)
            raise TagError(f"it was {what} then already, since {since}")

    def _at(self, db: sqlite3.Connection, time_ms: int) -> Period:
        period = period_at(db, time_ms)
        assert period is not None  # an edit has just made sure of it
        return period


def checked_name(text: str, what: str) -> str:
    """A location or label as it may stand in the log: 1 to 80 printable characters, no blanks around them."""
    name = text.strip()
    if not name:
        raise TagError(f"a {what} needs at least one character")
    if len(name) > LABEL_LENGTH:
        raise TagError(f"a {what} takes up to {LABEL_LENGTH} characters, not {len(name)}; notes can be longer")
    if any(
        ord(character) < 32 or 127 <= ord(character) < 160 or 0xD800 <= ord(character) < 0xE000 for character in name
    ):
        raise TagError(f"a {what} cannot hold control characters")
    return name


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)


def _version(db: sqlite3.Connection, number: int) -> Version:
    return find_version(read_versions(db), f"v{number}")


def _location_id(db: sqlite3.Connection, name: str) -> int:
    row = db.execute("SELECT id FROM location WHERE name = ?", (name,)).fetchone()
    return int(row[0] if row else db.execute("INSERT INTO location (name) VALUES (?)", (name,)).lastrowid or 0)


def _last_placement(db: sqlite3.Connection, location_id: int, name: str) -> int:
    row = db.execute(
        "SELECT max(placement.id) FROM placement WHERE location_id = ? AND NOT EXISTS (SELECT 1 FROM period"
        " JOIN source ON source.id = source_id WHERE placement_id = placement.id AND origin_log_id IS NOT NULL)",
        (location_id,),
    ).fetchone()
    if row[0] is None:
        raise TagError(f"the laptop has not stood at '{name}' before; leave --same-placement out")
    return int(row[0])


def _new_placement(db: sqlite3.Connection, location_id: int) -> int:
    made = db.execute(
        "INSERT INTO placement (location_id, number)"
        " SELECT ?, ifnull(max(number), 0) + 1 FROM placement WHERE location_id = ?",
        (location_id, location_id),
    )
    return int(made.lastrowid or 0)
