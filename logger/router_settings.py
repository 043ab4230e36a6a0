"""The structured settings of a config version: which keys there are, in which unit and range."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import NamedTuple

from logger.errors import TagError

BANDS = ("2.4", "5", "6")
SettingValue = float | int | str
Settings = dict[str, SettingValue]


class Quantity(NamedTuple):
    """A number with its unit and the range of what can be."""

    unit: str
    low: float
    high: float
    meaning: str


class Choice(NamedTuple):
    """One of a few numbers."""

    unit: str
    values: tuple[int, ...]
    meaning: str


class Text(NamedTuple):
    """Words of the owner's own."""

    meaning: str


Kind = Quantity | Choice | Text

_PER_BAND: dict[str, Kind] = {
    "antenna.{band}.gain_dbi": Quantity("dBi", -10, 40, "gain over an isotropic antenna"),
    "antenna.{band}.cable_loss_db": Quantity("dB", 0, 40, "loss of cable and plugs between radio and antenna"),
    "antenna.{band}.azimuth_deg": Quantity("deg", 0, 360, "aim, clockwise from north"),
    "antenna.{band}.tilt_deg": Quantity("deg", -90, 90, "aim above (+) or below (-) the horizon"),
    "radio.{band}.tx_power_dbm": Quantity("dBm", -20, 36, "power into the antenna's plug"),
    "radio.{band}.channel": Quantity("channel", 1, 233, "primary channel number"),
    "radio.{band}.width_mhz": Choice("MHz", (20, 40, 80, 160, 320), "channel width"),
}
_OF_ROUTER: dict[str, Kind] = {
    "router.model": Text("what the router is"),
    "router.position": Text("where it stands and how it is turned"),
    "router.firmware": Text("firmware and its version"),
    "router.antennas": Text("which antennas it has"),
}
KINDS: dict[str, Kind] = {
    **{key.format(band=band): kind for key, kind in _PER_BAND.items() for band in BANDS},
    **_OF_ROUTER,
}
_CHANNELS = {  # primary 20 MHz channels, IEEE 802.11-2020 annex E and 802.11ax
    "2.4": frozenset(range(1, 15)),
    "5": frozenset([*range(32, 69, 4), *range(96, 145, 4), *range(149, 178, 4)]),
    "6": frozenset([2, *range(1, 234, 4)]),
}


def parse_settings(words: Sequence[str]) -> dict[str, SettingValue | None]:
    """``KEY=VALUE`` words, checked; an empty value takes the key away (None). Raises TagError."""
    settings: dict[str, SettingValue | None] = {}
    for word in words:
        key, equals, value = word.partition("=")
        if not equals:
            raise TagError(f"'{word}' is no setting; say it as KEY=VALUE, as in antenna.5.gain_dbi=5")
        key, value = key.strip(), value.strip()
        _known(key)
        settings[key] = check_setting(key, value) if value else None
    return settings


def check_setting(key: str, value: str) -> SettingValue:
    """One value in its own type. Raises TagError for an unknown key or a value out of range."""
    _known(key)
    kind = KINDS[key]
    if isinstance(kind, Text):
        if len(value) > 200 or not value.isprintable():
            raise TagError(f"{key} takes up to 200 printable characters")
        return value
    try:
        number = float(value)
    except ValueError:
        number = float("nan")
    if isinstance(kind, Choice):
        if number not in kind.values:
            raise TagError(f"{key} is one of {', '.join(map(str, kind.values))} {kind.unit}, not {value}")
        return int(number)
    if not kind.low <= number <= kind.high:  # NaN is refused here too
        raise TagError(f"{key} lies between {kind.low:g} and {kind.high:g} {kind.unit}, not {value}")
    if kind.unit == "channel":
        band = key.split(".", 1)[1].rsplit(".", 1)[0]
        if number not in _CHANNELS[band]:
            raise TagError(f"{band} GHz has no channel {value}")
        return int(number)
    return int(number) if number.is_integer() else number


def changed_settings(settings: Mapping[str, SettingValue], changes: Mapping[str, SettingValue | None]) -> Settings:
    """The full state after the changes; None takes a key away."""
    merged = {**settings, **changes}
    return {key: value for key, value in sorted(merged.items()) if value is not None}


def difference(before: Mapping[str, SettingValue], after: Mapping[str, SettingValue]) -> list[str]:
    """What changed, one phrase each: "antenna.5.gain_dbi 2 -> 5 dBi"."""
    phrases = []
    for key in sorted({*before, *after}):
        old, new = before.get(key), after.get(key)
        if old == new:
            continue
        kind = KINDS.get(key)
        unit = "" if kind is None or isinstance(kind, Text) or kind.unit == "channel" else f" {kind.unit}"
        if old is None:
            phrases.append(f"{key} {new}{unit}")
        elif new is None:
            phrases.append(f"{key} no longer said")
        else:
            phrases.append(f"{key} {old} -> {new}{unit}")
    return phrases


def eirp_dbm(settings: Mapping[str, SettingValue], band: str) -> float | None:
    """Transmit power - cable loss + antenna gain; None unless power and gain are both known."""
    power, gain = settings.get(f"radio.{band}.tx_power_dbm"), settings.get(f"antenna.{band}.gain_dbi")
    loss = settings.get(f"antenna.{band}.cable_loss_db", 0.0)
    if isinstance(power, str) or isinstance(gain, str) or isinstance(loss, str) or power is None or gain is None:
        return None
    return float(power) - float(loss) + float(gain)


def _known(key: str) -> None:
    if key not in KINDS:
        from difflib import get_close_matches

        near = get_close_matches(key, KINDS, 1, 0.5)
        hint = f"did you mean {near[0]}?" if near else f"there are {', '.join([*_PER_BAND, *_OF_ROUTER])}"
        raise TagError(f"there is no setting '{key}'; {hint}")
