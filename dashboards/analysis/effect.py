"""What config version B did against A at one location and band: an effect with an interval.

Levels and rates are judged by a Gaussian process over block means whose scales are integrated out
(level_model, integration), outages by their episodes (outage_effect). No clock; no chance but ``seed``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
import pandas as pd

from dashboards.analysis.anytime import bound, widened
from dashboards.analysis.artefacts import without_artefacts
from dashboards.analysis.block_series import (
    BlockSeries,
    after_washout,
    latest_stays,
    number_stays,
    series_from_blocks,
)
from dashboards.analysis.cautions import (
    Arms,
    Caution,
    about_artefacts,
    about_level,
    about_own_outages,
    about_placements,
    about_radios,
    about_stale_rates,
    about_time,
    enough,
    hours_of,
    what_is_lacking,
)
from dashboards.analysis.cautions_beside import about_few, about_probes, about_unlike, about_weak_radio
from dashboards.analysis.copies import counted_once
from dashboards.analysis.effect_value import Effect
from dashboards.analysis.histograms import histogram_of
from dashboards.analysis.level_effect import judge_level
from dashboards.analysis.loss_effect import loss_difference, loss_record
from dashboards.analysis.metric_columns import joined, with_columns
from dashboards.analysis.metrics import METRICS, Metric
from dashboards.analysis.needed import Undecided, UndecidedCounts, what_would_decide, what_would_decide_counts
from dashboards.analysis.outage_effect import (
    OutageRecord,
    apart_from_changes,
    dropout_difference,
    outage_difference,
    outage_record,
    variances,
)
from dashboards.analysis.outlook import counting_share, information_share, stays_of
from dashboards.analysis.probe_columns import Measured, one_way
from dashboards.analysis.radio import choose_radios, parted_by_chance

MOST_STAYS = 120  # the cost grows with their cube

LEVEL_METHOD = (
    "Gaussian process over block means: white noise, two Ornstein-Uhlenbeck terms, a flicker floor, the day's "
    "cycle, drift, and an offset of each stay and placement; its scales integrated out"
)
LOSS_METHOD = "Requests lost as an over-dispersed compound Poisson process over those sent, with Jeffreys' prior"
OUTAGE_METHOD = "Episodes of outage as an over-dispersed Poisson process with Jeffreys' prior"


@dataclass(frozen=True)
class _Answer:
    """An effect's numbers in the column's unit, and the blocks and cautions behind them."""

    used: Arms
    method: str
    cautions: list[Caution]
    estimate: float | None = None
    low: float | None = None
    high: float | None = None
    confounded: bool = False  # with something that is not the version: no verdict, whatever the interval
    share: float = 1.0  # of the planned information
    anytime: tuple[float, float] | None = None  # else the interval, widened
    outlook: Callable[[float, bool], str] | None = None  # margin in the column's unit, open -> what is still needed
    measured: str = ""  # of probes: in which way


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
    running: bool | None = None,
    seed: int = 0,
) -> Effect:
    """The effect of version ``b`` against ``a`` from the blocks of one location and band.

    ``blocks`` is a subset of ``load_blocks``, or for a metric that rests on them of ``load_probes`` or of one radio's
    ``load_sightings`` (dashboards/beside_frames.py); ``margin`` the least difference that matters, in the effect's
    unit (a ratio above 1 for rates). Blocks that start within ``washout_s`` after a change or a move are
    left out. ``radio_planned``: the change between the versions is known to have brought another channel or
    router; otherwise a difference of channel is taken for chance. ``running``: one of the versions is in force now, so
    that the trial goes on and is judged by the anytime interval; None: as the last of these blocks tells.

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
    if not how.name:
        answer = _outage_answer(stays, a, b, how, washout_s, confidence, seed)
    elif how.name == "loss":
        answer = _loss_answer(stays, a, b, how, washout_s, confidence, radio_planned, seed)
    else:
        answer = _level_answer(stays, a, b, how, washout_s, confidence, radio_planned, seed)
    is_open = _goes_on(answer.used) if running is None else running
    single = anytime = (answer.low, answer.high)
    if answer.estimate is not None and answer.low is not None and answer.high is not None:
        anytime = answer.anytime or widened(answer.estimate, answer.low, answer.high, answer.share)
    estimate, low, high, anytime_low, anytime_high = (
        x if x is None or how.unit != "ratio" else float(2.0**x) for x in (answer.estimate, *single, *anytime)
    )
    decided_by = (anytime_low, anytime_high) if is_open else (low, high)
    verdict = "undecided" if answer.confounded else _verdict(*decided_by, margin, how)
    needed = []
    if verdict == "undecided" and answer.outlook is not None and not answer.confounded:
        needed.append(answer.outlook(float(np.log2(margin)) if how.unit == "ratio" else margin, is_open))
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
        warnings=tuple(caution.text for caution in answer.cautions),
        anytime_low=anytime_low,
        anytime_high=anytime_high,
        open=is_open,
        needed=tuple(needed),
        mixed=tuple(caution.text for caution in answer.cautions if caution.kind == "mixed"),
        lacking=tuple(caution.unnamed for caution in answer.cautions if caution.kind == "lacking"),
        measured=answer.measured,
        n_probes=tuple(int(answer.used[v]["n_samples"].sum()) for v in (a, b)) if how.rests_on == "probes" else (),
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
    of_link = how.name == "rssi" and how.rests_on == "blocks"
    measured, made_up = Measured("", {}), dict[int, float]()
    if how.rests_on == "probes":
        stays, measured = one_way(stays, a, b, how)
    elif of_link:
        stays, made_up = without_artefacts(stays)
    else:
        stays = with_columns(stays, how)
    arms = _arms(after_washout(stays, washout_s), a, b)
    told = {version: arm[arm[count] > 0] for version, arm in arms.items()}
    radios = choose_radios(told, lambda arm: enough(arm, how), planned=radio_planned)
    used = {version: told[version].iloc[:0] if own is None else own.blocks for version, own in radios.items()}
    used = joined(used, how)
    lacking = _lacking(used, _arms(stays[stays[count] > 0], a, b), measured, how)
    cautions = lacking + about_radios(radios, planned=radio_planned) + about_artefacts(made_up)
    cautions += about_probes(arms, measured, how) + about_few(used, how) + about_stale_rates(arms, how)
    if any(arm.empty for arm in used.values()):
        return _Answer(used, LEVEL_METHOD, cautions, measured=measured.words)
    together, left_out = latest_stays(pd.concat(list(used.values())), MOST_STAYS)
    if left_out:
        cautions.append(
            Caution(f"Only the latest {MOST_STAYS} stretches between changes count; {left_out} are left out.")
        )
    series = series_from_blocks(together, how.mean, count, histogram, b, parts=how.parts)
    if lacking:
        return _Answer(used, LEVEL_METHOD, cautions, _difference_of_means(series), measured=measured.words)
    quantum = _quantum(together[histogram], how.quantum)
    cautions += about_placements(used, how) + about_time(used, how)
    if of_link:
        cautions += about_level(radios, arms, quantum)
    cautions += about_weak_radio(used) if how.rests_on == "sightings" else []
    of_location = _scope(used) == "location"
    series, quantum = series.scaled(1 / how.per_db), quantum / how.per_db
    try:
        found = judge_level(series, quantum=quantum, of_location=of_location, seed=seed)
    except np.linalg.LinAlgError:  # readings at both ends of what a radio can say
        far = "the readings lie too far apart for an interval: no noise of a link is like that"
        cautions.append(Caution(f"{far[0].upper()}{far[1:]}.", "lacking", far))
        return _Answer(used, LEVEL_METHOD, cautions, _difference_of_means(series) * how.per_db)
    low, high = found.interval(confidence)
    timetable = stays_of(together, b, washout_s)
    anytime = found.interval_to(bound(information_share(found.noise, timetable, washout_s=washout_s)))

    def outlook(margin: float, is_open: bool) -> str:
        undecided = Undecided(
            (a, b), found.noise, timetable, found.estimate, (high - low) / 2, margin / how.per_db, washout_s, is_open
        )
        return what_would_decide(undecided)

    one, other = (own for own in radios.values() if own is not None)
    return _Answer(
        used,
        LEVEL_METHOD,
        cautions,
        estimate=found.estimate * how.per_db,
        low=low * how.per_db,
        high=high * how.per_db,
        confounded=not radio_planned and parted_by_chance(one, other),
        anytime=(anytime[0] * how.per_db, anytime[1] * how.per_db),
        outlook=outlook,
        measured=measured.words,
    )


