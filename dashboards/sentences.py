"""Effects in plain words, the same on the terminal, in the report and in its figures."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import replace
from math import floor, isfinite, log10
from operator import attrgetter
from unicodedata import category, combining, east_asian_width

from dashboards.analysis.durations import hours
from dashboards.analysis.effect_value import Effect
from dashboards.analysis.metrics import METRICS
from dashboards.comparison import LocatedEffect
from logger.printable import printable

METRIC_NAMES = {name: metric.words for name, metric in METRICS.items()}
VERDICTS = {
    "better": "better",
    "worse": "worse",
    "no-difference": "no difference that matters",
    "undecided": "cannot be told yet",
}
_UNITS = {"1/day": "a day"}
_IN_FULL = {"min/day": "min a day", "points": "percentage points"} | _UNITS  # where there is room for it
MINUS = "−"
_MEASURED = re.compile(r"\b\d[\d,]*(?:\.\d+)?(?= (?:h\b|min\b|%|probes?\b))")
MANY_LOOKS = (
    "A running trial may be looked at as often as one likes: its interval is the wider one that holds at every look."
)
MANY_EFFECTS = (
    "For many metrics, bands, locations and changes there is no allowance: each interval holds the truth 95 times in "
    "100, so one in twenty misses it by chance, and a finding that stands alone asks for a second trial."
)


def band_name(band: str | None) -> str:
    """ "5 GHz"."""
    return f"{band} GHz" if band else "band unknown"


def version_name(number: int, label: str) -> str:
    """v2 "5 dBi antenna"."""
    return f"v{number} \N{LEFT DOUBLE QUOTATION MARK}{printable(label)}\N{RIGHT DOUBLE QUOTATION MARK}"


def number(value: float | None, digits: int, *, sign: bool = False) -> str:
    """A number with ``digits`` decimals and a true minus sign; "?" where it is unknown."""
    if value is None or not isfinite(value):
        return "?"
    text = f"{value:+.{digits}f}" if sign else f"{value:.{digits}f}"
    if float(text) == 0:
        text = text.lstrip("+-")
    return text.replace("-", MINUS)


def _texts(effect: Effect) -> tuple[str, str, str]:
    """Estimate, low and high, as precise as the interval's width leaves them worth. An end that would be rounded onto
    "no difference" gets more digits: on which side it lies is what a verdict rests on."""
    low, high = ends_shown(effect)
    ends = [end for end in (low, high) if end is not None]
    if effect.unit == "ratio":
        near = len(ends) == 2 and ends[1] < 1.25 * ends[0]
        digits = [2 if near else _significant(x) for x in (effect.estimate, low, high)]
    else:
        wide = effect.unit != "dB" and len(ends) == 2 and ends[1] - ends[0] >= 4
        digits = [0 if wide else 1] * 3
    amounts = effect.unit != "ratio"
    none = METRICS[effect.metric].no_difference
    signed = amounts and any(end < 0 for end in ends)
    return (
        number(effect.estimate, digits[0], sign=amounts),
        number(low, _digits_off(low, none, digits[1]), sign=signed),
        number(high, _digits_off(high, none, digits[2]), sign=signed),
    )


def _digits_off(end: float | None, none: float, digits: int) -> int:
    """Decimals that do not round an end onto ``none``, at most three more."""
    if end is None or not isfinite(end):
        return digits
    return next((more for more in range(digits, digits + 4) if round(end, more) != none), digits)


def _significant(value: float | None) -> int:
    """Decimals for two significant digits."""
    return max(0, min(2, 1 - floor(log10(value)))) if value else 0


def ends_shown(effect: Effect) -> tuple[float | None, float | None]:
    """The interval that the verdict comes from: of a running trial the one that holds at every look."""
    return (effect.anytime_low, effect.anytime_high) if effect.open else (effect.low, effect.high)


def has_interval(effect: Effect) -> bool:
    """Whether there was enough for an estimate that can be shown."""
    return None not in (effect.estimate, *ends_shown(effect))


def interval(effect: Effect) -> str:
    """ "[5.2, 7.0]"."""
    _, low, high = _texts(effect)
    return f"[{low}, {high}]"


def amount(effect: Effect, *, unit: bool = True) -> str:
    """ "+6.1 dB [5.2, 7.0]", "× 1.6 [1.4, 1.8]"; without ``unit``, "+6.1 [5.2, 7.0]". An estimate that has no
    interval is not shown: nobody could tell it from chance."""
    if not has_interval(effect):
        return "too little data"
    value = _texts(effect)[0]
    if effect.unit == "ratio":
        value = f"× {value}"
    elif unit:
        value = f"{value} {_UNITS.get(effect.unit, effect.unit)}"
    return f"{value} {interval(effect)}"


def margin_text(effect: Effect) -> str:
    """ "1 dB", "a factor of 1.1"."""
    if effect.unit == "ratio":
        return f"a factor of {effect.margin:g}"
    return f"{effect.margin:g} {_IN_FULL.get(effect.unit, effect.unit)}"


def finding(effect: Effect) -> str:
    """What happened to one metric, without where: "RSSI rose by 6.1 dB [5.2, 7.0]"."""
    name = METRIC_NAMES[effect.metric]
    low, high = ends_shown(effect)
    if effect.estimate is None or low is None or high is None:
        return f"too little was measured to judge {name}"
    if effect.verdict == "no-difference":
        return f"no difference in {name} that matters: {amount(effect)}"
    if effect.verdict == "undecided":
        return f"whether {name} changed cannot be told yet: {amount(effect)}"
    if effect.unit == "ratio":
        return f"{name} is {_texts(effect)[0]} times what it was {interval(effect)}"
    fell = effect.estimate < 0
    if fell:  # "fell by 6.1 [5.2, 7.0]" rather than "by -6.1 [-7.0, -5.2]"
        effect = replace(effect, estimate=-effect.estimate, low=-high, high=-low, open=False)
    unit = _IN_FULL.get(effect.unit, effect.unit)
    return f"{name} {'fell' if fell else 'rose'} by {_texts(effect)[0].lstrip('+')} {unit} {interval(effect)}"


def sentence(words: str) -> str:
    """Words with a capital in front and a stop behind."""
    return f"{words[0].upper()}{words[1:]}."


def located_sentence(located: LocatedEffect) -> str:
    """One sentence: "On 5 GHz at bench by the window, RSSI rose by 6.1 dB [5.2, 7.0]." """
    where = f"On {band_name(located.band)} at {printable(located.location)}"
    if located.radio:
        told = finding(located.effect).replace(METRIC_NAMES["sighting"], METRIC_NAMES["rssi"])
        return f"{where}, {heard_from(located)}, {told}."
    measured = f" ({located.effect.measured})" if located.effect.measured else ""
    return f"{where}, {finding(located.effect)}{measured}{_reservation(located)}."


def heard_from(located: LocatedEffect) -> str:
    """Whose sightings it comes from, and why: "from scans of 02:00:00:00:00:24, the laptop being on 5 GHz"."""
    elsewhere = [band for band in located.laptop_on if band != located.band]
    on_it = located.band in located.laptop_on
    being = f", the laptop being on {' and '.join(elsewhere)} GHz" if elsewhere and not on_it else ""
    return f"from scans of {printable(located.radio)}{being}"


def _reservation(located: LocatedEffect) -> str:
    return ", but the laptop seldom chose this band" if located.seldom_used else ""


def scope_phrase(effect: Effect) -> str:
    """What the claim is about: "this position", "location (2 and 3 placements)"."""
    if effect.scope == "position":
        return "this position"
    return f"location ({effect.n_placements_a} and {effect.n_placements_b} placements)"


def logged(spans: Mapping[int, float]) -> str:
    """Hours by version: "after 3 h of v1 and 2 h of v2", "after 3 h of v1, nothing yet of v2"."""
    some = " and ".join(f"{hours(span)} of v{version}" for version, span in spans.items() if span > 0)
    none = " and ".join(f"v{version}" for version, span in spans.items() if not span > 0)
    said = (some and f"after {some}", none and f"nothing yet of {none}")
    return ", ".join(filter(None, said))


def allowances(effects: Iterable[LocatedEffect]) -> list[str]:
    """What the intervals allow for and what they do not; of looking early only where a trial is running."""
    running = any(located.effect.open for located in effects)
    return [*([MANY_LOOKS] if running else []), MANY_EFFECTS]


def warnings_by_place(
    effects: Iterable[LocatedEffect], of: Callable[[Effect], Iterable[str]] = attrgetter("warnings")
) -> dict[str, list[str]]:
    """What to mind, or what ``of`` takes of it, each once, with the locations and bands that it is said of; fit to be
    shown. Of what differs in hours, minutes or shares only the least and the most are said."""
    alike: dict[str, tuple[list[str], list[str]]] = {}
    for located in effects:
        where = f"{printable(located.location)}, {band_name(located.band)}"
        for warning in map(printable, of(located.effect)):
            texts, places = alike.setdefault(_MEASURED.sub("", warning), ([], []))
            texts.append(warning)
            if where not in places:
                places.append(where)
    return {_from_least_to_most(texts): places for texts, places in alike.values()}


def _from_least_to_most(texts: Sequence[str]) -> str:
    """Texts that differ in their numbers only as one: "v1 for only 2 to 4.7 h". A tenth is no difference, as between
    two metrics."""
    ranges = iter(zip(*(_MEASURED.findall(text) for text in texts), strict=True))

    def said(first: re.Match[str]) -> str:
        numbers = sorted(next(ranges), key=_value)
        least, most = numbers[0], numbers[-1]
        return first[0] if 0.9 * _value(most) <= _value(least) else f"{least} to {most}"

    return _MEASURED.sub(said, texts[0])


def _value(measured: str) -> float:
    return float(measured.replace(",", ""))


def aligned(rows: Sequence[tuple[str, ...]]) -> list[str]:
    """A table's rows as lines for a terminal."""
    widths = [max(_width(row[column]) for row in rows) for column in range(len(rows[0]))]
    return [
        "  ".join(cell + " " * (width - _width(cell)) for cell, width in zip(row, widths, strict=True)).rstrip()
        for row in rows
    ]


def _width(text: str) -> int:
    """Columns that ``text`` takes on a terminal: East Asian and emoji characters take two, combining ones none."""
    return sum(
        0 if combining(char) or category(char) in ("Mn", "Me", "Cf") else 2 if east_asian_width(char) in "WF" else 1
        for char in text
    )
