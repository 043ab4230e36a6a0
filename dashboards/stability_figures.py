"""Whether a link lasts, as Plotly figures: Allan deviation by scale, and RSSI by hour of the day."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import plotly.graph_objects as go

from dashboards import palette
from dashboards.analysis.lasting.stability import Stability
from dashboards.figures import BASE
from logger.times import format_duration

MOST_VERSIONS = 5  # in one figure, the latest: more lines could not be told apart
LEAST_DRAWN_DB = 0.01
LEAST_HOURS = 12  # of the day, to be drawn
_AXIS: dict[str, Any] = {
    "fixedrange": True, "zeroline": False, "ticks": "outside", "ticklen": 4, "tickcolor": palette.RULE,
    "showline": True, "linecolor": palette.RULE, "tickfont": {"size": 11, "color": palette.QUIET}, "tickangle": 0,
}  # fmt: skip
_GRID = {"showgrid": True, "gridcolor": palette.RULE, "griddash": "1px,3px", "showline": False, "ticks": ""}
_DASHES = ("solid", "8px,3px", "2px,2px", "8px,2px,2px,2px", "14px,3px")
_SYMBOLS = ("circle", "square", "diamond", "triangle-up", "x-thin")


def allan_figure(found: Sequence[Stability]) -> go.Figure | None:
    """Allan deviation by scale, both on log scales, a line per config version with its 95 % intervals, of one location
    and band; the latest version is drawn last and strongest. None where no version has two scales."""
    drawn = [one for one in found if len(one.allan) > 1][-MOST_VERSIONS:]
    if not drawn:
        return None
    figure = go.Figure(layout={"template": go.layout.Template()})
    ends = [_add_deviations(figure, one, place) for place, one in reversed(list(enumerate(reversed(drawn))))]
    _label_ends(figure, ends)
    scales = sorted({point.scale_s for one in drawn for point in one.allan})
    figure.update_layout(
        height=260,
        margin={"l": 44, "r": 40, "t": 8, "b": 44},
        xaxis=_AXIS | {
            "type": "log", "range": [np.log10(scales[0]) - 0.1, np.log10(scales[-1]) + 0.25], "showgrid": False,
            "tickvals": scales, "ticktext": [format_duration(s) for s in scales],
            "title": {"text": "length of the stretches", "font": {"size": 11.5, "color": palette.QUIET}},
        },
        yaxis=_AXIS | _GRID | {
            "type": "log", "tickvals": [0.1, 0.2, 0.5, 1, 2, 5, 10], "title": {
                "text": "dB", "font": {"size": 11.5, "color": palette.QUIET},
            },
        },
        **BASE,
    )  # fmt: skip
    return figure


def _add_deviations(figure: go.Figure, one: Stability, place: int) -> tuple[float, float, str, str]:
    """The line of one version, ``place`` versions before the latest: that one with a band, the others with whiskers
    beside each other. Returns where the line ends, its name and its colour."""
    stroke = palette.stroke(one.band)
    colour = palette.QUIET if place else stroke.colour
    scale = np.array([point.scale_s for point in one.allan])
    middle, low, high = np.array(
        [[p.deviation_db.estimate, p.deviation_db.low, p.deviation_db.high] for p in one.allan], dtype="float64"
    ).T
    low = np.maximum(low, LEAST_DRAWN_DB)
    middle = np.maximum(middle, LEAST_DRAWN_DB)
    x = scale * 1.05**place
    if not place:
        figure.add_scatter(
            x=np.concatenate([x, x[::-1]]), y=_short(np.concatenate([low, high[::-1]])), mode="lines",
            line={"width": 0}, fill="toself", fillcolor=stroke.fill, hoverinfo="skip",
        )  # fmt: skip
    figure.add_scatter(
        x=x, y=_short(middle), mode="lines+markers",
        line={"color": colour, "width": 1.2 if place else 1.8, "dash": _DASHES[place]},
        marker={"symbol": _SYMBOLS[place], "size": 6, "color": colour, "line": {"color": colour, "width": 1.2}},
        error_y={
            "visible": place > 0, "array": _short(high - middle), "arrayminus": _short(middle - low), "width": 0,
            "thickness": 1, "color": colour,
        },
        hovertext=[
            f"v{one.version}, {format_duration(s)}: {m:.2f} dB [{a:.2f}, {b:.2f}]"
            for s, m, a, b in zip(scale, middle, low, high, strict=True)
        ],
        hovertemplate="%{hovertext}<extra></extra>",
    )  # fmt: skip
    return float(x[-1]), float(middle[-1]), f"v{one.version}", colour


def _label_ends(figure: go.Figure, ends: Sequence[tuple[float, float, str, str]]) -> None:
    """Each line's version beside its last point, moved up where two would overlap."""
    place = -np.inf
    for scale, deviation, name, colour in sorted(ends, key=lambda end: end[1]):
        place = max(float(np.log10(deviation)), place + 0.08)
        figure.add_annotation(
            text=name, x=np.log10(scale), xanchor="left", xshift=7, y=place, showarrow=False,
            font={"size": 11, "color": colour},
        )  # fmt: skip


