"""Effects once worked out are kept in the log, and worked out again only when what they came from has changed.

The table ``answer`` holds, for each question (an effect with its margin, washout and the rest; or which bands and
metrics a location has), the answer and a fingerprint. An answer holds while its fingerprint is what it would be today.
It is the BLAKE2b hash, 32 bytes long, of

- the source text of all that works effects out (``dashboards/analysis/``, ``comparison.py``, ``frames.py``), so that no
  answer outlives the method that gave it;
- of each period of the two versions at the location that has blocks: its tags, its ends, its zone, when its recording
  begins and ends, and how often its blocks were written. SQLite counts that itself, by triggers (logger/schema_2.sql),
  whoever writes: while the count stands, the blocks are what they were, and not one has to be read;
- of a period that never had a link in a known band, also the counts of all other periods of its recording: such blocks
  take the band of the nearest ones (``frames.load_blocks``).

Radios are not in it: a row of the table ``link`` never changes. Nor are the versions of numpy, scipy and pandas.
Nothing here loads pandas before there is something to work out.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager, suppress
from dataclasses import asdict, dataclass, field
from hashlib import blake2b
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

from dashboards.analysis.effect_value import Effect
from dashboards.comparison import (
    METRICS,
    PLAIN_JUDGEMENT,
    Asked,
    Judgement,
    LocatedEffect,
    Part,
    effects_asked,
    located,
    parts_with_both,
)
from logger.errors import LogError
from logger.log import Log
from logger.router_settings import Settings as RouterSettings
from logger.tags import version_in_force

if TYPE_CHECKING:
    import pandas as pd

FORGOTTEN_AFTER_MS = 366 * 86_400_000  # so that questions which nobody asks any more do not stay for ever
BUSY_MS = 500  # keeping an answer is not worth a longer wait
KEPT_AT_ONCE = 20
KEPT_AT_LEAST_EVERY_S = 5.0  # who is killed before the end has not worked for nothing
_PERIODS = """
    SELECT location.name, config_version, period.id, source_id, n_writes, placement_id, placement.name,
        placement.number, time_zone, period.started_at_utc_ms, period.ended_at_utc_ms,
        (SELECT min(started_at_utc_ms) FROM period AS any WHERE any.source_id = period.source_id),
        (SELECT ended_at_utc_ms FROM period AS any WHERE any.source_id = period.source_id
            ORDER BY started_at_utc_ms DESC LIMIT 1),
        EXISTS (SELECT 1 FROM block CROSS JOIN link ON link.id = link_id
            WHERE block.period_id = period.id AND band IS NOT NULL)
    FROM period
    JOIN placement ON placement.id = placement_id
    JOIN location ON location.id = location_id
    LEFT JOIN block_writes ON block_writes.period_id = period.id
    WHERE EXISTS (SELECT 1 FROM block WHERE block.period_id = period.id)
    ORDER BY period.id
