"""The report's figures, as Plotly figures: what is drawn is labelled where it is drawn, without legends.

Heights are fixed in pixels and widths follow the page. Times go in as milliseconds of the local clock, which
Plotly takes for UTC and so shows as they are. Names are escaped, because Plotly reads tags in text.
"""

from __future__ import annotations

from collections.abc import Sequence
from html import escape
from typing import Any

import numpy as np
import pandas as pd
import plotly.graph_objects as go

from dashboards import palette
from dashboards.analysis.coverage import KINDS
from dashboards.sentences import band_name
from logger.printable import printable

FONT = "system-ui, -apple-system, 'Segoe UI', Roboto, 'Helvetica Neue', Arial, sans-serif"
MOST_SPANS = 80  # config versions' spans drawn through all rows; more would only be stripes
MOST_MARKS = 3000  # events, outages or placements in one figure
_MINUTE_MS, _HOUR_MS, _DAY_MS = 60_000, 3_600_000, 86_400_000
EVENT_WORDS = {
    "not written down": "not written down",
    "disconnected": "link lost",
    "roamed": "roamed",
    "channel-switched": "channel switched by the access point",
    "adapter-failed": "interface not readable",
    "interface-gone": "interface gone",
    "radio-off": "radio off",
    "clock-set": "wall clock set",
    "samples-dropped": "samples dropped",
    "logger-started": "logging began",
    "logger-lost": "logging had ended without a word",
    "time-zone-changed": "another time zone",
}
_LEVELS = ("rssi", "sighting")  # in dBm; all else is a rate or a time, on a log scale
_TIMES = ("latency-idle", "latency-loaded")
_LEFT_PX, _RIGHT_PX, _BOTTOM_PX = 44, 52, 34


def clock_ms(utc_ms: Any, zone: str) -> np.ndarray:
    """Milliseconds since 1970 UTC as those that the clock in ``zone`` shows, as if that were UTC."""
    times = pd.to_datetime(np.asarray(utc_ms, dtype="float64"), unit="ms", utc=True)
    return times.tz_convert(zone).tz_localize(None).as_unit("ms").astype("int64").to_numpy(dtype="float64")


def text(name: str, most: int = 200) -> str:
    """A name for Plotly, which reads tags and entities in all text."""
    safe = printable(name)
    return escape(safe if len(safe) <= most else safe[: most - 1].rstrip() + "…", quote=False)


class Rows:
    """A stack of rows that share one axis of time. Rows are added from the top, heights in pixels."""

    def __init__(self) -> None:
        self.figure = go.Figure(layout={"template": go.layout.Template()})
        self._heights: list[tuple[float, float]] = []  # space above, height

    def add(self, height_px: float, title: str = "", *, above_px: float = 22, **axis: Any) -> str:
        """One more row; returns the name of its y axis ("y", "y2", ...) for traces."""
        self._heights.append((above_px, height_px))
        number = len(self._heights)
        name = "y" if number == 1 else f"y{number}"
        style = {"zeroline": False, "showgrid": False, "showline": False, "fixedrange": True, "anchor": "x"}
        style |= {"tickfont": {"size": 11, "color": palette.QUIET}, "ticks": ""}
        self.figure.layout["yaxis" + name[1:]] = style | axis
        if title:
            self.figure.add_annotation(
                text=title, xref="paper", x=0, xanchor="left", yref=f"{name} domain", y=1, yanchor="bottom",
                yshift=2, showarrow=False, font={"size": 12, "color": palette.INK},
            )  # fmt: skip
        return name

    def finish(self, time_range: Sequence[float], *, right_px: float = _RIGHT_PX) -> go.Figure:
        """Give every row its place and the figure its size. The axis of time is a minute long at least."""
        middle, half = sum(time_range) / 2, max(time_range[1] - time_range[0], _MINUTE_MS) / 2
        first, last = middle - half, middle + half
        total = sum(above + height for above, height in self._heights)
        used = 0.0
        for number, (above, height) in enumerate(self._heights, 1):
            top, used = used + above, used + above + height
            axis = self.figure.layout["yaxis" if number == 1 else f"yaxis{number}"]
            axis.domain = [max(0.0, 1 - used / total), 1 - top / total]
        self.figure.update_layout(
            height=total + _BOTTOM_PX + 4,
            margin={"l": _LEFT_PX, "r": right_px, "t": 4, "b": _BOTTOM_PX},
            xaxis={
                "type": "date", "range": [first, last], "anchor": "free", "position": 0, "showgrid": False,
                "zeroline": False, "showline": True, "linecolor": palette.RULE, "ticks": "outside", "ticklen": 4,
                "tickcolor": palette.RULE, "tickfont": {"size": 11, "color": palette.QUIET}, "nticks": 8,
                "tickformat": _tick_format(last - first),
                "hoverformat": f"%a %-d %b %Y {_clock_format(last - first)}", "automargin": False, "tickangle": 0,
            },
            **BASE,
        )  # fmt: skip
        return self.figure


