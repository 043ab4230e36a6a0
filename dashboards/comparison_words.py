"""The answer of ``compare`` for a terminal: a table, a sentence per row with a verdict, what to mind."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from textwrap import TextWrapper

from dashboards.analysis.durations import hours
from dashboards.analysis.effect_value import Effect
from dashboards.comparison import LocatedEffect, by_place
from dashboards.direction_words import located_directions
from dashboards.sentences import (
    METRIC_NAMES,
    MINUS,
    VERDICTS,
    aligned,
    allowances,
    amount,
    band_name,
    has_interval,
    located_sentence,
    scope_phrase,
    sentence,
    version_name,
    warnings_by_place,
)
from logger.printable import printable

_SHORT = VERDICTS | {"no-difference": "no difference"}
WITHHELD = (
    "Each verdict here is of one metric by itself. The report's word for a location and band allows for their number "
    '(Holm\'s rule), and says "cannot be told yet" where one of so many may look so by chance: here'
)


def comparison_text(a: int, b: int, labels: Mapping[int, str], effects: Sequence[LocatedEffect], width: int = 0) -> str:
    """``width``: columns of the terminal that lines are to fit into, but for a table's rows; 0: they are not folded."""
    confidence = effects[0].effect.confidence
    head = f"{version_name(b, labels[b])} against {version_name(a, labels[a])}, with {100 * confidence:g} % intervals"
    lines = [*_ways(effects), ""]
    lines += [
        located_sentence(located)
        for located in effects
        if located.effect.verdict in ("better", "worse") or (located.radio and has_interval(located.effect))
    ]
    for place in located_directions(effects):
        if (place.found.downlink.change, place.found.uplink.change) != ("unknown", "unknown"):
            where = _where(place.location, place.band)
            lines.append(f"{where[0].upper()}{where[1:]}: {place.words[0].lower()}{place.words[1:]}.")
    if wanted := _still_needed(effects):
        lines += ["", "What is still needed:", *wanted]
    lines += ["", "To mind:", *(f"- {text}" for text in _to_mind(effects))]
    text = "\n".join([*_folded([head], width), *_table(a, b, effects), *_folded(lines, width)])
    return text.replace(MINUS, "-")  # not every terminal has a true minus


def _folded(lines: Sequence[str], width: int) -> list[str]:
    if width <= 0:
        return list(lines)
    folds = TextWrapper(max(width, 40), subsequent_indent="  ", break_long_words=False, break_on_hyphens=False)
    return [part for line in lines for part in (folds.wrap(line) or [""])]


def _table(a: int, b: int, effects: Sequence[LocatedEffect]) -> list[str]:
    """Under each location and band its metrics; of a radio that scans heard, its address."""
    rows = [("metric", "effect", "verdict", f"logged v{a} / v{b}")]
    places: dict[tuple[str, str], list[LocatedEffect]] = {}
    for located in effects:
        places.setdefault((located.location, located.band), []).append(located)
    for mine in places.values():
        rows += [_row(located, scope_phrase(mine[0].effect)) for located in mine]
    told = iter(aligned(rows))
    lines = ["", next(told)]
    for (place, band), mine in places.items():
        lines += ["", f"{printable(place)}, {band_name(band)}; holds for {scope_phrase(mine[0].effect)}"]
        lines += [next(told) for _ in mine]
    return lines


def _row(located: LocatedEffect, usual_scope: str) -> tuple[str, str, str, str]:
    effect = located.effect
    scope = scope_phrase(effect)
    return (
        printable(located.radio) or METRIC_NAMES[effect.metric],
        amount(effect),
        _SHORT[effect.verdict] if has_interval(effect) else "",
        logged_each(effect) + (f"; {scope}" if has_interval(effect) and scope != usual_scope else ""),
    )


def logged_each(effect: Effect) -> str:
    """ "41 h / 38 h", of probes their number: "53 / 40 probes"."""
    if effect.n_probes:
        return f"{' / '.join(map(str, effect.n_probes))} probes"
    return f"{hours(effect.hours_a)} / {hours(effect.hours_b)}"


def _ways(effects: Sequence[LocatedEffect]) -> Iterator[str]:
    """In which way probes were measured, and what the addresses in the table are."""
    ways: dict[str, list[str]] = {}
    for located in filter(lambda one: has_interval(one.effect), effects):
        metrics = ways.setdefault(located.effect.measured, [])
        if located.effect.measured and METRIC_NAMES[located.effect.metric] not in metrics:
            metrics.append(METRIC_NAMES[located.effect.metric])
    said = [sentence(f"{', '.join(metrics)}: {way}") for way, metrics in ways.items() if way]
    if any(located.radio for located in effects):
        said.append("An address: RSSI of that radio, from scans.")
    yield from ["", *said] if said else []


def _metric_told(located: LocatedEffect) -> str:
    name = METRIC_NAMES[located.effect.metric]
    return f"{name}, {printable(located.radio)}" if located.radio else name


def _where(location: str, band: str) -> str:
    return f"on {band_name(band)} at {printable(location)}"


def _still_needed(effects: Sequence[LocatedEffect]) -> list[str]:
    """Of what cannot be told yet, each thing once, with the metrics that need it by location and band."""
    needed: dict[str, dict[str, list[str]]] = {}
    for located in effects:
        for text in located.effect.needed:
            where = _where(located.location, located.band)
            needed.setdefault(text, {}).setdefault(where, []).append(_metric_told(located))
    said = {
        text: "; ".join(f"{', '.join(names)} {where}" for where, names in places.items())
        for text, places in needed.items()
    }
    return [f"- {text} ({of_what})" for text, of_what in said.items()]


def _to_mind(effects: Sequence[LocatedEffect]) -> Iterator[str]:
    for warning, places in warnings_by_place(effects, _but_lacking).items():
        yield f"{warning} ({'; '.join(places)})"
    yield from _lacking(effects)
    if withheld := _withheld(effects):
        yield f"{WITHHELD} {'; '.join(withheld)}."
    yield from allowances(effects)


def _but_lacking(effect: Effect) -> list[str]:
    """Without those that say why there is no interval: of several metrics these are said together."""
    ends = [f"{reason.removeprefix('nothing was ')}.".casefold() for reason in effect.lacking]
    return (
        [text for text in effect.warnings if not text.casefold().endswith(tuple(ends))] if ends else [*effect.warnings]
    )


def _lacking(effects: Sequence[LocatedEffect]) -> Iterator[str]:
    alike: dict[tuple[str, str], list[str]] = {}
    for located in effects:
        where = f"{printable(located.location)}, {band_name(located.band)}"
        for reason in map(printable, located.effect.lacking):
            alike.setdefault((reason, where), []).append(_metric_told(located))
    for (reason, where), names in alike.items():
        yield f"Too little of {', '.join(names)}: {reason}. ({where})"


def _withheld(effects: Sequence[LocatedEffect]) -> list[str]:
    """The verdicts that the report does not give, for the number of metrics; of all metrics, or there is no saying."""
    from dashboards.analysis.headline import by_itself_only

    said = []
    for (place, band), found in by_place(effects).items():
        own = {metric: one.effect for metric, one in found.items()}
        names = [METRIC_NAMES[metric] for metric in own if metric in by_itself_only(own)]
        said += [f"{', '.join(names)} {_where(place, band)}"] if names else []
    return said
