"""Which of a link's two directions changed: from the access point to the laptop, and back.

RSSI and rx rate tell of the downlink, tx rate and retry share of the uplink. A louder access point helps the downlink
only, a better antenna both. The uplink's metrics are the laptop's word on how the access point hears it.

Two metrics of one direction are two chances of a false finding. So a direction has improved where one of its metrics is
better even at half the error (an interval of 97.5 % instead of 95), or where all of them are: Simes' test (Biometrika
73 (1986) 751), which holds where metrics that go together by chance err the same way, as level and rate do (Sarkar,
Ann. Statist. 26 (1998) 494). A direction is then falsely said to have improved no more often than a metric is said to
be better: 2.5 % each way, 5 % of changes that do nothing. Both directions together: 10 %.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import inf, log2
from statistics import NormalDist
from typing import Literal

from dashboards.analysis.effect_value import Effect

DOWNLINK = ("rssi", "rx-rate")
UPLINK = ("tx-rate", "retry-share")

Change = Literal["improved", "worsened", "unchanged", "mixed", "unknown"]


@dataclass(frozen=True)
class Direction:
    """What became of one direction, and the metrics that say so; ``lacking`` are those that were never recorded.

    "unchanged": no difference that matters by any metric that was recorded. "mixed": one metric is better, another
    worse. "unknown": none of these can be told."""

    change: Change
    told_by: tuple[str, ...]
    lacking: tuple[str, ...] = ()


@dataclass(frozen=True)
class Directions:
    downlink: Direction
    uplink: Direction


def directions(effects: Mapping[str, Effect]) -> Directions:
    """From the effects of one location and band, by metric."""
    return Directions(_direction(effects, DOWNLINK), _direction(effects, UPLINK))


def _direction(effects: Mapping[str, Effect], metrics: tuple[str, ...]) -> Direction:
    lacking = tuple(name for name in metrics if name not in effects or _never_recorded(effects[name]))
    told = [effects[name] for name in metrics if name in effects and effects[name].low is not None]
    better, worse, same = (
        tuple(effect.metric for effect in told if effect.verdict == verdict)
        for verdict in ("better", "worse", "no-difference")
    )
    if better and worse:
        return Direction("mixed", better + worse, lacking)
    found: tuple[tuple[Change, tuple[str, ...]], ...] = (("improved", better), ("worsened", worse))
    for change, said in found:
        if said and simes([chance(effects[name]) for name in said], len(told)) <= _tail(effects[said[0]]):
            return Direction(change, said, lacking)
    if told and len(same) == len(told):
        return Direction("unchanged", same, lacking)
    return Direction("unknown", (), lacking)


def _never_recorded(effect: Effect) -> bool:
    return effect.estimate is None and effect.hours_a == 0 == effect.hours_b


def simes(chances: Sequence[float], looks: int) -> float:
    """The p-value of Simes' test of ``looks`` metrics, of which only those with these p-values say so at all."""
    return min([1.0, *(looks * p / (k + 1) for k, p in enumerate(sorted(chances)))])


def chance(effect: Effect) -> float:
    """How often an effect that is none, or one the other way, would look at least like this: a one-sided p-value, from
    how far the end of the interval that the verdict comes from lies off "no difference". What lies beyond the ends is
    taken as normal. Raises ValueError where there is no interval."""
    ends = (effect.anytime_low, effect.anytime_high) if effect.open else (effect.low, effect.high)
    known = [value for value in (effect.estimate, *ends) if value is not None]
    estimate, low, high = (log2(value) for value in known) if effect.unit == "ratio" else known
    arm = estimate - low if estimate > 0 else high - estimate
    spreads = abs(estimate) / arm if arm > 0 else inf if estimate else 0.0
    tail = _tail(effect)
    p = NormalDist().cdf(spreads * NormalDist().inv_cdf(tail))
    return min(p, tail) if spreads > 1 else p  # rounding takes no verdict back


def _tail(effect: Effect) -> float:
    return (1 - effect.confidence) / 2
