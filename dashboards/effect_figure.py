"""Effects as points with intervals, labelled line by line so that they fit a phone."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

import numpy as np
import plotly.graph_objects as go

from dashboards import palette
from dashboards.comparison import LocatedEffect
from dashboards.figures import BASE, text
from dashboards.sentences import METRIC_NAMES, amount, band_name


def effects_figure(groups: Sequence[tuple[str, Sequence[LocatedEffect]]], metric: str) -> go.Figure:
    """Effects of one metric as points with intervals, grouped by change; each row's label and figures
    stand above its interval. Filled points have a verdict, hollow ones have none yet. Shaded are the
    differences that do not matter."""
    figure = go.Figure(layout={"template": go.layout.Template()})
    chosen = [located for _, effects in groups for located in effects]
    unit = chosen[0].effect.unit
    ratio = unit == "ratio"
    at, centre = 0.0, (1.0 if ratio else 0.0)
    rows: list[tuple[LocatedEffect, float]] = []
    for heading, effects in groups:
        if not effects:
            continue
        at += 20
        _line_of_text(figure, f"<b>{text(heading, 46)}</b>", at, 0, palette.INK)
        for located in effects:
            at += 18
            stroke = palette.stroke(located.band)
            where = f"{band_name(located.band)}, {text(located.location, 26)}"
            _line_of_text(figure, where, at, 0, stroke.colour)
            _line_of_text(figure, text(amount(located.effect)), at, 1, palette.INK)
            at += 13
            rows.append((located, at))
        at += 8
    margin = max((located.effect.margin for located, _ in rows), default=1.0)
    axis = _effect_axis([located for located, _ in rows], metric, margin)
    _add_lanes(figure, [y for _, y in rows], [1 / margin, margin] if ratio else [-margin, margin], centre)
    for located, y in rows:
        _add_interval(figure, located, y, [10**end if ratio else end for end in axis["range"]])
    figure.update_layout(
        height=at + 44,
        margin={"l": 8, "r": 8, "t": 4, "b": 40},
        yaxis={"range": [at, 0], "visible": False, "fixedrange": True},
        xaxis=axis,
        **BASE | {"dragmode": False},
    )  # fmt: skip
    return figure


def _add_lanes(figure: go.Figure, at: Sequence[float], span: Sequence[float], centre: float) -> None:
    """Under each interval the differences that do not matter, and the line of none: not through the text."""
    half = 7
    outline = np.array([[y - half, y - half, y + half, y + half, np.nan] for y in at])
    figure.add_scatter(
        x=[span[0], span[1], span[1], span[0], None] * len(at), y=outline.ravel(), mode="lines", line={"width": 0},
        fill="toself", fillcolor=palette.MARGIN, hoverinfo="skip",
    )  # fmt: skip
    figure.add_scatter(
        x=[centre, centre, None] * len(at), y=outline[:, [0, 2, 4]].ravel(), mode="lines",
        line={"color": palette.QUIET, "width": 1}, hoverinfo="skip",
    )  # fmt: skip


def _add_interval(figure: go.Figure, located: LocatedEffect, y: float, ends: Sequence[float]) -> None:
    """A point on its interval, ``ends`` being those of the axis: what lies beyond is shown by an arrow."""
    effect, stroke = located.effect, palette.stroke(located.band)
    low, estimate, high = np.array([effect.low, effect.estimate, effect.high], dtype="float64")
    hollow = effect.verdict == "undecided"
    points = [
        (max(low, ends[0]), "line-ns-open" if low >= ends[0] else "triangle-left", 8, stroke.colour),
        (estimate, stroke.symbol, 9, palette.PAPER if hollow else stroke.colour),
        (min(high, ends[1]), "line-ns-open" if high <= ends[1] else "triangle-right", 8, stroke.colour),
    ]
    x, symbols, sizes, colours = zip(*(point for point in points if ends[0] <= point[0] <= ends[1]), strict=True)
    figure.add_scatter(
        x=x, y=[y] * len(x), mode="lines+markers", cliponaxis=False,
        line={"color": stroke.colour, "width": 1.8},
        marker={
            "symbol": symbols, "size": sizes, "color": colours, "opacity": 1,
            "line": {"color": stroke.colour, "width": 1.8},
        },
        hovertext=[f"{band_name(located.band)}, {text(located.location)}<br>{text(amount(effect))}"] * len(x),
        hovertemplate="%{hovertext}<extra></extra>",
    )  # fmt: skip


def _line_of_text(figure: go.Figure, words: str, y: float, side: int, colour: str) -> None:
    figure.add_annotation(
        text=words, xref="paper", x=side, xanchor="right" if side else "left", yref="y", y=y, yanchor="middle",
        showarrow=False, font={"size": 11.5, "color": colour},
    )  # fmt: skip


def _effect_axis(chosen: Sequence[LocatedEffect], metric: str, margin: float) -> dict[str, Any]:
    """The axis reaches the intervals of all verdicts and the narrower half of the rest; a wider one runs off."""
    ratio = chosen[0].effect.unit == "ratio"
    scale = np.log10 if ratio else np.asarray
    effects = [located.effect for located in chosen]
    bounds = np.array([[effect.low, effect.high] for effect in effects], dtype="float64")
    low, high = scale(np.maximum(bounds, 1e-9) if ratio else bounds).T
    undecided = np.array([effect.verdict == "undecided" for effect in effects])
    kept = ~undecided | (high - low <= np.median(high - low))
    reach = float(scale(margin)) if margin > 0 else 0.0
    low_end, high_end = min(low[kept].min(), -1.5 * reach), max(high[kept].max(), 1.5 * reach)
    pad = 0.06 * (high_end - low_end)
    title = {
        "rssi": "RSSI, dB (right is stronger)",
        "outage": "outage, minutes a day (left is better)",
    }.get(metric, f"{METRIC_NAMES[metric]}, times what it was (right is faster)")
    axis: dict[str, Any] = {
        "range": [low_end - pad, high_end + pad], "fixedrange": True, "showgrid": False, "zeroline": False,
        "showline": True, "linecolor": palette.RULE, "ticks": "outside", "ticklen": 4, "tickcolor": palette.RULE,
        "tickfont": {"size": 11, "color": palette.QUIET}, "nticks": 7,
        "title": {"text": title, "font": {"size": 11.5, "color": palette.QUIET}, "standoff": 6}, "tickangle": 0,
    }  # fmt: skip
    if ratio:
        ticks = _ratio_ticks(10 ** axis["range"][0], 10 ** axis["range"][1])
        axis |= {"type": "log", "tickvals": ticks, "ticktext": [f"× {tick:g}" for tick in ticks]}
    return axis


def _ratio_ticks(low: float, high: float) -> list[float]:
    """The coarsest set of round ratios that has three in sight."""
    sets = ([0.01, 0.1, 1, 10, 100], [0.1, 0.2, 0.5, 1, 2, 5, 10], [0.5, 0.7, 1, 1.4, 2], [0.8, 0.9, 1, 1.1, 1.25])
    for ticks in sets:
        seen = [tick for tick in ticks if low <= tick <= high]
        if len(seen) >= 3:
            return seen
    return [0.95, 1, 1.05]
