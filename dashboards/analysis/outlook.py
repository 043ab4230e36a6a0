"""How wide an effect's interval will be on a timetable, from what a link's own record says of its noise.

The variance of an effect needs no data beyond the noise: the level model is set up over the blocks that the
timetable would give. What is asked of it: the share of information had so far (for the anytime interval), what an
undecided trial still needs, and which order of stays sees a difference of D dB (the plan).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np
import pandas as pd

from dashboards.analysis.block_series import (
    FINEST_BLOCK_S,
    BlockSeries,
    latest_stays,
    number_stays,
    series_from_blocks,
)
from dashboards.analysis.integration import mixture_quantiles
from dashboards.analysis.level_effect import Noise, judge_level
from dashboards.analysis.level_model import LevelModel
from dashboards.analysis.metrics import METRICS

DAY_S = 86_400.0
PLANNED_S = 7 * DAY_S  # a trial is planned for a week from its first change, going on as it began
MOST_BLOCKS = 110  # of a timetable
MOST_STAYS = 40  # of a timetable: more are gathered
SHORTEST_TURN_S = 600.0
COARSE_PARTS = 40
NOISE_DRAWS = 8


@dataclass(frozen=True)
class Stay:
    """An unbroken stretch of one version at one placement. ``starts_s`` counts from some local midnight. Stays of one
    ``source`` follow each other; those of two may lie side by side."""

    is_b: bool
    starts_s: float
    lasts_s: float
    placement: int = 0
    source: int = 0

    @property
    def ends_s(self) -> float:
        return self.starts_s + self.lasts_s


def half_width(noise: Noise, stays: Sequence[Stay], *, washout_s: float = 120.0, confidence: float = 0.95) -> float:
    """The half width, in the noise's dB, that the effect's interval is expected to have; inf where a version is
    missing. With ``noise.of_location`` that of a new placement."""
    stays = [stay for stay in stays if stay.lasts_s > washout_s]  # of the others nothing is left
    if len({stay.is_b for stay in stays}) < 2:
        return float("inf")
    series = timetable_series(stays, noise, washout_s)
    model = LevelModel(series, quantum=noise.quantum, several_placements=noise.of_location)
    variances = np.array([model.contrast(model.theta_of(scales)).variance for scales in noise.scales])
    even = np.full(len(variances), 1 / len(variances))
    return mixture_quantiles(np.zeros(len(variances)), variances, even, (0.5 + confidence / 2,))[0]


def information_share(noise: Noise, stays: Sequence[Stay], *, washout_s: float) -> float:
    """The information had so far over that at the end of the plan; above 1 once the plan is done."""
    planned = planned_timetable(stays)
    times = _times_to_gather(max(len(stays), len(planned)))
    now, at_end = (half_width(noise, gathered(some, times), washout_s=washout_s) for some in (stays, planned))
    return (at_end / now) ** 2


def counting_share(stays: Sequence[Stay]) -> float:
    """As information_share, where information grows with the time watched: of counts of rare events."""

    def information(some: Sequence[Stay]) -> float:
        watched_s = [sum(stay.lasts_s for stay in some if stay.is_b == is_b) for is_b in (False, True)]
        return 1 / sum(1 / s for s in watched_s)

    return information(stays) / information(planned_timetable(stays))


def planned_timetable(stays: Sequence[Stay]) -> list[Stay]:
    """The trial as planned: up to PLANNED_S after its first change, going on as it began.

    A trial that has switched back goes on in turns as long as the first stay after its first change was; one that has
    not stays with its second version. So the plan depends on the timetable alone, never on what was measured, and is
    made anew once, when the router is first switched back; tests/bench/verdict looks early at both.
    """
    stays = sorted(stays, key=lambda stay: stay.starts_s)
    first = next(k for k, (earlier, later) in enumerate(pairwise(stays), 1) if earlier.is_b != later.is_b)
    end_s = stays[first].starts_s + PLANNED_S
    kept = [replace(s, lasts_s=min(s.ends_s, end_s) - s.starts_s) for s in stays if s.starts_s < end_s]
    last = kept[-1]
    if last.ends_s >= end_s:
        return kept
    if all(stay.is_b == stays[first].is_b for stay in kept[first:]):
        return [*kept[:-1], replace(last, lasts_s=end_s - last.starts_s)]
    turn_s = max(stays[first].lasts_s, SHORTEST_TURN_S)
    kept[-1] = replace(last, lasts_s=min(max(last.lasts_s, turn_s), end_s - last.starts_s))
    return kept + turns(kept[-1], turn_s, end_s)


def turns(after: Stay, turn_s: float, end_s: float) -> list[Stay]:
    """The stays that follow ``after`` by turns, until ``end_s``."""
    following: list[Stay] = []
    last = after
    while last.ends_s < end_s - 1:
        last = replace(last, is_b=not last.is_b, starts_s=last.ends_s, lasts_s=min(turn_s, end_s - last.ends_s))
        following.append(last)
    return following


def learn_noise(blocks: pd.DataFrame, metric: str, *, seed: int = 0) -> Noise | None:
    """The noise of one location and band from all its versions' blocks, on the radio that was longest in use; in dB, or
    for rates in what a dB of level is worth. None where nothing was measured.

    Of little data the priors speak (level_model): published still links.
    """
    how = METRICS[metric]
    if not how.name:
        raise ValueError(f"{metric} is no level or rate")
    count, histogram = f"{how.name}_n", f"{how.name}_histogram"
    told = blocks[blocks["connected"] & (blocks[count] > 0)]
    if told.empty:
        return None
    radio = told["bssid"].fillna("").astype(str) + " " + told["frequency_mhz"].fillna(0).astype(str)
    longest = told.groupby(radio)["covered_s"].sum().idxmax()
    together, _ = latest_stays(number_stays(told[radio == longest]), MOST_STAYS)
    series = series_from_blocks(together, how.mean, count, histogram, None).scaled(1 / how.per_db)
    return judge_level(series, quantum=how.quantum / how.per_db, of_location=False, seed=seed, draws=NOISE_DRAWS).noise


def stays_of(used: pd.DataFrame, b: int, washout_s: float) -> list[Stay]:
    """The stays of blocks that have a ``stay``, with the washout that is left out, by time."""
    zone = used["time_zone"].iloc[-1]
    grouped = used.groupby("stay", sort=False).agg(
        version=("version", "first"),
        placement=("placement_id", "first"),
        source=("source_id", "first"),
        started_ms=("started_at_utc_ms", "min"),
        ended_ms=("ended_at_utc_ms", "max"),
    )
    grouped["started_ms"] -= round(washout_s * 1000)
    first = pd.Timestamp(int(grouped["started_ms"].min()), unit="ms", tz="UTC").tz_convert(zone)
    midnight_ms = first.normalize().timestamp() * 1000
    found = [
        Stay(version == b, (started_ms - midnight_ms) / 1000, (ended_ms - started_ms) / 1000, placement, source)
        for version, placement, source, started_ms, ended_ms in grouped.itertuples(index=False)
    ]
    return sorted(found, key=lambda stay: stay.starts_s)


def gathered(stays: Sequence[Stay], times: int) -> list[Stay]:
    """Fewer stays, by source and time, that stand for these: of every four that follow each other, the time of either
    version becomes one stay, and so on so many ``times``. Keeps the time of each version; of information, shares but
    not amounts, so that only what was gathered as often may be compared."""
    stays = sorted(stays, key=lambda stay: (stay.source, stay.starts_s))
    for _ in range(times):
        fewer: list[Stay] = []
        for source in dict.fromkeys(stay.source for stay in stays):
            own = [stay for stay in stays if stay.source == source]
            fewer += [stay for k in range(0, len(own), 4) for stay in _pair(own[k : k + 4])]
        stays = fewer
    return stays


def _times_to_gather(n: int) -> int:
    return max(0, int(np.ceil(np.log2(n / MOST_STAYS))))


def _pair(stays: Sequence[Stay]) -> list[Stay]:
    """One stay of each version in ``stays``, the first one's first."""
    found: list[Stay] = []
    starts_s = stays[0].starts_s
    for is_b in (stays[0].is_b, not stays[0].is_b):
        lasts_s = sum(stay.lasts_s for stay in stays if stay.is_b == is_b)
        if lasts_s > 0:
            found.append(replace(stays[0], is_b=is_b, starts_s=starts_s, lasts_s=lasts_s))
            starts_s += lasts_s
    return found


