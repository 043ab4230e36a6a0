"""Takes a recording into the log: all of it in one transaction, or nothing."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

from tqdm import tqdm

from adapters.contract import BitRate
from logger.block_table import write_blocks
from logger.blocks import Block, Fold, FoldSample, LinkFacts
from logger.errors import ImportRefused
from logger.exchange.columns import placement_number, version_number
from logger.exchange.reading import Recording, Row, Spot, Stay, arrange, read_recording
from logger.link_table import NO_LINK_ID, intern_link, intern_rate
from logger.log import OWN_SOURCE, Log
from logger.sample import LinkIdentity
from logger.sample_id import sample_id
from logger.times import format_local

_INSERT_SAMPLE = (
    "INSERT INTO sample (id, link_id, rssi_dbm, noise_dbm, tx_rate_id, rx_rate_id, flags) VALUES (?, ?, ?, ?, ?, ?, ?)"
)


@dataclass(frozen=True, slots=True)
class Imported:
    """What was taken in. ``versions`` says which number each version of the file has in the log."""

    file: str
    n_rows: int
    n_left_out: int  # rows whose levels and rates were left out because they had no link
    locations: tuple[str, ...]
    n_placements: int
    n_periods: int
    versions: dict[str, int]
    first_utc_ms: int
    last_utc_ms: int


def import_recording(
    log: Log, path: Path, *, now_utc_ms: int, zone: str, ignore_extra: bool = False, quiet: bool = True
) -> Imported:
    """Read a recording (see columns.py) and write it to the log as sources of its own, one per placement.

    ``zone`` is kept with each period as its local zone. Raises ImportRefused where a row is bad or the same file was
    taken before; the log is untouched then. Holds about 150 bytes of memory per row.
    """
    try:
        n_bytes = path.stat().st_size
    except OSError as error:
        raise ImportRefused(f"{path} cannot be read: {error.strerror}") from error
    with _bar("reading", n_bytes, quiet) as bar:
        recording = read_recording(path, ignore_extra=ignore_extra, progress=lambda n: bar.update(n - bar.n))
    _refuse_twice(log.db, recording, zone)
    spots = arrange(recording)
    with _bar("writing", 2 * recording.n_rows, quiet) as bar:  # each row is folded, then written
        # Blocks first: the daemon waits while a transaction is open.
        codes = _codes(recording)
        blocks = [[_fold(stay, spot.pace_ms, codes, bar) for stay in spot.stays] for spot in spots]
        with log.transaction() as db:
            return _Writer(db, recording, now_utc_ms, zone, bar).write(spots, blocks, codes)


def _bar(what: str, total: int, quiet: bool) -> tqdm[NoReturn]:
    form = "{desc}: {percentage:3.0f} % |{bar}| {remaining} left"
    return tqdm(total=total, desc=what, bar_format=form, leave=False, disable=quiet)


def _refuse_twice(db: sqlite3.Connection, recording: Recording, zone: str) -> None:
    row = db.execute(
        "SELECT time_utc_ms FROM event WHERE kind = 'imported' AND json_extract(detail, '$.sha256') = ?",
        (recording.sha256,),
    ).fetchone()
    if row:
        raise ImportRefused(f"{recording.name} was imported already, on {format_local(row[0], zone)}")


def _codes(recording: Recording) -> dict[LinkIdentity | None, int]:
    """Radios by numbers of this import's own, until the log gives them ids."""
    codes: dict[LinkIdentity | None, int] = {}
    for rows in recording.rows_by_spot.values():
        for row in rows:
            codes.setdefault(row.link, len(codes))
    return codes


def _fold(stay: Stay, pace_ms: int, codes: Mapping[LinkIdentity | None, int], bar: tqdm[NoReturn]) -> list[Block]:
    facts = {
        code: LinkFacts(link.connected, link.band) if link else LinkFacts(False, None) for link, code in codes.items()
    }
    fold = Fold(stay.started_at_utc_ms, stay.ended_at_utc_ms, facts, by_band=True)
    blocks: list[Block] = []
    for row in stay.rows:
        blocks += fold.add(
            FoldSample(
                *(row.time_utc_ms, codes[row.link], row.rssi_dbm, row.noise_dbm, row.tx_rate_mbps, row.rx_rate_mbps),
                *(None, None, None, None, None, None, None),
                flags=row.flags,
            ),
            pace_ms,
        )
    bar.update(len(stay.rows))
    return blocks + list(fold.open.values())


