"""A number and how sure it is."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Interval:
    """An estimate with the ends of its interval; an end that is None is not bounded, an estimate that is None not
    known."""

    estimate: float | None
    low: float | None
    high: float | None
