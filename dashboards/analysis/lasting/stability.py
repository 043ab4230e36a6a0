"""Whether a link stays as it is: the long-term stability of one config version at one location and band, from blocks.

What it rests on: Allan deviations (allan), slope per month (slope), spread by hour of the day (daily_spread), outages
(outage_count), time under a needed rate (under_rate). No clock; no chance but ``seed``.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import pandas as pd

from dashboards.analysis.block_series import number_stays
from dashboards.analysis.lasting.allan import BIN_S, AllanPoint, allan_points, ten_minute_means
from dashboards.analysis.lasting.daily_spread import HourSpread, day_less_night, hour_spreads, wall_clock_s
from dashboards.analysis.lasting.interval import Interval
from dashboards.analysis.lasting.outage_count import Outages, count_outages
from dashboards.analysis.lasting.slope import slope_per_month
from dashboards.analysis.lasting.under_rate import UnderRate, under_rate
from dashboards.analysis.outage_effect import apart_from_changes
from dashboards.analysis.outages import outage_spells

DAY_S = 86_400.0
KEYS = ("location", "band", "version")
COLUMNS = (
    *("source_id", "period_id", "placement_id", "location", "version", "band", "bssid", "frequency_mhz", "link_id"),
    *("period_started_at_utc_ms", "period_ended_at_utc_ms", "started_at_utc_ms", "ended_at_utc_ms", "first_utc_ms"),
    *("last_utc_ms", "mean_utc_ms", "time_zone", "connected", "covered_s", "n_samples", "n_dropouts"),
    *("rssi_n", "rssi_mean_dbm", "rssi_histogram", "tx_rate_histogram", "rx_rate_histogram"),
    *("source_started_at_utc_ms", "source_ended_at_utc_ms"),
)


@dataclass(frozen=True)
class Stability:
    """How one config version did over time at one location and band. What the record is too short for is None, or
    left out of the tuple.

    ``days``: awake and logging; ``span_days``: from the first sample to the last. ``other_radios_share``: share of the
    linked time on another access point or channel than the one most used; RSSI is told of that one only."""

    location: str
    band: str
    version: int
    days: float
    span_days: float
    other_radios_share: float
    allan: tuple[AllanPoint, ...]
    slope_db_per_month: Interval | None
    hours: tuple[HourSpread, ...]
    day_less_night_db: Interval | None
    outages: Outages | None
    under_rate: tuple[UnderRate, ...]


def stability(
    blocks: pd.DataFrame,
    *,
    needed_rate_mbps: float | None = None,
    washout_s: float | Mapping[int, float] = 120.0,
    seed: int = 0,
) -> list[Stability]:
    """One entry per location, band and config version of ``blocks`` (see ``load_blocks``), in this order; of bands
    that were never linked, none. Blocks that start within ``washout_s`` after a change or a move are left out, and so
    are outages beside a change; by source where it is a mapping, of which sources not named have none.
    ``needed_rate_mbps``: None or 0 asks for no share under a rate."""
    if blocks.empty:
        return []
    stays = number_stays(blocks[[name for name in COLUMNS if name in blocks.columns]])
    washouts_s = stays["source_id"].map(washout_s).fillna(0.0) if isinstance(washout_s, Mapping) else washout_s
    aged = stays["started_at_utc_ms"] - stays["stay_started_at_utc_ms"] >= 1000 * washouts_s
    kept, _ = apart_from_changes(stays, float(np.max(washouts_s)))
    stays = _one_source_at_a_time(kept[kept["band"].notna() & aged[kept.index]])
    keys = list(KEYS)
    spells = outage_spells(stays)
    of_cell = spells.groupby(keys).indices
    return [
        _of_cell(cell, spells.iloc[of_cell.get(key, [])], needed_rate_mbps, seed)
        for key, cell in stays.groupby(keys, sort=True)
        if cell["connected"].any()
    ]


def _of_cell(cell: pd.DataFrame, spells: pd.DataFrame, needed_rate_mbps: float | None, seed: int) -> Stability:
    told, others_share = _most_used_radio(cell[cell["connected"]])
    told = told[told["rssi_n"] > 0]
    wall_s = wall_clock_s(told)
    asked = [under_rate(cell, needed_rate_mbps, way) for way in ("tx", "rx")] if needed_rate_mbps else []
    return Stability(
        location=str(cell["location"].iloc[0]),
        band=str(cell["band"].iloc[0]),
        version=int(cell["version"].iloc[0]),
        days=float(cell["covered_s"].sum()) / DAY_S,
        span_days=float(cell["last_utc_ms"].max() - cell["first_utc_ms"].min()) / 1000 / DAY_S,
        other_radios_share=others_share,
        allan=allan_points(told),
        slope_db_per_month=_slope(told, wall_s),
        hours=hour_spreads(told, wall_s),
        day_less_night_db=day_less_night(told, wall_s),
        outages=count_outages(cell, spells, seed=seed),
        under_rate=tuple(found for found in asked if found is not None),
    )


def _one_source_at_a_time(stays: pd.DataFrame) -> pd.DataFrame:
    """Of recordings of the same ten minutes the blocks of the source that has most: copies, such as the names of one
    radio, would count the same noise and the same outages twice."""
    if stays["source_id"].nunique() < 2:
        return stays
    rank = stays.groupby([*KEYS, "source_id"])["covered_s"].transform("sum") - 1e-3 * stays["source_id"]
    ten_minutes = stays["mean_utc_ms"] // (1000 * BIN_S)
    return stays[rank == rank.groupby([stays[key] for key in KEYS] + [ten_minutes]).transform("max")]


def _most_used_radio(linked: pd.DataFrame) -> tuple[pd.DataFrame, float]:
    """The blocks of the access point and channel with most of the time, and the share of the others."""
    radio = linked["bssid"].astype(object).fillna("").astype(str) + linked["frequency_mhz"].fillna(0.0).astype(str)
    covered_s = linked["covered_s"].groupby(radio).sum()
    return linked[radio == covered_s.idxmax()], float(1 - covered_s.max() / covered_s.sum())


def _slope(told: pd.DataFrame, wall_s: np.ndarray) -> Interval | None:
    if told.empty:
        return None
    means = ten_minute_means(told)
    time_s = (means.number + 0.5) * BIN_S
    told_s = told["mean_utc_ms"].to_numpy("float64") / 1000.0
    order = np.argsort(told_s)
    ahead_s = np.interp(time_s, told_s[order], (wall_s - told_s)[order])
    return slope_per_month(time_s, time_s + ahead_s, means.level_dbm, means.series)
