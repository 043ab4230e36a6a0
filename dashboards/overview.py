"""The report's first screen, in words: what the latest change did at each location, on each band; what the earlier
ones did, a line each."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from operator import attrgetter
from typing import Any

from dashboards.analysis.durations import hours
from dashboards.analysis.effect_value import Effect
from dashboards.analysis.headline import ALONE, CARRIED, Headline, by_itself_only, carried, headline
from dashboards.analysis.lasting.slope import LEAST_S as SLOPE_LEAST_S
from dashboards.analysis.lasting.stability import DAY_S, Stability
from dashboards.analysis.unexplained.changes import Unexplained
from dashboards.comparison import METRICS, LocatedEffect, by_place, of_radios
from dashboards.direction_words import direction_words
from dashboards.sentences import (
    METRIC_NAMES,
    VERDICTS,
    amount,
    band_name,
    finding,
    has_interval,
    heard_from,
    sentence,
    warnings_by_place,
)
from dashboards.stability_words import slope_sentence
from logger.printable import printable
from logger.times import format_local

ONE_WORD = (
    "The word for a location and band allows for its several metrics (Holm's rule): a change that does nothing is "
    "called better or worse there at most 5 times in 100. What the link carries (transfers, latency, loss, busy "
    "share) is judged by itself in the same way, so that probing costs the first word no sight; each radio that scans "
    "hear has a word of its own."
)

ByMetric = Mapping[str, LocatedEffect]  # the effects at one location, in one band


def judged_places(effects: Sequence[LocatedEffect]) -> dict[tuple[str, str], dict[str, LocatedEffect]]:
    """Those of ``by_place`` whose band the laptop used enough for a verdict."""
    return {where: found for where, found in by_place(effects).items() if not seldom_used(found)}


def seldom_used(found: ByMetric) -> bool:
    return any(one.seldom_used for one in found.values())


def overview(
    effects: Sequence[LocatedEffect], lasting: Iterable[Stability] = (), unexplained: Sequence[Unexplained] = ()
) -> dict[str, Any]:
    """What one change did: a story per location and band, and where the laptop seldom chose a
    band that scans do not tell of either, by band. ``lasting``: the stability of links, for a word on whether it lasts.
    ``unexplained``: changes that nobody wrote down, for a word where they lie within a version and so within its
    effect."""
    steady = {(one.location, one.band, one.version): one for one in lasting}
    seldom: dict[str, list[str]] = {}
    told_by_scans = {(one.location, one.band) for one in of_radios(effects) if _known(one)}
    for (place, band), found in by_place(effects).items():
        if seldom_used(found) and (place, band) not in told_by_scans:
            seldom.setdefault(band_name(band), []).append(printable(place))
    places = judged_places(effects)
    stories = [_story(place, band, found) for (place, band), found in places.items()]
    early_days = []
    for story, ((place, band), found) in zip(stories, places.items(), strict=True):
        story["mixed"] = [*_within(place, band, found, unexplained), *story["mixed"]]
        link = steady.get((place, band, _version(found)))
        story["lasts"] = slope_sentence(link) if link else ""
        if link and not story["lasts"]:
            early_days.append(link.span_days)
    return {
        "stories": stories,
        "heard": told_heard(effects),
        "too_early": _too_early(early_days),
        "seldom": seldom,
    }


def _within(place: str, band: str, found: ByMetric, unexplained: Sequence[Unexplained]) -> list[str]:
    """That a step which nobody wrote down is part of the effect."""
    versions = {version for one in found.values() for version in (one.a, one.b)}
    return [
        f"Within v{change.version}, about {format_local(change.at_utc_ms, change.time_zone, 0)}, RSSI "
        f"{'rose' if change.change > 0 else 'fell'} by {abs(change.change):.1f} dB and nobody wrote down why: that is "
        "part of these numbers until it is tagged."
        for change in unexplained
        if (change.location, change.band, change.kind) == (place, band, "level") and change.version in versions
    ]


def _too_early(days: Sequence[float]) -> str:
    """That it cannot be told yet whether links last that were logged for so many days."""
    if not days:
        return ""
    fewest, most = (f"{value:.1f}" for value in (min(days), max(days)))
    passed = fewest if fewest == most else f"{fewest} to {most}"
    least_days = f"{SLOPE_LEAST_S / DAY_S:g} days, and of a restless level later"
    return f"Whether it lasts cannot be told before {least_days}; {passed} have passed."


def _story(place: str, band: str, found: ByMetric) -> dict[str, Any]:
    verdict, carried_verdict = verdict_of(found), carried_word(found)
    return {
        "where": where_text(place, band),
        "found": {verdict, carried_verdict} != {"undecided"},
        "carried_first": verdict == "undecided" != carried_verdict,
        "carried_verdicts": _marks(carried_verdict),
        "carried_words": f"what it carries: {_verdict_words(carried_verdict)}",
        "carried_brief": _carried_brief(found),
        "verdicts": _marks(verdict),
        "words": _verdict_words(verdict) if any(map(_known, found.values())) else "not enough data yet",
        "told": told(found),
        "carried": told_carried(found),
        "brief": brief(found),
        "mixed": mixed_data(found),
        "needed": needed(found) if verdict == "undecided" else [],
    }


def _marks(verdict: str) -> list[str]:
    return ["better", "worse"] if verdict == "mixed" else [verdict]


def _verdict_words(verdict: str) -> str:
    return "better and worse" if verdict == "mixed" else VERDICTS[verdict]


def _known(located: LocatedEffect) -> bool:
    return has_interval(located.effect)


def verdict_of(found: ByMetric) -> str:
    """One word for all metrics, which allows for their number: "better", "worse", "mixed" (both), "no-difference" or
    "undecided" (see headline)."""
    return _headline(found).word


def _headline(found: ByMetric) -> Headline:
    return headline({one.effect.metric: one.effect for one in _in_order(found)})


def mixed_data(found: ByMetric) -> list[str]:
    """The cautions that the data themselves are mixed, cut short or made up, each once."""
    return list(warnings_by_place(_in_order(found), attrgetter("mixed")))


def needed(found: ByMetric) -> list[str]:
    """What would tell, as a sentence: of the first metric that is undecided and says it."""
    return next((list(one.effect.needed) for one in _in_order(found) if one.effect.needed), [])


def _version(found: ByMetric) -> int:
    return next(iter(found.values())).b


def told(found: ByMetric) -> str:
    """What happened, as sentences: which directions changed, what else did, what did not, each with the metrics that
    decide it; what looks changed by itself only. Where neither direction can be told, RSSI and the tx rate as they look
    now."""
    effects = {one.effect.metric: one.effect for one in _in_order(found)}
    judged = _headline(found)
    ways = judged.ways
    told_by = {*ways.downlink.told_by, *ways.uplink.told_by}
    rest = [effects[metric] for metric in ALONE if metric in effects]
    changed = [effect for effect in rest if effect.metric in judged.decided_by]
    deciding = [effects[metric] for metric in judged.decided_by if metric not in told_by]
    same = [effect for effect in [*deciding, *rest] if effect.verdict == "no-difference"]
    left = [effects[metric] for metric in ("rssi", "tx-rate") if metric in effects and effects[metric] not in same]
    unsure = [effect for effect in left if has_interval(effect) and effect.metric not in judged.by_itself]
    sentences = []
    if told_by:
        sentences.append(direction_words(ways, effects))
    if changed:
        sentences.append("; ".join([finding(changed[0]), *map(_named_amount, changed[1:])]))
    if same:
        sentences.append(f"no difference that matters in {_listed(same)}")
    if judged.by_itself:
        sentences.append(_by_itself(judged, effects))
    if not told_by and unsure:
        amounts = ", ".join(map(_named_amount, unsure))
        sentences.append(f"{direction_words(ways, effects)}: {amounts}" if changed else amounts)
    return " ".join(map(sentence, sentences or [lacking(found)]))


def told_carried(found: ByMetric) -> str:
    """What happened to what the link can carry, as sentences, in words that allow for the number of its metrics; empty
    where no probe tells it."""
    effects = {one.effect.metric: one.effect for one in _in_order(found) if _known(one)}
    judged = carried(effects)
    own = [effects[metric] for metric in CARRIED if metric in effects]
    changed = [effects[metric] for metric in judged.decided_by if effects[metric].verdict != "no-difference"]
    same = [effect for effect in own if effect.verdict == "no-difference"]
    unsure = [effect for effect in own if effect.verdict == "undecided"]
    sentences = []
    if changed:
        sentences.append(f"what it carries: {'; '.join(map(_measured_finding, changed))}")
    if same:
        sentences.append(f"no difference that matters in {_listed(same)}")
    if judged.by_itself:
        sentences.append(_by_itself(judged, effects))
    if unsure and not (changed or same):
        sentences.append(f"what it carries cannot be told yet: {', '.join(map(_named_amount, unsure))}")
    return " ".join(map(sentence, sentences))


def _measured_finding(effect: Effect) -> str:
    return finding(effect) + (f" ({effect.measured})" if effect.measured else "")


def carried_word(found: ByMetric) -> str:
    """One word for what the link can carry, as verdict_of is one for the link."""
    return carried({one.effect.metric: one.effect for one in _in_order(found) if _known(one)}).word


def deciding(found: ByMetric) -> tuple[str, ...]:
    """The metrics that both words come from, but for those that show no difference."""
    effects = {one.effect.metric: one.effect for one in _in_order(found) if _known(one)}
    decided = (*_headline(found).decided_by, *carried(effects).decided_by)
    return tuple(metric for metric in decided if effects[metric].verdict != "no-difference")


def _carried_brief(found: ByMetric) -> str:
    """Amounts of what decides that word; empty where nothing does."""
    effects = {one.effect.metric: one.effect for one in _in_order(found) if _known(one)}
    return ", ".join(_named_amount(effects[metric]) for metric in carried(effects).decided_by)


def told_heard(effects: Sequence[LocatedEffect]) -> list[dict[str, Any]]:
    """What happened to the radios that scans heard, one each, with the laptop's own link left out."""
    return [
        {
            "where": where_text(one.location, one.band),
            "verdicts": [one.effect.verdict],
            "words": VERDICTS[one.effect.verdict] if _known(one) else "not enough data yet",
            "found": one.effect.verdict != "undecided",
            "told": sentence(f"RSSI {amount(one.effect)}, {heard_from(one)}"),
            "elsewhere": one.band not in one.laptop_on,
        }
        for one in of_radios(effects)
    ]


