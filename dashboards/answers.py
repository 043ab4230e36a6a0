"""What was worked out from blocks is kept in the log, and worked out again only when what it came from has changed.

The table ``answer`` holds, for each question (canonical JSON), the answer and a fingerprint. An answer holds while its
fingerprint is what it would be today. It is the BLAKE2b hash, 32 bytes long, of

- the source text of all that works answers out (``dashboards/analysis/``, ``comparison.py``, ``frames.py``, ...) and of
  what makes blocks, so that no answer outlives the method that gave it;
- of each period with blocks that the question is about: its tags, its ends, its zones, when its recording begins and
  ends, and how often its blocks were written. SQLite counts that itself, by triggers (logger/schema_2.sql), whoever
  writes: while the count stands, the blocks are what they were, and not one has to be read;
- of each of these periods also how many probes and looks at radios lie in it, how many probes of them have ended, and
  the sums of their numbers: rows of these are added, and with a merge taken away, but never changed;
- of a period that never had a link in a known band, also the counts of all other periods of its recording: such blocks
  take the band of the nearest ones (``frames.load_blocks``);
- whatever else the question says that it hangs on.

Radios are not in it: a row of the table ``link`` never changes. Nor are the versions of numpy, scipy and pandas.

A second fingerprint leaves out how often the blocks of this machine's open period were written. While only it stands,
the answer is right up to the moment when it was found. ``Answers`` can be told to take such an answer while what came
since is a small share of the time that it rests on: a report of a year need not work for minutes because the last hour
is new. It then says of when the answer is. A merge brings another machine's last months at once, so its open period
always counts.

Nothing here loads pandas.
"""

from __future__ import annotations

import json
import os
import sqlite3
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager, suppress
from hashlib import blake2b
from pathlib import Path
from time import monotonic
from typing import Any, Generic, NamedTuple, TypeVar

from logger.errors import LogError
from logger.log import OWN_SOURCE, Log

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
            WHERE block.period_id = period.id AND band IS NOT NULL),
        (SELECT group_concat(from_utc_ms || time_zone) FROM
            (SELECT * FROM zone WHERE zone.source_id = period.source_id ORDER BY from_utc_ms)),
        (SELECT count(*) || ' ' || total(outcome <> 'running') || ' ' || total(probe.id) FROM probe
            WHERE probe.source_id = period.source_id AND probe.started_at_utc_ms >= period.started_at_utc_ms
            AND probe.started_at_utc_ms < ifnull(period.ended_at_utc_ms, 1 << 62)),
        (SELECT count(*) || ' ' || total(scan.id) FROM scan
            WHERE scan.source_id = period.source_id AND scan.time_utc_ms >= period.started_at_utc_ms
            AND scan.time_utc_ms < ifnull(period.ended_at_utc_ms, 1 << 62))
    FROM period
    JOIN placement ON placement.id = placement_id
    JOIN location ON location.id = location_id
    LEFT JOIN block_writes ON block_writes.period_id = period.id
    WHERE EXISTS (SELECT 1 FROM block WHERE block.period_id = period.id)
    ORDER BY period.id
"""
_COUNTED_RADIOS = """
    SELECT DISTINCT hex(ssid), NULL FROM link WHERE ssid IS NOT NULL
    UNION SELECT NULL, bssid FROM link WHERE bssid IS NOT NULL
    UNION SELECT hex(ssid), bssid FROM watched ORDER BY 1, 2
