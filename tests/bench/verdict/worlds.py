"""Families of simulated links, and their samples cut into blocks as the log cuts them.

A world is a link read every 10 s: fast and slow Ornstein-Uhlenbeck noise, a daily sine of random phase, people
blocking the path by day, rounding, drop-outs, starting at a random time of day. The first twelve families are those
of the study that the method was built after.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd
from scipy.signal import lfilter

from logger.blocks import encode_histogram, stretch_at

STEP_S = 10
EPOCH_UTC_MS = 1_792_000_000_000 // 600_000 * 600_000  # some day in 2026
FLICKER_TAUS_S = tuple(60.0 * 4**octave for octave in range(10))
BLOCKING_S = 400.0  # mean length of somebody in the way
BLOCKING_DB = (2.0, 2.0)  # shape and scale of the depth, gamma
BY_DAY_H = (8, 22)


@dataclass(frozen=True)
class Family:
    """One kind of world. ``stays_h``: lengths of the stays, versions 1 and 2 by turns. Levels in dB, times in s."""

    stays_h: tuple[float, ...]
    gaps_h: tuple[float, ...] = ()  # before each stay, nothing logged; none: the stays abut
    level_dbm: float = -68.0
    fast_sd: float = 1.5
    fast_tau_s: float = 30.0
    slow_sd: float = 1.5
    slow_tau_s: float = 1200.0
    daily: float = 1.0
    blockings_an_hour: float = 0.3
    drift_a_day: float = 0.0
    flicker_sd: float = 0.0  # of each of the OUs at FLICKER_TAUS_S
    walk_a_root_hour: float = 0.0
    step_db: float = 1.0  # of rounding
    dropped: float = 0.01  # share of single readings
    heard_above_dbm: float = -np.inf  # no reading below
    losses_an_hour: float = 0.0  # of the link
    loss_s: float = 1200.0  # mean length of a loss
    placement_sd: float = 0.0
    interaction_sd: float = 0.0  # of the effect, from placement to placement
    placement_every: int = 0  # stays at one placement; 0: never moved
    hops_at: float = 0.0  # after this part of version 1 the router goes to version 2's channel by itself
    channel_sd: float = 4.0  # what a channel is worth
    study_half_width: float | None = None  # of the method this one was built after, dB
    study_oracle: float | None = None  # half width of the study's fair oracle, dB

    @property
    def stay_bounds(self) -> Iterator[tuple[int, int]]:
        """First and one past the last reading of each stay, in steps since the world began."""
        at = 0
        for hours, gap_h in zip(self.stays_h, self.gaps_h or (0.0,) * len(self.stays_h), strict=True):
            begins = at + round(gap_h * 3600 / STEP_S)
            at = begins + round(hours * 3600 / STEP_S)
            yield begins, at


@dataclass(frozen=True)
class Readings:
    """All arrays of shape (n,), by time."""

    t_s: np.ndarray
    rssi: np.ndarray  # NaN: unknown
    stay: np.ndarray
    placement: np.ndarray
    frequency_mhz: np.ndarray
    connected: np.ndarray  # bool
    begin_utc_ms: int

    def blocks(self, until_s: float | None = None) -> pd.DataFrame:
        """As ``load_blocks`` gives them (the columns that effects are drawn from). ``until_s``: as they were then,
        the stay of that moment still open."""
        so_far = slice(None) if until_s is None else slice(0, int(np.searchsorted(self.t_s, until_s)))
        stay = self.stay[so_far]
        return cut(
            self.t_s[so_far],
            self.rssi[so_far],
            stay,
            1 + stay % 2,
            self.placement[so_far],
            self.begin_utc_ms,
            self.frequency_mhz[so_far],
            self.connected[so_far],
            still_open=until_s is not None,
        )


@dataclass(frozen=True)
class World:
    """The readings of one world and their blocks, and what was planted: at the location on the whole, and at each
    placement; the last of these is one where nothing was read."""

    readings: Readings
    blocks: pd.DataFrame
    effect_db: float
    at_placement_db: np.ndarray

    @property
    def at_new_placement_db(self) -> float:
        return float(self.at_placement_db[-1])

    @property
    def at_first_placement(self) -> tuple[pd.DataFrame, float]:
        """The blocks of one placement, and the effect there."""
        return self.blocks[self.blocks["placement_id"] == 1], float(self.at_placement_db[0])


D1 = Family((24, 24), study_half_width=1.31, study_oracle=1.10)
H8 = Family((8, 8), study_half_width=1.54, study_oracle=1.44)
STUDY = {
    "h2": Family((2, 2), study_half_width=1.71, study_oracle=1.54),
    "h8": H8,
    "d1": D1,
    "d3": Family((72, 72), study_half_width=1.01, study_oracle=0.76),
    "abab12": Family((12,) * 4, study_half_width=0.96, study_oracle=0.85),
    "aba24": Family((24,) * 3, study_half_width=0.88, study_oracle=0.57),
    "slow": replace(D1, slow_tau_s=7200.0, slow_sd=2.0, study_half_width=1.46, study_oracle=1.35),
    "white": replace(H8, slow_sd=0.0, daily=0.0, blockings_an_hour=0.0, study_half_width=0.66, study_oracle=0.54),
    "drift": replace(D1, drift_a_day=1.0, study_half_width=1.32, study_oracle=1.10),
    "daily3": replace(D1, daily=3.0, study_half_width=1.31, study_oracle=1.12),
    "bursts": replace(D1, blockings_an_hour=2.0, study_half_width=1.43, study_oracle=1.21),
    "half": replace(H8, step_db=2.0, dropped=0.3, study_half_width=1.70, study_oracle=1.56),
}
_D1 = Family(D1.stays_h)
FAMILIES = STUDY | {
    "flicker": replace(_D1, slow_sd=0.0, flicker_sd=0.5),
    "walk": replace(_D1, slow_sd=0.0, walk_a_root_hour=0.3),
    "hours": replace(_D1, slow_tau_s=8 * 3600.0, slow_sd=2.0),
    "m4": Family((4 / 60, 4 / 60)),  # with a washout of 120 s, hardly two minutes of each version are left
    "m5": Family((5 / 60, 5 / 60)),
    "m15": Family((0.25, 0.25)),
    "h1": Family((1, 1)),
    "d7": Family((168, 168)),
    "week": Family((12,) * 14),
    "scattered": Family((5, 30, 3, 12, 48, 8), gaps_h=(0, 40, 100, 24, 72, 55)),
    "weak": replace(H8, level_dbm=-84.0, heard_above_dbm=-87.0, study_half_width=None, study_oracle=None),
    "losses": replace(_D1, losses_an_hour=0.2),
    "places": Family((6,) * 8, placement_sd=3.0, placement_every=2),
    "many": Family((4,) * 12, placement_sd=3.0, interaction_sd=0.75, placement_every=2),
    "hop": Family((12, 12), hops_at=0.6),
}


def simulate(family: Family, effect_db: float, rng: np.random.Generator) -> pd.DataFrame:
    """The blocks of one world alone."""
    return draw(family, effect_db, rng).blocks


def draw(family: Family, effect_db: float, rng: np.random.Generator) -> World:
    """One world. Worlds that differ only in ``effect_db`` or ``heard_above_dbm`` are the same but for that."""
    readings, at_placement_db = read(family, effect_db, rng)
    return World(readings, readings.blocks(), effect_db, at_placement_db)


def read(family: Family, effect_db: float, rng: np.random.Generator) -> tuple[Readings, np.ndarray]:
    """The readings of one world, and what was planted at each placement."""
    bounds = list(family.stay_bounds)
    n = bounds[-1][1]
    stay = np.full(n, -1)
    for k, (begins, ends) in enumerate(bounds):
        stay[begins:ends] = k
    t_s = STEP_S * np.arange(n, dtype=float)
    start_s = rng.uniform(0, 86_400) // STEP_S * STEP_S
    clock_s = start_s + t_s
    level = family.level_dbm + family.drift_a_day * t_s / 86_400
    level += _ou(n, family.fast_tau_s, family.fast_sd, rng) + _ou(n, family.slow_tau_s, family.slow_sd, rng)
    level += family.daily * np.sin(2 * np.pi * clock_s / 86_400 + rng.uniform(0, 2 * np.pi))
    for tau_s in FLICKER_TAUS_S:
        level += _ou(n, tau_s, family.flicker_sd, rng)
    level += np.cumsum(rng.standard_normal(n)) * family.walk_a_root_hour * np.sqrt(STEP_S / 3600)
    for began in np.flatnonzero(rng.random(n) < family.blockings_an_hour * STEP_S / 3600):
        if BY_DAY_H[0] <= clock_s[began] % 86_400 / 3600 < BY_DAY_H[1]:
            lasts = max(1, round(rng.exponential(BLOCKING_S) / STEP_S))
            level[began : began + lasts] -= rng.gamma(*BLOCKING_DB)
    placement = stay // family.placement_every if family.placement_every else np.zeros(n, int)
    level += (family.placement_sd * rng.standard_normal(placement.max() + 1))[placement]
    hopped = t_s >= family.hops_at * 3600 * family.stays_h[0]
    if family.hops_at:
        level[~hopped] += family.channel_sd * rng.standard_normal()
    missing = rng.random(n) < family.dropped
    at_placement_db = effect_db + family.interaction_sd * rng.standard_normal(placement.max() + 2)
    connected = ~_lost(n, family, rng)
    level += at_placement_db[placement] * (stay % 2)
    rssi = np.round(level / family.step_db) * family.step_db
    rssi[missing | ~connected | (rssi < family.heard_above_dbm)] = np.nan
    on = stay >= 0
    channel_mhz = np.where(hopped, 5180, 5500)
    begin_utc_ms = EPOCH_UTC_MS + int(start_s * 1000)
    readings = Readings(t_s[on], rssi[on], stay[on], placement[on], channel_mhz[on], connected[on], begin_utc_ms)
    return readings, at_placement_db


def cut(
    t_s: np.ndarray,
    rssi: np.ndarray,
    stay: np.ndarray,
    version: np.ndarray,
    placement: np.ndarray,
    begin_utc_ms: int,
    frequency_mhz: np.ndarray | None = None,
    connected: np.ndarray | None = None,
    *,
    still_open: bool = False,
) -> pd.DataFrame:
    """Samples (NaN: unknown) into blocks, periods being the stays, by the log's own rule. ``still_open``: the last
    stay goes on."""
    rows = []
    time_ms = begin_utc_ms + (t_s * 1000).astype(np.int64)
    step_ms = int(np.median(np.diff(time_ms)))
    for k in np.unique(stay):
        inside = np.flatnonzero(stay == k)
        started_ms, ended_ms = int(time_ms[inside[0]]), int(time_ms[inside[-1]]) + step_ms
        goes_on = still_open and k == stay[-1]
        i = inside[0]
        while i <= inside[-1]:
            stretch = stretch_at(int(time_ms[i]), started_ms, None if goes_on else ended_ms)
            j = min(int(np.searchsorted(time_ms, stretch.ended_at_utc_ms)), int(inside[-1]) + 1)
            period = {
                "period_id": int(k) + 1,
                "source_id": 1,
                "placement_id": int(placement[i]) + 1,
                "version": int(version[i]),
                "time_zone": "Europe/Vienna",
                "period_started_at_utc_ms": started_ms,
                "period_ended_at_utc_ms": np.nan if goes_on else ended_ms,
                "started_at_utc_ms": stretch.started_at_utc_ms,
                "ended_at_utc_ms": stretch.ended_at_utc_ms,
            }
            linked = np.ones(j - i, bool) if connected is None else connected[i:j]
            for link in np.unique(linked)[::-1]:
                which = i + np.flatnonzero(linked == link)
                mhz = 5180 if frequency_mhz is None else int(frequency_mhz[i])
                rows.append(period | _block_of(time_ms[which], rssi[which], step_ms) | _link(bool(link), mhz))
            i = j
    return pd.DataFrame(rows)


def _block_of(time_ms: np.ndarray, rssi: np.ndarray, step_ms: int) -> dict[str, object]:
    seen = rssi[~np.isnan(rssi)]
    values, counts = np.unique(np.round(seen).astype(int), return_counts=True)
    return {
        "first_utc_ms": int(time_ms[0]),
        "last_utc_ms": int(time_ms[-1]),
        "mean_utc_ms": float(np.mean(time_ms)),
        "covered_s": len(time_ms) * step_ms / 1000,
        "n_samples": len(time_ms),
        "n_dropouts": 0,
        "rssi_n": len(seen),
        "rssi_mean_dbm": float(seen.mean()) if len(seen) else np.nan,
        "rssi_histogram": encode_histogram(dict(zip(values.tolist(), counts.tolist(), strict=True))),
    }


def _link(connected: bool, frequency_mhz: int) -> dict[str, object]:
    if not connected:
        return {"link_id": 2, "connected": False, "bssid": None, "frequency_mhz": np.nan}
    return {"link_id": 1, "connected": True, "bssid": "02:00:00:00:00:05", "frequency_mhz": frequency_mhz}


def _lost(n: int, family: Family, rng: np.random.Generator) -> np.ndarray:
    lost = np.zeros(n, bool)
    if family.losses_an_hour:
        for began in np.flatnonzero(rng.random(n) < family.losses_an_hour * STEP_S / 3600):
            lost[began : began + max(1, round(rng.exponential(family.loss_s) / STEP_S))] = True
    return lost


def _ou(n: int, tau_s: float, sd: float, rng: np.random.Generator) -> np.ndarray:
    if sd == 0:
        return np.zeros(n)
    keep = np.exp(-STEP_S / tau_s)
    steps = rng.standard_normal(n) * sd
    steps[1:] *= np.sqrt(1 - keep**2)
    noise: np.ndarray = lfilter([1.0], [1.0, -keep], steps)
    return noise
