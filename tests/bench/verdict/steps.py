"""Unexplained changes: false alarms a month on links that never change, and how often a planted step is found.

Each world is a link read every 10 s for 30 days under one version, as in worlds.py; nothing changed. Then a step is
planted, up or down by turns, at a random moment, and taken back a day later. The readings are cut into blocks of ten
minutes of the clock: the log's own are finer within an hour of a stay's ends, and the search merges those again.

Columns: alarms a month of each kind where nothing was planted; the share of planted steps found, within two hours of
their beginning and with the right sign; the median error of their time; how often the range of time and the interval
of the size hold the truth. `drift` has a slope, and to find it is no false alarm.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from dashboards.analysis.histograms import CELLS, ENTRY
from dashboards.analysis.unexplained.changes import Unexplained, unexplained_changes
from tests.bench.verdict.parts import Wanted, head, line, over, share
from tests.bench.verdict.worlds import STEP_S, Family, Readings, read

DAYS = 30
SLOT = 600 // STEP_S  # readings
SLOT_MS = 600_000
STEPS_DB = (4.0, 2.0)
HELD_S = 86_400.0
NEAR_MS = 7_200_000
MOST_ALARMS = 1.0  # a month
LEAST_FOUND = 0.90
QUICK, QUICK_WORLDS = ("still", "bursts"), 12
MONTH = Family((24.0 * DAYS,))
# Those of the effects, for a month, and two more: "still" is like a quiet link of the published ones, "home" like a
# room that people live in.
FAMILIES = {
    "d1": MONTH,
    "still": replace(MONTH, fast_sd=0.8, slow_sd=0.0, daily=0.5, flicker_sd=0.35),
    "home": replace(MONTH, slow_sd=0.7, daily=2.0, blockings_an_hour=1.0, flicker_sd=0.4),
    "slow": replace(MONTH, slow_tau_s=7200.0, slow_sd=2.0),
    "hours": replace(MONTH, slow_tau_s=8 * 3600.0, slow_sd=2.0),
    "white": replace(MONTH, slow_sd=0.0, daily=0.0, blockings_an_hour=0.0),
    "drift": replace(MONTH, drift_a_day=1.0),
    "daily3": replace(MONTH, daily=3.0),
    "bursts": replace(MONTH, blockings_an_hour=2.0),
    "half": replace(MONTH, step_db=2.0, dropped=0.3),
    "flicker": replace(MONTH, slow_sd=0.0, flicker_sd=0.5),
    "walk": replace(MONTH, slow_sd=0.0, walk_a_root_hour=0.3),
    "losses": replace(MONTH, losses_an_hour=0.2),
}
NO_EVENTS = pd.DataFrame({"time_utc_ms": [], "kind": [], "source_id": [], "detail": []})


@dataclass(frozen=True)
class Planted:
    """What became of one planted step."""

    found: bool
    returned: bool  # its end was found too
    error_min: float | None
    in_range: bool | None
    size_held: bool | None


@dataclass(frozen=True)
class Seen:
    """What one world showed."""

    alarms: Counter[str]  # by kind
    planted: dict[float, Planted]


def blocks_of(readings: Readings) -> pd.DataFrame:
    """As ``load_blocks`` gives them, ten minutes of the clock each."""
    n = len(readings.rssi) // SLOT
    rssi = readings.rssi[: n * SLOT].reshape(n, SLOT)
    begin_ms = readings.begin_utc_ms // SLOT_MS * SLOT_MS
    heard = ~np.isnan(rssi)
    cell = np.nan_to_num(rssi).astype(int) + CELLS // 2 + CELLS * np.arange(n)[:, None]
    counts = np.bincount(cell[heard], minlength=n * CELLS).reshape(n, CELLS)
    total = counts.sum(axis=1)
    with np.errstate(invalid="ignore"):
        mean = counts @ (np.arange(CELLS) - CELLS // 2) / total
    blocks = pd.DataFrame(
        {
            "rssi_n": total,
            "rssi_mean_dbm": mean,
            "rssi_histogram": histograms_of(counts),
            "started_at_utc_ms": begin_ms + SLOT_MS * np.arange(n),
        }
    )
    started = blocks["started_at_utc_ms"]
    return blocks.assign(
        ended_at_utc_ms=started + SLOT_MS, first_utc_ms=started, last_utc_ms=started + SLOT_MS - STEP_S * 1000,
        mean_utc_ms=started + (SLOT_MS - STEP_S * 1000) / 2, covered_s=600.0, n_dropouts=0, connected=True,
        period_id=1, source_id=1, placement_id=1, version=1, link_id=1, location="bench by the window", band="5",
        bssid="02:00:00:00:00:05", frequency_mhz=5180.0, width_mhz=80.0, time_zone="Europe/Vienna",
        noise_n=0, noise_mean_dbm=np.nan, busy_n=0, busy_mean_share=np.nan,
        period_started_at_utc_ms=begin_ms, period_ended_at_utc_ms=begin_ms + n * SLOT_MS,
    )  # fmt: skip


def histograms_of(counts: np.ndarray) -> list[bytes]:
    """As logger/blocks.py writes them, of counts (n, CELLS) by value."""
    row, cell = np.nonzero(counts)
    entries = np.empty(len(row), dtype=ENTRY)
    entries["value"], entries["count"] = cell - CELLS // 2, counts[row, cell]
    ends = np.cumsum(np.bincount(row, minlength=len(counts))) * ENTRY.itemsize
    raw = entries.tobytes()
    return [raw[begin:end] for begin, end in zip([0, *ends[:-1]], ends, strict=True)]


def with_step(readings: Readings, at_s: float, db: float, family: Family) -> Readings:
    """Planted on whole steps of rounding, as all of these are."""
    away = (readings.t_s >= at_s) & (readings.t_s < at_s + HELD_S)
    return replace(readings, rssi=readings.rssi + np.round(db / family.step_db) * family.step_db * away)


def look(name: str, seed: int, world: int) -> Seen:
    family = FAMILIES[name]
    rng = np.random.default_rng([seed, world])
    readings, _ = read(family, 0.0, rng)
    alarms: Counter[str] = Counter(one.kind for one in unexplained_changes(blocks_of(readings), NO_EVENTS))
    at_s = rng.uniform(2, DAYS - 3) * 86_400
    way = 1 if world % 2 else -1
    planted = {}
    for db in STEPS_DB:
        changes = unexplained_changes(blocks_of(with_step(readings, at_s, way * db, family)), NO_EVENTS)
        at_ms = readings.begin_utc_ms // SLOT_MS * SLOT_MS + at_s * 1000
        planted[db] = _planted([one for one in changes if one.kind == "level"], at_ms, way * db)
    return Seen(alarms, planted)


def _planted(changes: list[Unexplained], at_ms: float, db: float) -> Planted:
    def near(moment_ms: float, way: float) -> list[Unexplained]:
        return [one for one in changes if abs(one.at_utc_ms - moment_ms) <= NEAR_MS and one.change * way > 0]

    found, returned = near(at_ms, db), bool(near(at_ms + HELD_S * 1000, -db))
    if not found:
        return Planted(False, returned, None, None, None)
    one = min(found, key=lambda change: abs(change.at_utc_ms - at_ms))
    return Planted(
        True, returned, abs(one.at_utc_ms - at_ms) / 60_000,
        one.earliest_utc_ms <= at_ms <= one.latest_utc_ms, one.low <= db <= one.high,
    )  # fmt: skip


def run(wanted: Wanted) -> list[str]:
    """Print the table. Returns what is clearly missed."""
    names = wanted.names(FAMILIES, QUICK)
    worlds = QUICK_WORLDS if wanted.quick else wanted.worlds
    head("family", "level alarms a month", "slope", "spread", "4 dB found", "and its end", "2 dB found", "min off",
         "in its range", "size held")  # fmt: skip
    missed = []
    for name in names:
        seen = over(wanted.jobs, look, [(name, wanted.seed, world) for world in range(worlds)], name)
        four, two = ([one.planted[db] for one in seen] for db in STEPS_DB)
        hits = [one for one in four if one.found]
        a_month = {kind: sum(one.alarms[kind] for one in seen) / worlds for kind in ("level", "slope", "spread")}
        found = float(np.mean([one.found for one in four]))
        line(name, *a_month.values(), share(one.found for one in four), share(one.returned for one in four),
             share(one.found for one in two), float(np.median([one.error_min for one in hits])) if hits else None,
             share(bool(one.in_range) for one in hits), share(bool(one.size_held) for one in hits))  # fmt: skip
        # 12 worlds: at one alarm a month more than 24, at 90 % found fewer than 7, come by chance 1 time in 1,000
        if wanted.quick and (a_month["level"] > 2 * MOST_ALARMS or found < LEAST_FOUND - 0.35):
            missed.append(f"{name}: {a_month['level']:.1f} false alarms a month, {found:.0%} of the steps found")
    return missed
