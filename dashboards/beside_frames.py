"""What is measured beside the samples, as pandas frames that are judged as blocks are: probes, and sightings of radios.

Neither carries a tag: each row belongs to the period of its source that holds its time. A row stands for the time from
one probe to the next, or from one look to the next, so that hours mean what they mean of blocks.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
import pandas as pd

from dashboards.frames import load_links, load_periods
from logger.log import Log
from logger.one_moment import one_moment

LONGEST_STEP_S = 3600.0  # that a probe or a look stands for
SHARP_MS = 6 * 3_600_000  # so close to the ends of a period each look stands alone; farther off, those of an hour
HOUR_MS = 3_600_000
FOR_EVER_MS = 1 << 62

_TARGETS = {"gateway": "gateway", "far-end": "far_end"}
_LOADS = ("idle", "down", "up")
# In the order of their primary keys, so that nothing is sorted: a year's probes in a fifth of a second.
_GOODPUT = """(SELECT {column} FROM transfer
        WHERE probe_id = probe.id AND direction = '{direction}' AND goodput_mbps > 0 {only}
        ORDER BY streams DESC LIMIT 1) AS {direction}_{name}"""
_TRIED = (
    """EXISTS (SELECT 1 FROM transfer WHERE probe_id = probe.id AND direction = '{direction}') AS {direction}_tried"""
)
_ROUNDS = """max(CASE WHEN target = '{stored}' THEN method END) AS {target}_method,
        total(CASE WHEN target = '{stored}' THEN n_sent END) AS {target}_sent,
        total(CASE WHEN target = '{stored}' THEN n_lost END) AS {target}_lost,
        nullif(rtrim({loads}), '') AS {target}_loads"""
_LOAD = "max(CASE WHEN target = '{stored}' AND load = '{load}' THEN '{load} ' ELSE '' END)"
_MEDIAN = "max(CASE WHEN target = '{stored}' AND load = '{load}' THEN median_ms END) AS {target}_{load}_ms"
_TAIL = """max(CASE WHEN target = '{stored}' AND load {load} THEN {name}_ms END) AS {target}_{words}_{name}_ms"""
_TAILS = {"idle": "= 'idle'", "loaded": "<> 'idle'"}


def _probes_query() -> str:
    goodput = [
        _GOODPUT.format(column=column, direction=direction, only=only, name=name)
        for direction in ("down", "up")
        for column, only, name in (
            ("goodput_mbps", "", "mbps"),
            ("streams", "", "streams"),
            ("goodput_mbps", "AND streams = 1", "one_mbps"),
        )
    ]
    goodput += [_TRIED.format(direction=direction) for direction in ("down", "up")]
    rounds = []
    for stored, target in _TARGETS.items():
        loads = " || ".join(_LOAD.format(stored=stored, load=load) for load in _LOADS)
        rounds.append(_ROUNDS.format(stored=stored, target=target, loads=loads))
        rounds += [_MEDIAN.format(stored=stored, target=target, load=load) for load in _LOADS]
        rounds += [
            _TAIL.format(stored=stored, target=target, load=load, words=words, name=name)
            for words, load in _TAILS.items()
            for name in ("p95", "jitter")
        ]
    return f"""
        SELECT probe.id AS probe_id, source_id, started_at_utc_ms, ended_at_utc_ms AS probe_ended_at_utc_ms, link_id,
            far_end, outcome, words, round.*,
            {", ".join(goodput)}
        FROM probe
        LEFT JOIN (SELECT probe_id AS of_probe, {", ".join(rounds)} FROM latency GROUP BY probe_id) AS round
            ON of_probe = probe.id
        WHERE outcome <> 'running' ORDER BY source_id, started_at_utc_ms
    """


# The radios whose sightings are judged: of the networks that are watched, or that the laptop was linked to.
_COUNTED = """
    ssid IN (SELECT ssid FROM watched WHERE ssid IS NOT NULL UNION SELECT ssid FROM link WHERE ssid IS NOT NULL)
    OR bssid IN (SELECT bssid FROM watched WHERE bssid IS NOT NULL UNION SELECT bssid FROM link WHERE bssid IS NOT NULL)
