"""What each recorder covered of its time, in words and a figure, ready for the template."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from dashboards import figures, palette
from dashboards.analysis.coverage import KINDS, shares_percent
from dashboards.analysis.durations import hours
from dashboards.frames import rows_of
from dashboards.report import SourceCoverage
from dashboards.typeset import drawn
from logger.log import OWN_SOURCE
from logger.times import format_duration

MOST_GAPS = 10  # the longest


def coverage_section(source: SourceCoverage, zone: str, when: Callable[[float], str]) -> dict[str, Any]:
    """Its hours by kind, with shares; its longest gaps. ``when`` says a moment (UTC milliseconds) in words."""
    in_all = source.hours.sum()
    total_h, shares = float(in_all.sum()), shares_percent(in_all)
    longest = source.gaps.assign(lasted=source.gaps["ended_at_utc_ms"] - source.gaps["started_at_utc_ms"])
    return {
        "name": _source_name(source),
        "total": hours(total_h),
        "kinds": [
            {
                "name": kind,
                "hours": hours(float(in_all[kind])),
                "share": f"{shares[kind]:.1f} %",
                "colour": palette.COVERAGE[kind],
            }
            for kind in KINDS
            if in_all[kind] > 0 or kind in ("link", "no link", "unexplained")
        ],
        "drawn": drawn(figures.coverage_figure(source.hours, source.edges_utc_ms, zone)),
        "gaps": [
            {
                "at": when(row.started_at_utc_ms),
                "lasted": format_duration(row.lasted / 1000),
                "reason": row.reason,
            }
            for row in rows_of(longest.nlargest(MOST_GAPS, "lasted"))
        ],
        "n_gaps": len(longest),
    }


def _source_name(source: SourceCoverage) -> str:
    if source.is_import:
        return f"import {source.source_id}"
    return (
        "this laptop's logger" if source.source_id == OWN_SOURCE else f"another machine's logger ({source.source_id})"
    )