def timetable_series(stays: Sequence[Stay], noise: Noise, washout_s: float) -> BlockSeries:
    """The blocks that the timetable would give, finer towards each change, their means all 0."""
    stays = gathered(stays, _times_to_gather(len(stays)))
    longest_s = max(stay.lasts_s for stay in stays)
    coarsest_s = max(sum(stay.lasts_s for stay in stays) / COARSE_PARTS, FINEST_BLOCK_S)
    for growth in (6.0, 4.0, 3.0, 2.0, 1.5, 1.0, 0.5):
        before, after = (_outward(longest_s, growth, coarsest_s, from_s) for from_s in (0.0, washout_s))
        parts = [_cut(stays, k, washout_s, before, after) for k in range(len(stays))]
        if sum(map(len, parts)) <= MOST_BLOCKS:
            break
    edges = np.vstack(parts)
    stay = np.repeat(np.arange(len(stays)), [len(part) for part in parts])
    length_s = edges[:, 1] - edges[:, 0]
    mid_s = edges.mean(axis=1)
    is_b = np.array([one.is_b for one in stays])[stay]
    return BlockSeries(
        mid_s=mid_s,
        local_s=mid_s,
        length_s=length_s,
        mean=np.zeros(len(mid_s)),
        n_samples=np.maximum(length_s / noise.sample_s, 1.0),
        version=is_b.astype(int),
        is_b=is_b,
        placement=np.unique([stays[k].placement for k in stay], return_inverse=True)[1],
        source=np.array([one.source for one in stays])[stay],
        stay=stay,
        stay_spread=np.full(len(stays), noise.stay_spread),
        covered_s=float(length_s.sum()),
    )