def _by_itself(judged: Headline, effects: Mapping[str, Effect]) -> str:
    """ "By itself rx rate (× 1.12 [1.01, 1.25]) is better, but of 3 things that are judged one may look so by
    chance"."""
    said = []
    for verdict in ("better", "worse"):
        those = [effects[metric] for metric in judged.by_itself if effects[metric].verdict == verdict]
        said += [f"{_listed(those)} {'is' if len(those) == 1 else 'are'} {verdict}"] if those else []
    return (
        f"by itself {', and '.join(said)}, but of {judged.n_findings} things that are judged one may look so by chance"
    )


def lacking(found: ByMetric) -> str:
    """Why nothing can be told, where there is too little for an interval: "of RSSI, v2 has 30 s after the washout; an
    interval needs at least 1 min of each version"."""
    first = next(iter(_in_order(found))).effect
    if not first.lacking:
        return "too little was measured"
    return f"of {METRIC_NAMES[first.metric]}, {printable(first.lacking[0])}"


def too_little(found: ByMetric) -> dict[str, list[str]]:
    """Why metrics have no interval, and the names of those it is said of."""
    reasons: dict[str, list[str]] = {}
    for effect in (one.effect for one in _in_order(found) if not _known(one)):
        reason = printable("; ".join(effect.lacking)) or "too little data"
        reasons.setdefault(reason, []).append(METRIC_NAMES[effect.metric])
    return reasons


