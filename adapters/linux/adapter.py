"""Reads one wireless interface on Linux: the kernel's nl80211, and the interface's own counters.

Capturing only; what the bytes mean stands in nl80211.py. No right is needed for reading. What the card hears besides
its link is asked for in hearing.py.
"""

from __future__ import annotations

import errno
import socket
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import replace
from typing import NamedTuple

import psutil

from adapters.abilities import Remedies, abilities_of
from adapters.contract import (
    Ability,
    ChannelVisit,
    HeardRadio,
    LinkEvent,
    LinkReading,
    RadioLink,
    RadioOff,
    RegulatoryDomain,
)
from adapters.errors import AdapterError, InterfaceGone, NotPermitted, NoWirelessInterface
from adapters.linux import nl80211
from adapters.linux.hearing import LinuxHearing
from adapters.linux.netlink import DecodeError, Family, Refused, attribute
from adapters.linux.nl80211 import InterfaceInfo, StationInfo
from adapters.linux.radio_switch import radio_off_of
from adapters.linux.scan_cache import BssInfo
from adapters.rights import surroundings

ROAM_WITHIN_S = 10.0

_OTHER_DRIVERS = "cards with another driver (ath9k, ath10k, ath11k, mt76) tell it"
_NO_LOAD = f"this driver keeps no count of it: reports go without channel load; {_OTHER_DRIVERS}"
_REMEDIES = Remedies(
    no_link="join a Wi-Fi network, then ask again",
    radio_off="end the airplane mode, turn the switch, or say 'ip link set NAME up'; 'rfkill list' shows blocks",
    missing={
        "rssi_dbm": "the driver tells no level of single frames; the averages serve where it gives them",
        "noise_dbm": f"this driver does not measure it: reports go without SNR; {_OTHER_DRIVERS}",
        "channel_active_ms_total": _NO_LOAD,
        "channel_busy_ms_total": _NO_LOAD,
        "frequency_mhz": "several links at once (Wi-Fi 7): which one carries the traffic is not told",
        "rx_rate": "known once the access point has sent data: open a web page, then ask again",
        "tx_rate": "known once data was sent: open a web page, then ask again",
    },
)


class _Left(NamedTuple):
    """The link was left, by us and for no reason given."""

    event: LinkEvent
    bssid: str | None
    at_s: float


def open_nl80211(wanted: str | None = None) -> Family:
    """Raises NoWirelessInterface where the kernel has no Wi-Fi, AdapterError where it cannot be asked. ``wanted``: the
    interface that is to be read, if one was named."""
    try:
        return Family("nl80211")
    except Refused as refusal:
        if refusal.code != errno.ENOENT:
            raise
        none = "no Wi-Fi in this kernel (nl80211 is missing)"
        if wanted is not None:
            raise NoWirelessInterface(f"{_not_the_one(wanted)}: {none}") from refusal
        boxed = surroundings().container_advice
        raise NoWirelessInterface(
            f"{none}; " + (boxed or "plug in a wireless card or load its driver, or try 'linktrial demo' without one")
        ) from refusal
    except OSError as error:
        raise AdapterError(
            f"the system gives no netlink socket ({error.strerror}); run linktrial outside the container or sandbox"
        ) from error


def traffic_of(interface: str) -> tuple[int | None, int | None]:
    """Bytes received and sent by an interface since it came up."""
    counters = psutil.net_io_counters(pernic=True, nowrap=False).get(interface)
    return (None, None) if counters is None else (counters.bytes_recv, counters.bytes_sent)


def boottime_ns() -> int:
    """CLOCK_BOOTTIME: since the boot, time asleep included."""
    return time.clock_gettime_ns(time.CLOCK_BOOTTIME)


