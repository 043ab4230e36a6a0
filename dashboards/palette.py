"""The report's few colours. Each means one thing everywhere, and never alone: line style, symbol and a
direct label say the same, for eyes that see colours differently and for grey paper.

The three band colours start from Okabe and Ito's set (jfly.uni-koeln.de/color, 2008), darkened until each
has a contrast of 4.5 with the paper and lightness of its own in greys."""

from __future__ import annotations

from dataclasses import dataclass

PAPER = "#fdfcf9"
INK = "#22252a"
QUIET = "#5f646b"  # secondary text, contrast above 4.5 on PAPER
RULE = "#d9d6cf"
WASH = "#f3f0e9"  # every other config version's span
MARGIN = "#e6e2d8"  # the differences that do not matter


@dataclass(frozen=True, slots=True)
class Stroke:
    """How one band is drawn."""

    colour: str
    fill: str  # the same, faint: the 10-90 % band
    dash: str
    symbol: str


BANDS = {
    "2.4": Stroke("#a34503", "rgba(163,69,3,0.16)", "3px,2px", "square"),
    "5": Stroke("#0a4a80", "rgba(10,74,128,0.16)", "solid", "circle"),
    "6": Stroke("#0a775d", "rgba(10,119,93,0.16)", "8px,2px,2px,2px", "diamond"),
}
UNKNOWN_BAND = Stroke("#5f646b", "rgba(95,100,107,0.16)", "solid", "x-thin")

# Verdicts: the ends of ColorBrewer's PiYG (Brewer and Harrower, colorbrewer2.org), which differ for every eye and in
# greys. Marks of different shape and the words say the same.
VERDICTS = {"better": "#3f6f0d", "worse": "#8e0152", "no-difference": INK, "undecided": QUIET}

# Coverage, told apart in greys as well.
COVERAGE = {
    "link": "#7797b3",
    "no link": "#a34503",
    "logger off": "#eae4d6",
    "rebooted": "#ddd4ae",
    "suspended": "#bccad6",
    "card gone": "#7a6894",
    "radio off": "#8f83ab",
    "adapter failed": "#4b4a45",
    "samples dropped": "#d4a24a",
    "clock set": "#2f3b52",
    "unexplained": "#fdfcf9",
}

EVENT_SYMBOLS = {
    "not written down": "star-diamond",
    "disconnected": "x-thin",
    "roamed": "triangle-right",
    "channel-switched": "diamond-wide",
    "adapter-failed": "cross-thin",
    "interface-gone": "asterisk",
    "radio-off": "circle-x",
    "clock-set": "hourglass",
    "samples-dropped": "y-down",
    "logger-started": "line-ns",
    "logger-lost": "line-ns",
    "time-zone-changed": "triangle-ne",
}


def stroke(band: str | None) -> Stroke:
    """How to draw ``band``."""
    return BANDS.get(band or "", UNKNOWN_BAND)