class _Writer:
    """One import inside its transaction."""

    def __init__(
        self, db: sqlite3.Connection, recording: Recording, now_utc_ms: int, zone: str, bar: tqdm[NoReturn]
    ) -> None:
        self._db, self._recording, self._now_utc_ms, self._zone, self._bar = db, recording, now_utc_ms, zone, bar
        self._rate_ids: dict[float | None, int | None] = {None: None}

    def write(
        self, spots: list[Spot], blocks: list[list[list[Block]]], codes: Mapping[LinkIdentity | None, int]
    ) -> Imported:
        self._link_ids = {link: intern_link(self._db, link) if link else NO_LINK_ID for link in codes}
        self._id_by_code = {code: self._link_ids[link] for link, code in codes.items()}
        self._versions = self._version_numbers()
        placement_ids = self._placement_ids(spots)
        source_ids = [
            self._write_spot(spot, blocks_of_spot, placement_ids[spot.location, spot.placement])
            for spot, blocks_of_spot in zip(spots, blocks, strict=True)
        ]
        done = Imported(
            file=self._recording.name,
            n_rows=self._recording.n_rows,
            n_left_out=self._recording.n_left_out,
            locations=tuple(dict.fromkeys(spot.location for spot in spots)),
            n_placements=len(spots),
            n_periods=sum(len(spot.stays) for spot in spots),
            versions=self._versions,
            first_utc_ms=min(spot.stays[0].started_at_utc_ms for spot in spots),
            last_utc_ms=max(spot.stays[-1].rows[-1].time_utc_ms for spot in spots),
        )
        detail = {"file": done.file, "rows": done.n_rows, "sha256": self._recording.sha256}
        self._insert(
            "INSERT INTO event (time_utc_ms, kind, source_id, detail) VALUES (?, 'imported', ?, ?)",
            (self._now_utc_ms, source_ids[0], json.dumps(detail)),
        )
        return done

    def _write_spot(self, spot: Spot, blocks: list[list[Block]], placement_id: int) -> int:
        """One placement with all that hangs on it; returns the id of its source."""
        source_id = self._insert(
            "INSERT INTO source (id, kind, name, added_at_utc_ms)"
            " SELECT max(ifnull(max(id), 0), ?) + 1, 'import', ?, ? FROM source",
            (OWN_SOURCE, f"{self._recording.name}: {spot.location}, placement {spot.placement}", self._now_utc_ms),
        )
        started_ms = spot.stays[0].started_at_utc_ms
        self._insert("INSERT INTO pace VALUES (?, ?, ?)", (source_id, started_ms, spot.pace_ms))
        for stay, blocks_of_stay in zip(spot.stays, blocks, strict=True):
            version = self._versions[stay.version]
            period_id = self._insert(
                "INSERT INTO period (source_id, placement_id, config_version, started_at_utc_ms, ended_at_utc_ms,"
                " time_zone) VALUES (?, ?, ?, ?, ?, ?)",
                (source_id, placement_id, version, stay.started_at_utc_ms, stay.ended_at_utc_ms, self._zone),
            )
            self._db.executemany(_INSERT_SAMPLE, self._samples(period_id, stay.rows))
            for block in blocks_of_stay:
                block.link_id = self._id_by_code[block.link_id]
            write_blocks(self._db, period_id, blocks_of_stay)
            self._bar.update(len(stay.rows))
        return source_id

    def _samples(self, period_id: int, rows: Iterable[Row]) -> Iterator[tuple[object, ...]]:
        an_id, link_ids, rate_ids = -1, self._link_ids, self._rate_ids
        for row in rows:
            time_ms, _, _, link, rssi_dbm, noise_dbm, tx_mbps, rx_mbps, flags = row
            an_id = max(an_id + 1, sample_id(period_id, time_ms))
            for mbps in (tx_mbps, rx_mbps):
                if mbps not in rate_ids:
                    rate_ids[mbps] = intern_rate(self._db, BitRate(mbps))
            yield an_id, link_ids[link], rssi_dbm, noise_dbm, rate_ids[tx_mbps], rate_ids[rx_mbps], flags or None

    def _version_numbers(self) -> dict[str, int]:
        """The number of each version of the file: its own, that of its label in the log, or the next free one."""
        rows = self._db.execute("SELECT number, label FROM config_version ORDER BY number DESC").fetchall()
        number_by_label = {label: number for number, label in rows}
        numbers = {name: version_number(name) or number_by_label.get(name) for name in self._recording.versions}
        taken = {number for number, _ in rows} | {number for number in numbers.values() if number}
        found: dict[str, int] = {}
        for name, wanted in numbers.items():
            number = found[name] = wanted or max(taken, default=0) + 1
            taken.add(number)
            label = f"v{number}" if version_number(name) else name
            self._db.execute("INSERT OR IGNORE INTO config_version (number, label) VALUES (?, ?)", (number, label))
        return found

    def _placement_ids(self, spots: list[Spot]) -> dict[tuple[str, str], int]:
        """The row of each placement; those with a number come first, so that names take the numbers left."""
        ids: dict[tuple[str, str], int] = {}
        for spot in sorted(spots, key=lambda spot: placement_number(spot.placement) is None):
            self._db.execute("INSERT OR IGNORE INTO location (name) VALUES (?)", (spot.location,))
            location_id = self._one("SELECT id FROM location WHERE name = ?", (spot.location,))
            found = self._one(
                "SELECT id FROM placement WHERE location_id = ? AND ifnull(name, CAST(number AS TEXT)) = ?",
                (location_id, spot.placement),
            )
            ids[spot.location, spot.placement] = found or self._add_placement(location_id, spot.placement)
        return ids

    def _add_placement(self, location_id: int | None, placement: str) -> int:
        numbers = {
            row[0] for row in self._db.execute("SELECT number FROM placement WHERE location_id = ?", (location_id,))
        }
        number = placement_number(placement)
        if number is None or number in numbers:
            number = max(numbers, default=0) + 1
        name = None if placement == str(number) else placement
        return self._insert(
            "INSERT INTO placement (location_id, number, name) VALUES (?, ?, ?)", (location_id, number, name)
        )

    def _one(self, sql: str, values: tuple[object, ...]) -> int | None:
        row = self._db.execute(sql, values).fetchone()
        return row and int(row[0])

    def _insert(self, sql: str, values: tuple[object, ...]) -> int:
        return int(self._db.execute(sql, values).lastrowid or 0)
