"""Histograms as blocks keep them: read, merged, and their quantiles."""

from __future__ import annotations

import numpy as np
import pandas as pd

ENTRY = np.dtype([("value", "i1"), ("count", "<u2")])  # a blob is a run of these, see logger/blocks.py
CELLS = 256  # a value is one signed byte


def histogram_of(blobs: pd.Series) -> tuple[np.ndarray, np.ndarray]:
    """Values and counts of many blocks' histograms together; values in the log's whole steps. What is no blob
    counts nothing."""
    known = blobs[[isinstance(blob, bytes) for blob in blobs]]
    counts = merge_histograms(known, np.zeros(len(known), dtype="int64"), 1)[0]
    cells = np.flatnonzero(counts)
    return cells - CELLS / 2, counts[cells]


def merge_histograms(blobs: pd.Series, groups: np.ndarray, n_groups: int) -> np.ndarray:
    """Counts per group and value, shape (n_groups, 256), value v in column v + 128. ``groups`` gives each
    blob's group; a blob is as logger/blocks.py writes it."""
    entries = np.frombuffer(b"".join(blobs), dtype=ENTRY)
    lengths = np.fromiter(map(len, blobs), dtype="int64", count=len(blobs)) // ENTRY.itemsize
    cells = np.repeat(groups, lengths) * CELLS + entries["value"].astype("int64") + CELLS // 2
    counts = np.bincount(cells, weights=entries["count"], minlength=n_groups * CELLS)
    return counts.reshape(n_groups, CELLS)


def histogram_quantiles(counts: np.ndarray, shares: tuple[float, ...]) -> np.ndarray:
    """Quantiles of each row of ``merge_histograms``, shape (rows, len(shares)), NaN where a row is empty.

    A count at value v is taken as spread evenly over v - 1/2 to v + 1/2, so that whole dB do not make the
    median jump; the quantiles of readings rounded from a smooth distribution are recovered to a small part
    of a dB."""
    found = np.full((len(counts), len(shares)), np.nan)
    running = np.cumsum(counts, axis=1)
    total = running[:, -1]
    rows = np.flatnonzero(total > 0)
    for column, share in enumerate(shares):
        target = share * total[rows]
        cell = (running[rows] < target[:, None]).sum(axis=1)
        below = np.where(cell > 0, running[rows, np.maximum(cell - 1, 0)], 0)
        inside = (target - below) / np.maximum(counts[rows, cell], 1)
        found[rows, column] = cell - CELLS // 2 - 0.5 + inside
    return found
