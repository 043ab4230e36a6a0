"""Readings that a driver made up: for a sample, a few or a short spell the level jumps by some 40 dB, and is back.

They are found in the blocks' histograms, against the median of the half hour on either side within the same stay and
on the same radio: what lies ``FAR_DB`` or more from it, is a small share of that hour, and stands apart, with hardly
a reading between. A deep fade does not stand apart: its tail thins out. A lasting drop is no small share of
its hour: an antenna that fell off stays in.

What is taken out leaves counts and histogram exactly, and the mean to within half a dB times the share taken out of
that block, for histograms are of whole dB, as nearly all drivers' readings are.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from dashboards.analysis.histograms import CELLS, ENTRY, merge_histograms
from logger.blocks import encode_histogram

NEIGHBOURHOOD_MS = 1_800_000  # to either side
FAR_DB = 25
NEAR_DB = 15  # from here to FAR_DB there is hardly anything
MOST_BETWEEN = 0.25  # of the number beyond
MOST_SHARE = 0.1  # of the neighbourhood: six minutes
LEAST_READINGS = 10  # of a neighbourhood
CHUNK = 4000  # blocks at a time; bounds the memory

_SIDES = (-1, 1)


def without_artefacts(blocks: pd.DataFrame) -> tuple[pd.DataFrame, dict[int, float]]:
    """The blocks of ``number_stays`` without such readings of RSSI, and their share of the readings by version; only
    versions that had any. A block of nothing else is left with ``rssi_n`` 0 and an unknown mean."""
    heard = np.flatnonzero(blocks["connected"].to_numpy() & (blocks["rssi_n"].to_numpy() > 0))
    links = blocks[["stay", "bssid", "frequency_mhz"]].iloc[heard]
    radio = links.groupby(["stay", "bssid", "frequency_mhz"], dropna=False, sort=False).ngroup().to_numpy()
    taken: dict[int, np.ndarray] = {}
    for one in range(radio.max() + 1 if len(radio) else 0):
        taken |= _found(blocks, heard[radio == one])
    if not taken:
        return blocks, {}
    rows = np.array(sorted(taken))
    return _taken_out(blocks, rows, np.array([taken[row] for row in rows]))


def _found(blocks: pd.DataFrame, rows: np.ndarray) -> dict[int, np.ndarray]:
    """Counts to be taken out by row, shape (256,), of the blocks of one stay and radio."""
    rows = rows[np.argsort(blocks["mean_utc_ms"].to_numpy()[rows], kind="stable")]
    near = blocks[["mean_utc_ms", "rssi_mean_dbm", "rssi_histogram"]].iloc[rows]
    time_ms = near["mean_utc_ms"].to_numpy(float)
    first = np.searchsorted(time_ms, time_ms - NEIGHBOURHOOD_MS)
    last = np.searchsorted(time_ms, time_ms + NEIGHBOURHOOD_MS, side="right")
    suspects = np.flatnonzero(_is_suspect(near))
    taken: dict[int, np.ndarray] = {}
    for begin in range(0, len(rows), CHUNK):
        mine = suspects[(suspects >= begin) & (suspects < begin + CHUNK)]
        if not len(mine):
            continue
        low, high = int(first[mine[0]]), int(last[mine[-1]])
        counts = merge_histograms(near["rssi_histogram"].iloc[low:high], np.arange(high - low), high - low).astype(
            "int64"
        )
        running = np.vstack([np.zeros((1, CELLS), dtype=counts.dtype), np.cumsum(counts, axis=0)])
        around = running[last[mine] - low] - running[first[mine] - low]
        own = counts[mine - low] * _is_artefact(around)
        taken |= {int(rows[i]): out for i, out in zip(mine, own, strict=True) if out.any()}
    return taken


def _is_suspect(near: pd.DataFrame) -> np.ndarray:
    """Blocks with a reading far from the means of those around: a cheap look before the careful one."""
    entries = np.frombuffer(b"".join(near["rssi_histogram"]), dtype=ENTRY)["value"].astype(int)
    if np.ptp(entries) < FAR_DB:
        return np.zeros(len(near), dtype=bool)
    ends = np.cumsum(np.fromiter(map(len, near["rssi_histogram"]), dtype=int)) // ENTRY.itemsize
    least, most = entries[np.append(0, ends[:-1])], entries[ends - 1]  # a histogram is in order of its values
    means = pd.Series(near["rssi_mean_dbm"].to_numpy(float), index=pd.to_datetime(near["mean_utc_ms"], unit="ms"))
    usual = means.rolling(pd.Timedelta(2 * NEIGHBOURHOOD_MS, unit="ms"), center=True).median().to_numpy()
    return np.asarray((least < usual - NEAR_DB) | (most > usual + NEAR_DB))


def _is_artefact(around: np.ndarray) -> np.ndarray:
    """By neighbourhood and value, shape of ``around``: whether a reading of that value is one."""
    total = around.sum(axis=1, keepdims=True)
    median = np.argmax(2 * np.cumsum(around, axis=1) >= total, axis=1)
    from_median = np.arange(CELLS) - median[:, None]
    found = np.zeros(around.shape, dtype=bool)
    for side in _SIDES:
        far = side * from_median >= FAR_DB
        between = (side * from_median >= NEAR_DB) & ~far
        n_far = (around * far).sum(axis=1, keepdims=True)
        n_between = (around * between).sum(axis=1, keepdims=True)
        few = (n_far <= MOST_SHARE * total) & (n_between <= MOST_BETWEEN * n_far) & (total >= LEAST_READINGS)
        found |= far & few
    return found


def _taken_out(blocks: pd.DataFrame, rows: np.ndarray, out: np.ndarray) -> tuple[pd.DataFrame, dict[int, float]]:
    version, readings = blocks["version"].to_numpy(), blocks["rssi_n"].to_numpy()
    before = merge_histograms(blocks["rssi_histogram"].iloc[rows], np.arange(len(rows)), len(rows))
    n, mean = readings.copy(), blocks["rssi_mean_dbm"].to_numpy(float).copy()
    histograms = blocks["rssi_histogram"].to_numpy(dtype=object).copy()
    n_out = out.sum(axis=1).astype("int64")
    total = mean[rows] * n[rows] - out @ (np.arange(CELLS) - CELLS // 2)
    n[rows] -= n_out
    mean[rows] = np.where(n[rows] > 0, total / np.maximum(n[rows], 1), np.nan)
    for row, kept in zip(rows, before - out, strict=True):
        histograms[row] = encode_histogram({int(cell) - CELLS // 2: int(kept[cell]) for cell in np.flatnonzero(kept)})
    shares = {
        int(one): float(n_out[version[rows] == one].sum() / readings[version == one].sum())
        for one in np.unique(version[rows])
    }
    return blocks.assign(rssi_n=n, rssi_mean_dbm=mean, rssi_histogram=histograms), shares