def hours_figure(found: Sequence[Stability]) -> go.Figure | None:
    """RSSI by hour of the wall clock, a row per config version: median and 10-90 % band, of one location and band. None
    where no version has ``LEAST_HOURS`` hours of the day."""
    drawn = [one for one in found if len(one.hours) >= LEAST_HOURS][-MOST_VERSIONS:]
    if not drawn:
        return None
    figure = go.Figure(layout={"template": go.layout.Template()})
    ends = [(min(h.low_dbm for h in one.hours), max(h.high_dbm for h in one.hours)) for one in drawn]
    span = max(max(high - low for low, high in ends), 6.0) + 2  # the same in all rows, so that spreads can be compared
    height, above = 84, 20
    total = len(drawn) * (height + above)
    for row, (one, (low, high)) in enumerate(zip(drawn, ends, strict=True), 1):
        axis = "y" if row == 1 else f"y{row}"
        middle = (low + high) / 2
        top = 1 - ((row - 1) * (height + above) + above) / total
        figure.layout["yaxis" + axis[1:]] = _AXIS | _GRID | {
            "domain": [max(0.0, top - height / total), top], "range": [middle - span / 2, middle + span / 2],
            "anchor": "x", "nticks": 4,
        }  # fmt: skip
        _add_hours(figure, axis, one)
        figure.add_annotation(
            text=f"<b>v{one.version}</b>  dBm", xref="paper", x=0, xanchor="left", yref=f"{axis} domain", y=1,
            yanchor="bottom", yshift=2, showarrow=False, font={"size": 12, "color": palette.INK},
        )  # fmt: skip
    figure.update_layout(
        height=total + 44,
        margin={"l": 44, "r": 12, "t": 4, "b": 40},
        xaxis=_AXIS | {
            "range": [0, 24], "dtick": 6, "showgrid": False, "anchor": "free", "position": 0,
            "title": {"text": "hour of the day", "font": {"size": 11.5, "color": palette.QUIET}, "standoff": 4},
        },
        **BASE,
    )  # fmt: skip
    return figure


def _add_hours(figure: go.Figure, axis: str, one: Stability) -> None:
    """Steps an hour wide; hours without samples are left out."""
    stroke = palette.stroke(one.band)
    x = np.array([[h.hour, h.hour + 1.0] for h in one.hours])
    low, median, high = (
        np.array([getattr(h, name) for h in one.hours]) for name in ("low_dbm", "median_dbm", "high_dbm")
    )
    gap = np.full(len(x), np.nan)
    outline_x, outline_y = np.column_stack([x, x[:, ::-1], gap]), np.column_stack([low, low, high, high, gap])
    figure.add_scatter(
        x=_short(outline_x.ravel()), y=_short(outline_y.ravel()), yaxis=axis, mode="lines", line={"width": 0},
        fill="toself", fillcolor=stroke.fill, hoverinfo="skip",
    )  # fmt: skip
    figure.add_scatter(
        x=_short(np.column_stack([x, gap]).ravel()), y=_short(np.column_stack([median, median, gap]).ravel()),
        yaxis=axis, mode="lines", line={"color": stroke.colour, "width": 1.8, "dash": stroke.dash},
        customdata=_short(np.column_stack([low, high])[np.arange(len(x)).repeat(3)]),
        hovertemplate="%{y:.3~g} dBm<br>10-90 %: %{customdata[0]:.3~g} to %{customdata[1]:.3~g}<extra></extra>",
    )  # fmt: skip


def _short(values: np.ndarray) -> np.ndarray:
    """Small JSON: two decimals are more than any eye sees."""
    return np.round(values, 2).astype("float32")