"""
WORKED_OUT_BY = ("comparison", "frames", "beside_frames", "radios_heard")
_LOGGED = "SELECT period_id, sum(covered_ms) FROM block GROUP BY period_id"

Answer = TypeVar("Answer")


class Period(NamedTuple):
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
    zones: str | None
    probed: str | None
    looked: str | None

    @property
    def settled(self) -> Period:
        """The same, but for writes that go on while time passes here."""
        goes_on = self.ended_at_utc_ms is None and self.source_id == OWN_SOURCE
        return self._replace(n_writes=None, probed=None, looked=None) if goes_on else self


class Fingerprint(NamedTuple):
    """``lag_ms``: so much later an answer that stands but for its ``exact`` fingerprint will still do."""

    exact: bytes
    settled: bytes
    lag_ms: float


class Recalled(NamedTuple, Generic[Answer]):
    """``as_of_utc_ms``: the answer knows nothing of what came later; None: there is nothing later."""

    answer: Answer
    as_of_utc_ms: int | None


class Answers:
    """The answers that a log holds, as of one moment. Has to be made inside ``one_moment(log)``; the blocks that new
    answers are worked out from have to be read inside the same. Raises ValueError outside of one.

    ``lag_share``: an answer may know nothing of what came since it was found, if that is at most this share of the time
    that samples of any version that it is about stand for, as of ``now_utc_ms``."""

    def __init__(self, log: Log, *, now_utc_ms: int = 0, lag_share: float = 0.0) -> None:
        if not log.db.in_transaction:
            raise ValueError("what is remembered has to be read inside one_moment, together with the blocks")
        self.log = log
        self.periods = [Period(*row) for row in log.db.execute(_PERIODS)]
        # Whose sightings are judged, see dashboards/beside_frames.py.
        self.counted_radios = list(map(tuple, log.db.execute(_COUNTED_RADIOS)))
        self._method = method_mark()
        self._now_ms, self._lag_share = now_utc_ms, lag_share
        self._logged_ms: dict[int, int] = dict(map(tuple, log.db.execute(_LOGGED))) if lag_share else {}

    def fingerprint(self, here: Sequence[Period], *more: object) -> Fingerprint:
        """Of an answer from the blocks of the periods ``here``, and from ``more``."""
        elsewhere = {period.source_id for period in here if not period.knows_its_band}
        near = [period for period in self.periods if period.source_id in elsewhere]
        exact = (self._method, list(map(tuple, here)), [(period.id, period.n_writes) for period in near], more)
        settled = (
            self._method,
            [tuple(period.settled) for period in here],
            [(period.id, period.settled.n_writes) for period in near],
            more,
        )
        return Fingerprint(_hash(exact), _hash(settled), self._lag_share * self._least_logged_ms(here))

    def recall(self, question: str, fingerprint: Fingerprint, read: Callable[[Any], Answer]) -> Recalled[Answer] | None:
        """The answer, if there is one that holds."""
        row = self.log.db.execute(
            "SELECT answer, fingerprint, settled_fingerprint, found_at_utc_ms FROM answer WHERE question = ?",
            (question,),
        ).fetchone()
        if row is None:
            return None
        if row[1] == fingerprint.exact:
            return Recalled(read(json.loads(row[0])), None)
        if row[2] == fingerprint.settled and 0 <= self._now_ms - row[3] < fingerprint.lag_ms:
            return Recalled(read(json.loads(row[0])), int(row[3]))
        return None

    @contextmanager
    def keeping(
        self, now_utc_ms: int, elapsed_s: Callable[[], float] = monotonic
    ) -> Iterator[Callable[[str, Fingerprint, object], None]]:
        """Gives a function that has the log remember an answer: some at a time, but soon, and the last ones at the end,
        come what may. The log keeps nothing, without a word, where it cannot be written just now."""
        rows: list[tuple[object, ...]] = []
        written_s = elapsed_s()

        def keep(question: str, fingerprint: Fingerprint, answer: object) -> None:
            nonlocal written_s
            with suppress(ValueError):  # a number that is not finite: not to be remembered
                rows.append((question, fingerprint.exact, as_question(answer), now_utc_ms, fingerprint.settled))
            if len(rows) >= KEPT_AT_ONCE or (rows and elapsed_s() - written_s >= KEPT_AT_LEAST_EVERY_S):
                _write(self.log, rows, now_utc_ms)
                rows.clear()
                written_s = elapsed_s()

        try:
            yield keep
        finally:
            if rows:
                _write(self.log, rows, now_utc_ms)

    def _least_logged_ms(self, here: Iterable[Period]) -> float:
        """For how long there are samples of the version that has least."""
        logged: dict[int, int] = {}
        for period in here:
            logged[period.version] = logged.get(period.version, 0) + self._logged_ms.get(period.id, 0)
        return min(logged.values(), default=0)


def as_question(value: object) -> str:
    """Canonical JSON. Raises ValueError for a number that is not finite."""
    return json.dumps(value, sort_keys=True, allow_nan=False, separators=(",", ":"))


def method_mark() -> bytes:
    """A hash of the source text that answers come from. Another one each time where there is no text to be read."""
    here = Path(__file__).parent
    of_the_log = [here.parent / "logger" / name for name in ("blocks.py", "passes.py", "router_settings.py")]
    texts = [*sorted((here / "analysis").rglob("*.py")), *(here / f"{name}.py" for name in WORKED_OUT_BY), *of_the_log]
    mark = blake2b(digest_size=32)
    try:
        for path in texts:
            text = path.read_bytes()
            mark.update(f"{path.name} {len(text)} ".encode() + text)
    except OSError:
        return os.urandom(32)
    return mark.digest()


def _hash(told: object) -> bytes:
    return blake2b(repr(told).encode("utf-8", "surrogatepass"), digest_size=32).digest()


def _write(log: Log, rows: Sequence[tuple[object, ...]], now_utc_ms: int) -> None:
    """Without a word where the log cannot be written or is busy: then it is worked out again another time."""
    patience_ms = log.db.execute("PRAGMA busy_timeout").fetchone()[0]
    log.db.execute(f"PRAGMA busy_timeout = {BUSY_MS}")
    try:
        with suppress(LogError, sqlite3.OperationalError), log.transaction() as db:
            db.executemany(
                "INSERT OR REPLACE INTO answer (question, fingerprint, answer, found_at_utc_ms, settled_fingerprint)"
                " VALUES (?, ?, ?, ?, ?)",
                rows,
            )
            db.execute("DELETE FROM answer WHERE found_at_utc_ms < ?", (now_utc_ms - FORGOTTEN_AFTER_MS,))
    finally:
        log.db.execute(f"PRAGMA busy_timeout = {patience_ms}")
