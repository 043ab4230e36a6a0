"""Words and figures set into the one HTML file: the templates, their filter, their scripts and what these may do."""

from __future__ import annotations

import base64
import hashlib
import re
from collections.abc import Mapping
from typing import Any

import plotly.graph_objects as go
from jinja2 import Environment, PackageLoader, StrictUndefined
from markupsafe import Markup
from plotly.offline import get_plotlyjs

from dashboards import palette

_UNITS = r"dB|dBm|dBi|GHz|MHz|Mbit/s|min|min/day|h|s|%"
_TIES = re.compile(rf"(?<=\d) (?=(?:{_UNITS})(?:\W|$))|(?<=×) |(?<=\d,) (?=[-+−\d.]+\])")


def typeset(contents: Mapping[str, Any]) -> str:
    """The page with ``contents``, which the template names. All text in it is escaped."""
    environment = Environment(
        loader=PackageLoader("dashboards"), autoescape=True, undefined=StrictUndefined, trim_blocks=True,
        lstrip_blocks=True,
    )  # fmt: skip
    environment.filters["tied"] = tied
    environment.globals["palette"] = palette
    draw, _, _ = environment.loader.get_source(environment, "draw.js")  # type: ignore[union-attr]
    scripts = {"plotly": get_plotlyjs(), "draw": draw}
    return environment.get_template("report.html.j2").render(
        scripts={name: Markup(code) for name, code in scripts.items()},
        script_hashes=[_csp_hash(code) for code in scripts.values()],
        **contents,
    )


def _csp_hash(code: str) -> str:
    """Allows exactly this script under the page's Content-Security-Policy, whatever else slips in."""
    return "sha256-" + base64.b64encode(hashlib.sha256(code.encode("utf-8")).digest()).decode("ascii")


def tied(text: str) -> str:
    """Numbers hold on to their units and signs, and intervals together, where lines break."""
    return _TIES.sub("\N{NO-BREAK SPACE}", text)


def drawn(figure: go.Figure) -> dict[str, Any]:
    """A figure for the template: its height in pixels, kept free until it is drawn, and its JSON, which no HTML parser
    can misread."""
    text = figure.to_json()
    for char in "<>&\u2028\u2029":
        text = text.replace(char, f"\\u{ord(char):04x}")
    return {"height": round(figure.layout.height), "json": Markup(text)}
