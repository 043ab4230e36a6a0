"""What the link can carry, and how loud radios were heard, without judging it: over time, and by config version."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pandas as pd

from dashboards.analysis.trend import MOST_BINS, bin_width_ms

SPARSER = 4  # times wider bins than those of samples: 150 of a figure over time at most
HOUR_MS = 3_600_000
TAILS = ("idle_p95_ms", "idle_jitter_ms", "loaded_p95_ms", "loaded_jitter_ms")
LEAST_A_BIN = 8  # of the usual number of rows in a bin, for a median and 10 to 90 %


def target_of(probes: pd.DataFrame) -> str:
    """Whose latency is shown, "far_end" or "gateway": the far end's where most probes that measured any have it. Never
    both, for they are not one measure."""
    told = {target: int(probes[f"{target}_idle_ms"].notna().sum()) for target in ("far_end", "gateway")}
    return "far_end" if told["far_end"] and 2 * told["far_end"] >= told["gateway"] else "gateway"


def with_shown(probes: pd.DataFrame, target: str) -> pd.DataFrame:
    """The probes that were done, with ``idle_ms``, ``loaded_ms`` (the worse of both directions), TAILS, ``sent`` and
    ``lost`` of one target."""
    done = probes[probes["outcome"] == "done"]
    return done.assign(
        idle_ms=done[f"{target}_idle_ms"],
        **{name: done[f"{target}_{name}"] for name in TAILS},
        loaded_ms=done[[f"{target}_down_ms", f"{target}_up_ms"]].max(axis=1),
        sent=done[f"{target}_sent"],
        lost=done[f"{target}_lost"],
    )


def summarise_probes(probes: pd.DataFrame) -> pd.DataFrame:
    """One row per location, config version, band and far end, in this order: location, version, band, far_end, n_done,
    n_failed, n_stepped_aside; of down_mbps, up_mbps (several streams), down_one_mbps, up_one_mbps (one), idle_ms and
    loaded_ms the median and, with _low_ and _high_, the 10 and 90 % points; of idle_p95_ms, idle_jitter_ms,
    loaded_p95_ms and loaded_jitter_ms (each probe's 95 % point and jitter) the median; latency_to ("far_end" or
    "gateway"), n_sent and loss_percent. Unknown is NaN."""
    target = target_of(probes)
    keys = ["location", "version", "band", "far_end"]
    probes = probes.assign(band=probes["band"].fillna(""))
    ended = {f"n_{name.replace('-', '_')}": probes["outcome"] == name for name in ("done", "failed", "stepped-aside")}
    table = probes[keys].assign(**ended).groupby(keys, sort=True).sum().astype("int64")
    done = with_shown(probes, target).groupby(keys, sort=True)
    for name in ("down_mbps", "up_mbps", "down_one_mbps", "up_one_mbps", "idle_ms", "loaded_ms"):
        base, unit = name.rsplit("_", 1)
        for point, share in ((f"{base}_low_{unit}", 0.1), (name, 0.5), (f"{base}_high_{unit}", 0.9)):
            table[point] = done[name].quantile(share)
    for name in TAILS:
        table[name] = done[name].median()
    table["latency_to"] = target
    table["n_sent"] = done["sent"].sum()
    table["loss_percent"] = 100 * done["lost"].sum() / done["sent"].sum().replace(0, np.nan)
    return table.reset_index()


def summarise_sightings(heard: pd.DataFrame) -> pd.DataFrame:
    """One row per location, config version and radio: location, version, band, bssid, ssid, frequency_mhz, n_hours (in
    which it was heard),
    rssi_low_dbm, rssi_median_dbm, rssi_high_dbm (10, 50 and 90 % of the hours' means)."""
    heard = by_hour(heard)
    keys = ["location", "version", "band", "bssid", "ssid", "frequency_mhz"]
    by_radio = heard.groupby(keys, sort=True, dropna=False)
    table = pd.DataFrame({"n_hours": by_radio.size()})
    for name, share in (("rssi_low_dbm", 0.1), ("rssi_median_dbm", 0.5), ("rssi_high_dbm", 0.9)):
        table[name] = by_radio["rssi_mean_dbm"].quantile(share)
    return table.reset_index()


def by_hour(heard: pd.DataFrame) -> pd.DataFrame:
    """Sightings with one row per radio, period and hour, so that all rows are alike."""
    whole = heard.assign(weighted=heard["rssi_n"] * heard["rssi_mean_dbm"], hour=heard["mean_utc_ms"] // HOUR_MS)
    how = dict.fromkeys(whole.columns, "first") | dict.fromkeys(("rssi_n", "weighted", "covered_s"), "sum")
    how |= {"mean_utc_ms": "mean", "ended_at_utc_ms": "max"}
    rows = whole.groupby(["source_id", "period_id", "radio_id", "hour"], sort=False).agg(how).reset_index(drop=True)
    return rows.assign(rssi_mean_dbm=rows["weighted"] / rows["rssi_n"])


def sparse_width_ms(rows: pd.DataFrame, span_ms: float, least: int = LEAST_A_BIN) -> int:
    """Of bins of rows that are far apart, milliseconds; ``least`` rows in most of them."""
    usual_ms = 1000 * float(rows["covered_s"].median()) if len(rows) else 0.0
    return max(bin_width_ms(SPARSER * span_ms), bin_width_ms(least * usual_ms * MOST_BINS))


def sparse_trend(rows: pd.DataFrame, column: str, *, width_ms: int, origin_utc_ms: int) -> pd.DataFrame:
    """Median and 10-90 % of ``column``, by time; columns as ``trend`` gives them. Bins are cut at config versions."""
    rows = rows[rows[column].notna()].sort_values(["source_id", "mean_utc_ms"])
    mean_ms, value = (rows[name].to_numpy(dtype="float64") for name in ("mean_utc_ms", column))
    source, version = (rows[name].to_numpy() for name in ("source_id", "version"))
    changed = np.append(True, (source[1:] != source[:-1]) | (version[1:] != version[:-1]))[: len(rows)]
    bins = (mean_ms - origin_utc_ms) // width_ms
    begins = np.flatnonzero(changed | (np.diff(bins, prepend=np.nan) != 0))
    n = np.diff(np.append(begins, len(rows)))
    in_order = value[np.lexsort((value, np.arange(len(n)).repeat(n)))]  # within each bin
    binned = pd.DataFrame(
        {
            "started_at_utc_ms": np.minimum.reduceat(rows["started_at_utc_ms"].to_numpy(), begins),
            "ended_at_utc_ms": np.maximum.reduceat(rows["ended_at_utc_ms"].to_numpy(), begins),
            "mean_utc_ms": np.add.reduceat(mean_ms, begins) / n,
            "version": version[begins],
            "n": n,
            **{
                name: _quantile(in_order, begins, n, share)
                for name, share in (("low", 0.1), ("median", 0.5), ("high", 0.9))
            },
        }
    )
    pause_ms = binned["started_at_utc_ms"] - binned["ended_at_utc_ms"].shift()
    return binned.assign(joined=(pause_ms <= width_ms) & ~changed[begins])


def _quantile(in_order: np.ndarray, begins: np.ndarray, n: np.ndarray, share: float) -> np.ndarray:
    """Of each stretch of ``n`` values that begins there, in order; between two values on the line."""
    place = begins + share * (n - 1)
    below = place.astype(int)
    above = np.minimum(below + 1, begins + n - 1)
    found: np.ndarray = in_order[below] + (place - below) * (in_order[above] - in_order[below])
    return found


def by_place_and_band(rows: pd.DataFrame, column: str, **how: int) -> Mapping[str, dict[str, pd.DataFrame]]:
    """``sparse_trend`` by location, then band, of those that have any."""
    found: dict[str, dict[str, pd.DataFrame]] = {}
    for (place, band), part in rows[rows[column].notna()].groupby(["location", rows["band"].fillna("")], sort=False):
        found.setdefault(str(place), {})[str(band)] = sparse_trend(part, column, **how)
    return found