def _tick_format(span_ms: float) -> str:
    if span_ms > 1000 * _DAY_MS:
        return "%b %Y"
    return "%-d %b\n%Y" if span_ms > 3 * _DAY_MS else f"{_clock_format(span_ms)}\n%-d %b"


def _clock_format(span_ms: float) -> str:
    """With seconds where ticks may be less than a minute apart."""
    return "%H:%M" if span_ms > 10 * _MINUTE_MS else "%H:%M:%S"


BASE: dict[str, Any] = {
    "font": {"family": FONT, "size": 12, "color": palette.INK},
    "paper_bgcolor": "rgba(0,0,0,0)",
    "plot_bgcolor": "rgba(0,0,0,0)",
    "showlegend": False,
    "hovermode": "closest",
    "dragmode": "zoom",
    "hoverlabel": {
        "bgcolor": palette.PAPER,
        "bordercolor": palette.RULE,
        "font": {"family": FONT, "size": 12, "color": palette.INK},
    },
    "uniformtext": {"minsize": 10, "mode": "hide"},
}


def trend_figure(
    trends: dict[str, dict[str, pd.DataFrame]],
    stretches: pd.DataFrame,
    placements: pd.DataFrame,
    events: pd.DataFrame,
    labels: dict[int, str],
    metric: str,
    zone: str,
) -> go.Figure:
    """Median line and 10-90 % band, a row per location and a line per band, with the config versions as
    spans, new placements as triangles and events below.

    ``trends`` is location -> band -> analysis.trend.trend(); ``stretches`` version, started_at_utc_ms,
    ended_at_utc_ms; ``placements`` location, placement, started_at_utc_ms; ``events`` kind, time_utc_ms,
    n.
    """
    rows = Rows()
    span = clock_ms([stretches["started_at_utc_ms"].min(), stretches["ended_at_utc_ms"].max()], zone)
    _add_version_ribbon(rows, stretches, labels, zone)
    unit = "dBm" if metric in _LEVELS else "ms" if metric in _TIMES else "Mbit/s"
    for place, by_band in trends.items():
        values = pd.concat([frame[["low", "high"]] for frame in by_band.values()])
        low, high = float(values["low"].min()), float(values["high"].max())
        if metric in _LEVELS:
            pad = max(1.0, (12 - (high - low)) / 2)
            axis: dict[str, Any] = {"range": [low - pad, high + pad], "nticks": 5}
        else:
            room = max(1.25, (2.5 * low / high) ** 0.5)  # a steady rate gets an axis with ticks, too
            low, high = np.log10(low / room), np.log10(high * room)
            steps = (1, 1.5, 2, 3, 5, 7) if high - low < 0.6 else (1, 2, 5) if high - low < 1.2 else (1, 3)
            axis = {"type": "log", "range": [low, high], "tickvals": [s * 10**n for n in range(-2, 5) for s in steps]}
        axis |= {"showgrid": True, "gridcolor": palette.RULE, "griddash": "1px,3px", "gridwidth": 1}
        name = rows.add(150, f"<b>{text(place, 60)}</b>  {unit}", **axis)
        for band, frame in by_band.items():
            _add_trend(rows.figure, name, band, frame, unit, zone)
        _add_placements(rows.figure, name, placements[placements["location"] == place], axis["range"], metric, zone)
        _label_bands(rows.figure, name, by_band, axis["range"], metric)
    return rows.finish(_add_events(rows, events, zone, _padded(span)))


