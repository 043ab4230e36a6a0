"""What config version B did against A at one location and band: an effect with an interval.

Levels and rates are judged by a Gaussian process over block means whose scales are integrated out
(level_model, integration), outages by their episodes (outage_effect). No clock; no chance but ``seed``.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from dashboards.analysis.block_series import (
    BlockSeries,
    after_washout,
    latest_stays,
    number_stays,
    series_from_blocks,
)
from dashboards.analysis.cautions import (
    Arms,
    about_level,
    about_own_outages,
    about_placements,
    about_radios,
    about_time,
    enough,
    hours_of,
    what_is_lacking,
    what_would_tell,
)
from dashboards.analysis.histograms import histogram_of
from dashboards.analysis.integration import integrate, mixture_quantiles, mode_and_spread
from dashboards.analysis.level_model import LevelModel
from dashboards.analysis.metrics import METRICS, Metric
from dashboards.analysis.outage_effect import apart_from_changes, outage_difference, outage_record
from dashboards.analysis.radio import choose_radios, parted_by_chance

MOST_STAYS = 400  # the cost grows with their cube

LEVEL_METHOD = (
    "Gaussian process over block means: white noise, two Ornstein-Uhlenbeck terms, a flicker floor, the day's "
    "cycle, drift, and an offset of each stay and placement; its scales integrated out"
)
OUTAGE_METHOD = "Episodes of outage as an over-dispersed Poisson process with Jeffreys' prior"


@dataclass(frozen=True)
class Effect:
    """What version B did against A. ``estimate``, ``low`` and ``high`` are B - A (dB, min/day) or B / A
    (ratio); None where there is too little to tell. ``scope`` "position" claims about the one placement
    that both versions share, "location" about a new placement of the laptop there."""

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


@dataclass(frozen=True)
class _Answer:
    """An effect's numbers in the column's unit, and the blocks and cautions behind them."""

    used: Arms
    method: str
    warnings: list[str]
    estimate: float | None = None
    low: float | None = None
    high: float | None = None
    confounded: bool = False  # with something that is not the version: no verdict, whatever the interval


def estimate_effect(
    blocks: pd.DataFrame,
    a: int,
    b: int,
    metric: str,
    *,
    margin: float | None = None,
    washout_s: float = 120.0,
    confidence: float = 0.95,
    radio_planned: bool = False,
    seed: int = 0,
) -> Effect:
    """The effect of version ``b`` against ``a`` from the blocks of one location and band.

    ``blocks`` is a subset of ``load_blocks``; ``margin`` the least difference that matters, in the effect's
    unit (a ratio above 1 for rates). Blocks that start within ``washout_s`` after a change or a move are
    left out. ``radio_planned``: the change between the versions is known to have brought another channel or
    router; otherwise a difference of channel is taken for chance.

    Raises ValueError for an unknown metric, an impossible margin, or a version without blocks.
    """
    if metric not in METRICS:
        raise ValueError(f"there is no metric {metric!r}, only {', '.join(METRICS)}")
    how = METRICS[metric]
    margin = how.default_margin if margin is None else margin
    if not how.no_difference < margin < np.inf:
        raise ValueError(f"a margin of {margin:g} {how.unit} cannot be: above {how.no_difference:g} is needed")
    if not 0 < confidence < 1:
        raise ValueError(f"a confidence of {confidence:g} cannot be: it lies between 0 and 1")
    if a == b:
        raise ValueError(f"v{a} cannot be compared with itself")
    for version in (a, b):
        if not (blocks["version"] == version).any():
            raise ValueError(f"v{version} has no blocks here")
    stays = number_stays(blocks)
    if metric == "outage":
        answer = _outage_answer(stays, a, b, how, washout_s, confidence, seed)
    else:
        answer = _level_answer(stays, a, b, how, washout_s, confidence, radio_planned, seed)
    estimate, low, high = (
        x if x is None or how.unit != "ratio" else float(2.0**x) for x in (answer.estimate, answer.low, answer.high)
    )
    verdict = "undecided" if answer.confounded else _verdict(low, high, margin, how)
    undecided_yet = verdict == "undecided" and low is not None and not answer.confounded
    return Effect(
        metric=metric,
        unit=how.unit,
        estimate=estimate,
        low=low,
        high=high,
        confidence=confidence,
        verdict=verdict,
        margin=margin,
        n_placements_a=answer.used[a]["placement_id"].nunique(),
        n_placements_b=answer.used[b]["placement_id"].nunique(),
        hours_a=hours_of(answer.used[a]),
        hours_b=hours_of(answer.used[b]),
        scope=_scope(answer.used),
        method=answer.method,
        warnings=(*answer.warnings, *(what_would_tell(answer.used) if undecided_yet else ())),
    )


def _arms(blocks: pd.DataFrame, a: int, b: int) -> Arms:
    return {version: blocks[blocks["version"] == version] for version in (a, b)}


def _level_answer(
    stays: pd.DataFrame,
    a: int,
    b: int,
    how: Metric,
    washout_s: float,
    confidence: float,
    radio_planned: bool,
    seed: int,
) -> _Answer:
    count, histogram = f"{how.name}_n", f"{how.name}_histogram"
    arms = _arms(after_washout(stays, washout_s), a, b)
    told = {version: arm[arm[count] > 0] for version, arm in arms.items()}
    radios = choose_radios(told, lambda arm: enough(arm, how), planned=radio_planned)
    used = {version: told[version].iloc[:0] if own is None else own.blocks for version, own in radios.items()}
    lacking = what_is_lacking(used, _arms(stays[stays[count] > 0], a, b), how)
    warnings = lacking + about_radios(radios, planned=radio_planned)
    if any(arm.empty for arm in used.values()):
        return _Answer(used, LEVEL_METHOD, warnings)
    together, left_out = latest_stays(pd.concat(list(used.values())), MOST_STAYS)
    if left_out:
        warnings.append(f"Only the latest {MOST_STAYS} stretches between changes count; {left_out} are left out.")
    series = series_from_blocks(together, how.mean, count, histogram, b)
    if lacking:
        return _Answer(used, LEVEL_METHOD, warnings, _difference_of_means(series))
    quantum = _quantum(together[histogram], how.quantum)
    warnings += about_placements(used) + about_time(used)
    if how.unit == "dB":
        warnings += about_level(series, used, arms, quantum)
    numbers = _integrated(series, how.per_db, quantum, _scope(used) == "location", confidence, seed)
    one, other = (own for own in radios.values() if own is not None)
    confounded = not radio_planned and parted_by_chance(one, other)
    return _Answer(used, LEVEL_METHOD, warnings, *numbers, confounded=confounded)


def _outage_answer(
    stays: pd.DataFrame, a: int, b: int, how: Metric, washout_s: float, confidence: float, seed: int
) -> _Answer:
    kept, apart_s = apart_from_changes(stays, washout_s)
    arms = _arms(after_washout(kept, washout_s), a, b)
    own_outages = {version: apart_s[version] for version in (a, b) if version in apart_s}
    warnings = what_is_lacking(arms, _arms(stays, a, b), how) + about_own_outages(own_outages)
    if not all(enough(arm, how) for arm in arms.values()):
        return _Answer(arms, OUTAGE_METHOD, warnings)
    warnings += about_placements(arms) + about_time(arms)
    numbers = outage_difference(outage_record(arms[a]), outage_record(arms[b]), confidence, seed)
    return _Answer(arms, OUTAGE_METHOD, warnings, *numbers)


def _integrated(
    series: BlockSeries, per_db: float, quantum: float, several_placements: bool, confidence: float, seed: int
) -> tuple[float, float, float]:
    """Estimate and interval of B - A in the column's unit, the noise's scales integrated out."""
    model = LevelModel(series.scaled(1 / per_db), quantum=quantum / per_db, several_placements=several_placements)
    mode, spread = mode_and_spread(model.log_density_and_gradient, model.start, model.prior_sd)
    contrasts: list[tuple[float, float]] = []

    def log_density(theta: np.ndarray) -> float:
        contrast = model.contrast(theta)
        contrasts.append((contrast.beta, contrast.variance))
        return contrast.log_density

    weights = integrate(log_density, mode, spread, seed).weights
    means, variances = np.array(contrasts).T
    tail = (1 - confidence) / 2
    low, high = mixture_quantiles(means, variances, weights, (tail, 1 - tail))
    return float(weights @ means) * per_db, low * per_db, high * per_db


def _difference_of_means(series: BlockSeries) -> float:
    a, b = (np.average(series.mean[arm], weights=series.n_samples[arm]) for arm in (~series.is_b, series.is_b))
    return float(b - a)


def _scope(used: Arms) -> str:
    """One placement that carries both versions speaks for itself; repeated placements for the location."""
    a, b = (set(arm["placement_id"]) for arm in used.values())
    if not a or not b:
        return "position"
    return "position" if len(a & b) == 1 and min(len(a), len(b)) == 1 else "location"


def _verdict(low: float | None, high: float | None, margin: float, how: Metric) -> str:
    """An interval inside the margin is "no-difference" even where it leaves out zero: a difference, but none
    that matters. Otherwise the side of zero on which the whole interval lies decides."""
    if low is None or high is None:
        return "undecided"
    least = 1 / margin if how.unit == "ratio" else -margin
    if least < low and high < margin:
        return "no-difference"
    if low > how.no_difference:
        return "better" if how.higher_is_better else "worse"
    if high < how.no_difference:
        return "worse" if how.higher_is_better else "better"
    return "undecided"


def _quantum(histograms: pd.Series, least: float) -> float:
    """The rounding step that the samples show (some drivers step by 2 dB), no less than the log's own."""
    values, _ = histogram_of(histograms)
    if least == 0 or len(values) < 3:
        return least
    return max(least, float(np.gcd.reduce(np.diff(values).astype(int))))