def _cut(stays: Sequence[Stay], k: int, washout_s: float, before: np.ndarray, after: np.ndarray) -> np.ndarray:
    """Edges (n, 2) of the blocks of stay ``k``, by the distances of cuts ``before`` and ``after`` a change."""
    stay = stays[k]
    begin_s = stay.starts_s + washout_s
    middle_s = (begin_s + stay.ends_s) / 2
    follows = k > 0 and stays[k - 1].source == stay.source
    is_followed = k + 1 < len(stays) and stays[k + 1].source == stay.source
    if not follows:
        edges = stay.ends_s - _up_to(stay.ends_s - begin_s, before)[::-1]
    elif not is_followed:
        edges = begin_s + _up_to(stay.ends_s - begin_s, after)
    else:
        first = begin_s + _up_to(middle_s - begin_s, after)
        second = stay.ends_s - _up_to(stay.ends_s - middle_s, before)[::-1]
        edges = np.concatenate([first, second[1:]])
    return np.column_stack([edges[:-1], edges[1:]])


def _outward(reach_s: float, growth: float, coarsest_s: float, from_change_s: float) -> np.ndarray:
    """Distances of cuts from 0 to beyond ``reach_s``, ever further apart: at distance d from a change d / growth."""
    cuts = [0.0]
    while cuts[-1] < reach_s:
        cuts.append(cuts[-1] + min(coarsest_s, max(FINEST_BLOCK_S, (from_change_s + cuts[-1]) / growth)))
    return np.array(cuts)


def _up_to(reach_s: float, cuts: np.ndarray) -> np.ndarray:
    """Those of ``cuts`` before ``reach_s``, and that; what is left over joins its neighbour."""
    beyond = int(np.searchsorted(cuts, reach_s))
    return np.append(cuts[: max(beyond - 1, 1)], reach_s)
