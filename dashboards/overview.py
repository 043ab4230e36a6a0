"""The report's first screen, in words: what the latest change did at each location, on each band; what the earlier
ones did, a line each."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from dashboards.analysis.effect_value import Effect
from dashboards.comparison import METRICS, LocatedEffect
from dashboards.sentences import (
    METRIC_NAMES,
    VERDICTS,
    amount,
    band_name,
    finding,
    has_interval,
    hours,
    sentence,
    warnings_by_place,
)
from logger.printable import printable

ByMetric = Mapping[str, LocatedEffect]  # the effects at one location, in one band


def by_place(effects: Sequence[LocatedEffect]) -> dict[tuple[str, str], dict[str, LocatedEffect]]:
    """Effects by location and band, then by metric."""
    found: dict[tuple[str, str], dict[str, LocatedEffect]] = {}
    for located in effects:
        found.setdefault((located.location, located.band), {})[located.effect.metric] = located
    return found


def judged_places(effects: Sequence[LocatedEffect]) -> dict[tuple[str, str], dict[str, LocatedEffect]]:
    """Those of ``by_place`` whose band the laptop used enough for a verdict."""
    return {where: found for where, found in by_place(effects).items() if not seldom_used(found)}


def seldom_used(found: ByMetric) -> bool:
    return any(one.seldom_used for one in found.values())


def overview(effects: Sequence[LocatedEffect]) -> dict[str, Any]:
    """What one change did: a story per location and band, and where the laptop seldom chose a
    band, by band."""
    seldom: dict[str, list[str]] = {}
    for (place, band), found in by_place(effects).items():
        if seldom_used(found):
            seldom.setdefault(band_name(band), []).append(printable(place))
    return {
        "stories": [_story(place, band, found) for (place, band), found in judged_places(effects).items()],
        "seldom": seldom,
    }


def _story(place: str, band: str, found: ByMetric) -> dict[str, Any]:
    verdict = verdict_of(found)
    return {
        "where": where_text(place, band),
        "verdicts": ["better", "worse"] if verdict == "mixed" else [verdict],
        "words": "better and worse" if verdict == "mixed" else VERDICTS[verdict],
        "told": told(found),
        "brief": brief(found),
        "needed": needed(found) if verdict == "undecided" else [],
    }


def verdict_of(found: ByMetric) -> str:
    """One word for all metrics: those that are better or worse decide ("mixed" if both are); else there is no
    difference where RSSI, which tells it best, shows none; else "undecided"."""
    verdicts = {one.effect.verdict for one in found.values()}
    if {"better", "worse"} <= verdicts:
        return "mixed"
    for verdict in ("better", "worse"):
        if verdict in verdicts:
            return verdict
    first = next(iter(_in_order(found)), None)
    return first.effect.verdict if first is not None else "undecided"


def needed(found: ByMetric) -> list[str]:
    """What would tell, as a sentence: of the first metric that is undecided and says it."""
    return next((list(one.effect.needed) for one in _in_order(found) if one.effect.needed), [])


def told(found: ByMetric) -> str:
    """What happened, as sentences: "RSSI rose by 5.7 dB [3.1, 8.9]; tx rate × 1.6 [1.2, 2.1]." Of what cannot be told
    yet RSSI is said, and where nothing changed the rates, too."""
    effects = [one.effect for one in _in_order(found)]
    changed = [effect for effect in effects if effect.verdict in ("better", "worse")]
    same = [effect for effect in effects if effect.verdict == "no-difference"]
    open_yet = [effect for effect in effects if effect.verdict == "undecided" and has_interval(effect)]
    sentences = []
    if changed:
        sentences.append(sentence("; ".join([finding(changed[0]), *map(_named_amount, changed[1:])])))
    if same:
        sentences.append(sentence(f"No difference that matters in {_listed(same)}"))
    if changed or same:
        open_yet = [effect for effect in open_yet if effect.metric == "rssi"]
        if open_yet:
            sentences.append(sentence(f"{_listed(open_yet)} cannot be told yet"))
    elif open_yet:
        sentences.append(sentence(", ".join(map(_named_amount, open_yet[:2]))))
    return " ".join(sentences)


def _named_amount(effect: Effect) -> str:
    return f"{METRIC_NAMES[effect.metric]} {amount(effect)}"


def _listed(effects: Sequence[Effect]) -> str:
    return ", ".join(f"{METRIC_NAMES[effect.metric]} ({amount(effect)})" for effect in effects)


def brief(found: ByMetric) -> str:
    """The same as amounts: of the first two that are better or worse, else of RSSI."""
    effects = [one.effect for one in _in_order(found)]
    changed = [effect for effect in effects if effect.verdict in ("better", "worse")]
    return ", ".join(map(_named_amount, changed[:2] or effects[:1]))


def _in_order(found: ByMetric) -> list[LocatedEffect]:
    return [found[metric] for metric in METRICS if metric in found]


def where_text(place: str, band: str) -> str:
    """ "kiln room, 5 GHz"."""
    return f"{printable(place)}, {band_name(band)}"


def effect_cell(located: LocatedEffect) -> dict[str, str]:
    """One effect that has an interval: its metric, its amount, its verdict and that verdict in words."""
    effect = located.effect
    return {
        "metric": METRIC_NAMES[effect.metric],
        "amount": amount(effect),
        "verdict": effect.verdict,
        "words": VERDICTS[effect.verdict],
    }


def details(found: ByMetric) -> dict[str, Any]:
    """All numbers of one location and band: a cell for each metric that has an interval, the names of those that have
    too little data, and what they rest on."""
    effects = _in_order(found)
    first = effects[0].effect
    return {
        "cells": [effect_cell(one) for one in effects if has_interval(one.effect)],
        "too_little": [METRIC_NAMES[one.effect.metric] for one in effects if not has_interval(one.effect)],
        "one_position": first.scope == "position",
        "hours": (hours(first.hours_a), hours(first.hours_b)),
        "placements": (first.n_placements_a, first.n_placements_b),
    }


def what_to_mind(effects: Sequence[LocatedEffect]) -> dict[str, list[str]]:
    """Cautions, each once, with where it is said. Of a band that the laptop seldom chose the first says all."""
    brief = [
        replace(one, effect=replace(one.effect, warnings=one.effect.warnings[:1])) if one.seldom_used else one
        for one in effects
    ]
    return warnings_by_place(brief)
