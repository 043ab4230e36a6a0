"""Which config version followed which: from the periods of all recorders, not from the versions' numbers.

A merge numbers the other machine's versions after ours, and ``--at`` writes one down later than it was in force.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable, Mapping
from typing import NamedTuple

from logger.log import OWN_SOURCE

IMPORTS = 0  # the recorder of all imported recordings: a file is one source for each placement
_PERIODS = (
    f"SELECT CASE source.kind WHEN 'import' THEN {IMPORTS} ELSE source.id END, started_at_utc_ms, config_version,"
    " time_zone FROM period JOIN source ON source.id = source_id"
)


class Began(NamedTuple):
    """A config version came into force as a recorder's tags say, at the beginning of a period."""

    recorder: int  # the number of its source; IMPORTS: of any import
    at_utc_ms: int
    version: int
    time_zone: str


class Succession(NamedTuple):
    """``first``: when each version was first in force, on any recorder, earliest first. ``after``: the version that
    it followed, with its beginning; a version that nothing came before is no change and is not in it."""

    first: Mapping[int, int]
    after: Mapping[int, tuple[int, Began]]


def succession(periods: Iterable[Began]) -> Succession:
    """This machine's own recorder is asked first. A version that it never saw, or only began with, followed what was
    in force on the recorder that had it first; not where another one had begun with it before that."""
    first: dict[int, int] = {}
    in_force: dict[int, int] = {}
    begun: dict[tuple[int, int], tuple[int | None, Began]] = {}  # by version and recorder, at first
    for period in sorted(periods, key=lambda one: (one.at_utc_ms, one.recorder)):
        first.setdefault(period.version, period.at_utc_ms)
        begun.setdefault((period.version, period.recorder), (in_force.get(period.recorder), period))
        in_force[period.recorder] = period.version
    after: dict[int, tuple[int, Began]] = {}
    for (version, recorder), (before, period) in begun.items():
        is_first = period.at_utc_ms == first[version] and version not in after
        if before is not None and (recorder == OWN_SOURCE or is_first):
            after[version] = (before, period)
    return Succession(first, after)


def read_succession(db: sqlite3.Connection) -> Succession:
    """As the log has it."""
    return succession(Began(*row) for row in db.execute(_PERIODS))
