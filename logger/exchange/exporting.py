"""Writes the log out as CSV: its samples in the columns that import reads, or its tables."""

from __future__ import annotations

import csv
import json
import sqlite3
from collections.abc import Callable, Iterator
from difflib import get_close_matches
from heapq import merge
from itertools import groupby
from operator import attrgetter, itemgetter
from pathlib import Path
from typing import NamedTuple, TextIO

from logger.aliases import Aliases
from logger.blocks import DURING_PROBE, decode_histogram
from logger.errors import LogError, TagError
from logger.exchange.columns import COLUMNS, format_number, format_time, harmless
from logger.log import Log
from logger.one_moment import one_moment
from logger.printable import quoted
from logger.sample_id import FOREVER_MS, ids_between
from logger.undo import edits_made
from logger.whole_file import whole_file

SAMPLES_AT_ONCE = 2000
_PLACEMENT = "CAST(ifnull(placement.name, placement.number) AS TEXT) AS placement"
_TAGS = """
    JOIN placement ON placement.id = placement_id
    JOIN location ON location.id = location_id
    JOIN source ON source.id = source_id
"""
_PERIODS = f"""
    SELECT source_id, period.id, location.name, {_PLACEMENT}, config_version, source.kind FROM period {_TAGS}
    WHERE ? IS NULL OR location.name = ?
    ORDER BY source_id, started_at_utc_ms
"""
_SAMPLES = """
    SELECT time_utc_ms, link_id, rssi_dbm, tx_rate_id, rx_rate_id, noise_dbm, flags, id FROM sample
    WHERE id >= ? AND id < ? ORDER BY id LIMIT ?
"""
_LINKED_BAND = """
    SELECT band FROM sample JOIN link ON link.id = link_id WHERE connected AND sample.id >= ? AND sample.id < ?
"""
_RATE_COLUMNS = ", ".join(
    f"{way}_rate_n, {way}_rate_sum_mbps / {way}_rate_n AS {way}_rate_mean_mbps,"
    f" {way}_rate_histogram AS {way}_rate_eighth_octaves_histogram"
    for way in ("tx", "rx")
)
_TABLES = {
    "blocks": f"""
        SELECT period_id, location.name AS location, {_PLACEMENT}, config_version AS version, band, frequency_mhz,
            bssid, connected, block.started_at_utc_ms, block.ended_at_utc_ms,
            n_samples, covered_ms / 1000.0 AS covered_s, n_dropouts,
            rssi_n, rssi_sum_dbm / rssi_n AS rssi_mean_dbm, rssi_histogram AS rssi_dbm_histogram,
            noise_n, noise_sum_dbm / noise_n AS noise_mean_dbm, {_RATE_COLUMNS},
            busy_n, busy_sum_permille / 1000.0 / busy_n AS busy_mean_share,
            tx_packets, tx_retries, tx_failed, beacon_losses, rx_bytes, tx_bytes,
            probing_n, tx_rate_stale_n, rx_rate_stale_n
        FROM block JOIN period ON period.id = period_id JOIN link ON link.id = link_id {_TAGS}
        ORDER BY block.started_at_utc_ms, period_id, link_id
    """,
    # One row per transfer and per round of latency; a probe that has neither has a row of its own.
    "probes": f"""
        SELECT period.id AS period_id, probe.id AS probe_id, source.name AS source, location.name AS location,
            {_PLACEMENT}, config_version AS version, band, frequency_mhz, width_mhz, bssid, probe.started_at_utc_ms,
            probe.ended_at_utc_ms, far_end, outcome, words, transfer,
            streams, transfer_started_at_utc_ms, duration_s, bytes, steady_s, steady_bytes, goodput_mbps, tcp_rtt_ms,
            tcp_retransmits, latency, load, method, n_sent, n_lost, median_ms, p95_ms, jitter_ms
        FROM probe
        LEFT JOIN (
            SELECT probe_id AS of_probe, direction AS transfer, streams,
                started_at_utc_ms AS transfer_started_at_utc_ms, duration_ms / 1000.0 AS duration_s, bytes,
                steady_ms / 1000.0 AS steady_s, steady_bytes, goodput_mbps,
                tcp_rtt_ms, tcp_retransmits, NULL AS latency, NULL AS load, NULL AS method, NULL AS n_sent,
                NULL AS n_lost, NULL AS median_ms, NULL AS p95_ms, NULL AS jitter_ms FROM transfer
            UNION ALL
            SELECT probe_id, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, NULL, target, load, method, n_sent,
                n_lost, median_ms, p95_ms, jitter_ms FROM latency
        ) AS part ON of_probe = probe.id
        LEFT JOIN link ON link.id = link_id AND link_id > 0
        LEFT JOIN period ON period.source_id = probe.source_id AND period.started_at_utc_ms <= probe.started_at_utc_ms
            AND ifnull(period.ended_at_utc_ms > probe.started_at_utc_ms, 1)
        LEFT JOIN placement ON placement.id = placement_id
        LEFT JOIN location ON location.id = location_id
        JOIN source ON source.id = probe.source_id
        ORDER BY probe.started_at_utc_ms, probe.id, transfer IS NULL, transfer, streams, latency, load
    """,
    # What was heard without any period, before the first of its source, has no tags.
    "sightings": f"""
        SELECT period.id AS period_id, scan.id AS scan_id, source.name AS source, location.name AS location,
            {_PLACEMENT}, config_version AS version, time_utc_ms AS scan_utc_ms, time_utc_ms - age_ms AS heard_utc_ms,
            age_ms / 1000.0 AS age_s, active, everyone, bssid, ssid_text AS ssid, band, frequency_mhz, center_mhz,
            width_mhz, rssi_dbm, station_count, busy_permille / 1000.0 AS busy_share, country, country_max_dbm,
            power_constraint_db
        FROM scan JOIN sighting ON scan_id = scan.id JOIN radio ON radio.id = radio_id
        LEFT JOIN period ON period.source_id = scan.source_id AND period.started_at_utc_ms <= time_utc_ms
            AND ifnull(period.ended_at_utc_ms > time_utc_ms, 1)
        LEFT JOIN placement ON placement.id = placement_id
        LEFT JOIN location ON location.id = location_id
        JOIN source ON source.id = scan.source_id
        ORDER BY time_utc_ms, scan.id, radio_id
    """,
    "periods": f"""
        SELECT period.id AS period_id, source.name AS source, location.name AS location, {_PLACEMENT},
            config_version AS version, started_at_utc_ms, ended_at_utc_ms, time_zone
        FROM period {_TAGS} ORDER BY started_at_utc_ms, period.id
    """,
    "versions": "SELECT number AS version, label, settings, notes FROM config_version ORDER BY number",
    "events": """
        SELECT time_utc_ms, event.kind AS kind, source.name AS source, detail
        FROM event JOIN source ON source.id = source_id ORDER BY time_utc_ms, event.id
    """,
}


