"""What the simulated radio is told: the building, the router's states, where the laptop stands, and when.

Plain frozen data, in the units of its names. It knows nothing of config versions, tags or logs: those are for
whoever drives the radio to say, as an owner would.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from adapters.contract import RegulatoryDomain
from adapters.ieee80211 import frequency_of

Band = Literal["2.4", "5"]  # GHz


@dataclass(frozen=True, slots=True)
class BandState:
    """One of the router's radios. ``channel`` is the primary 20 MHz channel's number."""

    channel: int
    width_mhz: int
    tx_power_dbm: float = 16.0
    cable_loss_db: float = 0.0
    antenna_gain_dbi: float = 2.0

    def frequency_mhz(self, band: Band) -> int:
        """Of the primary channel. Raises ValueError where the band has no such channel."""
        frequency_mhz = frequency_of(self.channel, band)
        if frequency_mhz is None:
            raise ValueError(f"there is no channel {self.channel} in the {band} GHz band")
        return frequency_mhz


@dataclass(frozen=True, slots=True)
class RouterState:
    """The whole router. No bands: it is off. ``dropouts_per_day`` is how often it loses its clients for a while;
    ``goodput_share`` what a transfer gets of the link rate, and ``loaded_times`` how many times longer an answer takes
    while one runs."""

    position: str
    bands: Mapping[Band, BandState]
    dropouts_per_day: float = 0.0
    goodput_share: float = 0.5
    loaded_times: float = 8.0


@dataclass(frozen=True, slots=True)
class RouterChange:
    """From a moment on the router is in ``state``. For the first ``restart_s`` of it the router is silent, while it
    is carried about or starts up; with no restart and another channel or width it announces the switch."""

    at_utc_ms: int
    state: RouterState
    restart_s: float = 0.0


@dataclass(frozen=True, slots=True)
class Stay:
    """From a moment on the laptop stands at a location. Another ``placement`` number: it was set down anew."""

    at_utc_ms: int
    location: str
    placement: int = 1


@dataclass(frozen=True, slots=True)
class Path:
    """What lies between a position of the router and a location."""

    distance_m: float
    wall_loss_db: Mapping[Band, float]


@dataclass(frozen=True, slots=True)
class Obstacle:
    """Something put in the way to one location at a moment, and left there."""

    at_utc_ms: int
    location: str
    loss_db: Mapping[Band, float]


@dataclass(frozen=True, slots=True)
class Neighbour:
    """Somebody else's radio: its channel, its level by location (unheard where none is given), how much of the time it
    sends by day, how many stations it has, and whether its beacons tell (BSS Load)."""

    bssid: str
    band: Band
    channel: int  # the primary one
    width_mhz: int
    ssid: bytes | None  # None: it hides its name
    level_dbm: Mapping[str, float]
    busy_share: float
    station_count: int
    tells_load: bool = True


@dataclass(frozen=True, slots=True)
class Fading:
    """How restless the air is. The defaults are in the middle of what still indoor links are reported to do."""

    shape: float = 2.63  # Nakagami m per placement and channel: two channels differ by 2.7 dB in the median
    placement_sd_db: float = 2.0  # what a placement does to every channel alike
    fast_sd_db: float = 1.5
    fast_tau_s: float = 30.0
    slow_sd_db: float = 1.5
    slow_tau_s: float = 1200.0
    frame_sd_db: float = 0.7  # from one frame to the next
    daily_amplitude_db: float = 1.0
    daily_peak_hour: float = 3.0  # by day, doors and people cost a little
    people_per_hour: float = 0.6  # between opening and closing, local time
    people_stay_s: float = 400.0
    people_depth_shape: float = 2.0
    people_depth_scale_db: float = 2.0
    opens_h: float = 9.0
    closes_h: float = 18.0


@dataclass(frozen=True, slots=True)
class Scene:
    """A world for the radio. ``changes`` and ``stays`` are in order of time; the first of each holds before it too."""

    changes: tuple[RouterChange, ...]
    stays: tuple[Stay, ...]
    paths: Mapping[tuple[str, str], Path]  # by (position of the router, location)
    obstacles: tuple[Obstacle, ...] = ()
    ssid: bytes = b"pottery"
    bssids: Mapping[Band, str] = field(
        default_factory=lambda: {"2.4": "02:00:5e:00:24:01", "5": "02:00:5e:00:50:01"}  # locally administered
    )
    exponent: float = 3.0  # of the path loss
    fading: Fading = Fading()
    noise_figure_db: float = 7.0
    laptop_tx_power_dbm: float = 15.0
    laptop_antenna_gain_dbi: float = 0.0
    neighbours: tuple[Neighbour, ...] = ()
    regulatory: RegulatoryDomain | None = None

    def __post_init__(self) -> None:
        if not self.changes or not self.stays:
            raise ValueError("a scene needs at least one router state and one stay")
        for name in ("changes", "stays"):
            times = [entry.at_utc_ms for entry in getattr(self, name)]
            if times != sorted(times):
                raise ValueError(f"the scene's {name} are not in order of time")
        for position in {change.state.position for change in self.changes}:
            for location in {stay.location for stay in self.stays}:
                if (position, location) not in self.paths:
                    raise ValueError(f"the scene has no path from {position!r} to {location!r}")