def brief(found: ByMetric) -> str:
    """The same as one amount, of what decides it clearest to a reader, and the names of what else does; all amounts
    where some are better and others worse; where nothing decides, RSSI as it looks now. "both directions, RSSI +5.7 dB
    [3.1, 8.9], also tx rate"."""
    effects = {one.effect.metric: one.effect for one in _in_order(found)}
    judged = _headline(found)
    first, *others = [effects[metric] for metric in judged.decided_by] or list(effects.values())[:1]
    if judged.word == "mixed":
        return ", ".join(map(_named_amount, (first, *others)))
    also = f", also {', '.join(METRIC_NAMES[effect.metric] for effect in others)}" if others else ""
    moved = [
        name
        for name, way in (("downlink", judged.ways.downlink), ("uplink", judged.ways.uplink))
        if way.change in ("improved", "worsened")
    ]
    where = f"{'both directions' if len(moved) == 2 else moved[0]}, " if moved else ""
    return f"{where}{_named_amount(first)}{also}"


def _named_amount(effect: Effect) -> str:
    return f"{METRIC_NAMES[effect.metric]} {amount(effect)}"


def _listed(effects: Sequence[Effect]) -> str:
    return ", ".join(f"{METRIC_NAMES[effect.metric]} ({amount(effect)})" for effect in effects)


