"""A link's level on a grid of ten minutes: what unexplained changes are searched in.

Blocks are finer near a tag; here they are merged again, so that every value averages about the same stretch and
the noise of one slot is that of any other.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from itertools import pairwise

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
CHUNK = 4000  # slots at a time; bounds the memory
_LEVELS = np.arange(CELLS) - CELLS // 2
_OF_STAY = ["source_id", "location", "band", "stay"]
_SLOTS = 10_000_000  # more than there are ten minutes from 1970 to 2109


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
    _known: pd.DataFrame
    _rows: np.ndarray

    @property
    def blocks(self) -> pd.DataFrame:
        """What it was made of."""
        return self._known.iloc[self._rows]


def stretches(blocks: pd.DataFrame) -> list[Stretch]:
    """All stretches of a log, by source, location, band and time. ``blocks`` as ``load_blocks`` gives them."""
    if blocks.empty:
        return []
    staying, _ = without_artefacts(number_stays(blocks))
    known = staying[staying["connected"] & (staying["rssi_n"] > 0) & staying["band"].notna()]
    return list(_stretches(known, _stretch_of(known))) if len(known) else []


def _stretch_of(known: pd.DataFrame) -> np.ndarray:
    """The number of each block's stretch, shape (n,).

    The blocks of radios that followed each other and never came back are one level that a search may run along:
    the change of radio is then something seen at the time of a step. A radio that the link visits and leaves again
    has a level of its own and is searched alone."""
    stay = known.groupby(_OF_STAY, sort=True).ngroup().to_numpy()
    radio = known.groupby([*_OF_STAY, "bssid", "frequency_mhz"], sort=True, dropna=False).ngroup().to_numpy()
    n_radios = int(radio.max()) + 1
    first, last = _least_and_most(radio, n_radios, known)
    covered_s = np.bincount(radio, weights=known["covered_s"], minlength=n_radios)
    stay_of = np.zeros(n_radios, dtype="int64")
    stay_of[radio] = stay
    number, n_stretches = np.zeros(n_radios, dtype="int64"), 0
    for radios in np.split(np.arange(n_radios), np.flatnonzero(np.diff(stay_of)) + 1):
        in_turn: list[int] = []
        for one in radios[np.argsort(-covered_s[radios], kind="stable")].tolist():
            if all(last[other] < first[one] or first[other] > last[one] for other in in_turn):
                in_turn.append(one)
            else:
                number[one] = n_stretches
                n_stretches += 1
        number[in_turn] = n_stretches
        n_stretches += 1
    return np.asarray(number[radio])


def _stretches(known: pd.DataFrame, stretch: np.ndarray) -> Iterator[Stretch]:
    """Everything is worked out for all of them at once: a year has hundreds."""
    started_slot = known["started_at_utc_ms"].to_numpy() // SLOT_MS
    cell, front_of, row_of = np.unique(stretch * _SLOTS + started_slot, return_index=True, return_inverse=True)
    n = np.bincount(row_of, weights=known["rssi_n"])
    level_dbm = np.bincount(row_of, weights=known["rssi_n"] * known["rssi_mean_dbm"]) / n
    first, last = _least_and_most(row_of, len(n), known)
    slot, zones = cell % _SLOTS, known["time_zone"].to_numpy(object)[front_of]
    local_s = (slot + 0.5) * SLOT_S + ahead_of_utc_s(slot * SLOT_MS, zones)
    spread_db = _spread_db(known["rssi_histogram"], row_of, len(n))
    still_open = np.isnan(known["stay_ended_at_utc_ms"].to_numpy(float))
    names = {name: known[name].tolist() for name in ("source_id", "location", "band", "version")}
    in_order = np.argsort(stretch, kind="stable")
    for rows, cells in zip(_runs(stretch[in_order]), _runs(cell // _SLOTS), strict=True):
        mine = in_order[rows]
        kept = np.arange(cells.start, cells.stop)[n[cells] >= LEAST_PART * np.median(n[cells])]
        yield Stretch(
            source_id=int(names["source_id"][mine[0]]),
            location=str(names["location"][mine[0]]),
            band=str(names["band"][mine[0]]),
            version=int(names["version"][mine[0]]),
            time_zone=str(zones[cells.stop - 1]),
            slot=slot[kept],
            local_s=local_s[kept],
            level_dbm=level_dbm[kept],
            spread_db=spread_db[kept],
            first_utc_ms=first[kept],
            last_utc_ms=last[kept],
            still_open=bool(still_open[mine[0]]),
            _known=known,
            _rows=mine,
        )


def _runs(values: np.ndarray) -> list[slice]:
    """Where equal values lie side by side."""
    edges = [0, *(np.flatnonzero(np.diff(values)) + 1).tolist(), len(values)]
    return [slice(begin, end) for begin, end in pairwise(edges)]


def _least_and_most(group: np.ndarray, n_groups: int, known: pd.DataFrame) -> tuple[np.ndarray, np.ndarray]:
    """The first and the last sample of each group, in ms since 1970 UTC."""
    first, last = np.full(n_groups, np.inf), np.full(n_groups, -np.inf)
    np.minimum.at(first, group, known["first_utc_ms"].to_numpy(float))
    np.maximum.at(last, group, known["last_utc_ms"].to_numpy(float))
    return first, last


def _spread_db(blobs: pd.Series, row_of: np.ndarray, n_rows: int) -> np.ndarray:
    """Standard deviation within each slot, what rounding adds taken off; NaN of fewer than five samples."""
    spread = np.full(n_rows, np.nan)
    in_order = np.argsort(row_of, kind="stable")
    in_order = in_order[[isinstance(blob, bytes) for blob in blobs.iloc[in_order]]]
    ordered, rows = blobs.iloc[in_order], row_of[in_order]
    for begin in range(0, n_rows, CHUNK):
        end = min(begin + CHUNK, n_rows)
        mine = slice(*np.searchsorted(rows, [begin, end]))
        counts = merge_histograms(ordered.iloc[mine], rows[mine] - begin, end - begin)
        n = counts.sum(axis=1)
        n[n < 5] = np.nan
        mean = counts @ _LEVELS / n
        variance = (counts @ _LEVELS**2.0 / n - mean**2) * n / (n - 1) - 1 / 12
        spread[begin:end] = np.sqrt(np.maximum(variance, 0.0))
    return spread
