"""Puts in words, per quantity of a reading, whether it is there and what to do where it is not."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from adapters.contract import Ability, Adapter, BitRate, ChannelVisit, HeardRadio, LinkReading, RegulatoryDomain
from adapters.errors import AdapterError
from adapters.ieee80211 import band_of, ssid_text

#: The fields of LinkReading that a person would miss, and their units.
QUANTITIES = {
    "ssid": "",
    "bssid": "",
    "frequency_mhz": "MHz",
    "width_mhz": "MHz",
    "rssi_dbm": "dBm",
    "rssi_avg_dbm": "dBm",
    "beacon_rssi_avg_dbm": "dBm",
    "chain_rssi_dbm": "dBm",
    "noise_dbm": "dBm",
    "channel_active_ms_total": "ms",
    "channel_busy_ms_total": "ms",
    "rx_rate": "Mbit/s",
    "tx_rate": "Mbit/s",
    "rx_packets_total": "packets",
    "tx_packets_total": "packets",
    "rx_bytes_total": "bytes",
    "tx_bytes_total": "bytes",
    "tx_retries_total": "frames",
    "tx_failed_total": "frames",
    "beacon_loss_total": "times",
    "connected_time_s": "s",
    "inactive_time_ms": "ms",
    "associated_at_boottime_ns": "ns",
    "tx_power_dbm": "dBm",
    "interface_rx_bytes_total": "bytes",
    "interface_tx_bytes_total": "bytes",
}


@dataclass(frozen=True, slots=True)
class Remedies:
    """A platform's advice: while there is no link, and per quantity that a link lacks."""

    no_link: str
    missing: Mapping[str, str]
    radio_off: str = "switch the radio on, then ask again"


def abilities_of(reading: LinkReading, remedies: Remedies, events: str) -> list[Ability]:
    """One entry per quantity of ``reading``, and one for the events, whose kinds ``events`` lists."""
    return [
        *(_ability(quantity, unit, reading, remedies) for quantity, unit in QUANTITIES.items()),
        Ability("events", "", True, events),
    ]


def abilities_to_hear(adapter: Adapter) -> list[Ability]:
    """What the card tells besides its link: who is heard, its counts of channels, the rules. Nothing is sent."""
    return [
        _asked("heard", lambda: _heard(adapter.heard())),
        _asked("visits", lambda: _visits(adapter.visits())),
        _asked("regulatory", lambda: _rules(adapter.regulatory())),
    ]


def _asked(quantity: str, ask: Callable[[], tuple[bool | None, str, str | None]]) -> Ability:
    try:
        return Ability(quantity, "", *ask())
    except AdapterError as error:
        return Ability(quantity, "", False, str(error))


def _heard(radios: list[HeardRadio]) -> tuple[bool | None, str, str | None]:
    counts = {band: sum(band_of(radio.frequency_mhz) == band for radio in radios) for band in ("2.4", "5", "6")}
    said = ", ".join(f"{_counted(count, 'radio')} at {band} GHz" for band, count in counts.items())
    alone = all(radio.associated for radio in radios)
    return True, said, "others are heard for half a minute after a scan" if alone else None


def _visits(visits: list[ChannelVisit]) -> tuple[bool | None, str, str | None]:
    counted = sum(visit.active_ms is not None for visit in visits)
    if not visits:
        return False, "not told", "this driver keeps no count of channels, or has not scanned since it told last"
    if not counted:
        return False, f"no airtime of {_counted(len(visits), 'channel')}", "this driver tells noise alone"
    return True, f"airtime of {_counted(counted, 'channel')}", None


def _rules(domain: RegulatoryDomain | None) -> tuple[bool | None, str, str | None]:
    if domain is None:
        return False, "not told", None
    region = f" ({domain.dfs_region})" if domain.dfs_region else ""
    said = f"{domain.country}{region}, {_counted(len(domain.rules), 'rule')}"
    unknown = "the system does not know the country; its settings, or an access point, may tell it"
    return True, said, unknown if domain.country == "00" else None


def _counted(number: int, noun: str) -> str:
    return f"{number or 'no'} {noun}{'' if number == 1 else 's'}"


def _ability(quantity: str, unit: str, reading: LinkReading, remedies: Remedies) -> Ability:
    value = getattr(reading, quantity)
    if value is not None:
        return Ability(quantity, unit, True, in_words(value, unit))
    if reading.radio_off is not None:
        return Ability(quantity, unit, None, f"the radio is off ({reading.radio_off})", remedies.radio_off)
    if not reading.connected:
        return Ability(quantity, unit, None, "no link just now", remedies.no_link)
    return Ability(quantity, unit, False, "not told", remedies.missing.get(quantity))


def in_words(value: object, unit: str) -> str:
    """One value of a reading, for a person."""
    match value:
        case bytes():
            return f'"{ssid_text(value)}"'
        case BitRate():
            return _rate_in_words(value)
        case tuple():
            return f"{', '.join('silent' if each is None else str(each) for each in value)} {unit}"
        case float():
            return f"{value:g} {unit}".rstrip()
    return f"{value} {unit}".rstrip()


def _rate_in_words(rate: BitRate) -> str:
    parts = [
        rate.phy_mode,
        None if rate.mcs is None else f"MCS {rate.mcs}",
        None if rate.streams is None else f"{rate.streams} stream{'s' if rate.streams > 1 else ''}",
        None if rate.width_mhz is None else f"{rate.width_mhz} MHz",
        None if rate.guard_interval_ns is None else f"guard interval {rate.guard_interval_ns} ns",
    ]
    said = ", ".join(part for part in parts if part)
    mbps = "?" if rate.mbps is None else f"{rate.mbps:g}"
    return f"{mbps} Mbit/s" + (f" ({said})" if said else "")
