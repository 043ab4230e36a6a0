"""How often intervals hold that rest on probes, one each 30 min, and on sightings, one each 5 min; of loss, too."""

from __future__ import annotations

import time
from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy.signal import lfilter

from dashboards.analysis.effect import estimate_effect
from dashboards.analysis.metrics import METRICS
from dashboards.beside_frames import as_blocks
from tests.bench.verdict.parts import Wanted, clearly_more, head, line, over, share
from tests.bench.verdict.worlds import EPOCH_UTC_MS

PROBE_S, LOOK_S = 1800.0, 300.0
HOUR_MS = 3_600_000
SENT = 30.0  # requests of a probe
EFFECTS_DB = (0.0, 1.0, 3.0, -6.0)  # planted by turns, in what a dB is worth
LOSS_FACTORS = (1.0, 2.0, 4.0)
QUICK_FAMILIES, QUICK_WORLDS = ("transfers d1", "sightings d1", "loss d3"), 8


@dataclass(frozen=True)
class Sparse:
    """One kind of world. ``stays_h``: lengths of the stays, versions 1 and 2 by turns. Noise in what a dB of level is
    worth for the metric. ``tails``: degrees of freedom of the scatter from row to row; ``spikes``: share of rows that
    are ``spike_db`` off, one way. Of loss: ``lost`` of each request on average, ``bad``: share of the time in which it
    is ten times as much, for ``bad_h`` at a time."""

    metric: str
    stays_h: tuple[float, ...]
    white_sd: float = 1.5
    tails: float = 4.0
    slow_sd: float = 1.0
    slow_tau_h: float = 2.0
    daily: float = 1.0
    drift_a_day: float = 0.0
    spikes: float = 0.0
    spike_db: float = 6.0
    missing: float = 0.05
    step_s: float = PROBE_S
    lost: float = 0.0
    bad: float = 0.0
    bad_h: float = 3.0


_DAY, _TURNS = (24.0, 24.0), (12.0, 12.0, 12.0, 12.0)
_LOOKS = {"metric": "sighting", "step_s": LOOK_S, "white_sd": 2.0, "tails": 8.0, "slow_tau_h": 0.5}
FAMILIES = {
    "transfers h6": Sparse("transfer-down", (6.0, 6.0)),
    "transfers d1": Sparse("transfer-down", _DAY),
    "transfers d3": Sparse("transfer-down", (72.0, 72.0)),
    "transfers d7": Sparse("transfer-down", (168.0, 168.0)),
    "transfers turns": Sparse("transfer-down", _TURNS),
    "transfers slow": Sparse("transfer-down", _DAY, slow_sd=2.0, slow_tau_h=6.0),
    "transfers daily": Sparse("transfer-down", (72.0, 72.0), daily=3.0),
    "transfers drift": Sparse("transfer-down", (72.0, 72.0), drift_a_day=0.5),
    "latency d1": Sparse("latency-idle", _DAY, tails=3.0, spikes=0.05),
    "latency d3": Sparse("latency-idle", (72.0, 72.0), tails=3.0, spikes=0.05),
    "latency turns": Sparse("latency-idle", _TURNS, tails=3.0, spikes=0.05),
    "sightings h3": Sparse(stays_h=(3.0, 3.0), **_LOOKS),  # type: ignore[arg-type]
    "sightings d1": Sparse(stays_h=_DAY, **_LOOKS),  # type: ignore[arg-type]
    "sightings d3": Sparse(stays_h=(72.0, 72.0), **_LOOKS),  # type: ignore[arg-type]
    "sightings turns": Sparse(stays_h=_TURNS, **_LOOKS),  # type: ignore[arg-type]
    "loss d1": Sparse("loss", _DAY, lost=0.01),
    "loss d3": Sparse("loss", (72.0, 72.0), lost=0.002),
    "loss d7": Sparse("loss", (168.0, 168.0), lost=0.01, bad=0.1),
    "loss turns": Sparse("loss", (24.0, 24.0, 24.0, 24.0), lost=0.01, bad=0.1),
}


@dataclass(frozen=True)
class Seen:
    """One effect of one world; in what a dB is worth, or of loss in percentage points."""

    held: bool
    half_width: float
    is_null: bool
    verdict: str
    seconds: float


def run(wanted: Wanted) -> list[str]:
    """Print the table. Returns what is clearly missed."""
    worlds = QUICK_WORLDS if wanted.quick else wanted.worlds
    print("Half widths in what a dB of level is worth (a transfer: .18 octaves; latency: .33), of loss in points.\n")
    head("family", "metric", "worlds", "held", "half width", "better or worse, no effect", "seconds")
    missed = []
    for name in wanted.names(FAMILIES, QUICK_FAMILIES):
        seen = over(wanted.jobs, look_at, [(FAMILIES[name], wanted.seed, k) for k in range(worlds)], name)
        line(
            *(name, FAMILIES[name].metric, worlds, share(one.held for one in seen)),
            float(np.median([one.half_width for one in seen])),
            share(one.verdict in ("better", "worse") for one in seen if one.is_null),
            float(np.mean([one.seconds for one in seen])),
        )
        if clearly_more(sum(not one.held for one in seen), worlds, 0.07):
            missed.append(
                f"{name}: intervals missed the truth in {sum(not one.held for one in seen)} of {worlds} worlds"
            )
    return missed


