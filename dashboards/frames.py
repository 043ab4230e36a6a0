"""The log as pandas frames: blocks, periods, config versions, events.

Times are integers, milliseconds since 1970-01-01 UTC; unknown is NaN. A year of ten-minute blocks loads in
less than a second: SQL fetches plain columns, and names and bands are joined on with numpy.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pandas as pd

from logger.log import Log
from logger.one_moment import one_moment
from logger.passes import last_taken
from logger.wording import shown_detail

_BLOCKS = """
    SELECT period_id, link_id, started_at_utc_ms, ended_at_utc_ms, first_utc_ms, last_utc_ms, n_samples,
        started_at_utc_ms + offset_ms_sum * 1.0 / n_samples AS mean_utc_ms,
        covered_ms / 1000.0 AS covered_s, n_dropouts,
        rssi_n, rssi_sum_dbm, rssi_histogram, noise_n, noise_sum_dbm,
        tx_rate_n, tx_rate_sum_mbps, tx_rate_sum_log2, tx_rate_histogram,
        rx_rate_n, rx_rate_sum_mbps, rx_rate_sum_log2, rx_rate_histogram,
        busy_n, busy_sum_permille / 1000.0 AS busy_sum_share,
        tx_packets, tx_retries, tx_failed, beacon_losses, rx_bytes, tx_bytes,
        probing_n, tx_rate_stale_n, rx_rate_stale_n
    FROM block ORDER BY first_utc_ms, period_id, link_id
"""
_PERIODS = """
    SELECT period.id AS period_id, source_id, source.kind AS source_kind, location.name AS location,
        placement_id, ifnull(placement.name, cast(placement.number AS TEXT)) AS placement,
        config_version AS version, time_zone,
        started_at_utc_ms AS period_started_at_utc_ms, ended_at_utc_ms AS period_ended_at_utc_ms,
        min(started_at_utc_ms) OVER of_source AS source_started_at_utc_ms,
        last_value(ended_at_utc_ms) OVER of_source AS source_ended_at_utc_ms
    FROM period
    JOIN placement ON placement.id = placement_id
    JOIN location ON location.id = location_id
    JOIN source ON source.id = source_id
    WINDOW of_source AS (
        PARTITION BY source_id ORDER BY started_at_utc_ms ROWS BETWEEN UNBOUNDED PRECEDING AND UNBOUNDED FOLLOWING)
    ORDER BY started_at_utc_ms, period.id
"""
_LINKS = "SELECT id, connected, band, frequency_mhz, width_mhz, bssid FROM link"
_ZONES = "SELECT source_id, from_utc_ms, time_zone FROM zone ORDER BY from_utc_ms"
_VERSIONS = "SELECT number AS version, label, settings, notes FROM config_version ORDER BY number"
_EVENTS = "SELECT time_utc_ms, kind, source_id, detail, id AS event_id FROM event ORDER BY time_utc_ms, id"

_TEXT = {"location", "placement", "time_zone", "source_kind", "band", "bssid", "label", "notes", "kind"}
_OBJECTS = {"rssi_histogram", "tx_rate_histogram", "rx_rate_histogram", "settings", "detail"}
_FLOATS = {
    *("mean_utc_ms", "covered_s", "period_ended_at_utc_ms", "source_ended_at_utc_ms"),
    *("frequency_mhz", "width_mhz"),
}
_FROM_PERIOD = (
    *("source_id", "source_kind", "location", "placement_id", "placement", "version", "time_zone"),
    *("period_started_at_utc_ms", "period_ended_at_utc_ms", "source_started_at_utc_ms", "source_ended_at_utc_ms"),
)


@dataclass(frozen=True, slots=True)
class LogFrames:
    """Everything a report is drawn from, as it stood at one moment of the log."""

    blocks: pd.DataFrame
    periods: pd.DataFrame
    versions: pd.DataFrame
    events: pd.DataFrame
    last_taken_utc_ms: dict[int, int] = field(default_factory=dict)  # by source, the stamp of the sample taken last


def load_frames(log: Log) -> LogFrames:
    """All of them, of one moment."""
    with one_moment(log):
        frames = LogFrames(load_blocks(log), load_periods(log), load_versions(log), load_events(log))
        set_back = log.db.execute("SELECT DISTINCT source_id FROM pass").fetchall()  # elsewhere it is the latest
        for (source_id,) in set_back:
            taken_ms = last_taken(log.db, source_id).time_utc_ms
            if taken_ms is not None:
                frames.last_taken_utc_ms[source_id] = taken_ms
        return frames


def load_blocks(log: Log) -> pd.DataFrame:
    """One row per block, by time.

    ``band`` is "2.4", "5" or "6" (GHz); a block without a link has that of the nearest linked block of its
    period, else of its source. Means are NaN where their ``_n`` is 0. ``covered_s`` is the time that the
    samples stand for, ``connected`` whether there was a link, ``time_zone`` the one in force then. Histograms are
    blobs, see logger/blocks.py.
    """
    with one_moment(log):
        blocks = _frame(log, _BLOCKS)
        periods = load_periods(log)
        links = load_links(log)
        zones = _frame(log, _ZONES)
    for total in [name for name in blocks.columns if "_sum_" in name]:
        n = blocks[total.partition("_sum_")[0] + "_n"]
        blocks[total.replace("_sum_", "_mean_")] = blocks.pop(total) / n.where(n > 0)
    period_rows = pd.Index(periods["period_id"]).get_indexer(pd.Index(blocks["period_id"]))
    for name in _FROM_PERIOD:
        blocks[name] = periods[name].take(period_rows).array
    link_rows = links.index.get_indexer(pd.Index(blocks["link_id"]))
    for name in links.columns:
        blocks[name] = links[name].take(link_rows).array
    blocks["connected"] = blocks["connected"] == 1
    blocks["band"] = _band_also_of_the_absent(blocks)
    blocks["time_zone"] = _zone_in_force(blocks, zones)
    return blocks


def rows_of(frame: pd.DataFrame) -> Iterator[Any]:
    """The rows as named tuples. No type checker knows a frame's columns, hence Any."""
    return iter(frame.itertuples(index=False))