def export_samples(
    log: Log,
    out: TextIO,
    *,
    location: str | None = None,
    from_utc_ms: int | None = None,
    to_utc_ms: int | None = None,
    share: bool = False,
) -> int:
    """Write samples as logger/exchange/columns.py describes them, in order of time; returns how many.

    Those of one ``location`` and of [from_utc_ms, to_utc_ms), where told; to ``share``: with aliases (see
    logger/aliases.py). A logger's row without a link has the band of the link before in its period, else of the next
    one: who reads the file counts drop-outs by band. Memory does not grow with the log. Raises TagError for an unknown
    location, LogError where the timeline is edited meanwhile.
    """
    span = (-FOREVER_MS if from_utc_ms is None else from_utc_ms, FOREVER_MS if to_utc_ms is None else to_utc_ms)
    writer = csv.writer(out, lineterminator="\n")
    n_samples, db = 0, log.db
    with one_moment(log):
        if location is not None:
            _refuse_unknown(db, location)
        aliases = Aliases.of(log) if share else None
        cells_of = _sample_cells(db, aliases)
        edits = _edits(db)
        stretches = [_stretch(db, period, span) for period in db.execute(_PERIODS, (location, location))]
    words = aliases.words if aliases else str
    streams = [
        _samples(log, edits, list(of_source), cells_of, words)
        for _, of_source in groupby(stretches, attrgetter("source_id"))
    ]
    writer.writerow(COLUMNS)
    for _, cells in merge(*streams, key=itemgetter(0)):
        writer.writerow(cells)
        n_samples += 1
    return n_samples