def look_at(family: Sparse, seed: int, number: int) -> Seen:
    rng = np.random.default_rng([seed, number])
    planted = EFFECTS_DB[number % len(EFFECTS_DB)]
    factor = LOSS_FACTORS[number % len(LOSS_FACTORS)]
    rows = loss_rows(family, factor, rng) if family.lost else level_rows(family, planted, rng)
    began_s = time.process_time()
    effect = estimate_effect(rows, 1, 2, family.metric)
    took_s = time.process_time() - began_s
    per_db = METRICS[family.metric].per_db
    low, high = effect.low, effect.high
    if low is None or high is None:
        raise AssertionError(f"there is enough for an interval, but {effect.warnings}")
    if effect.unit == "ratio":
        low, high = np.log2(low) / per_db, np.log2(high) / per_db
    mean = family.lost * (1 + 9 * (1 - np.exp(-family.bad)))  # spells may overlap
    truth = 100 * mean * (factor - 1) if family.lost else planted
    return Seen(low <= truth <= high, (high - low) / 2, truth == 0, effect.verdict, took_s)


def _rows(family: Sparse, rng: np.random.Generator) -> tuple[pd.DataFrame, pd.DataFrame, np.ndarray]:
    """Rows with their times, the periods, and hours since the first row."""
    begin_ms = EPOCH_UTC_MS + int(rng.uniform(0, 24) * HOUR_MS)
    edges_ms = begin_ms + np.round(np.cumsum([0.0, *family.stays_h]) * HOUR_MS).astype(int)
    n = int(sum(family.stays_h) * 3600 / family.step_s)
    time_ms = begin_ms + ((np.arange(n) + rng.uniform(0, 0.2, n)) * family.step_s * 1000).astype(int)
    time_ms = time_ms[rng.random(n) >= family.missing]
    number = np.arange(len(family.stays_h))
    periods = pd.DataFrame({
        "period_id": number + 1, "source_id": 1, "version": 1 + number % 2, "placement_id": 1, "time_zone": "Europe/Vienna",
        "period_started_at_utc_ms": edges_ms[:-1], "period_ended_at_utc_ms": edges_ms[1:].astype(float),
    })  # fmt: skip
    rows = pd.DataFrame({"source_id": 1, "started_at_utc_ms": time_ms, "link_id": 1, "frequency_mhz": 5180})
    rows = rows.assign(bssid="02:00:00:00:00:05", outcome="done", far_end="kiln server", rssi_n=0, rssi_mean_dbm=np.nan)
    return rows, periods, (time_ms - begin_ms) / HOUR_MS


def _version_2(rows: pd.DataFrame, periods: pd.DataFrame) -> np.ndarray:
    at = np.searchsorted(periods["period_started_at_utc_ms"], rows["started_at_utc_ms"], side="right") - 1
    return periods["version"].to_numpy()[at] == 2


def level_rows(family: Sparse, planted: float, rng: np.random.Generator) -> pd.DataFrame:
    rows, periods, hour = _rows(family, rng)
    n, t = len(rows), family.tails
    level = family.white_sd * rng.standard_t(t, n) / np.sqrt(t / (t - 2))
    keep = np.exp(-family.step_s / 3600 / family.slow_tau_h)
    steps = family.slow_sd * rng.standard_normal(n)
    steps[1:] *= np.sqrt(1 - keep**2)
    level += lfilter([1.0], [1.0, -keep], steps)
    level += family.daily * np.sin(2 * np.pi * hour / 24 + rng.uniform(0, 2 * np.pi))
    level += family.drift_a_day * hour / 24 * rng.choice([-1, 1])
    level += family.spike_db * (rng.random(n) < family.spikes)
    level += planted * _version_2(rows, periods)
    how = METRICS[family.metric]
    if family.metric == "sighting":
        rows = rows.assign(rssi_mean_dbm=np.round(-62 + level), rssi_n=1, radio_id=1)
        rows = rows[~rows["started_at_utc_ms"].duplicated()]
    elif family.metric == "transfer-down":
        rows = rows.assign(down_mbps=200 * 2 ** (how.per_db * level), down_streams=4.0, down_tried=1)
    else:
        rows = rows.assign(far_end_method="icmp", far_end_idle_ms=4 * 2 ** (how.per_db * level), gateway_method=None)
        rows = rows.assign(
            **{f"{target}_{load}_ms": np.nan for target in ("gateway", "far_end") for load in ("down", "up")}
        )
        rows = rows.assign(gateway_idle_ms=np.nan, far_end_loads="idle", gateway_loads=None)
    return as_blocks(rows, periods)


def loss_rows(family: Sparse, factor: float, rng: np.random.Generator) -> pd.DataFrame:
    rows, periods, hour = _rows(family, rng)
    lost = np.full(len(rows), family.lost)
    if family.bad:
        n_spells = rng.poisson(family.bad * (sum(family.stays_h) + family.bad_h) / family.bad_h)
        for begin in rng.uniform(-family.bad_h, sum(family.stays_h), n_spells):
            lost[(hour >= begin) & (hour < begin + family.bad_h)] = 10 * family.lost
    lost = np.where(_version_2(rows, periods), factor, 1.0) * lost
    rows = rows.assign(far_end_method="icmp", far_end_loads="idle down up", far_end_sent=SENT, gateway_method=None)
    rows = rows.assign(far_end_lost=rng.binomial(int(SENT), np.minimum(lost, 1.0)).astype(float), gateway_sent=0.0)
    empty = {f"{target}_{load}_ms": np.nan for target in ("gateway", "far_end") for load in ("down", "up", "idle")}
    return as_blocks(rows.assign(**empty, gateway_loads=None, gateway_lost=0.0), periods)