def load_periods(log: Log) -> pd.DataFrame:
    """One row per period, by time: period_id, source_id, source_kind, location, placement_id, placement (its
    name, else its number, as text), version, time_zone, period_started_at_utc_ms, period_ended_at_utc_ms (NaN
    while open), and the same two of all periods of its source."""
    return _frame(log, _PERIODS)


def load_links(log: Log) -> pd.DataFrame:
    """By id: connected, band, frequency_mhz, width_mhz, bssid."""
    return _frame(log, _LINKS).set_index("id")


def load_versions(log: Log) -> pd.DataFrame:
    """One row per config version, by number: version, label, settings (a dict, the full state), notes."""
    versions = _frame(log, _VERSIONS)
    versions["settings"] = pd.Series([json.loads(text) for text in versions["settings"]], dtype=object)
    return versions


def load_events(log: Log) -> pd.DataFrame:
    """One row per event, by time: time_utc_ms, kind, source_id, detail (a dict), event_id (in the order in which they
    were written)."""
    events = _frame(log, _EVENTS)
    events["detail"] = pd.Series([shown_detail(text) for text in events["detail"]], dtype=object)
    return events


def _frame(log: Log, query: str) -> pd.DataFrame:
    """The answer as a frame; its types do not depend on what was found. sqlite3.Row would cost more."""
    cursor = log.db.cursor()
    cursor.row_factory = None
    cursor.execute(query)
    names = [column[0] for column in cursor.description]
    rows = cursor.fetchall()
    columns = zip(*rows, strict=True) if rows else [()] * len(names)
    return pd.DataFrame({name: _series(name, values) for name, values in zip(names, columns, strict=True)})


def _series(name: str, values: tuple[object, ...]) -> pd.Series:
    if name in _OBJECTS:
        return pd.Series(values, dtype=object)
    if name in _TEXT:
        return pd.Series(values, dtype="str")
    return pd.Series(np.array(values, dtype="float64" if name in _FLOATS or "_sum_" in name else "int64"))


def _zone_in_force(blocks: pd.DataFrame, zones: pd.DataFrame) -> pd.Series:
    """The zone that each block's period began with, or the one that its source was found in later."""
    in_force = blocks["time_zone"].copy()
    for source_id, found in zones.groupby("source_id"):
        mine = (blocks["source_id"] == source_id).to_numpy().nonzero()[0]
        from_ms = found["from_utc_ms"].to_numpy()
        last = np.searchsorted(from_ms, blocks["mean_utc_ms"].to_numpy()[mine], side="right") - 1
        later = (last >= 0) & (from_ms[last] >= blocks["period_started_at_utc_ms"].to_numpy()[mine])
        in_force.iloc[mine[later]] = found["time_zone"].to_numpy()[last[later]]
    return in_force


def _band_also_of_the_absent(blocks: pd.DataFrame) -> pd.Series:
    """The bands, a block without a link having that of the nearest linked block of its period or source."""
    bands = blocks["band"].copy()
    by_time = blocks[["mean_utc_ms", "period_id", "source_id", "connected"]]
    by_time = by_time.sort_values("mean_utc_ms", kind="stable")  # no chance in whose band it is, of two as near
    for key in ("period_id", "source_id"):
        near = bands[by_time.index]
        absent = by_time.loc[near.isna() & ~by_time["connected"], ["mean_utc_ms", key]]
        known = by_time.loc[near.notna(), ["mean_utc_ms", key]].assign(band=near[near.notna()])
        if absent.empty or known.empty:
            break
        found = pd.merge_asof(absent, known, on="mean_utc_ms", by=key, direction="nearest")
        bands[absent.index] = found["band"].to_numpy()
    return bands
