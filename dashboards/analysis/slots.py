"""A link's level on a grid of ten minutes: what unexplained changes are searched in.

Blocks are finer near a tag; here they are merged again, so that every value averages about the same stretch and
the noise of one slot is that of any other.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
import pandas as pd

from dashboards.analysis.artefacts import without_artefacts
from dashboards.analysis.block_series import number_stays
from dashboards.analysis.histograms import CELLS, merge_histograms
from dashboards.analysis.wall_clock import ahead_of_utc_s

SLOT_MS = 600_000
SLOT_S = SLOT_MS / 1000.0
SLOTS_A_DAY = 144
LEAST_PART = 0.3  # of a slot's usual number of samples; of less than that its mean is another quantity
_LEVELS = np.arange(CELLS) - CELLS // 2


@dataclass(frozen=True)
class Stretch:
    """One stay on one radio, or on several that followed each other: arrays of shape (n,), by time, of the slots that
    have samples. Between two of them lies the rest of the log's clock, not one slot."""

    source_id: int
    location: str
    band: str
    version: int
    time_zone: str
    slot: np.ndarray  # int: ten minutes since 1970 UTC
    local_s: np.ndarray  # of the slot's middle, on the wall clock
    level_dbm: np.ndarray
    spread_db: np.ndarray  # standard deviation of the samples within the slot; NaN: not known
    first_utc_ms: np.ndarray  # of the slot's samples
    last_utc_ms: np.ndarray
    still_open: bool  # more may follow
    blocks: pd.DataFrame  # that it was made of


def stretches(blocks: pd.DataFrame) -> list[Stretch]:
    """All stretches of a log, by source, location, band and time. ``blocks`` as ``load_blocks`` gives them."""
    if blocks.empty:
        return []
    staying, _ = without_artefacts(number_stays(blocks))
    known = staying[staying["connected"] & (staying["rssi_n"] > 0) & staying["band"].notna()]
    made = []
    for _, part in known.groupby(["source_id", "location", "band", "stay"], sort=True):
        made += [_stretch(of_radio) for of_radio in _radios_in_turn(part)]
    return [stretch for stretch in made if len(stretch.slot)]


def _radios_in_turn(stay: pd.DataFrame) -> Iterator[pd.DataFrame]:
    """The blocks of radios that followed each other and never came back are one level that a search may run along:
    the change of radio is then something seen at the time of a step. A radio that the link visits and leaves again
    has a level of its own and is searched alone."""
    radio = stay["bssid"].astype(object).where(stay["bssid"].notna(), "") + stay["frequency_mhz"].map(" {}".format)
    times = stay.groupby(radio).agg(
        first=("first_utc_ms", "min"), last=("last_utc_ms", "max"), covered_s=("covered_s", "sum")
    )
    in_turn: list[str] = []
    for name in times.sort_values("covered_s", ascending=False, kind="stable").index:
        apart = (times.loc[in_turn, "last"] < times.loc[name, "first"]) | (
            times.loc[in_turn, "first"] > times.loc[name, "last"]
        )
        if apart.all():
            in_turn.append(name)
        else:
            yield stay[radio == name]
    yield stay[radio.isin(in_turn)]


def _stretch(blocks: pd.DataFrame) -> Stretch:
    slot_of, row_of = np.unique(blocks["started_at_utc_ms"].to_numpy() // SLOT_MS, return_inverse=True)
    n = np.bincount(row_of, weights=blocks["rssi_n"])
    level_dbm = np.bincount(row_of, weights=blocks["rssi_n"] * blocks["rssi_mean_dbm"]) / n
    first, last = np.full(len(n), np.inf), np.full(len(n), -np.inf)
    np.minimum.at(first, row_of, blocks["first_utc_ms"].to_numpy(float))
    np.maximum.at(last, row_of, blocks["last_utc_ms"].to_numpy(float))
    enough = n >= LEAST_PART * np.median(n)
    zone = str(blocks["time_zone"].iloc[-1])
    slot = slot_of[enough]
    front = blocks.iloc[0]
    return Stretch(
        source_id=int(front["source_id"]),
        location=str(front["location"]),
        band=str(front["band"]),
        version=int(front["version"]),
        time_zone=zone,
        slot=slot,
        local_s=(slot + 0.5) * SLOT_S + ahead_of_utc_s(slot * SLOT_MS, np.full(len(slot), zone)),
        level_dbm=level_dbm[enough],
        spread_db=_spread_db(blocks["rssi_histogram"], row_of, len(n))[enough],
        first_utc_ms=first[enough],
        last_utc_ms=last[enough],
        still_open=bool(np.isnan(front["stay_ended_at_utc_ms"])),
        blocks=blocks,
    )


def _spread_db(blobs: pd.Series, row_of: np.ndarray, n_rows: int) -> np.ndarray:
    """Standard deviation within each slot, what rounding adds taken off; NaN of fewer than five samples."""
    kept = [isinstance(blob, bytes) for blob in blobs]
    counts = merge_histograms(blobs[kept], row_of[kept], n_rows)
    n = counts.sum(axis=1)
    few = n < 5
    n[few] = np.nan
    mean = counts @ _LEVELS / n
    variance = (counts @ _LEVELS**2.0 / n - mean**2) * n / (n - 1) - 1 / 12
    spread: np.ndarray = np.sqrt(np.maximum(variance, 0.0))
    return spread
