"""Probes in the log: one row each, there before its traffic begins, with its transfers and rounds of latency.

A probe carries no tag: it belongs to the period of its source that holds its time. The recorder marks the samples that
were taken while one ran (``probing_spans``), so whoever probes commits ``begin_probe`` first and sends afterwards.
"""

from __future__ import annotations

import sqlite3
from collections.abc import Iterable
from typing import Literal, NamedTuple

from logger.link_table import NO_LINK_ID, intern_link
from logger.log import OWN_SOURCE, Log
from logger.sample import LinkIdentity

LONGEST_PROBE_MS = 600_000  # what has not ended by then was killed
ENDED_WITHOUT_A_WORD = "it ended without a word"

Outcome = Literal["running", "done", "failed", "link-changed", "stepped-aside"]


class Transfer(NamedTuple):
    """One timed transfer over TCP, as the table ``transfer`` has it. ``steady_*`` leave slow start out; None: it never
    got beyond."""

    direction: Literal["down", "up"]
    streams: int
    started_at_utc_ms: int
    duration_ms: int
    n_bytes: int  # of payload, slow start included
    steady_ms: int | None = None
    steady_bytes: int | None = None
    goodput_mbps: float | None = None  # steady_bytes over steady_ms
    tcp_rtt_ms: float | None = None
    tcp_retransmits: int | None = None


class Latency(NamedTuple):
    """One round of latency, as the table ``latency`` has it; ``jitter_ms`` is RFC 5481's packet delay variation."""

    target: Literal["gateway", "far-end"]
    load: Literal["idle", "down", "up"]
    method: Literal["icmp", "tcp-connect"]
    n_sent: int
    n_lost: int
    median_ms: float | None = None  # None: no answer came
    p95_ms: float | None = None
    jitter_ms: float | None = None


class Probe(NamedTuple):
    """One probe as the log has it. ``ended_at_utc_ms`` None: it runs, or ended without a word."""

    id: int
    started_at_utc_ms: int
    ended_at_utc_ms: int | None
    link_id: int
    far_end: str
    outcome: Outcome
    words: str
    transfers: tuple[Transfer, ...] = ()
    latencies: tuple[Latency, ...] = ()


_TRANSFER = (
    "direction, streams, started_at_utc_ms, duration_ms, bytes, steady_ms, steady_bytes, goodput_mbps, tcp_rtt_ms,"
    " tcp_retransmits"
)
_LATENCY = "target, load, method, n_sent, n_lost, median_ms, p95_ms, jitter_ms"
_PROBE = "id, started_at_utc_ms, ended_at_utc_ms, link_id, far_end, outcome, words"


def begin_probe(log: Log, started_at_utc_ms: int, *, far_end: str = "") -> int:
    """Commit that a probe begins, before any of its traffic; returns its number. Earlier ones that cannot run any more
    and never ended are taken for failed. Raises LogError."""
    with log.transaction() as db:
        db.execute(
            "UPDATE probe SET outcome = 'failed', words = ? WHERE source_id = ? AND outcome = 'running'"
            " AND started_at_utc_ms NOT BETWEEN ? AND ?",
            (ENDED_WITHOUT_A_WORD, OWN_SOURCE, started_at_utc_ms - LONGEST_PROBE_MS, started_at_utc_ms),
        )
        probe_id = _insert(db, started_at_utc_ms, None, far_end, "running", "")
    log.timeline_edits += 1  # this connection's own recorder looks again
    return probe_id


def fail_lost_probes(log: Log, now_ms: int) -> int:
    """Commit that probes which never ended have failed, and by now have no traffic; how many. For whoever knows that
    none runs. Raises LogError."""
    with log.transaction() as db:
        done = db.execute(
            "UPDATE probe SET outcome = 'failed', words = ?,"
            " ended_at_utc_ms = max(started_at_utc_ms, min(?, started_at_utc_ms + ?))"
            " WHERE source_id = ? AND ended_at_utc_ms IS NULL",
            (ENDED_WITHOUT_A_WORD, now_ms, LONGEST_PROBE_MS, OWN_SOURCE),
        )
    if done.rowcount:
        log.timeline_edits += 1
    return done.rowcount


def stepped_aside(log: Log, at_utc_ms: int, words: str, *, far_end: str = "") -> int:
    """Commit that a probe was due and did not run, and why; nothing was sent. Raises LogError."""
    with log.transaction() as db:
        return _insert(db, at_utc_ms, at_utc_ms, far_end, "stepped-aside", words)


def write_results(
    log: Log, probe_id: int, transfers: Iterable[Transfer] = (), latencies: Iterable[Latency] = ()
) -> None:
    """Commit what a probe has measured so far; what is said twice stands as said last. Raises LogError."""
    with log.transaction() as db:
        put_results(db, probe_id, transfers, latencies)