class LinuxAdapter:
    """The contract on Linux. Make one with ``LinuxAdapter.open``."""

    name = "linux"

    def __init__(
        self,
        kernel: Family,
        interface: str,
        *,
        steady_s: Callable[[], float] = time.monotonic,
        boottime_ns: Callable[[], int] = boottime_ns,
        traffic: Callable[[str], tuple[int | None, int | None]] = traffic_of,
        radio_off: Callable[[str], RadioOff | None] = radio_off_of,
    ) -> None:
        self.interface = interface
        self._kernel = kernel
        self._steady_s = steady_s
        self._traffic = traffic
        self._radio_off = radio_off
        self._index: int | None = None
        self._peer: str | None = None  # how GET_STATION knows the access point
        self._radios: tuple[BssInfo, ...] = ()  # its radios that we are joined to
        self._hearing = LinuxHearing(kernel, steady_s, boottime_ns)
        self._pending: list[LinkEvent] = []
        self._told_bssid: str | None = None  # as far as events have got; a reading may be ahead of them
        self._left: _Left | None = None

    @classmethod
    def open(cls, interface: str | None = None, kernel: Family | None = None) -> LinuxAdapter:
        """The named interface, or the one that is joined to a network, or else the first."""
        kernel = kernel or open_nl80211(interface)
        try:
            adapter = cls(kernel, _choose(_interfaces(kernel), interface))
            kernel.listen("mlme", "scan")
            adapter._index = adapter._find().index
        except Refused as refusal:
            kernel.close()
            raise _explained(refusal, interface or "the wireless interface") from refusal
        except BaseException:
            kernel.close()
            raise
        return adapter

    def read(self) -> LinkReading:
        with self._explaining():
            return self._read()

    def events(self) -> list[LinkEvent]:
        with self._explaining():
            self._take_in_events()
        told, self._pending = self._pending, []
        return told

    def heard(self) -> list[HeardRadio]:
        with self._explaining():
            self._find()
            return self._hearing.heard(self._ours)

    def visits(self) -> list[ChannelVisit]:
        with self._explaining():
            self._find()
            return self._hearing.visits(self._ours)

    def begin_scan(self) -> None:
        with self._explaining():
            self._find()
            self._hearing.begin_scan(self._ours, self.interface)

    def regulatory(self) -> RegulatoryDomain | None:
        with self._explaining():
            return self._hearing.regulatory(self._find().wiphy)

    def abilities(self) -> list[Ability]:
        self._hearing.survey_at_once()
        reading = self.read()
        abilities = abilities_of(reading, _REMEDIES, events="connected, disconnected, roamed, channel-switched")
        noise_dbm = self._hearing.unjudged_noise_dbm
        if reading.noise_dbm is None and noise_dbm is not None:
            doubtful = Ability(
                "noise_dbm",
                "dBm",
                None,
                f"{noise_dbm} dBm, which the driver may have made up",
                "it is recorded once it has changed: what is measured does, within minutes",
            )
            return [doubtful if ability.quantity == "noise_dbm" else ability for ability in abilities]
        return abilities

    def close(self) -> None:
        self._kernel.close()

    @contextmanager
    def _explaining(self) -> Iterator[None]:
        try:
            yield
        except Refused as refusal:
            raise _explained(refusal, self.interface) from refusal

    def _read(self) -> LinkReading:
        self._take_in_events()
        interface = self._find()
        rx_bytes, tx_bytes = self._traffic(self.interface)
        known = self._peer
        # The kernel names the network while the interface is joined to it, and no longer.
        station = self._station() if interface.ssid is not None else None
        if self._peer != known:
            interface = self._find()  # of the same moment as the station: it may have roamed in between
        if station is None or interface.ssid is None:
            self._forget_peer()
            return LinkReading(
                self.interface,
                connected=False,
                radio_off=self._radio_off(self.interface),
                interface_rx_bytes_total=rx_bytes,
                interface_tx_bytes_total=tx_bytes,
            )
        bssid = self._radios[0].bssid if len(self._radios) == 1 else self._peer
        self._told_bssid = self._told_bssid or bssid
        frequency_mhz, width_mhz = self._channel(interface)
        survey = self._hearing.survey(self._ours, frequency_mhz) if frequency_mhz is not None else None
        return LinkReading(
            self.interface,
            connected=True,
            ssid=interface.ssid,
            bssid=bssid,
            frequency_mhz=frequency_mhz,
            width_mhz=width_mhz,
            rssi_dbm=station.rssi_dbm,
            rssi_avg_dbm=station.rssi_avg_dbm,
            beacon_rssi_avg_dbm=station.beacon_rssi_avg_dbm,
            chain_rssi_dbm=station.chain_rssi_dbm,
            noise_dbm=survey.noise_dbm if survey else None,
            channel_active_ms_total=survey.active_ms if survey else None,
            channel_busy_ms_total=survey.busy_ms if survey else None,
            rx_rate=station.rx_rate,
            tx_rate=station.tx_rate,
            rx_packets_total=station.rx_packets,
            tx_packets_total=station.tx_packets,
            rx_bytes_total=station.rx_bytes,
            tx_bytes_total=station.tx_bytes,
            tx_retries_total=station.tx_retries,
            tx_failed_total=station.tx_failed,
            beacon_loss_total=station.beacon_loss,
            connected_time_s=station.connected_time_s,
            inactive_time_ms=station.inactive_time_ms,
            associated_at_boottime_ns=station.associated_at_boottime_ns,
            tx_power_dbm=interface.tx_power_dbm,
            interface_rx_bytes_total=rx_bytes,
            interface_tx_bytes_total=tx_bytes,
            links=self._links(interface),
        )

    def _find(self) -> InterfaceInfo:
        """Our interface as it is now. By name each time, because a card that was unplugged and is back has
        another index."""
        for interface in _interfaces(self._kernel):
            if interface.name == self.interface:
                if interface.index != self._index:
                    self._forget_peer()
                    self._index = interface.index
                return interface
        self._forget_peer()
        raise InterfaceGone(f"{self.interface} has vanished; plug the card in again or load its driver")

    def _station(self) -> StationInfo | None:
        """What the driver keeps about our access point.

        Asked for by address, because some drivers answer that and give an empty list (rtl8723bs, brcmfmac);
        the list is the second choice. The scan cache, which has the address, is read once per association.
        """
        known = self._peer
        if known is not None:
            station = self._station_of(known)
            if station is not None:
                return station
        self._radios = self._hearing.joined(self._ours)
        self._peer = self._radios[0].peer if self._radios else None
        station = self._station_of(self._peer) if self._peer not in (None, known) else None
        if station is None:
            listed = self._kernel.dump(nl80211.NL80211_CMD_GET_STATION, self._ours)
            station = nl80211.decode_station(listed[0]) if listed else None
            if station is not None:
                self._peer = station.mac or self._peer
        return station

    def _station_of(self, mac: str | None) -> StationInfo | None:
        if mac is None:
            return None
        address = attribute(nl80211.NL80211_ATTR_MAC, bytes.fromhex(mac.replace(":", "")))
        try:
            return nl80211.decode_station(self._kernel.ask(nl80211.NL80211_CMD_GET_STATION, self._ours + address))
        except Refused as refusal:
            if refusal.code in (errno.ENOENT, errno.EOPNOTSUPP, errno.EINVAL):
                return None
            raise

    def _forget_peer(self) -> None:
        self._peer, self._radios = None, ()

    def _channel(self, interface: InterfaceInfo) -> tuple[int | None, int | None]:
        """Frequency and width in MHz. With several links in use there is no one answer."""
        if interface.frequency_mhz is not None:
            return interface.frequency_mhz, interface.width_mhz
        tuned = [link for link in interface.links if link.frequency_mhz is not None]
        if len(tuned) == 1:
            return tuned[0].frequency_mhz, tuned[0].width_mhz
        if not interface.links and len(self._radios) == 1:
            return self._radios[0].frequency_mhz, None
        return None, None

    def _links(self, interface: InterfaceInfo) -> tuple[RadioLink, ...]:
        if len(interface.links) < 2:
            return ()
        bssids = {radio.link_id: radio.bssid for radio in self._radios}
        return tuple(
            RadioLink(link.link_id, bssids.get(link.link_id), link.frequency_mhz, link.width_mhz)
            for link in interface.links
            if link.link_id is not None
        )

    def _take_in_events(self) -> None:
        for command, data in self._kernel.heard():
            try:
                told = nl80211.decode_event(command, data)
            except DecodeError:
                continue  # an event that cannot be read is no reason to lose the reading
            if told is None or told[0] != self._index:
                continue
            event = told[1]
            if event.kind not in ("scan-started", "scan-finished"):
                self._forget_peer()
                event = self._as_roam(event)
            self._pending.append(event)

    def _as_roam(self, event: LinkEvent) -> LinkEvent:
        """mac80211 has no word for a roam: it leaves of its own accord, for no reason given, and connects
        elsewhere. Then the second event becomes "roamed", and the first is taken back if not yet passed on."""
        left, self._left = self._left, None
        if event.kind == "disconnected":
            if event.reason_code == nl80211.WLAN_REASON_UNSPECIFIED and not event.by_access_point:
                self._left = _Left(event, self._told_bssid, self._steady_s())
            self._told_bssid = None
        elif event.bssid is not None:
            self._told_bssid = event.bssid
            if (
                left is not None
                and left.bssid not in (None, event.bssid)
                and self._steady_s() - left.at_s < ROAM_WITHIN_S
            ):
                self._pending = [each for each in self._pending if each is not left.event]
                return replace(event, kind="roamed")
        return event

    @property
    def _ours(self) -> bytes:
        return attribute(nl80211.NL80211_ATTR_IFINDEX, (self._index or 0).to_bytes(4, sys.byteorder))


