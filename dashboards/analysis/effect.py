"""What config version B did against A at one location and band: an effect with an interval.

Levels and rates are judged by a Gaussian process over block means whose hyperparameters are integrated
out (level_model, integration); outages by their episodes (outage). No clock, no randomness but ``seed``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from dashboards.analysis.block_series import (
    BlockSeries,
    after_washout,
    histogram_of,
    number_stays,
    series_from_blocks,
)
from dashboards.analysis.integration import integrate, mixture_quantiles, mode_and_spread
from dashboards.analysis.level_model import PLACEMENT_SD, LevelModel
from dashboards.analysis.outage import outage_difference, outage_record
from dashboards.analysis.radio import OwnRadio, choose_radio

LEAST_COVERED_S = 180.0
LEAST_BLOCKS = 2


@dataclass(frozen=True)
class Metric:
    """How one metric is read from the blocks and judged."""

    unit: str
    column: str  # of the block's mean; "" where the metric is not a mean
    count: str
    histogram: str
    quantum: float  # rounding step of single samples, in the column's unit
    per_db: float  # what one dB of level is worth in the column's unit: the scale of all priors
    default_margin: float
    higher_is_better: bool


# From the most robust to the fastest rate of one stream (6.5 to 65 Mbit/s: 3.3 octaves) the receiver needs
# 18 dB more (-82 to -64 dBm, IEEE 802.11-2020 table 19-23), so one dB is worth 0.18 octaves.
OCTAVES_PER_DB = 0.18

METRICS = {
    "rssi": Metric("dB", "rssi_mean_dbm", "rssi_n", "rssi_histogram", 1.0, 1.0, 1.0, True),
    "tx-rate": Metric("ratio", "tx_rate_mean_log2", "tx_rate_n", "tx_rate_histogram", 0.0, OCTAVES_PER_DB, 1.10, True),
    "rx-rate": Metric("ratio", "rx_rate_mean_log2", "rx_rate_n", "rx_rate_histogram", 0.0, OCTAVES_PER_DB, 1.10, True),
    "outage": Metric("min/day", "", "", "", 0.0, 1.0, 5.0, False),
}

LEVEL_METHOD = (
    "Gaussian process over block means: white noise, two Ornstein-Uhlenbeck terms, a flicker floor, the "
    "day's cycle, drift, and an offset of each stay and placement; its scales integrated out"
)
OUTAGE_METHOD = "episodes of outage as an over-dispersed Poisson process with Jeffreys' prior"


@dataclass(frozen=True)
class Effect:
    """What version B did against A. ``estimate``, ``low`` and ``high`` are B - A (dB, min/day) or B / A
    (ratio); None where there is too little to tell. ``scope`` "position" claims about the one placement
    both versions share; "location" about a new placement of the laptop there."""

    metric: str
    unit: str
    estimate: float | None
    low: float | None
    high: float | None
    confidence: float
    verdict: str
    margin: float
    n_placements_a: int
    n_placements_b: int
    hours_a: float
    hours_b: float
    scope: str
    method: str
    warnings: tuple[str, ...]


def estimate_effect(
    blocks: pd.DataFrame,
    a: int,
    b: int,
    metric: str,
    *,
    margin: float | None = None,
    washout_s: float = 120.0,
    confidence: float = 0.95,
    seed: int = 0,
) -> Effect:
    """The effect of version ``b`` against ``a`` from the blocks of one location and band.

    ``blocks`` is a subset of ``load_blocks``; ``margin`` is the least difference that matters, in the
    metric's unit (a ratio above 1 for rates). Blocks that start within ``washout_s`` after a change or a
    move are left out. Raises ValueError for an unknown metric, an impossible margin, or a version that
    has no blocks.
    """
    if metric not in METRICS:
        raise ValueError(f"no metric {metric!r}; there are {', '.join(METRICS)}")
    how = METRICS[metric]
    margin = how.default_margin if margin is None else margin
    if not margin > (1.0 if how.unit == "ratio" else 0.0):
        raise ValueError(f"a margin of {margin:g} {how.unit} cannot be: it must be above {how.unit == 'ratio':d}")
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence of {confidence:g} is not between 0 and 1")
    if a == b:
        raise ValueError(f"v{a} cannot be compared with itself")
    for version in (a, b):
        if not (blocks["version"] == version).any():
            raise ValueError(f"v{version} has no blocks here")
    ours = number_stays(blocks[blocks["version"].isin([a, b])])
    washed = after_washout(ours, washout_s)
    arms = {version: washed[washed["version"] == version] for version in (a, b)}
    if metric == "outage":
        return _outage_effect(arms, a, b, how, margin, confidence, seed)
    return _level_effect(arms, a, b, metric, how, margin, confidence, seed)


def _level_effect(
    arms: dict[int, pd.DataFrame],
    a: int,
    b: int,
    metric: str,
    how: Metric,
    margin: float,
    confidence: float,
    seed: int,
) -> Effect:
    warnings: list[str] = []
    radios = {version: choose_radio(arm) for version, arm in arms.items()}
    warnings += _radio_warnings(radios)
    used = {
        version: arms[version].iloc[:0] if own is None else own.blocks[own.blocks[how.count] > 0]
        for version, own in radios.items()
    }
    scope, n_a, n_b, placement_warnings = _scope(used[a], used[b], a, b)
    warnings += placement_warnings
    lacking = _lacking(used)
    estimate = low = high = None
    if all(len(arm) for arm in used.values()):
        together = pd.concat([used[a], used[b]]).sort_values(["source_id", "started_at_utc_ms"], kind="stable")
        series = series_from_blocks(together, how.column, how.count, how.histogram, b)
        if lacking:
            estimate = _difference_of_means(series)
        else:
            quantum = _quantum(together, how)
            estimate, low, high = _integrated(series, how, quantum, scope, confidence, seed)
            warnings += _level_warnings(series, used, arms, a, b, how, quantum)
        if how.unit == "ratio":
            estimate, low, high = (None if x is None else float(2.0**x) for x in (estimate, low, high))
    return Effect(
        metric=metric,
        unit=how.unit,
        estimate=estimate,
        low=low,
        high=high,
        confidence=confidence,
        verdict=_verdict(low, high, margin, how),
        margin=margin,
        n_placements_a=n_a,
        n_placements_b=n_b,
        hours_a=_hours(used[a]),
        hours_b=_hours(used[b]),
        scope=scope,
        method=LEVEL_METHOD,
        warnings=tuple(lacking + warnings),
    )


def _outage_effect(
    arms: dict[int, pd.DataFrame], a: int, b: int, how: Metric, margin: float, confidence: float, seed: int
) -> Effect:
    scope, n_a, n_b, warnings = _scope(arms[a], arms[b], a, b)
    lacking = _lacking(arms)
    estimate = low = high = None
    if not lacking:
        records = {version: outage_record(arm) for version, arm in arms.items()}
        estimate, low, high = outage_difference(records[a], records[b], confidence, seed)
        warnings += _time_warnings(arms)
    return Effect(
        metric="outage",
        unit=how.unit,
        estimate=estimate,
        low=low,
        high=high,
        confidence=confidence,
        verdict=_verdict(low, high, margin, how),
        margin=margin,
        n_placements_a=n_a,
        n_placements_b=n_b,
        hours_a=_hours(arms[a]),
        hours_b=_hours(arms[b]),
        scope=scope,
        method=OUTAGE_METHOD,
        warnings=tuple(lacking + warnings),
    )


def _integrated(
    series: BlockSeries, how: Metric, quantum: float, scope: str, confidence: float, seed: int
) -> tuple[float, float, float]:
    """Estimate and interval of beta in the column's unit, hyperparameters integrated out."""
    model = LevelModel(
        series.scaled(1 / how.per_db), quantum=quantum / how.per_db, several_placements=scope == "location"
    )
    mode, spread = mode_and_spread(model.log_density_and_gradient, model.start, model.prior_sd)
    betas: list[tuple[float, float]] = []

    def log_density(theta: np.ndarray) -> float:
        contrast = model.contrast(theta)
        betas.append((contrast.beta, contrast.variance))
        return contrast.log_density

    weighted = integrate(log_density, mode, spread, seed)
    means, variances = np.array(betas).T
    tail = (1 - confidence) / 2
    low, high = mixture_quantiles(means, variances, weighted.weights, (tail, 1 - tail))
    estimate = float(weighted.weights @ means)
    return estimate * how.per_db, low * how.per_db, high * how.per_db


