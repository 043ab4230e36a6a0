"""The figure over time of a log of minutes: what began it is marked and named, and no two ticks read alike."""

from __future__ import annotations

import pandas as pd
import pytest

from dashboards import palette
from dashboards.figures import EVENT_WORDS, coverage_figure, trend_figure
from tests.dashboards.kiln_log import START_MS, ZONE

MINUTE_MS = 60_000


def drawn(lasted_ms: int, *events: tuple[int, str]):
    """Of a log that began at START_MS; events by milliseconds since."""
    ends = [START_MS, START_MS + lasted_ms]
    stretches = pd.DataFrame({"version": [1], "started_at_utc_ms": ends[:1], "ended_at_utc_ms": ends[1:]})
    line = pd.DataFrame(
        {
            "mean_utc_ms": ends, "started_at_utc_ms": ends, "ended_at_utc_ms": ends, "low": -62.0, "median": -60.0,
            "high": -59.0, "joined": [False, True],
        }
    )  # fmt: skip
    placements = pd.DataFrame({"location": ["kiln room"], "placement": ["1"], "started_at_utc_ms": ends[:1]})
    happened = pd.DataFrame(
        {"kind": [kind for _, kind in events], "time_utc_ms": [START_MS + at for at, _ in events], "n": 1}
    ).astype({"time_utc_ms": "float64"})
    return trend_figure({"kiln room": {"5": line}}, stretches, placements, happened, {1: "as found"}, "rssi", ZONE)


def titles(figure) -> list[str]:
    return [annotation.text for annotation in figure.layout.annotations]


@pytest.mark.parametrize("lasted_ms", [10_000, 2 * MINUTE_MS, 48 * 60 * MINUTE_MS])
def test_the_beginning_of_logging_before_the_first_sample_has_a_mark_within_the_axis(lasted_ms):
    figure = drawn(lasted_ms, (-5_000, "logger-started"))
    assert "logging began" in titles(figure)
    assert not [title for title in titles(figure) if "logger-" in title]
    (mark,) = [trace for trace in figure.data if "logging began" in str(trace.hovertemplate)]
    first, last = figure.layout.xaxis.range
    assert first < mark.x[0] < last


def test_an_event_far_from_all_samples_neither_stretches_the_axis_nor_gets_an_empty_row():
    far = drawn(10 * MINUTE_MS, (-50 * 365 * 24 * 60 * MINUTE_MS, "logger-started"))
    assert far.layout.xaxis.range == drawn(10 * MINUTE_MS).layout.xaxis.range
    assert titles(far) == titles(drawn(10 * MINUTE_MS))


@pytest.mark.parametrize(("minutes", "ticks"), [(0, "%H:%M:%S"), (2, "%H:%M:%S"), (60, "%H:%M"), (60 * 30, "%H:%M")])
def test_ticks_show_seconds_where_they_may_be_seconds_apart(minutes, ticks):
    axis = drawn(minutes * MINUTE_MS).layout.xaxis
    assert axis.tickformat.split("\n")[0] == ticks
    assert axis.range[1] - axis.range[0] >= MINUTE_MS  # less would have ticks within one second


def test_a_coverage_of_seconds_has_an_axis_that_can_be_read():
    hours = pd.DataFrame({kind: [0.001] for kind in ("link",)}).reindex(columns=list(palette.COVERAGE), fill_value=0.0)
    axis = coverage_figure(hours, pd.Series([START_MS, START_MS + 4_000]).to_numpy(), ZONE).layout.xaxis
    assert axis.range[1] - axis.range[0] == MINUTE_MS
    assert axis.tickformat.startswith("%H:%M:%S")


def test_every_kind_that_is_drawn_has_words():
    assert set(EVENT_WORDS) == set(palette.EVENT_SYMBOLS)