def export_tables(log: Log, folder: Path, *, share: bool = False) -> list[Path]:
    """Write blocks.csv, probes.csv, sightings.csv, periods.csv, versions.csv and events.csv into a folder; returns the
    files. To ``share``: with aliases (see logger/aliases.py).

    Times are ISO 8601 in UTC. A histogram is JSON, {"-61": 5} for five samples of -61; rates are counted per eighth
    of an octave above 1 Mbit/s.
    """
    written = []
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise LogError(f"{folder} cannot be made: {error.strerror}; say another folder") from error
    with one_moment(log):
        aliased = _aliased_columns(Aliases.of(log)) if share else {}
        for name, sql in _TABLES.items():
            with whole_file(folder / f"{name}.csv") as out:
                rows = log.db.execute(sql)
                columns = [column[0] for column in rows.description]
                writer = csv.writer(out, lineterminator="\n")
                writer.writerow(column.replace("_utc_ms", "_utc") for column in columns)
                for row in rows:
                    told = (_told(aliased, column, value) for column, value in zip(columns, row, strict=True))
                    writer.writerow(map(_table_cell, columns, told))
            written.append(folder / f"{name}.csv")
    return written


_Aliased = dict[str, Callable[[str], str]]


def _aliased_columns(aliases: Aliases) -> _Aliased:
    own_words = dict.fromkeys(("location", "placement", "label", "notes", "words"), aliases.words)
    of_radios = {"bssid": aliases.radio, "ssid": aliases.network, "source": aliases.source, "far_end": aliases.far_end}
    return {**own_words, **of_radios, "settings": aliases.settings, "detail": aliases.detail}


def _told(aliased: _Aliased, column: str, value: object) -> object:
    return aliased[column](value) if column in aliased and isinstance(value, str) else value


def _refuse_unknown(db: sqlite3.Connection, location: str) -> None:
    known = [row[0] for row in db.execute("SELECT name FROM location ORDER BY name")]
    if location not in known:
        near = get_close_matches(location, known, 1)
        hint = f"is {quoted(near[0])} meant?" if near else "'linktrial timeline' lists them"
        raise TagError(f"there is no location {quoted(location)}; {hint}")


_Cells = tuple[str, ...]


class _Stretch(NamedTuple):
    """The samples of one period that are there already."""

    source_id: int
    location: str
    placement: str
    version: int
    first_id: int
    end_id: int
    one_link: bool  # of a logger, which has one link at a time; an imported row without a link may name its band
    period_first_id: int
    period_end_id: int


def _stretch(db: sqlite3.Connection, period: sqlite3.Row, span: tuple[int, int]) -> _Stretch:
    source_id, period_id, location, placement, version, kind = period
    first_id, end_id = ids_between(period_id, *span)
    whole = ids_between(period_id, -FOREVER_MS, FOREVER_MS)
    last = db.execute("SELECT max(id) FROM sample WHERE id >= ? AND id < ?", (first_id, end_id)).fetchone()[0]
    end_id = first_id if last is None else last + 1
    return _Stretch(source_id, location, placement, version, first_id, end_id, kind == "logger", *whole)


def _band_around(db: sqlite3.Connection, stretch: _Stretch, band: str) -> str:
    """That of the link last seen before a stretch within its period, else of the first one after; ``band`` where the
    period has no link."""
    before, after = (stretch.period_first_id, stretch.first_id), (stretch.first_id, stretch.period_end_id)
    for ids, order in ((before, "DESC"), (after, "ASC")):
        found = db.execute(f"{_LINKED_BAND} ORDER BY sample.id {order} LIMIT 1", ids).fetchone()
        if found:
            return found[0] or ""
    return band


