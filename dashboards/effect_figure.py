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
    stand above its interval. Filled points have a verdict, hollow ones cannot be told yet. The shaded
    span holds the differences that do not matter."""
    figure = go.Figure(layout={"template": go.layout.Template()})
    chosen = [located for _, effects in groups for located in effects]
    unit = chosen[0].effect.unit
    ratio = unit == "ratio"
    at, centre = 0.0, (1.0 if ratio else 0.0)
    rows: list[tuple[LocatedEffect, float]] = []
    for heading, effects in groups:
        if not effects:
            continue
        at += 22
        _line_of_text(figure, f"<b>{text(heading, 46)}</b>", at, 0, palette.INK)
        for located in effects:
            at += 20
            stroke = palette.stroke(located.band)
            where = f"{band_name(located.band)}, {text(located.location, 26)}"
            _line_of_text(figure, where, at, 0, stroke.colour)
            _line_of_text(figure, text(amount(located.effect)), at, 1, palette.INK)
            at += 14
            rows.append((located, at))
        at += 10
    for located, y in rows:
        effect, stroke = located.effect, palette.stroke(located.band)
        estimate, low, high = np.array([effect.estimate, effect.low, effect.high], dtype="float64")
        hollow = effect.verdict == "undecided"
        figure.add_scatter(
            x=[estimate], y=[y], mode="markers",
            marker={
                "symbol": stroke.symbol, "size": 9, "color": palette.PAPER if hollow else stroke.colour,
                "line": {"color": stroke.colour, "width": 1.8},
            },
            error_x={
                "type": "data", "symmetric": False, "array": [high - estimate],
                "arrayminus": [estimate - low], "color": stroke.colour, "thickness": 1.8, "width": 4,
            },
            hovertext=[f"{band_name(located.band)}, {text(located.location)}<br>{text(amount(effect))}"],
            hovertemplate="%{hovertext}<extra></extra>",
        )  # fmt: skip
    margin = max((located.effect.margin for located, _ in rows), default=1.0)
    span = [1 / margin, margin] if ratio else [-margin, margin]
    figure.update_layout(
        height=at + 44,
        margin={"l": 8, "r": 8, "t": 4, "b": 40},
        shapes=[
            {
                "type": "rect", "layer": "below", "x0": span[0], "x1": span[1], "yref": "paper", "y0": 0, "y1": 1,
                "fillcolor": palette.WASH, "line": {"width": 0},
            },
            {
                "type": "line", "layer": "below", "x0": centre, "x1": centre, "yref": "paper", "y0": 0, "y1": 1,
                "line": {"color": palette.QUIET, "width": 1},
            },
        ],
        yaxis={"range": [at, 0], "visible": False, "fixedrange": True},
        xaxis=_effect_axis([located for located, _ in rows], metric, margin),
        **BASE | {"dragmode": False},
    )  # fmt: skip
    return figure


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
    axis = {
        "range": [low_end - pad, high_end + pad], "fixedrange": True, "showgrid": True, "gridcolor": palette.RULE,
        "griddash": "1px,3px", "zeroline": False, "tickfont": {"size": 11, "color": palette.QUIET}, "nticks": 7,
        "title": {"text": title, "font": {"size": 11.5, "color": palette.QUIET}, "standoff": 6}, "tickangle": 0,
    }  # fmt: skip
    if ratio:
        ticks = [0.1, 0.2, 0.5, 1, 2, 5, 10, 20] if high_end - low_end > 0.6 else [0.5, 0.7, 0.85, 1, 1.2, 1.5, 2]
        axis |= {"type": "log", "tickvals": ticks, "ticktext": [f"× {tick:g}" for tick in ticks]}
    return axis