"""
# Periods first, then their looks, then of each look the radios that count: that order reads least.
_SIGHTINGS = f"""
    SELECT scan.source_id, radio_id, CASE
            WHEN scan.time_utc_ms / :hour <= (period.started_at_utc_ms + :sharp) / :hour
                OR scan.time_utc_ms / :hour >= (period.ended_at_utc_ms - :sharp) / :hour
            THEN scan.time_utc_ms ELSE scan.time_utc_ms / :hour * :hour END AS started_at_utc_ms,
        min(scan.time_utc_ms) AS first_utc_ms, max(scan.time_utc_ms) AS last_utc_ms,
        avg(scan.time_utc_ms - age_ms) AS mean_utc_ms, count(rssi_dbm) AS n_samples, avg(rssi_dbm) AS rssi_mean_dbm
    FROM period
    CROSS JOIN scan ON scan.source_id = period.source_id AND scan.time_utc_ms >= period.started_at_utc_ms
        AND scan.time_utc_ms < ifnull(period.ended_at_utc_ms, :for_ever) AND scan.id % :every = 0
    CROSS JOIN sighting ON sighting.scan_id = scan.id
    WHERE rssi_dbm IS NOT NULL AND scan.time_utc_ms - age_ms >= period.started_at_utc_ms
        AND radio_id IN (SELECT id FROM radio WHERE {_COUNTED})
    GROUP BY period.id, radio_id, 3 ORDER BY scan.source_id, 3, radio_id