def _samples(
    log: Log,
    edits: tuple[int, ...],
    stretches: list[_Stretch],
    cells_of: Callable[[_Cells, sqlite3.Row, list[str] | None], _Cells],
    words: Callable[[str], str],
) -> Iterator[tuple[tuple[int, str, str, int], _Cells]]:
    """The samples of one source in order of time, each with a key that orders them among all sources'.

    Who reads the rows may be slow (``linktrial export | less``), and a read held open all the while would let the log's
    ``-wal`` file grow under the daemon. So they are read by the thousand, and no read is open between. Only an edit of
    the timeline, here or followed by a merge, moves samples that are there; it ends the export.
    """
    near = [""] if stretches[0].one_link else None  # the band of the link seen last
    absent = {row[0] for row in log.db.execute("SELECT id FROM link WHERE NOT connected")}
    for stretch in stretches:
        _, location, placement, version, first_id, end_id, *_ = stretch
        begins = True
        tags = (harmless(words(location)), harmless(words(placement)), f"v{version}")
        while first_id < end_id:
            with one_moment(log):
                if _edits(log.db) != edits:
                    raise LogError(
                        "the timeline was edited, or another log merged, while samples were written; export them again"
                    )
                samples = log.db.execute(_SAMPLES, (first_id, end_id, SAMPLES_AT_ONCE)).fetchall()
                if begins and near and samples and samples[0][1] in absent:
                    near[0] = _band_around(log.db, stretch, near[0])
                begins = False
            for sample in samples:
                yield (sample[0], location, placement, version), cells_of(tags, sample, near)
            first_id = samples[-1][-1] + 1 if samples else end_id


def _edits(db: sqlite3.Connection) -> tuple[int, ...]:
    """Another one after every edit of a timeline, and every merge that follows another log's."""
    merged = db.execute("SELECT origin_as_of_utc_ms FROM source WHERE origin_log_id IS NOT NULL ORDER BY id")
    return (*edits_made(db), *(row[0] for row in merged))


def _sample_cells(
    db: sqlite3.Connection, aliases: Aliases | None
) -> Callable[[_Cells, sqlite3.Row, list[str] | None], _Cells]:
    """Turns the tags and the row of a sample into the cells of COLUMNS. A logger's row without a link gets the band in
    a list of one, which is kept as that of the link seen last."""
    told = aliases.radio if aliases else str
    radios = {
        row[0]: (row[1] or "", str(row[2] or ""), str(row[3]), told(row[4]) if row[4] else "")
        for row in db.execute("SELECT id, band, frequency_mhz, connected, bssid FROM link")
    }
    rates = {row[0]: format_number(row[1]) for row in db.execute("SELECT id, mbps FROM rate")}
    rates[None] = ""

    def cells(tags: _Cells, sample: sqlite3.Row, near: list[str] | None) -> _Cells:
        time_ms, link_id, rssi_dbm, tx_rate_id, rx_rate_id, noise_dbm, flags, _ = sample
        band, frequency_mhz, connected, bssid = radios[link_id]
        if near:
            if connected == "1":
                near[0] = band
            else:
                band = band or near[0]
        return (
            *(format_time(time_ms), *tags, band, frequency_mhz, format_number(rssi_dbm)),
            *(rates[tx_rate_id], rates[rx_rate_id], format_number(noise_dbm), connected, bssid),
            "1" if flags and flags & DURING_PROBE else "0",
        )

    return cells


def _table_cell(column: str, value: object) -> object:
    if value is None:
        return ""
    if column.endswith("_utc_ms"):
        return format_time(value)  # type: ignore[arg-type]
    if column.endswith("_histogram"):
        return json.dumps(decode_histogram(value))  # type: ignore[arg-type]
    if isinstance(value, str):
        return harmless(value)
    return format_number(value) if isinstance(value, float) else value
