"""Three weeks in a small pottery with a router in its office: a scenario whose effects are known.

The laptop stands at the wheel by the window or in the kiln room, and is carried to and fro. The router gets new
antennas, loses them, gets them again, is narrowed, moved and given other firmware. All hours count from
the start, a Monday at 9 in the morning, local time. Everything here is plain data: whoever drives the radio
says the tags at the hours of ``STAYS`` and ``ROUTER_CHANGES``, as the pottery's owner would.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime, tzinfo

from adapters.simulated.neighbourhood import RULES, neighbours
from adapters.simulated.radio import OUTAGE_MEAN_S
from adapters.simulated.scene import Band, BandState, Obstacle, Path, RouterChange, RouterState, Scene, Stay

WHEEL = "wheel by the window"
KILN = "kiln room"
OFFICE = "office desk"
CORRIDOR = "corridor shelf"

DAYS = 21
START = datetime(2026, 1, 12, 9)  # a Monday, local time; no zone shifts its clocks in the three weeks after
RESTART_S = 75.0


def _h(day: int, hour: float) -> float:
    """Hours from the start (9 in the morning of day 0) to an hour of a day."""
    return day * 24 + hour - 9


@dataclass(frozen=True, slots=True)
class Version:
    """One state of the router, with what its owner would call it and write down."""

    label: str
    settings: dict[str, float | int | str]  # what changed against the version before
    state: RouterState
    notes: str = ""


# Within the usual European limits: 23 dBm EIRP at 5150-5350 MHz, 20 dBm at 2.4 GHz.
_AS_FOUND_24 = BandState(channel=6, width_mhz=20, tx_power_dbm=16, antenna_gain_dbi=2)
_AS_FOUND_5 = BandState(channel=36, width_mhz=80, tx_power_dbm=16, antenna_gain_dbi=2)
_PANELS_5 = BandState(channel=36, width_mhz=80, tx_power_dbm=16, cable_loss_db=1, antenna_gain_dbi=8)
_NARROW_5 = BandState(channel=36, width_mhz=40, tx_power_dbm=16, cable_loss_db=1, antenna_gain_dbi=8)
OLD_DROPOUTS_PER_DAY = 16.0
NEW_DROPOUTS_PER_DAY = 0.5
OLD_GOODPUT_SHARE, NEW_GOODPUT_SHARE = 0.45, 0.63  # the new firmware packs frames better ...
OLD_LOADED_TIMES, NEW_LOADED_TIMES = 12.0, 3.0  # ... and keeps its queues short


def _state(position: str, band_5: BandState, *, new_firmware: bool = False) -> RouterState:
    bands: dict[Band, BandState] = {"2.4": _AS_FOUND_24, "5": band_5}
    if new_firmware:
        return RouterState(position, bands, NEW_DROPOUTS_PER_DAY, NEW_GOODPUT_SHARE, NEW_LOADED_TIMES)
    return RouterState(position, bands, OLD_DROPOUTS_PER_DAY, OLD_GOODPUT_SHARE, OLD_LOADED_TIMES)


VERSIONS: dict[int, Version] = {
    1: Version(
        "as found",
        {
            "antenna.2.4.gain_dbi": 2,
            "antenna.5.gain_dbi": 2,
            "antenna.5.cable_loss_db": 0,
            "radio.2.4.tx_power_dbm": 16,
            "radio.5.tx_power_dbm": 16,
            "radio.2.4.channel": 6,
            "radio.5.channel": 36,
            "radio.5.width_mhz": 80,
            "router.position": OFFICE,
            "router.firmware": "1.4",
        },
        _state(OFFICE, _AS_FOUND_5),
    ),
    2: Version(
        "panel antennas for 5 GHz",
        {"antenna.5.gain_dbi": 8, "antenna.5.cable_loss_db": 1},
        _state(OFFICE, _PANELS_5),
        "on a metre of cable; 2.4 GHz keeps its old antennas",
    ),
    3: Version("40 MHz instead of 80", {"radio.5.width_mhz": 40}, _state(OFFICE, _NARROW_5)),
    4: Version("router on the corridor shelf", {"router.position": CORRIDOR}, _state(CORRIDOR, _NARROW_5)),
    5: Version(
        "firmware 1.6",
        {"router.firmware": "1.6"},
        _state(CORRIDOR, _NARROW_5, new_firmware=True),
    ),
}

# (hour, version): the router is in that version from then on. Going back and forth (1 2 1 2, and 3 2 3 2 3 at one
# placement) tells what a change did from the drift of the days.
ROUTER_CHANGES: tuple[tuple[float, int], ...] = (
    (0.0, 1),
    (_h(3, 10), 2),
    (_h(5, 10), 1),
    (_h(7, 10), 2),
    (_h(9, 10), 3),
    (_h(10, 10), 2),
    (_h(11, 10), 3),
    (_h(12, 10), 2),
    (_h(13, 10), 3),
    (_h(15, 10), 4),
    (_h(18, 10), 5),
)

# (hour, location): the laptop is set down there, each time anew. So it is when the router moves: what a placement's
# fading was from the old position tells nothing of the new one.
STAYS: tuple[tuple[float, str], ...] = (
    (0.0, WHEEL),
    (_h(1, 14), KILN),
    (_h(2, 14), WHEEL),
    (_h(3, 18), KILN),
    (_h(4, 14), WHEEL),
    (_h(5, 20), KILN),
    (_h(6, 15), KILN),
    (_h(7, 18), WHEEL),
    (_h(8, 14), WHEEL),
    (_h(12, 20), KILN),
    (_h(14, 8), WHEEL),
    (_h(14, 14), KILN),
    (_h(14, 20), WHEEL),
    (_h(15, 10), WHEEL),
    (_h(15, 18), KILN),
    (_h(16, 0), WHEEL),
    (_h(16, 9), KILN),
    (_h(16, 15), WHEEL),
    (_h(16, 21), KILN),
    (_h(17, 12), WHEEL),
    (_h(19, 12), KILN),
)

# (hour, hours): nights on which somebody shut the lid.
SLEEPS: tuple[tuple[float, float], ...] = (
    (_h(1, 22.5), 8.75),
    (_h(4, 23), 8.0),
    (_h(7, 21.5), 9.5),
    (_h(13, 23.25), 7.5),
    (_h(17, 22), 9.0),
)

# Nobody writes down that a rack of glaze tins was rolled into the way.
UNTAGGED_HOUR = _h(20, 7.5)
UNTAGGED_LOSS_DB: dict[Band, float] = {"2.4": 4.0, "5": 6.0}

PATHS = {
    (OFFICE, WHEEL): Path(9.0, {"2.4": 5.0, "5": 8.0}),
    (OFFICE, KILN): Path(12.0, {"2.4": 8.0, "5": 14.0}),
    (CORRIDOR, WHEEL): Path(12.23, {"2.4": 9.0, "5": 14.0}),
    (CORRIDOR, KILN): Path(9.53, {"2.4": 7.0, "5": 11.0}),
}

# The truth: what a version did to the received level against the one before, in the mean over placements, dB.
# The antennas and the width leave each placement's fading as it was; the move draws it anew, so that at any one
# placement it may have done several dB more or less.
PLANTED_EFFECTS_DB: dict[tuple[str, Band, int, int], float] = {
    (WHEEL, "5", 1, 2): 5.0,
    (KILN, "5", 1, 2): 5.0,
    (WHEEL, "2.4", 1, 2): 0.0,
    (KILN, "2.4", 1, 2): 0.0,
    (WHEEL, "5", 2, 3): 0.0,
    (KILN, "5", 2, 3): 0.0,
    (WHEEL, "5", 3, 4): -10.0,
    (KILN, "5", 3, 4): 6.0,
    (WHEEL, "2.4", 3, 4): -8.0,
    (KILN, "2.4", 3, 4): 4.0,
    (WHEEL, "5", 4, 5): 0.0,
}


# The same for the time without a link, minutes a day, at either location: what the new firmware was worth.
PLANTED_OUTAGE_MIN_PER_DAY = (NEW_DROPOUTS_PER_DAY - OLD_DROPOUTS_PER_DAY) * OUTAGE_MEAN_S / 60


# And what the new firmware did to transfers and to answers meanwhile, as ratios, where nothing else changed.
PLANTED_RATIOS: dict[tuple[str, str, Band, int, int], float] = {
    ("transfer-down", WHEEL, "5", 4, 5): NEW_GOODPUT_SHARE / OLD_GOODPUT_SHARE,
    ("transfer-up", WHEEL, "5", 4, 5): NEW_GOODPUT_SHARE / OLD_GOODPUT_SHARE,
    ("latency-loaded", WHEEL, "5", 4, 5): NEW_LOADED_TIMES / OLD_LOADED_TIMES,
    ("latency-loaded", KILN, "5", 4, 5): NEW_LOADED_TIMES / OLD_LOADED_TIMES,
    ("latency-idle", WHEEL, "5", 4, 5): 1.0,
}


def planted_effect(metric: str, location: str, band: str, before: int, after: int) -> float | None:
    """The truth about one version against the one before, in dB ("rssi", "sighting"), minutes a day ("outage") or as a
    ratio (of probes); None where nothing is claimed."""
    if metric == "outage":
        return PLANTED_OUTAGE_MIN_PER_DAY if (band, before, after) == ("5", 4, 5) else None
    if metric in ("rssi", "sighting"):
        return next((db for key, db in PLANTED_EFFECTS_DB.items() if key == (location, band, before, after)), None)
    wanted = (metric, location, band, before, after)
    return next((ratio for key, ratio in PLANTED_RATIOS.items() if key == wanted), None)


def start_utc_ms(zone: tzinfo = UTC) -> int:
    """The scenario's first moment in a zone, milliseconds UTC."""
    return int(START.replace(tzinfo=zone).timestamp() * 1000)


def scene(start_utc_ms: int) -> Scene:
    """The pottery from a moment on."""

    def at_ms(hour: float) -> int:
        return start_utc_ms + round(hour * 3_600_000)

    stays: list[Stay] = []
    for hour, location in STAYS:
        placement = 1 + sum(stay.location == location for stay in stays)
        stays.append(Stay(at_ms(hour), location, placement))
    changes = [
        RouterChange(at_ms(hour), VERSIONS[number].state, RESTART_S if hour > 0 else 0.0)
        for hour, number in ROUTER_CHANGES
    ]
    return Scene(
        changes=tuple(changes),
        stays=tuple(stays),
        paths=PATHS,
        obstacles=(Obstacle(at_ms(UNTAGGED_HOUR), KILN, UNTAGGED_LOSS_DB),),
        ssid=b"pottery",
        neighbours=neighbours(WHEEL, KILN),
        regulatory=RULES,
    )