def end_probe(
    log: Log,
    probe_id: int,
    ended_at_utc_ms: int,
    outcome: Outcome,
    *,
    link: LinkIdentity | None = None,
    far_end: str | None = None,
    words: str = "",
    transfers: Iterable[Transfer] = (),
    latencies: Iterable[Latency] = (),
) -> None:
    """Commit how a probe ended, and what it measured besides what ``write_results`` was told. ``link``: the radio that
    it ran over from beginning to end, None where it was not one; ``far_end``: None leaves it as it was. Where the
    clock was set back meanwhile, the end is the beginning. Raises LogError."""
    with log.transaction() as db:
        db.execute(
            "UPDATE probe SET ended_at_utc_ms = max(started_at_utc_ms, ?), outcome = ?, words = ?, link_id = ?,"
            " far_end = ifnull(?, far_end) WHERE id = ?",
            (ended_at_utc_ms, outcome, words, intern_link(db, link) if link else NO_LINK_ID, far_end, probe_id),
        )
        put_results(db, probe_id, transfers, latencies)
    log.timeline_edits += 1


def _insert(
    db: sqlite3.Connection, started_ms: int, ended_ms: int | None, far_end: str, outcome: Outcome, words: str
) -> int:
    while True:  # a clock set back may show a probe's millisecond again
        made = db.execute(
            "INSERT INTO probe (source_id, started_at_utc_ms, ended_at_utc_ms, far_end, outcome, words)"
            " VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (source_id, started_at_utc_ms) DO NOTHING",
            (OWN_SOURCE, started_ms, ended_ms, far_end, outcome, words),
        )
        if made.rowcount:
            return int(made.lastrowid or 0)
        started_ms, ended_ms = started_ms + 1, None if ended_ms is None else ended_ms + 1


def put_results(
    db: sqlite3.Connection, probe_id: int, transfers: Iterable[Transfer], latencies: Iterable[Latency]
) -> None:
    """The same within a transaction of the caller."""
    for table, columns, rows in (("transfer", _TRANSFER, transfers), ("latency", _LATENCY, latencies)):
        places = ", ".join("?" * (1 + len(columns.split(","))))
        db.executemany(
            f"INSERT OR REPLACE INTO {table} (probe_id, {columns}) VALUES ({places})",
            ((probe_id, *row) for row in rows),
        )


def newest_probe(db: sqlite3.Connection, outcome: Outcome | None = None) -> Probe | None:
    """The probe of this machine that was begun last, whatever became of it, or of those with that outcome."""
    row = db.execute(
        f"SELECT {_PROBE} FROM probe WHERE source_id = ? AND outcome = ifnull(?, outcome) ORDER BY id DESC LIMIT 1",
        (OWN_SOURCE, outcome),
    ).fetchone()
    return _with_results(db, row) if row else None


def read_probe(db: sqlite3.Connection, probe_id: int) -> Probe:
    """The probe of that number."""
    return _with_results(db, db.execute(f"SELECT {_PROBE} FROM probe WHERE id = ?", (probe_id,)).fetchone())


def read_probes(db: sqlite3.Connection, from_ms: int, to_ms: int, source_id: int = OWN_SOURCE) -> list[Probe]:
    """Probes begun in [from_ms, to_ms), in order."""
    rows = db.execute(
        f"SELECT {_PROBE} FROM probe WHERE source_id = ? AND started_at_utc_ms >= ? AND started_at_utc_ms < ?"
        " ORDER BY started_at_utc_ms",
        (source_id, from_ms, to_ms),
    ).fetchall()
    return [_with_results(db, row) for row in rows]


def _with_results(db: sqlite3.Connection, row: sqlite3.Row) -> Probe:
    own = (row[0],)
    transfers = db.execute(f"SELECT {_TRANSFER} FROM transfer WHERE probe_id = ? ORDER BY started_at_utc_ms", own)
    latencies = db.execute(f"SELECT {_LATENCY} FROM latency WHERE probe_id = ?", own)
    found = tuple(Transfer(*each) for each in transfers), tuple(Latency(*each) for each in latencies)
    return Probe._make((*row, *found))


def bytes_moved(db: sqlite3.Connection, from_ms: int, to_ms: int) -> int:
    """What the transfers begun in [from_ms, to_ms) have moved over this machine's link."""
    row = db.execute(
        "SELECT ifnull(sum(bytes), 0) FROM transfer JOIN probe ON probe.id = probe_id WHERE source_id = ?"
        " AND probe.started_at_utc_ms >= ? AND probe.started_at_utc_ms < ?"
        " AND transfer.started_at_utc_ms >= ? AND transfer.started_at_utc_ms < ?",
        (OWN_SOURCE, from_ms - LONGEST_PROBE_MS, to_ms, from_ms, to_ms),
    ).fetchone()
    return int(row[0])


def probing_spans(db: sqlite3.Connection, from_ms: int) -> list[tuple[int, int]]:
    """When this machine's probes may have had traffic on the link, from a moment on: (from, to) in milliseconds UTC,
    both included. One that has no end reaches as far as a probe can."""
    rows = db.execute(
        "SELECT started_at_utc_ms, ended_at_utc_ms FROM probe WHERE source_id = ? AND outcome <> 'stepped-aside'"
        " AND started_at_utc_ms >= ?",
        (OWN_SOURCE, from_ms - LONGEST_PROBE_MS),
    )
    ends = ((started, started + LONGEST_PROBE_MS if ended is None else ended) for started, ended in rows)
    return [(started, ended) for started, ended in ends if ended >= from_ms]
