"""The report's first screen, in words: what the latest change did at each location, on each band; what the earlier
ones did, a line each."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from typing import Any

from dashboards.analysis.cautions import of_mixed_data
from dashboards.analysis.directions import DOWNLINK, UPLINK, directions
from dashboards.analysis.effect_value import Effect
from dashboards.analysis.lasting.slope import LEAST_S as SLOPE_LEAST_S
from dashboards.analysis.lasting.stability import DAY_S, Stability
from dashboards.comparison import METRICS, LocatedEffect
from dashboards.direction_words import direction_words
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
from dashboards.stability_words import slope_sentence
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


def overview(effects: Sequence[LocatedEffect], lasting: Iterable[Stability] = ()) -> dict[str, Any]:
    """What one change did: a story per location and band, and where the laptop seldom chose a
    band, by band. ``lasting``: the stability of links, for a word on whether it lasts."""
    steady = {(one.location, one.band, one.version): one for one in lasting}
    seldom: dict[str, list[str]] = {}
    for (place, band), found in by_place(effects).items():
        if seldom_used(found):
            seldom.setdefault(band_name(band), []).append(printable(place))
    places = judged_places(effects)
    stories = [_story(place, band, found) for (place, band), found in places.items()]
    early_days = []
    for story, ((place, band), found) in zip(stories, places.items(), strict=True):
        link = steady.get((place, band, _version(found)))
        story["lasts"] = slope_sentence(link) if link else ""
        if link and not story["lasts"]:
            early_days.append(link.span_days)
    return {"stories": stories, "too_early": _too_early(early_days), "seldom": seldom}


def _too_early(days: Sequence[float]) -> str:
    """That it cannot be told yet whether links last that were logged for so many days."""
    if not days:
        return ""
    least, most = (f"{value:.1f}" for value in (min(days), max(days)))
    passed = least if least == most else f"{least} to {most}"
    return f"Whether it lasts cannot be told before {SLOPE_LEAST_S / DAY_S:g} days; {passed} have passed."


def _story(place: str, band: str, found: ByMetric) -> dict[str, Any]:
    verdict = verdict_of(found)
    return {
        "where": where_text(place, band),
        "verdicts": ["better", "worse"] if verdict == "mixed" else [verdict],
        "words": _verdict_words(verdict) if any(map(_known, found.values())) else "not enough data yet",
        "told": told(found),
        "brief": brief(found),
        "mixed": mixed_data(found),
        "needed": needed(found) if verdict == "undecided" else [],
    }


def _verdict_words(verdict: str) -> str:
    return "better and worse" if verdict == "mixed" else VERDICTS[verdict]


def _known(located: LocatedEffect) -> bool:
    return has_interval(located.effect)


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


def mixed_data(found: ByMetric) -> list[str]:
    """The cautions that the data themselves are mixed, cut short or made up, each once."""
    cautions = warnings_by_place(_in_order(found))
    return [caution for caution in cautions if of_mixed_data(caution)]


def needed(found: ByMetric) -> list[str]:
    """What would tell, as a sentence: of the first metric that is undecided and says it."""
    return next((list(one.effect.needed) for one in _in_order(found) if one.effect.needed), [])


def _version(found: ByMetric) -> int:
    return next(iter(found.values())).b


def told(found: ByMetric) -> str:
    """What happened, as sentences: which directions changed, what else did, what did not. Where neither direction can
    be told, RSSI and the tx rate as they look now."""
    effects = {one.effect.metric: one.effect for one in _in_order(found)}
    ways = directions(effects)
    told_by = {*ways.downlink.told_by, *ways.uplink.told_by}
    rest = [effect for metric, effect in effects.items() if metric not in (*DOWNLINK, *UPLINK)]
    changed = [effect for effect in rest if effect.verdict in ("better", "worse")]
    same = [effect for effect in rest if effect.verdict == "no-difference"]
    unsure = [effects[metric] for metric in ("rssi", "tx-rate") if metric in effects and has_interval(effects[metric])]
    sentences = []
    if told_by:
        sentences.append(direction_words(ways, effects))
    if changed:
        sentences.append("; ".join([finding(changed[0]), *map(_named_amount, changed[1:])]))
    if same:
        sentences.append(f"no difference that matters in {_listed(same)}")
    if not told_by:
        amounts = ", ".join(map(_named_amount, unsure))
        neither = f"{direction_words(ways, effects)}: {amounts}" if changed else amounts
        sentences.append(neither if amounts else lacking(found))
    return " ".join(map(sentence, sentences))


def lacking(found: ByMetric) -> str:
    """Why nothing can be told, where there is too little for an interval: "of RSSI, v2 has 30 s after the washout; an
    interval needs at least 1 min of each version"."""
    first = next(iter(_in_order(found))).effect
    return printable(first.warnings[0]).rstrip(".") if first.warnings else "too little was measured"


def too_little(found: ByMetric) -> dict[str, list[str]]:
    """Why metrics have no interval, and the names of those it is said of."""
    reasons: dict[str, list[str]] = {}
    for effect in (one.effect for one in _in_order(found) if not _known(one)):
        name = METRIC_NAMES[effect.metric]
        about_it = (text for text in effect.warnings if text.startswith((f"Of {name}", f"No {name}")))
        reason = printable(next(about_it, "too little data"))
        reasons.setdefault(reason.removeprefix(f"Of {name}, ").rstrip("."), []).append(name)
    return reasons


def brief(found: ByMetric) -> str:
    """The same as one amount: of what tells of the directions that changed, else of what else is better or worse, else
    of RSSI. "both directions, RSSI +5.7 dB [3.1, 8.9]"."""
    effects = {one.effect.metric: one.effect for one in _in_order(found)}
    ways = directions(effects)
    moved = [way for way in (ways.downlink, ways.uplink) if way.change in ("improved", "worsened", "mixed")]
    if moved:
        words = "both directions" if len(moved) == 2 else "downlink" if moved[0] is ways.downlink else "uplink"
        return f"{words}, {_named_amount(effects[moved[0].told_by[0]])}"
    changed = [effect for effect in effects.values() if effect.verdict in ("better", "worse")]
    return _named_amount([*changed, *effects.values()][0])


def _named_amount(effect: Effect) -> str:
    return f"{METRIC_NAMES[effect.metric]} {amount(effect)}"


def _listed(effects: Sequence[Effect]) -> str:
    return ", ".join(f"{METRIC_NAMES[effect.metric]} ({amount(effect)})" for effect in effects)


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
    """All numbers of one location and band: a cell for each metric that has an interval, why others have none, and
    what they rest on."""
    effects = _in_order(found)
    first = effects[0].effect
    return {
        "cells": [effect_cell(one) for one in effects if _known(one)],
        "too_little": too_little(found),
        "one_position": first.scope == "position",
        "hours": (hours(first.hours_a), hours(first.hours_b)),
        "placements": (first.n_placements_a, first.n_placements_b),
    }


def what_to_mind(effects: Sequence[LocatedEffect]) -> dict[str, list[str]]:
    """Cautions, each once, with where it is said; none of bands that the laptop seldom chose, for these get no verdict
    to be careful with, none of metrics without an interval, and not ``mixed_data``, which stand with the verdict."""
    cautions = warnings_by_place(one for one in effects if not one.seldom_used and _known(one))
    return {caution: places for caution, places in cautions.items() if not of_mixed_data(caution)}


def why_seldom(found: ByMetric) -> str:
    """Why a band that the laptop seldom chose gets no verdict: the first caution of its effects."""
    return printable(next(one.effect.warnings[0] for one in found.values() if one.seldom_used))
