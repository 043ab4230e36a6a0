"""What every adapter promises: one reading of the link, the events since the last, and what it can tell.

Unknown is None, never 0 or a driver's placeholder. Units stand in the names. Totals are cumulative
counters as the system gives them: they restart at a new association (``*_total`` of the link) or at
boot (``interface_*_total``), and the caller takes differences. An SSID is bytes, not text.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, Protocol, runtime_checkable

from adapters.errors import AdapterError, InterfaceGone, NotPermitted, NoWirelessInterface

__all__ = [
    "Ability",
    "Adapter",
    "AdapterError",
    "BitRate",
    "ChannelVisit",
    "EventKind",
    "FrequencyRule",
    "HeardRadio",
    "InterfaceGone",
    "LinkEvent",
    "LinkReading",
    "NoWirelessInterface",
    "NotPermitted",
    "PhyMode",
    "RadioLink",
    "RadioOff",
    "RegulatoryDomain",
]

PhyMode = Literal["legacy", "HT", "VHT", "HE", "EHT"]
EventKind = Literal["connected", "disconnected", "roamed", "channel-switched", "scan-started", "scan-finished"]
# What keeps a radio off: airplane mode or a command, a switch or key of the laptop, or its interface was set down.
RadioOff = Literal["blocked by software", "blocked by a switch", "interface down"]


@dataclass(frozen=True, slots=True)
class BitRate:
    """One direction's physical-layer rate, as last used. ``mcs`` counts within one stream for VHT, HE
    and EHT (0-15) and includes the streams for HT (0-31), as in IEEE 802.11."""

    mbps: float | None
    phy_mode: PhyMode | None = None
    mcs: int | None = None
    streams: int | None = None
    width_mhz: int | None = None
    guard_interval_ns: int | None = None


@dataclass(frozen=True, slots=True)
class RadioLink:
    """One of the links of a multi-link (IEEE 802.11be) connection."""

    link_id: int
    bssid: str | None
    frequency_mhz: int | None
    width_mhz: int | None


@dataclass(frozen=True, slots=True)
class LinkReading:
    """The link at one instant. A laptop with no link gives ``connected=False`` and None elsewhere; where that is
    because somebody switched its radio off, ``radio_off`` says by what."""

    interface: str
    connected: bool
    ssid: bytes | None = None
    bssid: str | None = None  # lower case, colons
    frequency_mhz: int | None = None  # of the primary 20 MHz channel
    width_mhz: int | None = None
    rssi_dbm: int | None = None  # of the last frame received
    rssi_avg_dbm: int | None = None  # the driver's own running average
    beacon_rssi_avg_dbm: int | None = None
    chain_rssi_dbm: tuple[int | None, ...] | None = None  # by receive chain, from 0
    noise_dbm: int | None = None
    channel_active_ms_total: int | None = None  # time the radio listened on the channel in use
    channel_busy_ms_total: int | None = None  # part of it in which the channel was busy
    rx_rate: BitRate | None = None
    tx_rate: BitRate | None = None
    rx_packets_total: int | None = None
    tx_packets_total: int | None = None
    rx_bytes_total: int | None = None  # of the link, at the 802.11 layer
    tx_bytes_total: int | None = None
    tx_retries_total: int | None = None
    tx_failed_total: int | None = None
    beacon_loss_total: int | None = None
    connected_time_s: int | None = None  # without time asleep
    inactive_time_ms: int | None = None  # since the last frame from the access point
    associated_at_boottime_ns: int | None = None  # identity of one association (CLOCK_BOOTTIME)
    tx_power_dbm: float | None = None  # of this laptop
    interface_rx_bytes_total: int | None = None  # all traffic of the interface, the user's included
    interface_tx_bytes_total: int | None = None
    links: tuple[RadioLink, ...] = ()  # more than one: multi-link
    radio_off: RadioOff | None = None  # never while connected


@dataclass(frozen=True, slots=True)
class LinkEvent:
    """Something the system told between two readings, in the order told."""

    kind: EventKind
    bssid: str | None = None
    ssid: bytes | None = None
    frequency_mhz: int | None = None
    width_mhz: int | None = None
    reason_code: int | None = None  # IEEE 802.11 table 9-49
    by_access_point: bool | None = None
    n_channels: int | None = None  # that a scan visits; 0 of one that was broken off


@dataclass(frozen=True, slots=True)
class HeardRadio:
    """One radio of an access point, as the system heard it last. All but its address and channel may be unknown."""

    bssid: str  # lower case, colons
    frequency_mhz: int  # of the primary 20 MHz channel
    ssid: bytes | None = None  # None: it hides its name
    center_mhz: float | None = None  # of the whole channel; of 80+80 MHz, of the half with the primary one
    width_mhz: int | None = None
    rssi_dbm: float | None = None
    age_ms: int | None = None  # since its last beacon or probe response
    associated: bool = False
    station_count: int | None = None  # BSS Load element (IEEE 802.11-2020, 9.4.2.27), with the next
    busy_share: float | None = None  # 0 to 1: the channel as the access point finds it
    country: str | None = None  # Country element (9.4.2.8): two letters
    country_max_dbm: int | None = None  # its limit on the primary channel
    power_constraint_db: int | None = None  # how far below it stations stay (9.4.2.13)


@dataclass(frozen=True, slots=True)
class ChannelVisit:
    """What the card found on a channel: on its own since it came up, on others at its last visit."""

    frequency_mhz: int
    noise_dbm: int | None = None
    active_ms: int | None = None
    busy_ms: int | None = None


@dataclass(frozen=True, slots=True)
class FrequencyRule:
    """What the system's regulatory database allows from ``start_mhz`` to ``end_mhz``."""

    start_mhz: float
    end_mhz: float
    max_width_mhz: float | None = None
    max_eirp_dbm: float | None = None
    max_antenna_gain_dbi: float | None = None
    radar_detection: bool = False  # DFS: whoever sends has to listen for radar first
    no_initiating: bool = False  # only where an access point is heard already
    indoor_only: bool = False
    check_before_use_s: float | None = None  # how long to listen for radar


