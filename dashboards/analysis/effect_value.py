"""An effect as a plain value. Loads nothing, so that an effect which is remembered can be told without pandas."""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True)
class Effect:
    """What version B did against A. ``estimate``, ``low`` and ``high`` are B - A (dB, min/day) or B / A
    (ratio); None where there is too little to tell. ``scope`` "position" claims about the one placement
    that both versions share, "location" about a new placement of the laptop there.

    ``low`` and ``high`` are of a single look; ``anytime_low`` and ``anytime_high`` hold however often one looks
    (see anytime). ``open``: the last period of the two versions is still open, so the verdict comes from the latter.
    ``needed``: sentences on what an undecided trial still needs.

    ``warnings``: all cautions, as sentences; ``mixed``: those of them that say that the data are mixed, cut short or
    made up; ``lacking``: why there is no interval, said without the metric's name. ``measured``: of probes, in which
    way: "to the far end by ICMP", and ``n_probes`` of A and of B that count."""

    metric: str
    unit: str
    estimate: float | None
    low: float | None
    high: float | None
    confidence: float
    verdict: str
    margin: float
    n_placements_a: int
    n_placements_b: int
    hours_a: float
    hours_b: float
    scope: str
    method: str
    warnings: tuple[str, ...]
    anytime_low: float | None = None
    anytime_high: float | None = None
    open: bool = False
    needed: tuple[str, ...] = ()
    mixed: tuple[str, ...] = ()
    lacking: tuple[str, ...] = ()
    measured: str = ""
    n_probes: tuple[int, ...] = ()