def _difference_of_means(series: BlockSeries) -> float:
    means = [np.average(series.mean[side], weights=series.n_samples[side]) for side in (~series.is_b, series.is_b)]
    return float(means[1] - means[0])


def _verdict(low: float | None, high: float | None, margin: float, how: Metric) -> str:
    """An interval inside the margin is "no-difference" even where it leaves out zero: a difference, but
    none that matters. Otherwise the side of zero that the whole interval lies on decides."""
    if low is None or high is None:
        return "undecided"
    if how.unit == "ratio":
        low, high, margin = np.log([low, high, margin])
    if -margin < low and high < margin:
        return "no-difference"
    if low > 0:
        return "better" if how.higher_is_better else "worse"
    if high < 0:
        return "worse" if how.higher_is_better else "better"
    return "undecided"


def _scope(used_a: pd.DataFrame, used_b: pd.DataFrame, a: int, b: int) -> tuple[str, int, int, list[str]]:
    places_a, places_b = set(used_a["placement_id"]), set(used_b["placement_id"])
    shared = places_a & places_b
    warnings = []
    if not shared and places_a and places_b:
        warnings.append(
            f"v{a} and v{b} were never measured at the same placement: moving the laptop alone changes the "
            f"level by about {PLACEMENT_SD:g} dB, and the interval allows for that."
        )
    several = not shared or len(shared) > 1 or min(len(places_a), len(places_b)) > 1
    scope = "location" if several and places_a and places_b else "position"
    return scope, len(places_a), len(places_b), warnings


