"""Decodes nl80211 (linux/nl80211.h): the attributes of one message in, a dataclass out. Pure.

Unknown stays None. A value that a driver is known to make up becomes None here, too; the rules stand with
``plausible_rssi_dbm`` and ``decode_rate``, and in survey.py. Everything raises DecodeError for bytes that do not
hold what they should, and nothing else. Names in capitals are the header's own.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TypeVar

from adapters.contract import BitRate, LinkEvent, PhyMode
from adapters.ieee80211 import LEGACY_RATES_MBPS, phy_rate_mbps
from adapters.linux.netlink import Attributes, DecodeError, walk

NL80211_CMD_GET_INTERFACE = 5
NL80211_CMD_GET_STATION = 17
NL80211_CMD_TRIGGER_SCAN = 33
NL80211_CMD_NEW_SCAN_RESULTS = 34
NL80211_CMD_SCAN_ABORTED = 35
NL80211_CMD_CONNECT = 46
NL80211_CMD_ROAM = 47
NL80211_CMD_DISCONNECT = 48
NL80211_CMD_CH_SWITCH_NOTIFY = 88

NL80211_ATTR_WIPHY = 1
NL80211_ATTR_IFINDEX = 3
NL80211_ATTR_IFNAME = 4
NL80211_ATTR_IFTYPE = 5
NL80211_ATTR_MAC = 6
NL80211_ATTR_STA_INFO = 21
NL80211_ATTR_WIPHY_FREQ = 38
NL80211_ATTR_SCAN_FREQUENCIES = 44
NL80211_ATTR_SSID = 52
NL80211_ATTR_REASON_CODE = 54
NL80211_ATTR_DISCONNECTED_BY_AP = 71
NL80211_ATTR_STATUS_CODE = 72
NL80211_ATTR_WIPHY_TX_POWER_LEVEL = 98
NL80211_ATTR_CHANNEL_WIDTH = 159
NL80211_ATTR_MLO_LINKS = 312
NL80211_ATTR_MLO_LINK_ID = 313

NL80211_IFTYPE_STATION = 2
WLAN_REASON_UNSPECIFIED = 1  # linux/ieee80211.h
# enum nl80211_chan_width, in MHz; 80+80 counts as 160. The narrow ones of sub-GHz radios are left out.
CHANNEL_WIDTH_MHZ = {0: 20, 1: 20, 2: 40, 3: 80, 4: 160, 5: 160, 6: 5, 7: 10, 13: 320}

NL80211_STA_INFO_INACTIVE_TIME = 1
NL80211_STA_INFO_RX_BYTES = 2
NL80211_STA_INFO_TX_BYTES = 3
NL80211_STA_INFO_SIGNAL = 7
NL80211_STA_INFO_TX_BITRATE = 8
NL80211_STA_INFO_RX_PACKETS = 9
NL80211_STA_INFO_TX_PACKETS = 10
NL80211_STA_INFO_TX_RETRIES = 11
NL80211_STA_INFO_TX_FAILED = 12
NL80211_STA_INFO_SIGNAL_AVG = 13
NL80211_STA_INFO_RX_BITRATE = 14
NL80211_STA_INFO_CONNECTED_TIME = 16
NL80211_STA_INFO_BEACON_LOSS = 18
NL80211_STA_INFO_RX_BYTES64 = 23
NL80211_STA_INFO_TX_BYTES64 = 24
NL80211_STA_INFO_CHAIN_SIGNAL = 25
NL80211_STA_INFO_BEACON_SIGNAL_AVG = 30
NL80211_STA_INFO_ASSOC_AT_BOOTTIME = 42

NL80211_RATE_INFO_BITRATE = 1
NL80211_RATE_INFO_MCS = 2
NL80211_RATE_INFO_40_MHZ_WIDTH = 3
NL80211_RATE_INFO_SHORT_GI = 4
NL80211_RATE_INFO_BITRATE32 = 5
NL80211_RATE_INFO_VHT_MCS = 6
NL80211_RATE_INFO_VHT_NSS = 7
NL80211_RATE_INFO_80_MHZ_WIDTH = 8
NL80211_RATE_INFO_80P80_MHZ_WIDTH = 9
NL80211_RATE_INFO_160_MHZ_WIDTH = 10
NL80211_RATE_INFO_10_MHZ_WIDTH = 11
NL80211_RATE_INFO_5_MHZ_WIDTH = 12
NL80211_RATE_INFO_HE_MCS = 13
NL80211_RATE_INFO_HE_NSS = 14
NL80211_RATE_INFO_HE_GI = 15
NL80211_RATE_INFO_HE_DCM = 16
NL80211_RATE_INFO_HE_RU_ALLOC = 17
NL80211_RATE_INFO_320_MHZ_WIDTH = 18
NL80211_RATE_INFO_EHT_MCS = 19
NL80211_RATE_INFO_EHT_NSS = 20
NL80211_RATE_INFO_EHT_GI = 21
NL80211_RATE_INFO_EHT_RU_ALLOC = 22

_RATE_WIDTH_MHZ = {
    NL80211_RATE_INFO_5_MHZ_WIDTH: 5,
    NL80211_RATE_INFO_10_MHZ_WIDTH: 10,
    NL80211_RATE_INFO_40_MHZ_WIDTH: 40,
    NL80211_RATE_INFO_80_MHZ_WIDTH: 80,
    NL80211_RATE_INFO_80P80_MHZ_WIDTH: 160,
    NL80211_RATE_INFO_160_MHZ_WIDTH: 160,
    NL80211_RATE_INFO_320_MHZ_WIDTH: 320,
}
_GUARD_INTERVAL_NS: dict[int | None, int] = {0: 800, 1: 1600, 2: 3200}  # enum nl80211_he_gi and nl80211_eht_gi


@dataclass(frozen=True, slots=True)
class LinkChannel:
    """The channel of one link of a multi-link connection; a link may lack one."""

    link_id: int | None
    frequency_mhz: int | None
    width_mhz: int | None


@dataclass(frozen=True, slots=True)
class InterfaceInfo:
    """One wireless interface. ``ssid`` is there while it is joined to a network, or about to be."""

    index: int | None  # None for a device without a network interface, as for Wi-Fi Direct
    name: str | None
    is_station: bool
    ssid: bytes | None
    frequency_mhz: int | None
    width_mhz: int | None
    tx_power_dbm: float | None
    links: tuple[LinkChannel, ...]
    wiphy: int | None = None  # the kernel's number of the card


@dataclass(frozen=True, slots=True)
class StationInfo:
    """What the driver keeps about the access point we are joined to. Units and meanings as in LinkReading."""

    mac: str | None
    rssi_dbm: int | None
    rssi_avg_dbm: int | None
    beacon_rssi_avg_dbm: int | None
    chain_rssi_dbm: tuple[int | None, ...] | None
    rx_rate: BitRate | None
    tx_rate: BitRate | None
    rx_packets: int | None
    tx_packets: int | None
    rx_bytes: int | None
    tx_bytes: int | None
    tx_retries: int | None
    tx_failed: int | None
    beacon_loss: int | None
    connected_time_s: int | None
    inactive_time_ms: int | None
    associated_at_boottime_ns: int | None


_Level = TypeVar("_Level", int, float)


def plausible_rssi_dbm(rssi_dbm: _Level | None) -> _Level | None:
    """RSSI, or None for what is no measurement.

    Drivers put 0 or a positive number where they know nothing (brcmfmac, mwlwifi, old mt76), values under
    -100 (ath11k with old firmware), and exactly -95, their default noise floor, on signal and on unused chains
    (ath10k, ath11k, ath12k). A true -95 is lost with it: a link is hardly ever alive there.
    """
    if rssi_dbm is None or not -100 <= rssi_dbm <= -1 or rssi_dbm == -95:
        return None
    return rssi_dbm


def decode_interface(data: bytes) -> InterfaceInfo:
    """One answer to GET_INTERFACE."""
    about = Attributes(data)
    power_mbm = about.s32(NL80211_ATTR_WIPHY_TX_POWER_LEVEL)  # the header says u32; it carries a sign
    return InterfaceInfo(
        index=about.u32(NL80211_ATTR_IFINDEX),
        name=about.text(NL80211_ATTR_IFNAME),
        is_station=about.u32(NL80211_ATTR_IFTYPE) == NL80211_IFTYPE_STATION,
        ssid=about.get(NL80211_ATTR_SSID),
        frequency_mhz=about.u32(NL80211_ATTR_WIPHY_FREQ),
        width_mhz=_width_mhz(about),
        tx_power_dbm=None if power_mbm is None else power_mbm / 100,
        links=tuple(
            LinkChannel(link.u8(NL80211_ATTR_MLO_LINK_ID), link.u32(NL80211_ATTR_WIPHY_FREQ), _width_mhz(link))
            for link in about.nests(NL80211_ATTR_MLO_LINKS)
        ),
        wiphy=about.u32(NL80211_ATTR_WIPHY),
    )


def decode_station(data: bytes) -> StationInfo:
    """One answer to GET_STATION."""
    about = Attributes(data)
    station = about.nest(NL80211_ATTR_STA_INFO)
    if station is None:
        raise DecodeError("a station without its figures")
    inactive_ms = station.u32(NL80211_STA_INFO_INACTIVE_TIME)
    if inactive_ms is not None and inactive_ms >= 2**31:
        inactive_ms = None  # the last frame came "in the future": a wrapped difference (mwlwifi)
    rx_bytes = station.u64(NL80211_STA_INFO_RX_BYTES64)
    tx_bytes = station.u64(NL80211_STA_INFO_TX_BYTES64)
    return StationInfo(
        mac=about.mac(NL80211_ATTR_MAC),
        rssi_dbm=plausible_rssi_dbm(station.s8(NL80211_STA_INFO_SIGNAL)),
        rssi_avg_dbm=plausible_rssi_dbm(station.s8(NL80211_STA_INFO_SIGNAL_AVG)),
        beacon_rssi_avg_dbm=plausible_rssi_dbm(station.s8(NL80211_STA_INFO_BEACON_SIGNAL_AVG)),
        chain_rssi_dbm=_chains(station.nest(NL80211_STA_INFO_CHAIN_SIGNAL)),
        rx_rate=decode_rate(station.nest(NL80211_STA_INFO_RX_BITRATE)),
        tx_rate=decode_rate(station.nest(NL80211_STA_INFO_TX_BITRATE)),
        rx_packets=station.u32(NL80211_STA_INFO_RX_PACKETS),
        tx_packets=station.u32(NL80211_STA_INFO_TX_PACKETS),
        rx_bytes=station.u32(NL80211_STA_INFO_RX_BYTES) if rx_bytes is None else rx_bytes,
        tx_bytes=station.u32(NL80211_STA_INFO_TX_BYTES) if tx_bytes is None else tx_bytes,
        tx_retries=station.u32(NL80211_STA_INFO_TX_RETRIES),
        tx_failed=station.u32(NL80211_STA_INFO_TX_FAILED),
        beacon_loss=station.u32(NL80211_STA_INFO_BEACON_LOSS),
        connected_time_s=station.u32(NL80211_STA_INFO_CONNECTED_TIME),
        inactive_time_ms=inactive_ms,
        associated_at_boottime_ns=station.u64(NL80211_STA_INFO_ASSOC_AT_BOOTTIME),
    )


def _chains(nest: Attributes | None) -> tuple[int | None, ...] | None:
    """RSSI by receive chain: the attribute's number is the chain's, and silent chains are left out."""
    if nest is None or not nest:
        return None
    if max(nest) > 63:
        raise DecodeError(f"a receive chain of number {max(nest)}")
    chains = tuple(plausible_rssi_dbm(nest.s8(chain)) for chain in range(max(nest) + 1))
    return chains if any(rssi is not None for rssi in chains) else None


def decode_rate(rate: Attributes | None) -> BitRate | None:
    """One direction's rate, or None where nothing sure is told.

    The bit rate as reported, unless it is missing or contradicts its own MCS, streams, width and guard
    interval by more than a tenth; then the one that the standard gives to those. (Kernels without commit
    18429c51c7ff report 3959 Mbit/s for 57646.) An MCS that cannot be (253, ath11k) is dropped.
    """
    if rate is None:
        return None
    told = rate.u32(NL80211_RATE_INFO_BITRATE32) or rate.u16(NL80211_RATE_INFO_BITRATE)
    told_mbps = told / 10 if told else None
    phy_mode, mcs, streams, guard_interval_ns = _modulation(rate)
    if phy_mode is None:
        if told_mbps is None:
            return None
        if told_mbps in LEGACY_RATES_MBPS:
            return BitRate(told_mbps, "legacy", width_mhz=20)
        return BitRate(told_mbps)  # brcmfmac tells no more, whatever the mode
    width_mhz = _rate_width_mhz(rate)
    due_mbps = None
    if mcs is not None and width_mhz is not None and guard_interval_ns is not None:
        due_mbps = phy_rate_mbps(
            phy_mode,
            mcs,
            streams=streams,
            width_mhz=width_mhz,
            guard_interval_ns=guard_interval_ns,
            dual_carrier=bool(rate.u8(NL80211_RATE_INFO_HE_DCM)),
        )
    mbps = told_mbps
    if due_mbps is not None and (mbps is None or abs(mbps - due_mbps) > due_mbps / 10):
        mbps = round(due_mbps, 1)
    if mbps is None:
        return None
    return BitRate(mbps, phy_mode, mcs, streams or None, width_mhz, guard_interval_ns)


def _rate_width_mhz(rate: Attributes) -> int | None:
    if NL80211_RATE_INFO_HE_RU_ALLOC in rate or NL80211_RATE_INFO_EHT_RU_ALLOC in rate:
        return None  # a part of the channel, of a size that is no channel width
    return next((mhz for flag, mhz in _RATE_WIDTH_MHZ.items() if flag in rate), 20)


def _modulation(rate: Attributes) -> tuple[PhyMode | None, int | None, int | None, int | None]:
    """Mode, MCS, streams and guard interval in ns, as told; an MCS beyond its mode's range is None."""
    if (mcs := rate.u8(NL80211_RATE_INFO_EHT_MCS)) is not None:
        guard_interval_ns = _GUARD_INTERVAL_NS.get(rate.u8(NL80211_RATE_INFO_EHT_GI))
        return "EHT", mcs if mcs <= 15 else None, rate.u8(NL80211_RATE_INFO_EHT_NSS), guard_interval_ns
    if (mcs := rate.u8(NL80211_RATE_INFO_HE_MCS)) is not None:
        guard_interval_ns = _GUARD_INTERVAL_NS.get(rate.u8(NL80211_RATE_INFO_HE_GI))
        return "HE", mcs if mcs <= 11 else None, rate.u8(NL80211_RATE_INFO_HE_NSS), guard_interval_ns
    guard_interval_ns = 400 if NL80211_RATE_INFO_SHORT_GI in rate else 800
    if (mcs := rate.u8(NL80211_RATE_INFO_VHT_MCS)) is not None:
        return "VHT", mcs if mcs <= 11 else None, rate.u8(NL80211_RATE_INFO_VHT_NSS), guard_interval_ns
    if (mcs := rate.u8(NL80211_RATE_INFO_MCS)) is not None:
        known = mcs <= 31  # above are modes without a number of streams of their own
        return "HT", mcs if known else None, mcs // 8 + 1 if known else None, guard_interval_ns
    return None, None, None, None