def _add_version_ribbon(rows: Rows, stretches: pd.DataFrame, labels: dict[int, str], zone: str) -> None:
    name = rows.add(24, above_px=0, range=[-0.5, 0.5], visible=False)
    start, end = (clock_ms(stretches[column], zone) for column in ("started_at_utc_ms", "ended_at_utc_ms"))
    versions = stretches["version"].tolist()
    odd = [version % 2 == 1 for version in versions]
    rows.figure.add_bar(
        orientation="h", base=start, x=end - start, y=np.zeros(len(start)), width=1, yaxis=name,
        marker={
            "color": np.array(odd, dtype="float32"), "cmin": 0, "cmax": 1,  # numbers: colours by name cost a look each
            "colorscale": [[0, palette.MARGIN], [1, palette.WASH]],
            "line": {"color": palette.PAPER, "width": 1},
        },
        text=[f"v{version}" for version in versions], textposition="inside", insidetextanchor="middle",
        textangle=0, textfont={"size": 12, "color": palette.INK},
        hovertext=[f"v{version} {text(labels.get(version, ''))}" for version in versions],
        hovertemplate="%{hovertext}<br>from %{base|%a %-d %b %Y %H:%M}<extra></extra>",
    )  # fmt: skip
    if len(start) > MOST_SPANS:
        return
    shapes = [
        {
            "type": "rect", "layer": "below", "xref": "x", "yref": "paper", "x0": a, "x1": b, "y0": 0, "y1": 1,
            "line": {"width": 0}, "fillcolor": palette.WASH if shade else "rgba(0,0,0,0)",
        }
        for a, b, shade in zip(start, end, odd, strict=True)
    ]  # fmt: skip
    rows.figure.update_layout(shapes=shapes)


def _add_trend(figure: go.Figure, axis: str, band: str, frame: pd.DataFrame, unit: str, zone: str) -> None:
    stroke = palette.stroke(band)
    begins = np.flatnonzero(~frame["joined"].to_numpy())  # of each run of joined bins
    lengths = np.diff(np.append(begins, len(frame)))
    lone = lengths.repeat(lengths) == 1  # such a bin is drawn as long as it lasted
    rows = np.arange(len(frame)).repeat(np.where(lone, 2, 1))
    x = clock_ms(frame["mean_utc_ms"], zone)[rows]
    first_of_two = np.flatnonzero(np.diff(rows) == 0)
    second_of_two = first_of_two + 1
    x[first_of_two] = clock_ms(frame["started_at_utc_ms"], zone)[rows[first_of_two]]
    x[second_of_two] = clock_ms(frame["ended_at_utc_ms"], zone)[rows[second_of_two]]
    low, median, high = (frame[name].to_numpy(dtype="float64")[rows] for name in ("low", "median", "high"))
    runs = np.cumsum(np.maximum(lengths, 2))[:-1] if len(lengths) else lengths
    outline_x, outline_y = [], []
    for xs, lows, highs in zip(*(np.split(values, runs) for values in (x, low, high)), strict=True):
        outline_x += [xs, xs[::-1], [np.nan]]
        outline_y += [lows, highs[::-1], [np.nan]]
    figure.add_scatter(
        x=np.concatenate(outline_x), y=np.concatenate(outline_y).astype("float32"), yaxis=axis, mode="lines",
        line={"width": 0.8, "color": stroke.fill}, fill="toself", fillcolor=stroke.fill, hoverinfo="skip",
    )  # fmt: skip
    figure.add_scatter(
        x=np.insert(x, runs, np.nan), y=np.insert(median, runs, np.nan).astype("float32"), yaxis=axis, mode="lines",
        line={"width": 1.8, "color": stroke.colour, "dash": stroke.dash},
        customdata=np.insert(np.column_stack([low, high]), runs, np.nan, axis=0).astype("float32"),
        hovertemplate=f"{band_name(band)}: %{{y:.3~g}} {unit}<br>10-90 %: %{{customdata[0]:.3~g}} to"
        " %{customdata[1]:.3~g}<br>%{x}<extra></extra>",
    )  # fmt: skip
    tiny = first_of_two[x[second_of_two] - x[first_of_two] < (x.max() - x.min()) / 250]
    figure.add_scatter(
        x=x[tiny], y=median[tiny].astype("float32"), yaxis=axis, mode="markers", hoverinfo="skip",
        marker={"size": 4, "symbol": stroke.symbol, "color": stroke.colour},
    )  # fmt: skip


