"""What the log has come to say, each thing once: verdicts, changes that nobody wrote down, how far the trial is.

``linktrial review`` finds, ``status`` and ``timeline`` show, the daemon says. ``key`` is what a finding is about: the
same again replaces it, and is not news.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Mapping
from typing import Any, NamedTuple

from logger.log import OWN_SOURCE

VERDICT, UNEXPLAINED, PROGRESS = "verdict", "unexplained", "progress"
NEWS = (VERDICT, UNEXPLAINED)  # the kinds that the daemon says
UNDECIDED = "undecided"  # the verdict that is none
TOLD_AGAIN_AFTER_MS = 86_400_000

_COLUMNS = "SELECT id, kind, key, words, detail, found_at_utc_ms, said_at_utc_ms FROM finding"
_UNTAGGED = """
WHERE kind = 'unexplained' AND (json_extract(detail, '$.command') IS NULL OR NOT EXISTS (
    SELECT 1 FROM period WHERE source_id = ?
    AND started_at_utc_ms > json_extract(detail, '$.earliest_utc_ms')
    AND started_at_utc_ms <= json_extract(detail, '$.latest_utc_ms')
))
ORDER BY json_extract(detail, '$.at_utc_ms'), id
"""
_LOGGED = "SELECT DISTINCT config_version, location_id FROM period JOIN placement ON placement.id = placement_id"
_KEEP = """
INSERT INTO finding (kind, key, words, detail, found_at_utc_ms) VALUES (?, ?, ?, ?, ?)
ON CONFLICT (kind, key) DO UPDATE SET
    words = excluded.words,
    detail = excluded.detail,
    found_at_utc_ms = iif({no_news}, found_at_utc_ms, excluded.found_at_utc_ms),
    said_at_utc_ms = iif({no_news}, said_at_utc_ms, NULL)
""".format(
    no_news="kind <> 'progress' AND json_extract(detail, '$.verdict') IS json_extract(excluded.detail, '$.verdict')"
)


class Finding(NamedTuple):
    """``words``: one sentence for people. ``detail``: the same for machines; of a verdict, with its ``verdict``."""

    kind: str
    key: str
    words: str
    detail: dict[str, Any]


class KeptFinding(NamedTuple):
    """A finding as it stands in the log. ``found_at_utc_ms``: when it was first found; of progress, when last."""

    id: int
    kind: str
    key: str
    words: str
    detail: dict[str, Any]
    found_at_utc_ms: int
    said_at_utc_ms: int | None  # None: the daemon has not told it yet


def finding_key(*about: object) -> str:
    """The key of a finding about these: numbers, names and None."""
    return json.dumps(about, ensure_ascii=False)


def read_findings(db: sqlite3.Connection, *kinds: str) -> list[KeptFinding]:
    """All findings of these kinds, in order of time."""
    marks = ", ".join("?" * len(kinds))
    rows = db.execute(f"{_COLUMNS} WHERE kind IN ({marks}) ORDER BY found_at_utc_ms, id", kinds)
    return [_kept(row) for row in rows]


def unsaid_news(db: sqlite3.Connection) -> list[KeptFinding]:
    """What the daemon has not told yet, in order of time."""
    return [finding for finding in read_findings(db, *NEWS) if finding.said_at_utc_ms is None]


def suggestions(db: sqlite3.Connection) -> list[KeptFinding]:
    """Unexplained changes, in order of time. One that the owner has tagged since is left out: a period begins between
    its earliest and its latest moment. What no tag could explain (a slope) stays."""
    return [_kept(row) for row in db.execute(f"{_COLUMNS} {_UNTAGGED}", (OWN_SOURCE,))]


def keep_finding(db: sqlite3.Connection, finding: Finding, now_ms: int) -> None:
    """Put a finding in the place of the one about the same. It is news, to be said, where there was none and where its
    verdict is another. Inside a transaction, as what follows."""
    kind, key, words, detail = finding
    db.execute(_KEEP, (kind, key, words, json.dumps(detail, ensure_ascii=False, allow_nan=False), now_ms))


def drop_others(db: sqlite3.Connection, kind: str, kept: Iterable[str]) -> None:
    """Take away the findings of a kind whose keys are not among ``kept``."""
    keys = json.dumps(list(kept))
    db.execute("DELETE FROM finding WHERE kind = ? AND key NOT IN (SELECT value FROM json_each(?))", (kind, keys))


def drop_verdicts(
    db: sqlite3.Connection, trial: tuple[int, int, int] | None, judged: Mapping[str, str], now_ms: int
) -> None:
    """Take away the verdicts that no longer stand, so that another on the same is news. ``judged`` holds the verdict of
    all effects of ``trial`` (a, b, location id), by key.

    - Of this trial, what was not found again: its periods were moved or have another version now.
    - Of another, what cannot be found again, for the location has not both versions.
    - What is undecided again: at once where it was not told yet, or where the timeline was edited since; else a day
      after it was found. A verdict at the edge comes and goes from hour to hour, and is so told once a day at most.
    """
    edited_ms = db.execute("SELECT max(max(made_at_utc_ms, ifnull(undone_at_utc_ms, 0))) FROM edit").fetchone()[0] or 0
    logged = {tuple(row) for row in db.execute(_LOGGED)}
    gone = []
    for kept in read_findings(db, VERDICT):
        a, b, location_id, *_ = json.loads(kept.key)
        if (a, b, location_id) != trial:
            stands = {(a, location_id), (b, location_id)} <= logged
        elif judged.get(kept.key) == UNDECIDED:
            young = now_ms - kept.found_at_utc_ms < TOLD_AGAIN_AFTER_MS
            stands = young and kept.said_at_utc_ms is not None and edited_ms <= kept.found_at_utc_ms
        else:
            stands = kept.key in judged
        if not stands:
            gone.append((kept.id,))
    db.executemany("DELETE FROM finding WHERE id = ?", gone)


def mark_said(db: sqlite3.Connection, findings: Iterable[KeptFinding], now_ms: int) -> None:
    """Note that these were told; one that has become news again meanwhile stays news."""
    db.executemany(
        "UPDATE finding SET said_at_utc_ms = ? WHERE id = ? AND found_at_utc_ms = ?",
        [(now_ms, finding.id, finding.found_at_utc_ms) for finding in findings],
    )


def _kept(row: sqlite3.Row) -> KeptFinding:
    identity, kind, key, words, detail, found_ms, said_ms = row
    return KeptFinding(identity, kind, key, words, json.loads(detail), found_ms, said_ms)
