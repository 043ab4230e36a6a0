"""What the Linux adapter tells besides readings: events, and what card and driver can measure."""

from __future__ import annotations

import errno
import sys

import pytest

import adapters.linux.adapter
from adapters.linux.adapter import LinuxAdapter
from adapters.linux.netlink import Family
from tests.adapters.netlink_builder import capture, mac, nest, s8, s32, tlv, u8, u16, u32
from tests.adapters.played_laptop import (
    AP,
    CHANNEL_SWITCH,
    CONNECT,
    DISCONNECT,
    OTHER_AP,
    ROAM,
    SCAN,
    SCAN_STARTED,
    STATION,
    Steady,
    adapter_on,
    by_address,
    channel,
    interface,
    joined_radio,
    kinds,
    laptop,
    station,
)

# ---- events


def test_events_of_our_interface_come_in_order_and_once():
    kernel = laptop()
    adapter = adapter_on(kernel)
    adapter.read()
    kernel.tell(DISCONNECT, u32(3, 3) + u16(54, 3) + tlv(71))
    kernel.tell(CONNECT, u32(3, 99) + mac(6, AP) + u16(72, 0))  # another card's
    kernel.tell(SCAN_STARTED, u32(3, 3))
    kernel.tell(CONNECT, u32(3, 3) + mac(6, AP) + u16(72, 0))
    adapter.read()  # a reading in between loses none
    kernel.tell(CHANNEL_SWITCH, u32(3, 3) + channel(5500, 3))
    assert kinds(adapter) == ["disconnected", "scan-started", "connected", "channel-switched"]
    assert kinds(adapter) == []


def test_an_event_that_cannot_be_read_loses_neither_the_others_nor_the_reading():
    kernel = laptop()
    adapter = adapter_on(kernel)
    adapter.read()
    kernel.tell(CONNECT, b"\x05")
    kernel.tell(ROAM, u32(3, 3) + mac(6, AP))
    assert adapter.read().connected
    assert kinds(adapter) == ["roamed"]


def test_leaving_of_its_own_accord_and_connecting_elsewhere_is_a_roam():
    """As mac80211 tells it; the two events are captured ones."""
    kernel = laptop()
    adapter = adapter_on(kernel)
    adapter.read()
    kernel.tell(DISCONNECT, capture("event-left-for-a-roam"))
    kernel.tell(SCAN_STARTED, u32(3, 3))
    kernel.tell(CONNECT, capture("event-connected-elsewhere"))
    events = adapter.events()
    assert [event.kind for event in events] == ["scan-started", "roamed"]
    assert events[1].bssid == "02:00:00:00:02:00"


def test_a_roam_whose_first_half_was_passed_on_already_is_still_a_roam():
    steady, kernel = Steady(), laptop()
    adapter = adapter_on(kernel, steady_s=steady)
    adapter.read()
    kernel.tell(DISCONNECT, u32(3, 3) + u16(54, 1))
    assert kinds(adapter) == ["disconnected"]
    steady.now_s += 0.5
    kernel.tell(CONNECT, u32(3, 3) + mac(6, OTHER_AP) + u16(72, 0))
    assert kinds(adapter) == ["roamed"]


def test_a_roam_is_a_roam_though_a_reading_was_ahead_of_its_events():
    kernel = laptop()
    adapter = adapter_on(kernel)
    adapter.read()
    kernel.answers[STATION] = by_address({OTHER_AP: station(-50, OTHER_AP)}, listed=[])
    kernel.answers[SCAN] = [joined_radio(OTHER_AP, 2437)]
    assert adapter.read().bssid == OTHER_AP
    kernel.tell(DISCONNECT, u32(3, 3) + u16(54, 1))
    kernel.tell(CONNECT, u32(3, 3) + mac(6, OTHER_AP) + u16(72, 0))
    assert kinds(adapter) == ["roamed"]


