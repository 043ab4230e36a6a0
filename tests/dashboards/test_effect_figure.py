"""The effects' figure: what runs off its axis says so, and every axis can be read."""

from __future__ import annotations

import numpy as np
import pytest

from dashboards.analysis.effect import Effect
from dashboards.comparison import LocatedEffect
from dashboards.effect_figure import effects_figure


def located(estimate: float, low: float, high: float, *, unit: str = "ratio", verdict: str = "undecided"):
    effect = Effect(
        metric="rssi" if unit == "dB" else "tx-rate", unit=unit, estimate=estimate, low=low, high=high, confidence=0.95,
        verdict=verdict, margin=1.1, n_placements_a=2, n_placements_b=2, hours_a=9.0, hours_b=9.0, scope="location",
        method="", warnings=(),
    )  # fmt: skip
    return LocatedEffect(1, 2, "kiln room", "5", effect)


def intervals(figure) -> list[tuple[list[float], list[str]]]:
    return [(list(t.x), list(t.marker.symbol)) for t in figure.data if t.mode == "lines+markers"]


def test_an_interval_longer_than_the_axis_ends_in_an_arrow_at_its_edge():
    short, long = located(3, 1, 5, unit="dB", verdict="better"), located(2, -90, 80, unit="dB")
    figure = effects_figure([("v1 → v2", [short, long])], "rssi")
    (_, whole), (x, cut) = intervals(figure)
    assert whole == ["line-ns-open", "circle", "line-ns-open"]
    assert cut == ["triangle-left", "circle", "triangle-right"]
    assert [x[0], x[2]] == pytest.approx(list(figure.layout.xaxis.range))


def test_a_point_beyond_the_axis_is_an_arrow_only():
    far = located(70, 60, 90, unit="dB")
    figure = effects_figure([("v1 → v2", [located(3, 1, 5, unit="dB", verdict="better"), far])], "rssi")
    assert intervals(figure)[1][1] in (["triangle-right"], ["triangle-left"])


@pytest.mark.parametrize("reach", [1.01, 1.15, 1.4, 2, 4, 15, 90])
@pytest.mark.parametrize("centre", [0.5, 1, 1.6])
def test_an_axis_of_ratios_has_three_ticks_or_more(reach, centre):
    figure = effects_figure([("v1 → v2", [located(centre, centre / reach, centre * reach)])], "tx-rate")
    axis = figure.layout.xaxis
    seen = [tick for tick in axis.tickvals if axis.range[0] <= np.log10(tick) <= axis.range[1]]
    assert len(seen) >= 3
