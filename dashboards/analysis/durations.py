"""How long something took, in words: the same in cautions, tables and sentences. Loads nothing."""

from __future__ import annotations


def hours(value: float) -> str:
    """ "20 h", "4.5 h", "2 h", "12 min", "< 1 min"."""
    if 0 < value < 1 / 60:
        return "< 1 min"
    if value < 59.5 / 60:
        return f"{60 * value:.0f} min"
    return f"{value:.1f}".removesuffix(".0") + " h" if value < 10 else f"{value:,.0f} h"