def _loss_answer(
    stays: pd.DataFrame,
    a: int,
    b: int,
    how: Metric,
    washout_s: float,
    confidence: float,
    radio_planned: bool,
    seed: int,
) -> _Answer:
    stays, measured = one_way(stays, a, b, how)
    arms = _arms(after_washout(stays, washout_s), a, b)
    told = {version: arm[arm["loss_n"] > 0] for version, arm in arms.items()}
    radios = choose_radios(told, lambda arm: enough(arm, how), planned=radio_planned)
    used = {version: told[version].iloc[:0] if own is None else own.blocks for version, own in radios.items()}
    lacking = _lacking(used, _arms(stays[stays["loss_n"] > 0], a, b), measured, how)
    cautions = lacking + about_radios(radios, planned=radio_planned)
    cautions += about_probes(arms, measured, how) + about_few(used, how)
    if lacking:
        return _Answer(used, LOSS_METHOD, cautions, measured=measured.words)
    cautions += about_placements(used, how) + about_time(used, how)
    records = loss_record(used[a]), loss_record(used[b])
    one, other = (own for own in radios.values() if own is not None)
    parted = not radio_planned and parted_by_chance(one, other)
    return _counted(
        used, LOSS_METHOD, cautions, records, (a, b), how, washout_s, confidence, seed, measured.words, parted
    )