def _interfaces(kernel: Family) -> list[InterfaceInfo]:
    """The interfaces that can be a network's client."""
    all_kinds = map(nl80211.decode_interface, kernel.dump(nl80211.NL80211_CMD_GET_INTERFACE))
    return [interface for interface in all_kinds if interface.is_station and interface.name and interface.index]


def _choose(interfaces: list[InterfaceInfo], wanted: str | None) -> str:
    names = [interface.name or "" for interface in sorted(interfaces, key=lambda each: each.ssid is None)]
    if wanted is not None and wanted not in names:
        raise NoWirelessInterface(f"{_not_the_one(wanted)}; there is: {', '.join(sorted(names)) or 'none'}")
    if not names:
        boxed = surroundings().container_advice
        raise NoWirelessInterface(
            "no wireless interface; "
            + (boxed or "plug a card in, load its driver, or lift its block ('rfkill list' shows one)")
        )
    return names[0] if wanted is None else wanted


def _not_the_one(wanted: str) -> str:
    if wanted in {name for _, name in socket.if_nameindex()}:
        return f"the interface {wanted!r} is not a wireless one that joins networks"
    return f"there is no interface {wanted!r}"


def _explained(refusal: Refused, interface: str) -> AdapterError:
    if refusal.code in (errno.ENODEV, errno.ENOENT):  # ENOENT: cfg80211 itself was unloaded
        return InterfaceGone(f"{interface} has vanished; plug the card in again or load its driver")
    if refusal.code in (errno.EPERM, errno.EACCES):
        return NotPermitted(
            f"the system does not let this user read {interface}; run linktrial as root, or outside the sandbox"
        )
    if refusal.code == errno.EBUSY:
        return AdapterError(f"{interface} is busy just now; the next try may do")
    return AdapterError(f"{interface} cannot be read: {refusal}; see the driver's words in 'dmesg'")