def _label_bands(
    figure: go.Figure, axis: str, by_band: dict[str, pd.DataFrame], axis_range: list[float], metric: str
) -> None:
    """Each line's name beside its last point, in its colour, moved apart where two would overlap."""
    height_px, least_px = 150, 14
    ends = {band: float(frame["median"].iloc[-1]) for band, frame in by_band.items()}
    if metric not in _LEVELS:
        ends = {band: float(np.log10(value)) for band, value in ends.items()}
    per_px = (axis_range[1] - axis_range[0]) / height_px
    place = -np.inf
    for band in sorted(ends, key=lambda key: ends[key]):
        place = max(ends[band], place + least_px * per_px)
        figure.add_annotation(
            text=band_name(band), xref="paper", x=1, xanchor="left", xshift=6, yref=axis, y=place,
            showarrow=False, font={"size": 11, "color": palette.stroke(band).colour},
        )  # fmt: skip


def _add_placements(
    figure: go.Figure, axis: str, placements: pd.DataFrame, axis_range: list[float], metric: str, zone: str
) -> None:
    placements = placements.iloc[-MOST_MARKS:]
    low = axis_range[0] + 0.04 * (axis_range[1] - axis_range[0])
    figure.add_scatter(
        x=clock_ms(placements["started_at_utc_ms"], zone),
        y=np.full(len(placements), low if metric in _LEVELS else 10**low), yaxis=axis, mode="markers",
        marker={"symbol": "triangle-up", "size": 7 if len(placements) < 60 else 3, "color": palette.QUIET},
        cliponaxis=False,
        hovertext=[f"placement {text(name)}" for name in placements["placement"]],
        hovertemplate="%{hovertext}<br>from %{x}<extra></extra>",
    )  # fmt: skip


def _add_events(rows: Rows, events: pd.DataFrame, zone: str, time_range: list[float]) -> list[float]:
    """A row per kind that has any. Logging begins before the first sample: the axis reaches a little farther where an
    event is there. Returns how far; what lies beyond that is not drawn."""
    events = events[events["kind"].isin(list(palette.EVENT_SYMBOLS))]
    at = pd.Series(clock_ms(events["time_utc_ms"], zone), events.index)
    reach = max(0.05 * (time_range[1] - time_range[0]), _MINUTE_MS)
    near = at.between(time_range[0] - reach, time_range[1] + reach)
    events, at = events[near], at[near]
    for kind, symbol in palette.EVENT_SYMBOLS.items():
        mine = events[events["kind"] == kind].iloc[-MOST_MARKS:]
        if mine.empty:
            continue
        name = rows.add(14, EVENT_WORDS[kind], above_px=20, range=[-0.5, 0.5], visible=False)
        rows.figure.add_scatter(
            x=clock_ms(mine["time_utc_ms"], zone), y=np.zeros(len(mine)), yaxis=name, mode="markers",
            marker={
                "symbol": symbol, "size": 7, "color": palette.INK,
                "line": {"color": palette.INK, "width": 1.2 if symbol.endswith(("-thin", "-ns")) else 0},
            },
            cliponaxis=False, customdata=mine["n"].to_numpy(),
            hovertemplate=f"%{{customdata}} × {EVENT_WORDS[kind]}<br>about %{{x}}<extra></extra>",
        )  # fmt: skip
    pad = 0.01 * (time_range[1] - time_range[0])
    return [min([time_range[0], *(at - pad)]), max([time_range[1], *(at + pad)])]


