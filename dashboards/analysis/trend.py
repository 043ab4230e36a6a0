"""How a metric went over time: blocks' histograms merged into bins, and each bin's quantiles."""

from __future__ import annotations

from typing import Literal

import numpy as np
import pandas as pd

from dashboards.analysis.histograms import histogram_quantiles, merge_histograms

Trended = Literal["rssi", "tx-rate", "rx-rate"]

HISTOGRAM = {"rssi": "rssi_histogram", "tx-rate": "tx_rate_histogram", "rx-rate": "rx_rate_histogram"}
MOST_BINS = 600
_RATE_STEPS_PER_OCTAVE = 8  # of the rate histograms, see logger/blocks.py
_MINUTE_MS, _HOUR_MS, _DAY_MS = 60_000, 3_600_000, 86_400_000
_WIDTHS_MS = (
    *(10_000, 30_000, _MINUTE_MS, 2 * _MINUTE_MS, 5 * _MINUTE_MS, 10 * _MINUTE_MS, 20 * _MINUTE_MS),
    *(_HOUR_MS, 2 * _HOUR_MS, 3 * _HOUR_MS, 4 * _HOUR_MS, 6 * _HOUR_MS, 12 * _HOUR_MS),
)


def bin_width_ms(span_ms: float) -> int:
    """The least round width with which ``span_ms`` takes at most ``MOST_BINS`` bins; whole days from a day
    on."""
    for width in _WIDTHS_MS:
        if span_ms <= width * MOST_BINS:
            return width
    return _DAY_MS * max(1, int(np.ceil(span_ms / (_DAY_MS * MOST_BINS))))


def trend(blocks: pd.DataFrame, metric: Trended, *, width_ms: int, origin_utc_ms: int = 0) -> pd.DataFrame:
    """Median and 10-90 % band of one location and band, by time.

    Bins are ``width_ms`` wide, counted from ``origin_utc_ms`` (a local midnight makes bins of days local
    days), and are cut where source, config version or placement change, so that no bin mixes two. Where
    that makes more than twice ``MOST_BINS``, they are cut at versions only, then not at all.

    Columns: mean_utc_ms, started_at_utc_ms, ended_at_utc_ms, version, n, low, median, high (dBm or Mbit/s),
    and ``joined``: whether the log went on without a break from the bin before, with the same version and
    placement.
    """
    column = HISTOGRAM[metric]
    blocks = blocks[blocks[column].map(len) > 0].sort_values(["source_id", "mean_utc_ms"])
    if blocks.empty:
        names = ("mean_utc_ms", "started_at_utc_ms", "ended_at_utc_ms", "n", "low", "median", "high")
        return pd.DataFrame({name: pd.Series(dtype="float64") for name in names}).assign(version=0, joined=False)
    bins = (blocks["mean_utc_ms"] - origin_utc_ms) // width_ms
    for keys in (["source_id", "version", "placement_id"], ["source_id", "version"], ["source_id"]):
        cut = (blocks[keys].diff() != 0).any(axis=1)
        groups = ((bins.diff() != 0) | cut).cumsum().to_numpy() - 1
        if groups[-1] < 2 * MOST_BINS:
            break
    counts = merge_histograms(blocks[column], groups, groups[-1] + 1)
    quantiles = histogram_quantiles(counts, (0.1, 0.5, 0.9))
    alone = (counts > 0).sum(axis=1) == 1  # all samples in one step: how they spread inside it is not known
    quantiles[alone] = _means(blocks, metric, groups)[alone, None]
    low, median, high = quantiles.T
    by_bin = blocks.assign(cut=cut).groupby(groups)
    binned = by_bin.agg(
        started_at_utc_ms=("started_at_utc_ms", "min"),
        ended_at_utc_ms=("ended_at_utc_ms", "max"),
        version=("version", "first"),
        cut=("cut", "first"),
    )
    binned["mean_utc_ms"] = by_bin["mean_utc_ms"].mean()
    binned["n"] = counts.sum(axis=1)
    rates = metric != "rssi"
    for name, values in (("low", low), ("median", median), ("high", high)):
        binned[name] = 2 ** (values / _RATE_STEPS_PER_OCTAVE) if rates else values
    pause_ms = binned["started_at_utc_ms"] - binned["ended_at_utc_ms"].shift()
    binned["joined"] = (pause_ms <= width_ms) & ~binned.pop("cut")
    return binned


def _means(blocks: pd.DataFrame, metric: Trended, groups: np.ndarray) -> np.ndarray:
    """Mean of each group, in the unit of the histogram's values; of rates the mean of logarithms."""
    name = metric.replace("-", "_")
    means = blocks["rssi_mean_dbm"] if metric == "rssi" else _RATE_STEPS_PER_OCTAVE * blocks[f"{name}_mean_log2"]
    weights = np.bincount(groups, weights=blocks[f"{name}_n"])
    return np.bincount(groups, weights=means * blocks[f"{name}_n"]) / weights
