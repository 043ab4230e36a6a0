"""What is found about the air round the laptop, as plain values: for the command, its JSON, and the report."""

from __future__ import annotations

from dataclasses import dataclass

from dashboards.air.rules import ChannelRules
from dashboards.analysis.air.airtime import Presence
from dashboards.analysis.air.choice import Pick
from dashboards.analysis.air.overlap import Channel, Kind


@dataclass(frozen=True, slots=True)
class OwnChannel:
    """The own network's radio on one band. ``linked``: the laptop was on it, else it was only heard."""

    band: str
    channel: int | None
    on: Channel
    bssid: str | None
    ssid: str | None
    linked: bool
    country: str | None
    country_max_dbm: int | None
    power_constraint_db: int | None
    eirp_dbm: float | None  # as the owner told of the config version in force
    rules: ChannelRules | None


@dataclass(frozen=True, slots=True)
class RadioHeard:
    """One transmitter: several addresses of one radio are one (``also_bssid``). ``overlap``: how much of what it sends
    falls into the own channel of its band, None where there is none."""

    bssid: str
    also_bssid: tuple[str, ...]
    ssid: str | None
    band: str | None
    channel: int | None
    frequency_mhz: int
    width_mhz: int | None
    own: bool
    presence: Presence
    relation: Kind | None
    overlap: float | None


@dataclass(frozen=True, slots=True)
class ChannelHeard:
    """One primary channel. Neighbours are those with their primary here, and levels those of the strongest;
    ``n_reaching``: how many send into it, wherever their primary is (into the own channel over its width, into others
    over 20 MHz), and ``reaching_at_a_look``, each by the share that falls in. ``load``: as neighbours' access points
    find it, ``own_load`` as the own does. ``busy_from``: "samples" of the link, or "visits" of
    scans; ``by_hours``: how busy, in bins of HOURS_A_BIN hours from midnight, from those or, ``hours_from`` says, the
    "BSS Load" element."""

    band: str | None
    channel: int | None
    frequency_mhz: int
    own: bool
    n_neighbours: int
    neighbours_at_a_look: float
    n_reaching: int
    reaching_at_a_look: float
    rssi_median_dbm: float | None
    rssi_p95_dbm: float | None
    load: float | None
    n_load: int
    own_load: float | None
    n_own_load: int
    busy_share: float | None
    n_busy: int
    busy_from: str | None
    noise_dbm: float | None
    relation: Kind | None
    overlap: float | None
    by_hours: tuple[float | None, ...]
    hours_from: str | None
    busiest_hours: tuple[int, int] | None
    rules: ChannelRules | None


@dataclass(frozen=True, slots=True)
class Choice:
    """Whether to move, on one band. Neighbours are those at a look, in the mean over days; ``channel`` is the primary's
    number of ``pick.best``, with ``rules`` over its width."""

    band: str
    pick: Pick
    own_neighbours: float
    best_neighbours: float | None = None
    channel: int | None = None
    rules: ChannelRules | None = None
    own_heard: tuple[int, int] = (0, 0)  # at so many of so many looks any neighbour was heard on the channel in use
    best_heard: tuple[int, int] = (0, 0)  # and on that one


@dataclass(frozen=True, slots=True)
class AirFindings:
    """All of it. ``n_looks``: full scans; ``n_counted`` of them tell of all channels, and shares are of those."""

    locations: tuple[str, ...]
    zone: str
    from_utc_ms: int | None
    to_utc_ms: int | None
    n_looks: int
    n_counted: int
    n_days: int
    n_asked: int
    own: tuple[OwnChannel, ...]
    channels: tuple[ChannelHeard, ...]
    radios: tuple[RadioHeard, ...]
    choices: tuple[Choice, ...]
    country: str | None = None  # of the system's regulatory database, None where it was not read
    no_rules: str | None = None  # and why not
    band: str | None = None  # that was asked for
