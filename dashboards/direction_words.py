"""Which directions of a link changed, in words: for ``compare``, its JSON and the report."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from dashboards.analysis.directions import DOWNLINK, UPLINK, Direction, Directions, directions
from dashboards.analysis.effect_value import Effect
from dashboards.analysis.metrics import METRICS
from dashboards.comparison import LocatedEffect, by_place
from dashboards.sentences import METRIC_NAMES, amount

# What does such a thing, where both directions can be told. A cause that is likely is no cause that is found.
_AS = {
    ("improved", "improved"): "as a better antenna does",
    ("worsened", "worsened"): "as a worse antenna or aim does",
    ("improved", "unchanged"): "as more transmit power at the router does: the laptop is heard no better",
    ("worsened", "unchanged"): "as less transmit power at the router does: the laptop is heard as well as before",
    ("unchanged", "improved"): "as less disturbance near the router does: the laptop hears it no better",
    ("unchanged", "worsened"): "as more disturbance near the router does: the laptop hears it as well as before",
}
_ALWAYS = {name for name in (*DOWNLINK, *UPLINK) if not METRICS[name].seldom_told}


@dataclass(frozen=True, slots=True)
class LocatedDirections:
    """What became of both directions at one location, in one band, and that in one sentence without its full stop."""

    location: str
    band: str
    found: Directions
    words: str


def located_directions(effects: Sequence[LocatedEffect]) -> list[LocatedDirections]:
    """Of the effects of one pair of versions, one entry per location and band, in their order; none where metrics that
    every recording has were not asked for."""
    places = {
        where: {metric: one.effect for metric, one in found.items()} for where, found in by_place(effects).items()
    }
    return [
        LocatedDirections(location, band, found := directions(own), direction_words(found, own))
        for (location, band), own in places.items()
        if own.keys() >= _ALWAYS
    ]


def direction_words(found: Directions, effects: Mapping[str, Effect]) -> str:
    """ "Both directions improved: downlink RSSI +6.1 dB [5.2, 7.0], uplink tx rate × 1.6 [1.4, 1.8]: as a better
    antenna does". ``effects`` by metric, those that ``found`` comes from."""
    changes = (found.downlink.change, found.uplink.change)
    down, up = (_seen(direction, effects) for direction in (found.downlink, found.uplink))
    why = _AS.get(changes)
    if changes[0] == changes[1] and changes[0] in ("improved", "worsened"):
        both = f"Both directions {changes[0]}: downlink {down}, uplink {up}"
        return f"{both}: {why}" if "rssi" in found.downlink.told_by else both  # rates alone: of width, say, or of load
    if changes == ("unchanged", "unchanged"):
        return f"No difference that matters in either direction: downlink {down}, uplink {up}"
    if changes == ("unknown", "unknown"):
        return f"Neither direction can be told yet{_lacking_both(found)}"
    if why is not None:
        name, told, rest = ("downlink", down, up) if changes[1] == "unchanged" else ("uplink", up, down)
        change = changes[0] if changes[1] == "unchanged" else changes[1]
        return f"Only the {name} {change} ({told}; the other direction {rest}), {why}"
    first = _clause("downlink", found.downlink, down, effects)
    second = _clause("uplink", found.uplink, up, effects)
    return f"{first[0].upper()}{first[1:]}; {second}"


def _clause(name: str, direction: Direction, seen: str, effects: Mapping[str, Effect]) -> str:
    if direction.change == "unchanged":
        return f"no difference that matters in the {name}: {seen}"
    if direction.change == "mixed":
        return f"the {name} both gained and lost: {seen}"
    if direction.change == "unknown":
        of_it = DOWNLINK if name == "downlink" else UPLINK
        if set(direction.lacking) >= set(of_it):
            return f"the {name} cannot be told: no {_names(direction.lacking, 'and no')} was recorded"
        alone = [metric for metric in of_it if metric in effects and effects[metric].verdict in ("better", "worse")]
        yet = f": {_names(alone, 'and')} alone would say so, but of several metrics more is asked" if alone else ""
        return f"the {name} cannot be told yet{yet}"
    return f"the {name} {direction.change}: {seen}"


def _lacking_both(found: Directions) -> str:
    lacking = (*found.downlink.lacking, *found.uplink.lacking)
    return f": no {_names(lacking, 'and no')} was recorded" if set(lacking) == {*DOWNLINK, *UPLINK} else ""


def _seen(direction: Direction, effects: Mapping[str, Effect]) -> str:
    return " and ".join(f"{METRIC_NAMES[name]} {amount(effects[name])}" for name in direction.told_by)


def _names(metrics: Sequence[str], joint: str) -> str:
    return f" {joint} ".join(METRIC_NAMES[name] for name in metrics)
