"""Takes another machine's log in: each of its recorders becomes a source here, as it is there.

Merging again adds what is new and follows what was edited there. A recorder that is new here appears in one moment,
with all it has: until then its samples lie under numbers that no period has, and its periods and blocks in temporary
tables. One that is here already follows the other log's timeline in one transaction, and then gets its new samples in
order of time, some at a time: what a report sees in between is what a merge a little earlier would have given. Whoever
is killed in the midst merges again.
"""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import partial
from pathlib import Path
from shutil import rmtree
from tempfile import mkdtemp

from adapters.contract import BitRate
from logger.block_table import FOLD_MARGIN_MS, rebuild_blocks
from logger.claim import Claim
from logger.errors import LogError
from logger.link_table import NO_LINK_ID, intern_link, intern_rate
from logger.log import Log
from logger.merging import same_log
from logger.merging.follow import OF_SOURCE, Taken, copy_blocks, follow, n_samples, pruned_here, write_times
from logger.merging.other_log import opened_other
from logger.merging.other_rows import OtherRows, Source, TaggedPeriod
from logger.merging.other_untagged import OtherUntagged
from logger.merging.samples import Samples, clear
from logger.merging.tags import Tagging, Tags, forget, known, reserve_periods
from logger.merging.untagged import Untagged
from logger.printable import printable
from logger.sample import LinkIdentity

Progress = Callable[[str, int, int], object]  # what is done, how much of how much
_PREPARED = ("source", "period", "pace", "event", "pruned", "block")


@dataclass(slots=True)
class MergedSource:
    """What became of one recorder. ``left_out`` says why nothing of it was taken, if so."""

    name: str
    n_samples: int = 0  # over there, or behind blocks there
    n_new: int = 0
    n_probes: int = 0  # that came, or changed
    n_scans: int = 0
    left_out: str | None = None


@dataclass(slots=True)
class Merged:
    """What a merge did. ``versions``: the other log's numbers and ours; ``new_versions``: those of ours it made."""

    file: str
    sources: list[MergedSource] = field(default_factory=list)
    locations: list[str] = field(default_factory=list)
    versions: dict[str, str] = field(default_factory=dict)
    new_versions: list[str] = field(default_factory=list)

    @property
    def n_new(self) -> int:
        return sum(source.n_new for source in self.sources)


def merge(
    log: Log,
    path: Path,
    *,
    now_utc_ms: int,
    name: str | None = None,
    progress: Progress = lambda what, n, of: None,
) -> Merged:
    """Take in the log at ``path``, which is only read. ``name``: what its own logger is called here, else the file's
    name. Raises MergeRefused and other LogErrors: then nothing that shows has changed, or it is whole as far as it
    came."""
    with (
        Claim.take(log.path, "merge"),
        _folder(log.path) as folder,
        opened_other(path, folder, log, lambda n, of: progress("copying", n, of)) as other,
    ):
        own_id = log.db.execute("SELECT log_id FROM identity").fetchone()[0]
        if other.log_id == own_id:
            raise same_log.refusal(log.db, other, now_utc_ms)
        return _Merge(log, OtherRows(other), own_id, now_utc_ms, name or other.name, progress).run()


@contextmanager
def _folder(log: Path) -> Iterator[Path]:
    """A folder of our own beside the log, where there is room for another."""
    try:
        beside = log.resolve().parent
        for old in beside.glob(".linktrial-merge-*"):  # of one that was killed: no other runs
            rmtree(old, ignore_errors=True)
        folder = Path(mkdtemp(dir=beside, prefix=".linktrial-merge-"))
    except OSError as error:
        raise LogError(f"{log.parent} cannot be written: {error.strerror or error}") from error
    try:
        yield folder
    finally:
        rmtree(folder, ignore_errors=True)