def _in_order(found: ByMetric) -> list[LocatedEffect]:
    return [found[metric] for metric in METRICS if metric in found]


def where_text(place: str, band: str) -> str:
    """ "kiln room, 5 GHz"."""
    return f"{printable(place)}, {band_name(band)}"


def as_counted(found: ByMetric) -> dict[str, LocatedEffect]:
    """The same effects, undecided where they are better or worse by themselves only: the one word, the figures and
    the tables withhold the same verdicts."""
    withheld = by_itself_only({metric: one.effect for metric, one in found.items()})
    return {
        metric: replace(one, effect=replace(one.effect, verdict="undecided")) if metric in withheld else one
        for metric, one in found.items()
    }


def _cells(found: ByMetric) -> list[dict[str, str]]:
    """Of each effect that has an interval: its metric, its amount, its verdict as it counts here and in words."""
    counted = as_counted(found)
    return [
        {
            "metric": METRIC_NAMES[one.effect.metric],
            "amount": amount(one.effect),
            "verdict": counted[one.effect.metric].effect.verdict,
            "words": VERDICTS[one.effect.verdict] + ("" if counted[one.effect.metric] is one else " by itself only"),
        }
        for one in _in_order(found)
        if _known(one)
    ]


def _why_withheld(found: ByMetric) -> str:
    effects = {metric: one.effect for metric, one in found.items()}
    most = max((word.n_findings for word in (_headline(found), carried(effects)) if word.by_itself), default=0)
    if not most:
        return ""
    return (
        f"By itself only: of {most} things that are judged here one may look so by chance, so it does not "
        "count in the words above, and its point is hollow."
    )


def details(found: ByMetric) -> dict[str, Any]:
    """All numbers of one location and band: a cell for each metric that has an interval, why others have none, and
    what they rest on."""
    effects = _in_order(found)
    first = effects[0].effect
    return {
        "cells": _cells(found),
        "withheld": _why_withheld(found),
        "too_little": too_little(found),
        "one_position": first.scope == "position",
        "hours": (hours(first.hours_a), hours(first.hours_b)),
        "placements": (first.n_placements_a, first.n_placements_b),
    }


def what_to_mind(effects: Sequence[LocatedEffect]) -> dict[str, list[str]]:
    """Cautions, each once, with where it is said; none of bands that the laptop seldom chose, for these get no verdict
    to be careful with, none of metrics without an interval, and not ``mixed_data``, which stand with the verdict."""
    return warnings_by_place((one for one in effects if not one.seldom_used and _known(one)), _but_mixed)


def _but_mixed(effect: Effect) -> list[str]:
    return [caution for caution in effect.warnings if caution not in effect.mixed]


def why_seldom(found: ByMetric) -> str:
    """Why a band that the laptop seldom chose gets no verdict: the first caution of its effects."""
    return printable(next(one.effect.warnings[0] for one in found.values() if one.seldom_used))