"""
_RADIOS = "SELECT id, bssid, ssid_text, band, frequency_mhz, width_mhz FROM radio"
_TEXT = {
    *("far_end", "outcome", "words", "bssid", "ssid_text", "band"),
    *(f"{target}_{name}" for target in _TARGETS.values() for name in ("method", "loads")),
}
_WHOLE = {
    *("probe_id", "source_id", "started_at_utc_ms", "link_id", "radio_id", "first_utc_ms", "last_utc_ms", "n_samples"),
    "id",
}


class Beside(NamedTuple):
    """See load_probes and load_sightings."""

    probes: pd.DataFrame
    sightings: pd.DataFrame


def load_beside(log: Log) -> Beside:
    """Both, of one moment."""
    with one_moment(log):
        return Beside(load_probes(log), load_sightings(log))


def load_probes(log: Log) -> pd.DataFrame:
    """One row per probe that has ended and lies in a period, by source and time. One that a change or a move came into
    is of neither side, and left out.

    As a block has them: tags, times, ``covered_s`` and the link that it ran over; a probe that failed, stepped aside or
    lost its link has the ``band`` of the nearest before it in its period, else after. ``outcome``, ``far_end``,
    ``words`` (why it failed or stepped aside). Goodput, Mbit/s: ``down_mbps`` and ``up_mbps`` of the most streams, how
    many these are (``down_streams``, ``up_streams``), ``down_one_mbps`` and ``up_one_mbps`` of one; ``down_tried`` and
    ``up_tried``: any was begun. Of each target T, ``gateway`` and ``far_end``: ``T_method``, ``T_idle_ms``,
    ``T_down_ms`` and ``T_up_ms`` (medians while no transfer ran, or one down or up), ``T_idle_p95_ms``,
    ``T_idle_jitter_ms`` and the same of ``loaded``, the worse of both directions, ``T_sent`` and ``T_lost`` of all
    these rounds, ``T_loads`` (which rounds: "idle down up").
    Unknown is NaN, or None of text.
    """
    with one_moment(log):
        rows = _rows(log, _probes_query()).drop(columns="of_probe")
        periods, links = load_periods(log), load_links(log)
    for target in _TARGETS.values():
        rows[f"{target}_sent"] = rows[f"{target}_sent"].fillna(0.0)
        rows[f"{target}_lost"] = rows[f"{target}_lost"].fillna(0.0)
    linked = links.reindex(rows["link_id"]).reset_index(drop=True)
    for name in ("band", "frequency_mhz", "width_mhz", "bssid"):
        rows[name] = linked[name]
    probes = as_blocks(rows.assign(rssi_mean_dbm=np.nan, rssi_n=0), periods)
    probes = probes[~(probes["probe_ended_at_utc_ms"] > probes["period_ended_at_utc_ms"])].reset_index(drop=True)
    near = probes.groupby("period_id")["band"].transform(lambda bands: bands.ffill().bfill())
    return probes.assign(band=probes["band"].where(probes["outcome"] == "done", near))


def load_sightings(log: Log, *, most_scans: int | None = None) -> pd.DataFrame:
    """One row per radio and look, or per radio and hour far from the ends of a period, by source and time: tags, times
    and ``covered_s`` as a block has them, ``band``, ``frequency_mhz``, ``width_mhz``, ``bssid``, ``ssid`` and
    ``radio_id``, ``rssi_n`` and ``rssi_mean_dbm``. Of networks that are watched or that the laptop was linked to. A
    beacon from before its look's period is left out. Of
    more than ``most_scans`` looks every second, third, ... only: a year at one each 5 min has 105,000."""
    with one_moment(log):
        periods = load_periods(log)
        radios = _rows(log, _RADIOS).set_index("id")
        n_scans = log.db.execute("SELECT count(*) FROM scan").fetchone()[0]
        every = 1 if most_scans is None else max(1, -(-n_scans // most_scans))
        told = {"hour": HOUR_MS, "sharp": SHARP_MS, "for_ever": FOR_EVER_MS, "every": every}
        rows = _rows(log, _SIGHTINGS, told)
    heard = radios.reindex(rows["radio_id"]).reset_index(drop=True)
    for name in ("band", "frequency_mhz", "width_mhz", "bssid"):
        rows[name] = heard[name]
    rows = rows.assign(
        ssid=heard["ssid_text"], rssi_n=rows["n_samples"], link_id=rows["radio_id"],
    )  # fmt: skip
    return as_blocks(rows, periods)


def as_blocks(rows: pd.DataFrame, periods: pd.DataFrame) -> pd.DataFrame:
    """``rows`` with what blocks have and they lack: tags of the period that holds each (rows in none are left out),
    ``first_utc_ms`` and the rest of the times, ``n_samples``, ``covered_s``, ``connected``.

    ``rows``: source_id and started_at_utc_ms, by source and time. ``periods`` as load_periods gives them. A row lasts
    until the next one, for the usual step at most.
    """
    where = _period_of(rows, periods)
    rows, where = rows[where >= 0].reset_index(drop=True), where[where >= 0]
    for name in periods.columns:
        if name not in ("source_id",):
            rows[name] = periods[name].take(where).array
    if "n_samples" not in rows:
        rows = rows.assign(first_utc_ms=rows["started_at_utc_ms"], last_utc_ms=rows["started_at_utc_ms"], n_samples=1)
    if "mean_utc_ms" not in rows:
        rows["mean_utc_ms"] = rows["started_at_utc_ms"].astype("float64")
    keys = [name for name in ("source_id", "radio_id") if name in rows] + ["period_id"]
    step_s = _step_s(rows, keys)
    following_ms = rows.groupby(keys)["started_at_utc_ms"].shift(-1)
    ends_ms = pd.concat([rows["last_utc_ms"] + 1000 * step_s, following_ms, rows["period_ended_at_utc_ms"]], axis=1)
    rows["ended_at_utc_ms"] = ends_ms.min(axis=1).astype("int64")
    return rows.assign(covered_s=rows["n_samples"] * step_s, connected=True)


def _period_of(rows: pd.DataFrame, periods: pd.DataFrame) -> np.ndarray:
    """The row of ``periods`` that holds each of ``rows``, -1 where none does."""
    found = np.full(len(rows), -1)
    time_ms = rows["started_at_utc_ms"].to_numpy(dtype="float64")
    for source_id in rows["source_id"].unique():
        mine = np.flatnonzero(rows["source_id"].to_numpy() == source_id)
        theirs = np.flatnonzero(periods["source_id"].to_numpy() == source_id)
        if not len(theirs):
            continue
        begins = periods["period_started_at_utc_ms"].to_numpy(dtype="float64")[theirs]
        ends = periods["period_ended_at_utc_ms"].fillna(np.inf).to_numpy(dtype="float64")[theirs]
        last = np.searchsorted(begins, time_ms[mine], side="right") - 1
        inside = (last >= 0) & (time_ms[mine] < ends[last])
        found[mine[inside]] = theirs[last[inside]]
    return found


def _step_s(rows: pd.DataFrame, keys: list[str]) -> pd.Series:
    """From one probe or look to the next, of each row's source and radio: the usual step within a period."""
    since_ms = rows.groupby(keys)["started_at_utc_ms"].diff()
    single = rows["n_samples"].eq(1)  # from one hour's looks to the next is no step
    usual_ms = since_ms.where(single).groupby([rows[key] for key in keys[:-1]]).transform("median")
    return (usual_ms / 1000).fillna(LONGEST_STEP_S).clip(upper=LONGEST_STEP_S)


def _rows(log: Log, query: str, told: dict[str, int] | None = None) -> pd.DataFrame:
    """The answer as a frame; its types do not depend on what was found."""
    cursor = log.db.cursor()
    cursor.row_factory = None
    cursor.execute(query, told or {})
    names = [column[0] for column in cursor.description]
    rows = pd.DataFrame(cursor.fetchall(), columns=names)
    return rows.astype({name: "str" if name in _TEXT else "int64" if name in _WHOLE else "float64" for name in names})