class _Merge:
    """One merge."""

    def __init__(self, log: Log, rows: OtherRows, own_id: str, now_utc_ms: int, name: str, progress: Progress) -> None:
        self._log, self._rows, self._own_id, self._now_utc_ms, self._name = log, rows, own_id, now_utc_ms, name
        self._progress = progress
        self._done = Merged(rows.other.name)
        self._changed = False

    def run(self) -> Merged:
        rows, db = self._rows, self._log.db
        sources, self._places, self._versions = rows.sources(), rows.places(), rows.versions()
        periods = {source.id: rows.periods(source.id, self._places, self._versions) for source in sources}
        of_all = sum(map(len, periods.values()))
        if of_all != len({period.id for some in periods.values() for period in some}):
            raise rows.other.refuse("has two periods of one number")
        taken = []
        imports = self._imports_known()
        for source in sources:
            mine = self._here(source)
            left_out = self._left_out(source, periods[source.id], mine, imports)
            if left_out is None:
                taken.append((source, mine[0] if mine else None))
            elif left_out:
                self._done.sources.append(MergedSource(source.name, left_out=left_out))
        behind = (
            "SELECT ifnull(sum(n_samples), 0) FROM block",
            *(f"SELECT count(*) FROM {it}" for it in ("probe", "scan")),
        )
        self._n_behind = sum(row[0] for sql in behind for row in rows.other.rows(sql))
        links, rates = rows.links(), rows.rates()
        self._doing, self._n_seen = "checking", 0
        for source, mine in taken:
            self._check(source, mine, periods[source.id], dict.fromkeys(links, 0), dict.fromkeys([None, *rates]))
        self._links, self._rates = self._radios(links, rates) if taken else ({}, {})
        self._doing, self._n_seen = "bringing samples", 0
        for source, mine in taken:
            self._take(source, mine, periods[source.id])
        if self._changed:
            detail = {"log": rows.other.name, "log_id": rows.other.log_id, "new": self._done.n_new}
            with self._log.transaction() as db:
                db.execute(
                    "INSERT INTO event (time_utc_ms, kind, detail) VALUES (?, 'merged', ?)",
                    (self._now_utc_ms, json.dumps(detail)),
                )
        return self._done

    # What to take

    def _here(self, source: Source) -> sqlite3.Row | None:
        """The number of a source here, and as of when, if it is here already."""
        row: sqlite3.Row | None = self._log.db.execute(
            "SELECT id, origin_as_of_utc_ms FROM main.source WHERE origin_log_id = ? AND origin_source_id = ?",
            (source.log_id, source.origin_id),
        ).fetchone()
        return row

    def _imports_known(self) -> set[str]:
        return {
            row[0]
            for row in self._log.db.execute(
                "SELECT json_extract(detail, '$.sha256') FROM event WHERE kind = 'imported'"
            )
            if row[0]
        }

    def _left_out(
        self, source: Source, periods: Sequence[TaggedPeriod], mine: sqlite3.Row | None, imports: set[str]
    ) -> str | None:
        """Why nothing is taken of a source: "" where that need not be said; None where it is taken."""
        if source.log_id == self._own_id:
            return "it is of this log"
        if not periods:
            return ""
        if mine is not None:
            if source.as_of_utc_ms < mine[1] or (
                source.log_id != self._rows.other.log_id and source.as_of_utc_ms == mine[1]
            ):
                return "what is here already is as new or newer"
            return None
        if source.kind == "import" and self._sha(source) in imports:
            return "the same recording was imported here"
        return None

    def _sha(self, source: Source) -> str | None:
        """Of the file that an import came from: its event stands with the first of the sources made of it."""
        for (text,) in self._rows.other.rows(
            "SELECT detail FROM event WHERE kind = 'imported' AND time_utc_ms = ?", (source.added_at_utc_ms,)
        ):
            detail = self._rows.parsed(text, "an event")
            if source.name.startswith(f"{printable(str(detail.get('file')))}: "):
                return str(detail.get("sha256"))
        return None

    def _check(
        self,
        source: Source,
        mine: int | None,
        periods: Sequence[TaggedPeriod],
        links: dict[int, int],
        rates: dict[int | None, int | None],
    ) -> None:
        """Read all that will be taken once before anything is: what cannot be is found while this log is untouched."""
        rows, db = self._rows, self._log.db
        pruned = [row[0] for table in OF_SOURCE for row in rows.times(table, source.id) if table == "pruned"]
        pruned += [] if mine is None else pruned_here(db, mine)
        for _ in rows.events(source.id):
            pass
        numbers, waiting = (known(db, source.log_id, what) for what in ("period", "waiting"))
        origin = None if source.log_id == rows.other.log_id else rows.origin_ids(source.log_id, "period")
        samples = Samples(self._log, rows, links, rates, self._brought)
        Untagged(self._log, OtherUntagged(rows.other), links, self._brought).look(source.id, mine)
        for period in periods:
            origin_id = period.id if origin is None else origin.get(period.id)
            if origin_id is None:
                raise rows.other.refuse(f"does not know where its period {period.id} came from")
            here, hidden = (some.get(origin_id, (None, None))[0] for some in (numbers, waiting))
            for _ in rows.blocks(period.id, max(pruned, default=0) + FOLD_MARGIN_MS, links) if pruned else ():
                pass
            samples.look(period.id, here, hidden, max(pruned, default=0))

    def _radios(
        self, links: Mapping[int, LinkIdentity | None], rates: Mapping[int, BitRate]
    ) -> tuple[dict[int, int], dict[int | None, int | None]]:
        """The numbers here of all radios and rates there."""
        with self._log.transaction() as db:
            return (
                {number: NO_LINK_ID if link is None else intern_link(db, link) for number, link in links.items()},
                {None: None, **{number: intern_rate(db, rate) for number, rate in rates.items()}},
            )

    # One source

    def _take(self, source: Source, mine: int | None, periods: Sequence[TaggedPeriod]) -> None:
        rows, log = self._rows, self._log
        origin = None
        if source.log_id != rows.other.log_id:
            kinds = ("location", "placement", "version", "period")
            origin = {what: rows.origin_ids(source.log_id, what) for what in kinds}
        tags = Tags(source.log_id, self._places, self._versions, origin)
        origin_ids: dict[int, int] = {}
        for period in periods:
            origin_id = tags.origin_id("period", period.id)
            if origin_id is None:
                raise rows.other.refuse(f"does not know where its period {period.id} came from")
            origin_ids[period.id] = origin_id
        if mine is None:
            self._forget_unseen(source.log_id, set(origin_ids.values()))
        with log.transaction() as db:
            here = reserve_periods(db, source.log_id, "period", list(origin_ids.values()))
        numbers = {period.id: here[origin_ids[period.id]] for period in periods}
        taken = Taken(source, periods, numbers, origin_ids, tags, self._links)
        done = MergedSource(self._called(source, mine))
        self._done.sources.append(done)
        bring = Samples(log, rows, self._links, self._rates, self._brought)
        untagged = Untagged(log, OtherUntagged(rows.other), self._links, self._brought)
        if mine is None:
            tagging = self._appear(taken, bring, done)
            self._changed = True
        else:
            followed = follow(log, rows, taken, mine, bring, lambda n, of: self._progress("letting in", n, of))
            tagging, done.n_new, done.n_samples = followed.tagging, followed.n_new, followed.n_samples
            self._changed |= followed.changed
        stands = self._here(source)
        assert stands is not None
        done.n_probes, done.n_scans = untagged.bring(source.id, stands[0])
        self._changed |= bool(done.n_probes or done.n_scans)
        self._done.locations = sorted({*self._done.locations, *tagging.locations})
        self._done.versions |= {f"v{number}": f"v{own}" for number, own in sorted(tagging.versions.items())}
        self._done.new_versions += [f"v{number}" for number in tagging.new_versions.values()]

    def _brought(self, n: int) -> None:
        self._n_seen += n
        self._progress(self._doing, min(self._n_seen, self._n_behind), self._n_behind)

    def _called(self, source: Source, mine: int | None) -> str:
        if mine is not None:
            return str(self._log.db.execute("SELECT name FROM source WHERE id = ?", (mine,)).fetchone()[0])
        if source.kind == "import" or source.log_id != self._rows.other.log_id:
            return source.name
        taken = {row[0] for row in self._log.db.execute("SELECT name FROM source")}
        names = [self._name, *(f"{self._name} ({n})" for n in range(2, 1000))]
        return next(name for name in names if name not in taken)

    def _forget_unseen(self, log_id: str, still_there: set[int]) -> None:
        """What a killed merge brought for periods that are no longer there."""
        db = self._log.db
        for origin_id, (here, _) in known(db, log_id, "period").items():
            if origin_id not in still_there and not _is_period(db, here):
                clear(self._log, here)
                with self._log.transaction() as db:
                    forget(db, log_id, "period", [origin_id])

    def _appear(self, taken: Taken, bring: Samples, done: MergedSource) -> Tagging:
        """A source that is new here."""
        rows, db, source, numbers = self._rows, self._log.db, taken.source, taken.numbers
        pruned = rows.times("pruned", source.id)
        from_ms = pruned[0][0] if pruned else 0
        for period in taken.periods:
            number = numbers[period.id]
            bring.bring(period.id, None, number, from_ms, partial(int, number))
        with self._prepared():
            origin = (source.log_id, source.origin_id, source.as_of_utc_ms)
            row = (0, source.kind, done.name, source.added_at_utc_ms, *origin)
            db.execute(f"INSERT INTO temp.source VALUES ({', '.join('?' * len(row))})", row)
            db.executemany(
                "INSERT INTO temp.period VALUES (?, 0, 0, 0, ?, ?, '')",
                [(numbers[each.id], each.started_at_utc_ms, each.ended_at_utc_ms) for each in taken.periods],
            )
            for table in ("pace", "pruned"):
                write_times(db, "temp", table, 0, rows.times(table, source.id))
            events = enumerate(rows.events(source.id))
            db.executemany(
                "INSERT INTO temp.event VALUES (?, ?, ?, 0, ?)",
                ((n, event.time_utc_ms, event.kind, event.detail) for n, event in events),
            )
            for n, period in enumerate(taken.periods):
                if pruned and period.started_at_utc_ms < from_ms + FOLD_MARGIN_MS:
                    copy_blocks(db, "temp", rows, taken, period, from_ms + FOLD_MARGIN_MS)
                rebuild_blocks(db, numbers[period.id], keep_fixed=True)
                self._progress("summing up", n + 1, len(taken.periods))
            with self._log.transaction() as db:
                tagging = self._show(taken, done)
        return tagging

    def _show(self, taken: Taken, done: MergedSource) -> Tagging:
        """Let a source that was prepared be there. Inside a transaction."""
        rows, db, source = self._rows, self._log.db, taken.source
        source_id = 1 + db.execute("SELECT max(id) FROM main.source").fetchone()[0]
        db.execute("UPDATE temp.source SET id = ?", (source_id,))
        db.execute("INSERT INTO main.source SELECT * FROM temp.source")
        tagging = Tagging(db, taken.tags)
        for period in taken.periods:
            mark = tagging.mark(period, taken.numbers[period.id])
            db.execute(
                "INSERT INTO main.period (id, source_id, placement_id, config_version, started_at_utc_ms,"
                " ended_at_utc_ms, time_zone) VALUES (?, ?, ?, ?, ?, ?, ?)",
                (mark.period_id, source_id, mark.placement_id, mark.config_version, mark.started_at_utc_ms,
                 period.ended_at_utc_ms, mark.time_zone),
            )  # fmt: skip
        for table in OF_SOURCE:
            write_times(db, "main", table, source_id, rows.times(table, source.id))
        db.execute(
            "INSERT INTO main.event (time_utc_ms, kind, source_id, detail)"
            " SELECT time_utc_ms, kind, ?, detail FROM temp.event ORDER BY id",
            (source_id,),
        )
        db.execute("INSERT INTO main.block SELECT * FROM temp.block")
        done.n_samples = done.n_new = n_samples(db, source_id)
        return tagging

    @contextmanager
    def _prepared(self) -> Iterator[None]:
        """Temporary tables that stand before those of the log for this connection, for a source to come."""
        db = self._log.db
        try:
            for table in _PREPARED:
                db.execute(f"CREATE TEMP TABLE {table} AS SELECT * FROM main.{table} LIMIT 0")
            db.execute("CREATE UNIQUE INDEX temp.blocks ON block (period_id, started_at_utc_ms, link_id)")
            db.execute("CREATE UNIQUE INDEX temp.periods ON period (id)")
            db.execute("CREATE INDEX temp.events ON event (source_id, time_utc_ms)")
            yield
        finally:
            for table in _PREPARED:
                db.execute(f"DROP TABLE IF EXISTS temp.{table}")


def _is_period(db: sqlite3.Connection, number: int) -> bool:
    return db.execute("SELECT 1 FROM period WHERE id = ?", (number,)).fetchone() is not None
