"""Effects as points with intervals, a lane for each, ready for the template to draw.

Positions are per cent of a panel's width, so that one drawing fits a phone, a desk and paper, needs no script
and shows at once. What lies beyond a panel's axis ends there in an arrow.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from math import ceil, floor, log10

import numpy as np

from dashboards import palette
from dashboards.analysis.directions import DOWNLINK, UPLINK
from dashboards.analysis.effect_value import Effect
from dashboards.analysis.metrics import METRICS
from dashboards.comparison import LocatedEffect
from dashboards.overview import as_counted
from dashboards.sentences import METRIC_NAMES, MINUS, VERDICTS, amount, band_name, ends_shown, has_interval
from logger.printable import printable

Places = Mapping[tuple[str, str], Mapping[str, LocatedEffect]]  # effects by location and band, then by metric

MOST_TICKS = 5
_ROUND_STEPS = (1, 2, 5)
_ROUND_RATIOS = ([0.01, 0.1, 1, 10, 100], [0.1, 0.2, 0.5, 1, 2, 5, 10], [0.5, 0.7, 1, 1.4, 2], [0.8, 0.9, 1, 1.1, 1.25])


@dataclass(frozen=True, slots=True)
class Lane:
    """One effect: ``low``, ``at`` and ``high`` where its interval and its point lie; ``at`` is None where the point is
    off the axis, ``runs_off_low`` and ``runs_off_high`` tell that the interval goes on beyond it."""

    amount: str
    verdict: str
    words: str
    low: float
    at: float | None
    high: float
    runs_off_low: bool
    runs_off_high: bool


@dataclass(frozen=True, slots=True)
class Row:
    """One location and band; a lane per panel, None where there is no interval."""

    where: str
    stroke: palette.Stroke
    lanes: tuple[Lane | None, ...]


@dataclass(frozen=True, slots=True)
class Panel:
    """One metric: ``ticks`` as (position, text), ``margin`` as (start, width) of what does not matter, ``none`` the
    position of no effect."""

    title: str
    direction: str  # of the link, that the metric tells of; empty: of none
    unit: str
    sense: str  # "right is better"
    ticks: tuple[tuple[float, str], ...]
    margin: tuple[float, float]
    none: float


@dataclass(frozen=True, slots=True)
class EffectFigure:
    """Panels side by side, and the rows that they share, grouped by change: (heading, rows)."""

    panels: tuple[Panel, ...]
    groups: tuple[tuple[str, tuple[Row, ...]], ...]


def effects_figure(groups: Sequence[tuple[str, Places]], metrics: Sequence[str]) -> EffectFigure | None:
    """The effects of ``metrics``, a panel each, of those that have an interval anywhere; None where none has.

    ``groups`` are changes: what each is called, and its effects by location and band, of all metrics: what does not
    count among so many is drawn as undecided."""
    groups = [(heading, {where: as_counted(found) for where, found in places.items()}) for heading, places in groups]
    everywhere = [found for _, places in groups for found in places.values()]
    chosen = {metric: [found[metric].effect for found in everywhere if _drawn(found, metric)] for metric in metrics}
    scales = {metric: _Scale(metric, effects) for metric, effects in chosen.items() if effects}
    if not scales:
        return None
    drawn = ((heading, tuple(_rows(places, scales))) for heading, places in groups)
    return EffectFigure(
        tuple(scale.panel() for scale in scales.values()), tuple((heading, rows) for heading, rows in drawn if rows)
    )


def _drawn(found: Mapping[str, LocatedEffect], metric: str) -> bool:
    return metric in found and has_interval(found[metric].effect)


def _rows(places: Places, scales: Mapping[str, _Scale]) -> list[Row]:
    return [
        Row(
            f"{printable(place)}, {band_name(band)}",
            palette.stroke(band),
            tuple(
                scale.lane(found[metric].effect) if _drawn(found, metric) else None for metric, scale in scales.items()
            ),
        )
        for (place, band), found in places.items()
        if any(metric in found for metric in scales)
    ]


class _Scale:
    """The axis of one metric: it reaches the intervals of all verdicts and the narrower half of the rest; a wider
    one runs off. Ratios are drawn on a log scale."""

    def __init__(self, metric: str, effects: Sequence[Effect]) -> None:
        self._metric = metric
        self._ratio = METRICS[metric].unit == "ratio"
        self._margin = self._on_axis(effects[0].margin)
        low, high = np.array([[self._on_axis(end) for end in ends_shown(one)] for one in effects]).T
        undecided = np.array([one.verdict == "undecided" for one in effects])
        kept = ~undecided | (high - low <= np.median(high - low))
        least, most = min(low[kept].min(), -1.5 * self._margin), max(high[kept].max(), 1.5 * self._margin)
        pad = 0.04 * (most - least)
        self._start, self._end = float(least - pad), float(most + pad)

    def _on_axis(self, value: float | None) -> float:
        assert value is not None
        return log10(max(value, 1e-9)) if self._ratio else value

    def _percent(self, at: float) -> float:
        return round(100 * (at - self._start) / (self._end - self._start), 2)

    def lane(self, effect: Effect) -> Lane:
        low, high, at = (self._on_axis(value) for value in (*ends_shown(effect), effect.estimate))
        return Lane(
            amount=amount(effect),
            verdict=effect.verdict,
            words=VERDICTS[effect.verdict],
            low=self._percent(min(max(low, self._start), self._end)),
            at=self._percent(at) if self._start <= at <= self._end else None,
            high=self._percent(min(max(high, self._start), self._end)),
            runs_off_low=low < self._start,
            runs_off_high=high > self._end,
        )

    def panel(self) -> Panel:
        metric = METRICS[self._metric]
        name = METRIC_NAMES[self._metric]
        units = {"ratio": "times", "min/day": "minutes a day", "1/day": "a day", "points": "percentage points"}
        way = "right" if metric.higher_is_better else "left"
        return Panel(
            direction=("downlink" if self._metric in DOWNLINK else "uplink" if self._metric in UPLINK else ""),
            title=f"{name[0].upper()}{name[1:]}",
            unit=units.get(metric.unit, metric.unit),
            sense=f"{way} is better",
            ticks=tuple((self._percent(at), text) for at, text in self._ticks()),
            margin=(self._percent(-self._margin), self._percent(self._margin) - self._percent(-self._margin)),
            none=self._percent(0.0),
        )

    def _ticks(self) -> list[tuple[float, str]]:
        if self._ratio:
            return [(log10(tick), f"{tick:g}") for tick in ratio_ticks(10**self._start, 10**self._end)]
        return [(tick, f"{tick:+g}".replace("-", MINUS) if tick else "0") for tick in ticks(self._start, self._end)]


def ticks(low: float, high: float) -> list[float]:
    """Multiples of the finest step of 1, 2 or 5 (times a power of ten) that gives at most ``MOST_TICKS``."""
    power = floor(log10((high - low) / MOST_TICKS))
    for step in (step * 10.0**exponent for exponent in (power, power + 1) for step in _ROUND_STEPS):
        first, last = ceil(low / step), floor(high / step)
        if last - first < MOST_TICKS:
            break
    return [float(f"{n * step:.6g}") for n in range(first, last + 1)]


def ratio_ticks(low: float, high: float) -> list[float]:
    """The coarsest set of round ratios that has three in sight."""
    for chosen in _ROUND_RATIOS:
        seen = [tick for tick in chosen if low <= tick <= high]
        if len(seen) >= 3:
            return seen
    return [0.95, 1, 1.05]
