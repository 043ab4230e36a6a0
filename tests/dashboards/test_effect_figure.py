"""The effects' figure: what runs off its axis says so, and every axis can be read."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards.analysis.effect import Effect
from dashboards.comparison import LocatedEffect
from dashboards.effect_figure import MOST_TICKS, effects_figure, ticks
from dashboards.overview import by_place


def located(estimate, low, high, *, metric: str = "rssi", verdict: str = "undecided", place: str = "kiln room"):
    effect = Effect(
        metric=metric, unit="ratio" if metric == "tx-rate" else "dB", estimate=estimate, low=low, high=high,
        confidence=0.95, verdict=verdict, margin=1.1, n_placements_a=2, n_placements_b=2, hours_a=9.0, hours_b=9.0,
        scope="location", method="", warnings=(),
    )  # fmt: skip
    return LocatedEffect(1, 2, place, "5", effect)


def drawn(effects, *metrics: str):
    return effects_figure([("v2", by_place(effects))], metrics)


def lanes(figure):
    return [row.lanes[0] for _, rows in figure.groups for row in rows]


def test_an_interval_longer_than_the_axis_ends_in_an_arrow_at_its_edge():
    short, long = located(3, 1, 5, verdict="better"), located(2, -90, 80, place="office")
    whole, cut = lanes(drawn([short, long], "rssi"))
    assert (whole.runs_off_low, whole.runs_off_high) == (False, False)
    assert 0 < whole.low < whole.at < whole.high < 100
    assert (cut.runs_off_low, cut.runs_off_high) == (True, True)
    assert (cut.low, cut.high) == (0, 100)


def test_a_point_beyond_the_axis_is_not_drawn():
    far = located(70, 60, 90, place="office")
    lane = lanes(drawn([located(3, 1, 5, verdict="better"), far], "rssi"))[1]
    assert lane.at is None
    assert (lane.low, lane.high) == (100, 100)


def test_ratios_are_drawn_on_a_log_scale_round_one():
    figure = drawn([located(1, 0.5, 2, metric="tx-rate")], "tx-rate")
    (lane,), (panel,) = lanes(figure), figure.panels
    assert lane.at == panel.none == pytest.approx(50)
    assert lane.at - lane.low == pytest.approx(lane.high - lane.at, abs=0.02)
    assert panel.margin[0] + panel.margin[1] / 2 == pytest.approx(50, abs=0.02)


def test_a_metric_that_nothing_tells_of_has_no_panel():
    effects = [located(3, 1, 5), located(None, None, None, metric="tx-rate")]
    figure = drawn(effects, "rssi", "tx-rate")
    assert [(panel.title, panel.direction) for panel in figure.panels] == [("RSSI", "downlink")]
    assert drawn(effects[1:], "rssi", "tx-rate") is None


def test_a_metric_known_at_one_location_only_leaves_the_others_lane_empty():
    effects = [located(3, 1, 5), located(1.2, 1.1, 1.3, metric="tx-rate"), located(2, 1, 4, place="office")]
    (_, (kiln, office)), = drawn(effects, "rssi", "tx-rate").groups  # fmt: skip
    assert [lane is None for lane in kiln.lanes + office.lanes] == [False, False, False, True]


def test_a_location_with_too_little_data_keeps_its_row():
    ((_, rows),) = drawn([located(3, 1, 5), located(None, None, None, place="office")], "rssi").groups
    assert [row.lanes[0] is None for row in rows] == [False, True]


@given(low=st.floats(-1e4, 1e4), width=st.floats(0.01, 1e4))
def test_an_axis_has_two_to_five_round_ticks_in_sight(low, width):
    seen = ticks(low, low + width)
    assert 2 <= len(seen) <= MOST_TICKS
    slack = 1e-5 * max(abs(low), abs(low + width))
    assert all(low - slack <= tick <= low + width + slack for tick in seen)


@pytest.mark.parametrize("reach", [1.01, 1.15, 1.4, 2, 4, 15, 90])
@pytest.mark.parametrize("centre", [0.5, 1, 1.6])
def test_an_axis_of_ratios_has_three_ticks_or_more(reach, centre):
    effects = [located(centre, centre / reach, centre * reach, metric="tx-rate")]
    (panel,) = drawn(effects, "tx-rate").panels
    assert len([at for at, _ in panel.ticks if 0 <= at <= 100]) >= 3