def _padded(span: np.ndarray) -> list[float]:
    pad = 0.01 * (span[1] - span[0])
    return [float(span[0] - pad), float(span[1] + pad)]


def outage_figure(
    spells: pd.DataFrame, stretches: pd.DataFrame, labels: dict[int, str], zone: str, places: Sequence[str]
) -> go.Figure:
    """Every outage by when it began and how long it lasted (log scale), a row per location, in the order of
    ``places``."""
    rows = Rows()
    span = clock_ms([stretches["started_at_utc_ms"].min(), stretches["ended_at_utc_ms"].max()], zone)
    _add_version_ribbon(rows, stretches, labels, zone)
    longest = spells.sample(frac=1, random_state=0).nlargest(
        MOST_MARKS, "lasted_s"
    )  # shuffled: ties have no favourites
    top = float(np.log10(max(longest["lasted_s"].max(), 60) * 1.5))
    bottom = float(np.log10(max(longest["lasted_s"].min() / 1.5, 0.1)))
    ticks = {1: "1 s", 10: "10 s", 60: "1 min", 600: "10 min", 3600: "1 h", 36000: "10 h"}
    by_place = dict(list(longest.groupby("location", sort=False)))
    for place in [place for place in places if place in by_place]:
        mine = by_place[place]
        axis = rows.add(
            84, f"<b>{text(place, 60)}</b>", type="log", range=[bottom, top], tickvals=list(ticks),
            ticktext=list(ticks.values()), showgrid=True, gridcolor=palette.RULE, griddash="1px,3px",
        )  # fmt: skip
        for band, spots in mine.groupby(mine["band"].fillna("")):
            stroke = palette.stroke(str(band))
            rows.figure.add_scatter(
                x=clock_ms(spots["started_at_utc_ms"], zone), y=spots["lasted_s"].to_numpy(dtype="float32"),
                yaxis=axis, mode="markers",
                marker={
                    "symbol": stroke.symbol, "size": 7, "color": stroke.fill,
                    "line": {"color": stroke.colour, "width": 1.2},
                },
                customdata=np.array([f"{seconds / 60:.3g} min" for seconds in spots["lasted_s"]]),
                hovertemplate=f"{band_name(str(band) or None)}: %{{customdata}}<br>%{{x}}<extra></extra>",
            )  # fmt: skip
    return rows.finish(_padded(span), right_px=12)


def coverage_figure(hours: pd.DataFrame, edges_utc_ms: np.ndarray, zone: str) -> go.Figure:
    """Hours logged per day (or per shorter bin), and why the rest was not; colours as in the table above
    it."""
    rows = Rows()
    outline = {"color": palette.RULE, "width": 0.5 if len(edges_utc_ms) < 130 else 0}
    edges = clock_ms(edges_utc_ms, zone)
    lengths_h = np.diff(edges_utc_ms) / _HOUR_MS
    top = float(lengths_h.max())
    ticks = {"dtick": 6} if 20 < top <= 26 else {"nticks": 4}
    name = rows.add(120, "hours a day" if top > 20 else "hours", range=[0, top * 1.02], **ticks)
    for kind in [kind for kind in KINDS if (hours[kind] > 0).any()]:
        rows.figure.add_bar(
            x=edges[:-1], y=hours[kind].to_numpy(dtype="float32"), width=np.diff(edges), offset=0, yaxis=name,
            marker={"color": palette.COVERAGE[kind], "line": outline},
            hovertemplate=f"{kind}: %{{y:.1f}} h<br>%{{x}}<extra></extra>",
        )  # fmt: skip
    rows.figure.update_layout(barmode="stack", bargap=0)
    return rows.finish([float(edges[0]), float(edges[-1])], right_px=12)