@pytest.mark.parametrize(
    ("reason_and_by", "next_ap", "later_s"),
    [
        (u16(54, 3), OTHER_AP, 0),  # the user left
        (u16(54, 1) + tlv(71), OTHER_AP, 0),  # the access point threw us out
        (u16(54, 1), AP, 0),  # the same one again
        (u16(54, 1), OTHER_AP, 60),  # long after
    ],
)
def test_what_is_no_roam_stays_a_loss_and_a_new_link(reason_and_by, next_ap, later_s):
    steady, kernel = Steady(), laptop()
    adapter = adapter_on(kernel, steady_s=steady)
    adapter.read()
    kernel.tell(DISCONNECT, u32(3, 3) + reason_and_by)
    before = kinds(adapter)
    steady.now_s += later_s
    kernel.tell(CONNECT, u32(3, 3) + mac(6, next_ap) + u16(72, 0))
    assert before + kinds(adapter) == ["disconnected", "connected"]


# ---- abilities


def ability_of(adapter: LinuxAdapter) -> dict[str, tuple[bool | None, str, str | None]]:
    return {each.quantity: (each.available, each.now, each.remedy) for each in adapter.abilities()}


def test_abilities_tell_each_quantity_with_its_unit_as_read_just_now():
    told = ability_of(adapter_on(laptop()))
    assert told["rssi_dbm"] == (True, "-61 dBm", None)
    assert told["ssid"] == (True, '"Pottery"', None)
    assert told["tx_power_dbm"] == (True, "22 dBm", None)
    assert told["rssi_avg_dbm"][:2] == (False, "not told")
    assert told["events"][0] is True


def test_abilities_say_of_an_unproven_noise_that_it_is_unproven():
    available, now, remedy = ability_of(adapter_on(laptop()))["noise_dbm"]
    assert available is None
    assert now.startswith("-92 dBm")
    assert remedy is not None


def test_abilities_survey_afresh_though_none_is_due():
    adapter = adapter_on(laptop())
    adapter.read()
    assert ability_of(adapter)["channel_busy_ms_total"][1] == "250 ms"


def test_abilities_of_a_card_without_surveys_say_what_would_help():
    told = ability_of(adapter_on(laptop(SURVEY=errno.EOPNOTSUPP)))
    assert told["noise_dbm"][0] is told["channel_busy_ms_total"][0] is False
    assert "another driver" in (told["noise_dbm"][2] or "")


def test_abilities_without_a_link_say_to_join_a_network():
    told = ability_of(adapter_on(laptop(INTERFACE=[interface(ssid=None)])))
    assert told["rssi_dbm"] == (None, "no link just now", "join a Wi-Fi network, then ask again")
    assert told["interface_rx_bytes_total"][0] is True


def test_hostile_names_are_shown_harmless():
    told = ability_of(adapter_on(laptop(INTERFACE=[interface(ssid=b"\x1b[2J<script>\xff")])))
    assert told["ssid"][1] == r'"\x1b[2J<script>\xff"'


def test_a_rate_is_told_in_full():
    rate = nest(8, u32(5, 8666), u8(6, 9), u8(7, 2), tlv(8), tlv(4))
    chains = nest(25, s8(0, -60), s8(2, -66))
    told = ability_of(adapter_on(laptop(STATION=[station(-61, AP, rate, chains)])))
    assert told["tx_rate"][1] == "866.6 Mbit/s (VHT, MCS 9, 2 streams, 80 MHz, guard interval 400 ns)"
    assert told["chain_rssi_dbm"][1] == "-60, silent, -66 dBm"
    assert told["rx_rate"][0] is False


def test_negative_transmit_power_is_no_huge_one():
    assert adapter_on(laptop(INTERFACE=[interface("wlan0", 3, channel(), s32(98, -100))])).read().tx_power_dbm == -1.0


def test_open_adapter_chooses_this_one_on_linux(monkeypatch):
    monkeypatch.setattr(sys, "platform", "linux")
    monkeypatch.setattr(adapters.linux.adapter, "Family", lambda name: Family(name, laptop().open_wire))
    assert adapters.open_adapter("wlan0").name == "linux"