@dataclass(frozen=True, slots=True)
class RegulatoryDomain:
    """The rules in force. ``country`` "00" stands for rules that hold anywhere."""

    country: str
    dfs_region: str | None  # "FCC", "ETSI" or "JP"
    rules: tuple[FrequencyRule, ...]


@dataclass(frozen=True, slots=True)
class Ability:
    """Whether this card, driver and user give one quantity."""

    quantity: str  # a field of LinkReading, "events", or what else may be asked for: "heard", "scans" ...
    unit: str
    available: bool | None  # None: cannot be told while there is no link
    now: str  # what was read just now, for a person ("-61 dBm"), or why nothing was
    remedy: str | None = None  # what to do where it is missing and something can be done


@runtime_checkable
class Adapter(Protocol):
    """Reads one wireless interface. Not safe for use from several threads."""

    name: str  # of the adapter: "linux", "simulated"
    interface: str

    def read(self) -> LinkReading:
        """The link now. Raises AdapterError or a child; may be called again after any of them."""

    def events(self) -> list[LinkEvent]:
        """What happened since the last call, oldest first; never waits."""

    def heard(self) -> list[HeardRadio]:
        """All radios that the system has heard lately, its own access point's included; nothing is sent."""

    def visits(self) -> list[ChannelVisit]:
        """What the card knows of channels it has been on; empty where its driver does not count."""

    def begin_scan(self) -> None:
        """Have the card listen on all its channels; the event "scan-finished" tells when it has. Raises NotPermitted
        where this user may not, AdapterError where the card is busy with a scan already."""

    def regulatory(self) -> RegulatoryDomain | None:
        """The rules in force for this card; None where the system does not tell."""

    def abilities(self) -> list[Ability]:
        """One entry per field of LinkReading that a person would miss, and one for events."""

    def close(self) -> None:
        """Give the system's handles back; may be called twice."""