def decode_event(command: int, data: bytes) -> tuple[int | None, LinkEvent] | None:
    """The interface index and the event of one multicast message; None for one of no interest."""
    about = Attributes(data)
    index = about.u32(NL80211_ATTR_IFINDEX)
    if command == NL80211_CMD_CONNECT:
        if about.u16(NL80211_ATTR_STATUS_CODE):
            return None  # an attempt that the access point turned down
        return index, LinkEvent("connected", bssid=about.mac(NL80211_ATTR_MAC))
    if command == NL80211_CMD_ROAM:
        return index, LinkEvent("roamed", bssid=about.mac(NL80211_ATTR_MAC))
    if command == NL80211_CMD_DISCONNECT:
        return index, LinkEvent(
            "disconnected",
            reason_code=about.u16(NL80211_ATTR_REASON_CODE),
            by_access_point=NL80211_ATTR_DISCONNECTED_BY_AP in about,
        )
    if command == NL80211_CMD_CH_SWITCH_NOTIFY:
        return index, LinkEvent(
            "channel-switched", frequency_mhz=about.u32(NL80211_ATTR_WIPHY_FREQ), width_mhz=_width_mhz(about)
        )
    if command == NL80211_CMD_TRIGGER_SCAN:
        return index, LinkEvent("scan-started", n_channels=_n_channels(about))
    if command == NL80211_CMD_NEW_SCAN_RESULTS:
        return index, LinkEvent("scan-finished", n_channels=_n_channels(about))
    if command == NL80211_CMD_SCAN_ABORTED:
        return index, LinkEvent("scan-finished", n_channels=0)
    return None


def _n_channels(scan: Attributes) -> int | None:
    channels = scan.get(NL80211_ATTR_SCAN_FREQUENCIES)
    return None if channels is None else sum(1 for _ in walk(channels))


def _width_mhz(about: Attributes) -> int | None:
    width = about.u32(NL80211_ATTR_CHANNEL_WIDTH)
    return None if width is None else CHANNEL_WIDTH_MHZ.get(width)