def _outage_answer(
    stays: pd.DataFrame, a: int, b: int, how: Metric, washout_s: float, confidence: float, seed: int
) -> _Answer:
    kept, apart_s = apart_from_changes(counted_once(stays), washout_s)
    arms = _arms(after_washout(kept, washout_s), a, b)
    own_outages = {version: apart_s[version] for version in (a, b) if version in apart_s}
    cautions = what_is_lacking(arms, _arms(stays, a, b), how) + about_own_outages(own_outages)
    if not all(enough(arm, how) for arm in arms.values()):
        return _Answer(arms, OUTAGE_METHOD, cautions)
    cautions += about_placements(arms, how) + about_time(arms, how)
    records = outage_record(arms[a]), outage_record(arms[b])
    return _counted(arms, OUTAGE_METHOD, cautions, records, (a, b), how, washout_s, confidence, seed)


def _counted(
    used: Arms,
    method: str,
    cautions: list[Caution],
    records: tuple[OutageRecord, OutageRecord],
    versions: tuple[int, int],
    how: Metric,
    washout_s: float,
    confidence: float,
    seed: int,
    measured: str = "",
    confounded: bool = False,
) -> _Answer:
    """What is counted in episodes, from the records of A and of B."""
    of_dropouts = how.unit != "min/day"
    of_kind = loss_difference if how.name == "loss" else dropout_difference if of_dropouts else outage_difference
    estimate, low, high = of_kind(*records, confidence, seed)
    timetable = stays_of(pd.concat(list(used.values())), versions[1], washout_s)

    def outlook(margin: float, is_open: bool) -> str:
        weights = variances(*records, of_dropouts=of_dropouts)
        return what_would_decide_counts(
            UndecidedCounts(versions, timetable, estimate, (high - low) / 2, weights, margin, is_open)
        )

    return _Answer(
        used,
        method,
        cautions,
        estimate,
        low,
        high,
        confounded,
        share=counting_share(timetable),
        outlook=outlook,
        measured=measured,
    )


def _lacking(used: Arms, recorded: Arms, measured: Measured, how: Metric) -> list[Caution]:
    """Why there is no interval."""
    return about_unlike(list(used), how) if measured.unlike else what_is_lacking(used, recorded, how)


def _difference_of_means(series: BlockSeries) -> float:
    a, b = (np.average(series.mean[arm], weights=series.n_samples[arm]) for arm in (~series.is_b, series.is_b))
    return float(b - a)


def _goes_on(used: Arms) -> bool:
    """Whether the last stay of these blocks goes on."""
    together = pd.concat(list(used.values()))
    if together.empty:
        return False
    latest = int(together["started_at_utc_ms"].to_numpy().argmax())
    return bool(np.isnan(together["stay_ended_at_utc_ms"].to_numpy(float)[latest]))


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