def _hours(arm: pd.DataFrame) -> float:
    return float(arm["covered_s"].sum()) / 3600.0


def _lacking(used: dict[int, pd.DataFrame]) -> list[str]:
    """One sentence for each version that has too little for an interval."""
    lacking = []
    for version, arm in used.items():
        covered_s = float(arm["covered_s"].sum())
        if arm.empty:
            lacking.append(f"v{version} has no data of this after the washout: 3 min at least are needed.")
        elif covered_s < LEAST_COVERED_S or len(arm) < LEAST_BLOCKS:
            lacking.append(
                f"v{version} has {covered_s / 60:.1f} min of data in {len(arm)} blocks after the washout: "
                f"at least {LEAST_COVERED_S / 60:.0f} min in {LEAST_BLOCKS} blocks are needed for an interval."
            )
    return lacking


def _quantum(together: pd.DataFrame, how: Metric) -> float:
    """The rounding step that the samples themselves show (some drivers step by 2 dB), at least the log's."""
    values, _ = histogram_of(together[how.histogram])
    if how.quantum == 0 or len(values) < 3:
        return how.quantum
    return max(how.quantum, float(np.gcd.reduce(np.diff(values).astype(int))))


def _radio_warnings(radios: dict[int, OwnRadio | None]) -> list[str]:
    warnings = []
    for version, own in radios.items():
        if own is not None and own.notable:
            warnings.append(
                f"{100 * own.others_share:.0f} % of the linked time of v{version} was on other radios than "
                f"{own.radio} and is set apart."
            )
    known = [own.radio for own in radios.values() if own is not None]
    if len(known) == 2:
        one, other = known
        if one.frequency_mhz and other.frequency_mhz and one.frequency_mhz != other.frequency_mhz:
            warnings.append(
                f"The versions use different channels ({one.frequency_mhz} and {other.frequency_mhz} MHz): "
                "that alone moves the level by 2.7 dB at the median, either way."
            )
        if one.bssid and other.bssid and one.bssid != other.bssid:
            warnings.append(f"The versions were measured on different radios: {one.bssid} and {other.bssid}.")
    return warnings


def _time_warnings(arms: dict[int, pd.DataFrame]) -> list[str]:
    warnings = []
    for version, arm in arms.items():
        hours = _hours(arm)
        if hours < 1:
            warnings.append(f"v{version} has only {60 * hours:.0f} min of data.")
        elif hours < 24:
            warnings.append(
                f"v{version} has {hours:.1f} h of data, less than a day: what the time of day does is not known."
            )
    return warnings


def _level_warnings(
    series: BlockSeries,
    used: dict[int, pd.DataFrame],
    arms: dict[int, pd.DataFrame],
    a: int,
    b: int,
    how: Metric,
    quantum: float,
) -> list[str]:
    warnings = _time_warnings(used)
    in_time = series.is_b[np.argsort(series.mid_s)]
    if np.count_nonzero(in_time[1:] != in_time[:-1]) == 1:
        first, second = (b, a) if in_time[0] else (a, b)
        warnings.append(
            f"One change only, so it may be coincidence: going back to v{first} and again to v{second} would tell."
        )
    if quantum > 0 and np.nanmax(series.stay_spread, initial=0.0) == 0:
        warnings.append(f"The level never left one step of {quantum:g} dB: the true level is not known better.")
    if how.unit == "dB":
        for version, arm in arms.items():
            total_s = float(arm["covered_s"].sum())
            lost = float(arm.loc[arm["link_id"] == 0, "covered_s"].sum()) / total_s if total_s else 0.0
            level = float(np.average(used[version][how.column], weights=used[version][how.count]))
            if lost > 0.05 and level < -78:
                warnings.append(
                    f"v{version} had no link for {100 * lost:.0f} % of the time at about {level:.0f} dBm: a weak "
                    "link is heard only when it is strong, so its true level is lower."
                )
    return warnings
