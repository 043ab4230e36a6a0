"""Reads a recording that somebody else made: checks every row, and arranges the rows in periods. Knows no log."""

from __future__ import annotations

import csv
import hashlib
import io
from bisect import bisect_left, bisect_right
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from difflib import get_close_matches
from itertools import pairwise
from operator import itemgetter
from pathlib import Path
from statistics import median_low
from typing import NamedTuple

from logger.blocks import DURING_PROBE
from logger.errors import ImportRefused
from logger.exchange.columns import (
    COLUMNS,
    NEEDED,
    BadCell,
    parse_link,
    parse_mark,
    parse_name,
    parse_number,
    parse_time,
)
from logger.printable import printable, quoted
from logger.sample import LinkIdentity

DEFAULT_PACE_MS = 5000  # of a recording with one moment only
LEFT_MS = 60_000  # a spot was left when others have rows in a gap longer than this and than
LEFT_PACES = 10  # this many times the pace
_ROWS_BETWEEN_PROGRESS = 5000


class Row(NamedTuple):
    """One row of a file, checked. ``link`` None: no link, of no known band."""

    time_utc_ms: int
    line: int
    version: str
    link: LinkIdentity | None
    rssi_dbm: float | None
    noise_dbm: float | None
    tx_rate_mbps: float | None
    rx_rate_mbps: float | None
    flags: int = 0  # of logger/blocks.py


@dataclass(slots=True)
class Recording:
    """The rows of one file by (location, placement), each in the order of the file."""

    name: str
    sha256: str
    rows_by_spot: dict[tuple[str, str], list[Row]] = field(default_factory=dict)
    versions: dict[str, None] = field(default_factory=dict)  # in order of first appearance
    n_rows: int = 0
    n_left_out: int = 0  # levels and rates on rows without a link


class Stay(NamedTuple):
    """The rows of one period: one placement, one version, unbroken."""

    version: str
    started_at_utc_ms: int
    ended_at_utc_ms: int
    rows: Sequence[Row]


class Spot(NamedTuple):
    """One placement of a recording, with its periods in order of time."""

    location: str
    placement: str
    pace_ms: int
    stays: list[Stay]


def read_recording(
    path: Path, *, ignore_extra: bool = False, progress: Callable[[int], object] = lambda _: None
) -> Recording:
    """The rows of a CSV file (UTF-8; comma, semicolon or tab), every one of them good.

    ``progress`` is told the bytes read so far. Raises ImportRefused, with the line of the first bad row and how many
    more there are.
    """
    try:
        with path.open("rb") as raw:
            recording = Recording(printable(path.name), hashlib.file_digest(raw, "sha256").hexdigest())
            raw.seek(0)
            with io.TextIOWrapper(raw, "utf-8-sig", newline="") as text:
                _read_rows(recording, text, ignore_extra, lambda: progress(raw.tell()))
    except OSError as error:
        raise ImportRefused(f"{path} cannot be read: {error.strerror or error}") from error
    return recording


def _read_rows(
    recording: Recording, text: io.TextIOWrapper, ignore_extra: bool, progress: Callable[[], object]
) -> None:
    refusals = _Refusals(recording.name)
    line = 1
    try:
        first = text.readline()
        delimiter = max(",;\t", key=first.count)
        header = next(csv.reader([first], delimiter=delimiter), [])
        cells_of = _columns(recording.name, header, ignore_extra)
        reader = csv.reader(text, delimiter=delimiter, strict=True)
        line = 2
        decimal_comma = delimiter != ","
        for cells in reader:
            if any(cells):
                try:
                    if len(cells) != len(header):
                        raise BadCell(f"has {len(cells)} cells where the first row has {len(header)}")
                    cells.append("")  # what a missing column reads
                    _add_row(recording, line, cells_of(cells), decimal_comma)
                except BadCell as bad:
                    refusals.add(line, str(bad))
            line = reader.line_num + 2
            if line % _ROWS_BETWEEN_PROGRESS == 0:
                progress()
    except csv.Error as error:
        refusals.add(line, f"is no CSV ({error}); look for a quote that is never closed")
    except UnicodeDecodeError:
        refusals.add(line, "or one soon after it is not UTF-8; save the file as UTF-8")
    refusals.raise_if_any()
    if not recording.n_rows:
        raise ImportRefused(f"{recording.name} has no rows; nothing was imported")


