"""Effects in plain words, the same on the terminal, in the report and in its figures."""

from __future__ import annotations

from collections.abc import Iterable
from math import floor, isfinite, log10

from dashboards.analysis.effect import Effect
from dashboards.comparison import LocatedEffect

METRIC_NAMES = {"rssi": "RSSI", "tx-rate": "tx rate", "rx-rate": "rx rate", "outage": "outage"}
VERDICTS = {
    "better": "better",
    "worse": "worse",
    "no-difference": "no difference that matters",
    "undecided": "not enough data yet",
}
MINUS = "\N{MINUS SIGN}"
_JOINER = "\N{ZERO WIDTH JOINER}"  # holds an emoji together; harmless


def shown(text: str) -> str:
    """A name as it may be printed anywhere: characters that steer a terminal, hide, or turn the direction of
    writing become \\xNN or \\uNNNN."""
    return "".join(
        char if char.isprintable() or char == _JOINER else char.encode("unicode_escape", "replace").decode()
        for char in text.encode("utf-8", "backslashreplace").decode()
    )


def band_name(band: str | None) -> str:
    """ "5 GHz"."""
    return f"{band} GHz" if band else "band unknown"


def version_name(number: int, label: str) -> str:
    """v2 "5 dBi antenna"."""
    return f"v{number} \N{LEFT DOUBLE QUOTATION MARK}{shown(label)}\N{RIGHT DOUBLE QUOTATION MARK}"


def number(value: float | None, unit: str, *, sign: bool = True, digits: int | None = None) -> str:
    """A value as precise as it is worth: 0.1 dB, two significant digits and more of a ratio or of minutes."""
    if value is None or not isfinite(value):
        return "?"
    places = (1 if unit == "dB" else _places(value)) if digits is None else digits
    text = f"{value:+.{places}f}" if sign and unit != "ratio" else f"{value:.{places}f}"
    if float(text) == 0:
        text = text.lstrip("+-")
    return text.replace("-", MINUS)


def _places(value: float) -> int:
    size = floor(log10(abs(value))) if value else 0
    return max(0, min(2, 1 - size))


def interval(effect: Effect) -> str:
    """ "[5.2, 7.0]", or nothing where there is none."""
    if effect.low is None or effect.high is None:
        return ""
    places = None if effect.unit == "dB" else _places(effect.estimate or 1.0)
    signed = effect.unit != "ratio" and (effect.low < 0 or effect.high < 0)
    low, high = (number(end, effect.unit, sign=signed, digits=places) for end in (effect.low, effect.high))
    return f"[{low}, {high}]"


def amount(effect: Effect) -> str:
    """ "+6.1 dB [5.2, 7.0]", "\N{MULTIPLICATION SIGN} 1.6 [1.4, 1.8]", "not measured"."""
    if effect.estimate is None:
        return "not measured"
    value = number(effect.estimate, effect.unit)
    text = f"\N{MULTIPLICATION SIGN} {value}" if effect.unit == "ratio" else f"{value} {effect.unit}"
    return f"{text} {interval(effect)}".rstrip()


def margin_text(effect: Effect) -> str:
    """ "±1 dB", "÷ or × 1.1"."""
    if effect.unit == "ratio":
        return f"\N{DIVISION SIGN} or \N{MULTIPLICATION SIGN} {effect.margin:g}"
    return f"\N{PLUS-MINUS SIGN}{effect.margin:g} {effect.unit}"


def finding(effect: Effect) -> str:
    """What happened to one metric, without where: "RSSI rose by 6.1 dB [5.2, 7.0]"."""
    name = METRIC_NAMES[effect.metric]
    if effect.estimate is None:
        return f"{name}: not enough was measured to tell"
    if effect.verdict == "no-difference":
        return f"no difference in {name} that matters: {amount(effect)}"
    if effect.verdict == "undecided":
        return f"not enough data yet to judge {name}: so far {amount(effect)}"
    if effect.unit == "ratio":
        times = number(effect.estimate, "ratio")
        return f"{name} became {times} times what it was {interval(effect)}".rstrip()
    verb = "rose" if effect.estimate > 0 else "fell"
    size = number(abs(effect.estimate), effect.unit, sign=False)
    ends = [end if effect.estimate > 0 else -end for end in (effect.low, effect.high) if end is not None]
    low, high = (number(end, effect.unit, sign=False) for end in sorted(ends))
    unit = "min a day" if effect.unit == "min/day" else effect.unit
    return f"{name} {verb} by {size} {unit} [{low}, {high}]"


def located_sentence(located: LocatedEffect) -> str:
    """One sentence: "On 5 GHz at bench by the window, RSSI rose by 6.1 dB [5.2, 7.0]." """
    where = f"On {band_name(located.band)} at {shown(located.location)}"
    return f"{where}, {finding(located.effect)}."


def summary_sentences(before: int, version: int, effects: Iterable[LocatedEffect]) -> list[str]:
    """What a change did, each location and band with its effect and interval: one sentence on RSSI, and
    one on each other metric that has a verdict of better or worse somewhere.

    "RSSI is better on 5 GHz at kiln room (+6.1 dB [5.2, 7.0]); it shows no difference that matters on 2.4
    GHz at kiln room (+0.1 dB [-0.6, 0.8])."
    """
    effects = list(effects)
    if not effects:
        return [f"Nothing can be said yet: no location has both v{before} and v{version}."]
    sentences = []
    for metric, name in METRIC_NAMES.items():
        mine = [located for located in effects if located.effect.metric == metric]
        if metric == "rssi" or any(located.effect.verdict in ("better", "worse") for located in mine):
            sentences.append(_summary_sentence(name, mine, whole=metric == "rssi"))
    return sentences


def _summary_sentence(name: str, effects: list[LocatedEffect], *, whole: bool) -> str:
    parts = []
    for verdict, words in (
        ("better", "is better"),
        ("worse", "is worse"),
        ("no-difference", "shows no difference that matters"),
        ("undecided", "cannot be judged yet"),
    ):
        places = [
            f"on {band_name(located.band)} at {shown(located.location)} ({amount(located.effect)})"
            for located in effects
            if located.effect.verdict == verdict and (whole or verdict in ("better", "worse"))
        ]
        if places:
            parts.append(f"{'it ' if parts else ''}{words} {_listed(places)}")
    return f"{name[0].upper()}{name[1:]} {'; '.join(parts)}."


def _listed(words: list[str]) -> str:
    return words[0] if len(words) == 1 else f"{', '.join(words[:-1])} and {words[-1]}"


def scope_phrase(effect: Effect) -> str:
    """What the claim is about: "this exact position", "the location (2 and 3 placements)"."""
    if effect.scope == "position":
        return "this exact position"
    return f"the location ({effect.n_placements_a} and {effect.n_placements_b} placements)"


def hours(value: float) -> str:
    """ "20 h", "4.5 h", "12 min"."""
    if value < 1:
        return f"{60 * value:.0f} min"
    return f"{value:.1f} h" if value < 10 else f"{value:.0f} h"