"""


class _Period(NamedTuple):
    """All that a fingerprint holds of a period with blocks."""

    location: str
    version: int
    id: int
    source_id: int
    n_writes: int | None  # None: not since the log counts
    placement_id: int
    placement_name: str | None
    placement_number: int
    time_zone: str
    started_at_utc_ms: int
    ended_at_utc_ms: int | None
    source_started_at_utc_ms: int
    source_ended_at_utc_ms: int | None
    knows_its_band: int


@dataclass(slots=True)
class _Place:
    """Two versions at one location: what is known of them there, None or missing where it is yet to be worked out."""

    a: int
    b: int
    location: str
    fingerprint: bytes
    parts: list[Part] | None = None
    effects: dict[Asked, Effect] = field(default_factory=dict)


class Remembered:
    """The effects between pairs of versions: those that the log remembers, and the way to the others.

    ``pairs`` are (a, b), compared as ``compare_versions`` does, with the same choices; ``settings`` are those of the
    versions. Has to be made inside ``one_moment(log)``; the blocks that ``work_out`` is given have to be read inside
    the same. Raises ValueError outside of one.
    """

    def __init__(
        self,
        log: Log,
        pairs: Iterable[tuple[int, int]],
        *,
        settings: Mapping[int, RouterSettings],
        location: str | None = None,
        band: str | None = None,
        metrics: tuple[str, ...] = METRICS,
        judged: Judgement = PLAIN_JUDGEMENT,
    ) -> None:
        if not log.db.in_transaction:
            raise ValueError("what is remembered has to be read inside one_moment, together with the blocks")
        self._log = log
        self._choices: dict[str, Any] = {"band": band, "metrics": metrics, "judged": judged, "settings": settings}
        self._choices["in_force"] = version_in_force(log.db)
        periods = [_Period(*row) for row in log.db.execute(_PERIODS)]
        method = method_mark()
        self._places = [place for a, b in pairs for place in _places(periods, a, b, location, method)]
        for place in self._places:
            place.parts = _recall(log.db, _parts_question(place), place.fingerprint, _parts_from)
            for asked in self._asked(place):
                effect = _recall(log.db, _question(asked), place.fingerprint, _effect_from)
                if effect is not None:
                    place.effects[asked] = effect

    @property
    def complete(self) -> bool:
        """Whether nothing is yet to be worked out."""
        return not any(place.parts is None or self._missing(place) for place in self._places)

    def effects(self, a: int, b: int) -> list[LocatedEffect]:
        """Of one pair, as ``compare_versions`` gives them. Raises LookupError before all are known."""
        return [
            located(asked, part, place.effects[asked])
            for place in self._places
            if (place.a, place.b) == (a, b)
            for part in _known(place)
            for asked in effects_asked(part, a, b, **self._choices)
        ]

    def work_out(
        self,
        blocks: pd.DataFrame,
        *,
        now_utc_ms: int,
        n_processes: int = 1,
        progress: Callable[[int, int], object] = lambda done, expected: None,
        elapsed_s: Callable[[], float] = monotonic,
    ) -> None:
        """Work out what is missing, and have the log remember it, if it can be written to just now.

        ``n_processes`` at most work at it (see ``judge_many``). ``progress`` is told how many effects are done, of how
        many. What is done when this is broken off is remembered, too; when it is killed, all but the last seconds
        of it, which ``elapsed_s`` counts."""
        if self.complete:
            return
        from dashboards.many_effects import judge_many

        with _kept(self._log, now_utc_ms, elapsed_s) as keep:
            for place in self._places:
                if place.parts is None:
                    place.parts = parts_with_both(blocks, place.a, place.b, location=place.location)
                    keep(_parts_question(place), place.fingerprint, [asdict(part) for part in place.parts])
            place_of = {asked: place for place in self._places for asked in self._missing(place)}
            progress(0, len(place_of))
            for done, (asked, effect) in enumerate(judge_many(list(place_of), blocks, n_processes), 1):
                place = place_of[asked]
                place.effects[asked] = effect
                keep(_question(asked), place.fingerprint, asdict(effect))
                progress(done, len(place_of))

    def _asked(self, place: _Place) -> Iterator[Asked]:
        for part in place.parts or ():
            yield from effects_asked(part, place.a, place.b, **self._choices)

    def _missing(self, place: _Place) -> list[Asked]:
        return [asked for asked in self._asked(place) if asked not in place.effects]


def _known(place: _Place) -> list[Part]:
    if place.parts is None:
        raise LookupError(f"v{place.a} and v{place.b} at {place.location!r} are yet to be worked out")
    return place.parts


# --- fingerprints ---


def method_mark() -> bytes:
    """A hash of the source text that effects come from. Another one each time where there is no text to be read."""
    here = Path(__file__).parent
    texts = [*sorted((here / "analysis").rglob("*.py")), here / "comparison.py", here / "frames.py"]
    mark = blake2b(digest_size=32)
    try:
        for path in texts:
            text = path.read_bytes()
            mark.update(f"{path.name} {len(text)} ".encode() + text)
    except OSError:
        return os.urandom(32)
    return mark.digest()


def _places(periods: Sequence[_Period], a: int, b: int, location: str | None, method: bytes) -> Iterator[_Place]:
    """The locations that have both versions, by name."""
    for name in sorted({period.location for period in periods}):
        here = [period for period in periods if period.location == name and period.version in (a, b)]
        if location in (None, name) and {a, b} <= {period.version for period in here}:
            yield _Place(a, b, name, _fingerprint(here, periods, method))


def _fingerprint(here: Sequence[_Period], periods: Sequence[_Period], method: bytes) -> bytes:
    elsewhere = {period.source_id for period in here if not period.knows_its_band}
    near = [(period.id, period.n_writes) for period in periods if period.source_id in elsewhere]
    told = repr((method, [tuple(period) for period in here], near))
    return blake2b(told.encode("utf-8", "surrogatepass"), digest_size=32).digest()


# --- the table ---

Answer = TypeVar("Answer")


def _question(asked: Asked) -> str:
    return _json({"asked": "effect", **asdict(asked)})


def _parts_question(place: _Place) -> str:
    return _json({"asked": "parts", "a": place.a, "b": place.b, "location": place.location})


def _json(value: object) -> str:
    return json.dumps(value, sort_keys=True, allow_nan=False, separators=(",", ":"))


def _effect_from(told: dict[str, Any]) -> Effect:
    fields: dict[str, Any] = {name: tuple(value) if isinstance(value, list) else value for name, value in told.items()}
    return Effect(**fields)


def _parts_from(told: list[dict[str, Any]]) -> list[Part]:
    return [Part(**{**one, "told": tuple(one["told"]), "chosen": tuple(one["chosen"])}) for one in told]


def _recall(db: sqlite3.Connection, question: str, fingerprint: bytes, read: Callable[[Any], Answer]) -> Answer | None:
    row = db.execute(
        "SELECT answer FROM answer WHERE question = ? AND fingerprint = ?", (question, fingerprint)
    ).fetchone()
    return read(json.loads(row[0])) if row else None


@contextmanager
def _kept(log: Log, now_utc_ms: int, elapsed_s: Callable[[], float]) -> Iterator[Callable[[str, bytes, object], None]]:
    """Gives a function that has the log remember an answer: some at a time, but soon, and the last ones at the end,
    come what may."""
    rows: list[tuple[str, bytes, str, int]] = []
    written_s = elapsed_s()

    def keep(question: str, fingerprint: bytes, answer: object) -> None:
        nonlocal written_s
        with suppress(ValueError):  # a number that is not finite: not to be remembered
            rows.append((question, fingerprint, _json(answer), now_utc_ms))
        if len(rows) >= KEPT_AT_ONCE or (rows and elapsed_s() - written_s >= KEPT_AT_LEAST_EVERY_S):
            _write(log, rows, now_utc_ms)
            rows.clear()
            written_s = elapsed_s()

    try:
        yield keep
    finally:
        if rows:
            _write(log, rows, now_utc_ms)


def _write(log: Log, rows: Sequence[tuple[str, bytes, str, int]], now_utc_ms: int) -> None:
    """Without a word where the log cannot be written or is busy: then it is worked out again another time."""
    patience_ms = log.db.execute("PRAGMA busy_timeout").fetchone()[0]
    log.db.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
    try:
        with suppress(LogError), log.transaction() as db:
            db.executemany("INSERT OR REPLACE INTO answer VALUES (?, ?, ?, ?)", rows)
            db.execute("DELETE FROM answer WHERE found_at_utc_ms < ?", (now_utc_ms - FORGOTTEN_AFTER_MS,))
    finally:
        log.db.execute(f"PRAGMA busy_timeout = {patience_ms}")