def _columns(name: str, header: list[str], ignore_extra: bool) -> Callable[[list[str]], tuple[str, ...]]:
    """Picks the cells of COLUMNS, in that order, out of a row with one empty cell added."""
    found = [cell.strip().lower() for cell in header]
    if not any(found):
        raise ImportRefused(f"{name} is empty; its first row names the columns: {', '.join(COLUMNS)}")
    for column in found:
        if column in COLUMNS and found.count(column) > 1:
            raise ImportRefused(f"{name} has two columns {column}; nothing was imported")
        if column not in COLUMNS and not ignore_extra:
            near = get_close_matches(column, COLUMNS, 1)
            hint = f"is {near[0]} meant?" if near else "say --ignore-extra to leave it out"
            raise ImportRefused(f"{name} has an unknown column {quoted(column)}; {hint}")
    missing = [column for column in NEEDED if column not in found]
    if "band" not in found and "frequency_mhz" not in found:
        missing.append("band (or frequency_mhz)")
    if missing:
        raise ImportRefused(f"{name} has no column {', '.join(missing)}; nothing was imported")
    return itemgetter(*(found.index(column) if column in found else len(found) for column in COLUMNS))


def _add_row(recording: Recording, line: int, cells: tuple[str, ...], decimal_comma: bool) -> None:
    (
        time,
        location,
        placement,
        version,
        band,
        frequency,
        rssi,
        tx_rate,
        rx_rate,
        noise,
        connected,
        bssid,
        during_probe,
    ) = cells
    if decimal_comma:
        time, band = time.replace(",", "."), band.replace(",", ".")
        rssi, tx_rate, rx_rate, noise = (cell.replace(",", ".") for cell in (rssi, tx_rate, rx_rate, noise))
    row = Row(
        parse_time(time),
        line,
        parse_name(version, "version"),
        link := parse_link(band, frequency, connected, bssid),
        parse_number(rssi, "rssi_dbm"),
        parse_number(noise, "noise_dbm"),
        _rate(tx_rate, "tx_rate_mbps", link),
        _rate(rx_rate, "rx_rate_mbps", link),
        DURING_PROBE if parse_mark(during_probe, "during_probe") else 0,
    )
    spot = (parse_name(location, "location"), parse_name(placement, "placement"))
    if (link is None or not link.connected) and (row[4], row[6], row[7]) != (None, None, None):
        row = row._replace(rssi_dbm=None, tx_rate_mbps=None, rx_rate_mbps=None)
        recording.n_left_out += 1
    recording.rows_by_spot.setdefault(spot, []).append(row)
    recording.versions.setdefault(row.version)
    recording.n_rows += 1


def _rate(cell: str, column: str, link: LinkIdentity | None) -> float | None:
    """A rate; 0 where there is no link is the recorder's way to say so."""
    if link is None or not link.connected:
        cell = cell.strip()
        return None if cell in ("0", "0.0") else parse_number(cell, column)
    return parse_number(cell, column)


class _Refusals:
    """The first bad row in words, the others by number."""

    def __init__(self, name: str) -> None:
        self._name, self._first, self._more = name, "", 0

    def add(self, line: int, problem: str) -> None:
        if self._first:
            self._more += 1
        else:
            self._first = f"{self._name} line {line}: {problem}"

    def raise_if_any(self) -> None:
        if self._first:
            more = f"; {self._more:,} more bad row{'s' * (self._more > 1)}" if self._more else ""
            raise ImportRefused(f"{self._first}{more}; nothing was imported")


