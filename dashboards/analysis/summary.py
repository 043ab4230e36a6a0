"""What was measured under each config version at each location and band, without judging it."""

from __future__ import annotations

import numpy as np
import pandas as pd

from dashboards.analysis.histograms import histogram_quantiles, merge_histograms
from dashboards.analysis.outages import outage_spells

_MINUTES_A_DAY = 1440.0


def summarise(blocks: pd.DataFrame) -> pd.DataFrame:
    """One row per location, config version and band, in this order: location, version, band, n_placements,
    hours (awake and logging, in this band), rssi_low_dbm, rssi_median_dbm, rssi_high_dbm (10, 50 and 90 %),
    tx_rate_mbps, rx_rate_mbps (geometric means), noise_dbm (mean), outage_min_per_day, n_outages (as ``outage_spells``
    counts them: also those that were there when a period or the logger began), n_dropouts (links that were seen to be
    lost), busy_percent (mean, of the channel), tx_rate_stale_percent and rx_rate_stale_percent (of the samples that
    told a rate, those in which no frame had refreshed it). Unknown is NaN.
    """
    keys = ["location", "version", "band"]
    blocks = blocks.assign(
        band=blocks["band"].fillna(""),
        tx_log2=blocks["tx_rate_mean_log2"] * blocks["tx_rate_n"],
        rx_log2=blocks["rx_rate_mean_log2"] * blocks["rx_rate_n"],
        noise_dbm=blocks["noise_mean_dbm"] * blocks["noise_n"],
        busy_share=blocks["busy_mean_share"] * blocks["busy_n"],
        absent_s=blocks["covered_s"].where(~blocks["connected"], 0.0),
    )
    by_cell = blocks.groupby(keys, sort=True)
    cells = by_cell.agg(
        n_placements=("placement_id", "nunique"),
        covered_s=("covered_s", "sum"),
        absent_s=("absent_s", "sum"),
        n_dropouts=("n_dropouts", "sum"),
        noise_n=("noise_n", "sum"),
        noise_dbm=("noise_dbm", "sum"),
        tx_rate_n=("tx_rate_n", "sum"),
        rx_rate_n=("rx_rate_n", "sum"),
        tx_log2=("tx_log2", "sum"),
        rx_log2=("rx_log2", "sum"),
        busy_n=("busy_n", "sum"),
        busy_share=("busy_share", "sum"),
        tx_stale_n=("tx_rate_stale_n", "sum"),
        rx_stale_n=("rx_rate_stale_n", "sum"),
    )
    counts = merge_histograms(blocks["rssi_histogram"], by_cell.ngroup().to_numpy(), len(cells))
    low, median, high = histogram_quantiles(counts, (0.1, 0.5, 0.9)).T
    known = {name: cells[f"{name}_rate_n"].where(cells[f"{name}_rate_n"] > 0) for name in ("tx", "rx")}
    summary = pd.DataFrame(
        {
            "n_placements": cells["n_placements"],
            "hours": cells["covered_s"] / 3600,
            "rssi_low_dbm": low,
            "rssi_median_dbm": median,
            "rssi_high_dbm": high,
            "tx_rate_mbps": np.exp2(cells["tx_log2"] / known["tx"]),
            "rx_rate_mbps": np.exp2(cells["rx_log2"] / known["rx"]),
            "noise_dbm": cells["noise_dbm"] / cells["noise_n"].where(cells["noise_n"] > 0),
            "outage_min_per_day": _MINUTES_A_DAY * cells["absent_s"] / cells["covered_s"],
            "n_dropouts": cells["n_dropouts"],
            "busy_percent": 100 * cells["busy_share"] / cells["busy_n"].where(cells["busy_n"] > 0),
            "tx_rate_stale_percent": _stale_percent(cells, "tx"),
            "rx_rate_stale_percent": _stale_percent(cells, "rx"),
        }
    ).reset_index()
    spells = outage_spells(blocks)
    n_outages = spells.assign(band=spells["band"].fillna("")).groupby(keys)["n_dropouts"].sum()
    numbers = n_outages.reindex(pd.MultiIndex.from_frame(summary[keys]), fill_value=0).to_numpy()
    summary.insert(summary.columns.tolist().index("n_dropouts"), "n_outages", numbers)
    summary["band"] = summary["band"].where(summary["band"] != "")
    return summary


def _stale_percent(cells: pd.DataFrame, way: str) -> pd.Series:
    told = cells[f"{way}_stale_n"] + cells[f"{way}_rate_n"]
    return 100 * cells[f"{way}_stale_n"] / told.where(told > 0)