def arrange(recording: Recording) -> list[Spot]:
    """The periods of a recording.

    The rows of one placement, in order of time, are cut where the version changes, and where the spot was left: where
    others have rows in a long gap. A period ends where the next of its placement begins, or one pace after its last
    row where the spot was left. Raises ImportRefused for one placement in two versions at once.
    """
    for rows in recording.rows_by_spot.values():
        rows.sort(key=itemgetter(0))
    spots = []
    for spot, rows in recording.rows_by_spot.items():
        pace_ms = _pace_ms(rows)
        spots.append(Spot(*spot, pace_ms, _stays(recording, spot, rows, pace_ms)))
    return spots


def _stays(recording: Recording, spot: tuple[str, str], rows: list[Row], pace_ms: int) -> list[Stay]:
    others = [theirs for other, theirs in recording.rows_by_spot.items() if other != spot]
    long_ms = max(LEFT_MS, LEFT_PACES * pace_ms)
    cuts = [(0, 0)]  # (index of the first row, when the period before ended)
    for index, (before, after) in enumerate(pairwise(rows), 1):
        gap_ms = after.time_utc_ms - before.time_utc_ms
        if gap_ms > long_ms and any(_has_row_between(theirs, before[0], after[0]) for theirs in others):
            cuts.append((index, before.time_utc_ms + pace_ms))
        elif after.version != before.version:
            if after.time_utc_ms == rows[cuts[-1][0]].time_utc_ms:
                raise ImportRefused(
                    f"{recording.name} line {after.line}: {quoted(spot[0])} placement {quoted(spot[1])} is in version"
                    f" {quoted(before.version)} and {quoted(after.version)} at one time; nothing was imported"
                )
            cuts.append((index, after.time_utc_ms))
    cuts.append((len(rows), rows[-1].time_utc_ms + pace_ms))
    for (begin, _), (end, _) in pairwise(cuts):
        _name_bands(recording.name, rows, begin, end)
    return [
        Stay(rows[begin].version, rows[begin].time_utc_ms, ended_ms, rows[begin:end])
        for (begin, _), (end, ended_ms) in pairwise(cuts)
    ]


def _name_bands(name: str, rows: list[Row], begin: int, end: int) -> None:
    """Give the rows of a period that tell of no link and of no band that of the link before, else of the first after:
    without one no link could have been lost. Raises ImportRefused where several bands were read at once."""
    if all(rows[index].link is not None for index in range(begin, end)):
        return
    bands_at: dict[int, str | None] = {}
    links = [rows[index].link for index in range(begin, end)]
    unnamed = next(rows[begin + n].line for n, link in enumerate(links) if link is None)
    for index, link in enumerate(links, begin):
        if link and link.connected and bands_at.setdefault(rows[index].time_utc_ms, link.band) != link.band:
            raise ImportRefused(
                f"{name} line {unnamed}: connected 0 without a band, where several bands have rows at one time; say the"
                " band whose link was gone; nothing was imported"
            )
    band = next((link.band for link in links if link and link.connected), None)
    for index, link in enumerate(links, begin):
        if link is None and band:
            rows[index] = rows[index]._replace(link=LinkIdentity(None, None, None, None, None, band, connected=False))
        elif link and link.connected:
            band = link.band


def _has_row_between(rows: list[Row], after_ms: int, before_ms: int) -> bool:
    time = itemgetter(0)
    return bisect_right(rows, after_ms, key=time) < bisect_left(rows, before_ms, key=time)


def _pace_ms(rows: list[Row]) -> int:
    """The usual time between two rows of one radio, in milliseconds."""
    return median_low(list(_steps_ms(rows)) or [DEFAULT_PACE_MS])


def _steps_ms(rows: list[Row]) -> Iterator[int]:
    last_ms_by_radio: dict[tuple[str | None, str | None] | None, int] = {}
    for row in rows:
        radio = (row.link.band, row.link.bssid) if row.link else None
        step_ms = row.time_utc_ms - last_ms_by_radio.get(radio, row.time_utc_ms)
        if step_ms:
            yield step_ms
        last_ms_by_radio[radio] = row.time_utc_ms
