"""The Linux adapter against a played kernel: which questions it asks, and what it makes of answers and errors."""

from __future__ import annotations

import errno

import pytest

from adapters.contract import Adapter, RadioLink
from adapters.errors import AdapterError, InterfaceGone, NotPermitted
from adapters.linux.adapter import traffic_of
from adapters.linux.netlink import Refused
from tests.adapters.netlink_builder import FakeKernel, capture, mac, nest, s8, tlv, u8, u32, u64
from tests.adapters.played_laptop import (
    AP,
    CHANNEL_SWITCH,
    COMMANDS,
    INTERFACE,
    MULTI_LINK_AP,
    OTHER_AP,
    SCAN,
    STATION,
    SURVEY,
    Steady,
    adapter_on,
    by_address,
    channel,
    heard_radio,
    interface,
    joined_radio,
    kinds,
    laptop,
    open_on,
    station,
    survey,
)

# ---- one reading


def test_a_reading_puts_together_what_the_kernel_tells():
    adapter = adapter_on(laptop())
    assert isinstance(adapter, Adapter)
    reading = adapter.read()
    assert (reading.interface, reading.connected, reading.ssid, reading.bssid) == ("wlan0", True, b"Pottery", AP)
    assert (reading.frequency_mhz, reading.width_mhz, reading.tx_power_dbm) == (5180, 80, 22.0)
    assert (reading.rssi_dbm, reading.tx_packets_total, reading.connected_time_s) == (-61, 100, 5)
    assert (reading.channel_active_ms_total, reading.channel_busy_ms_total) == (1000, 250)
    assert (reading.interface_rx_bytes_total, reading.interface_tx_bytes_total) == (111, 222)
    assert reading.links == ()


def test_no_network_name_means_no_link_and_nothing_more_is_asked():
    kernel = laptop(INTERFACE=[interface(ssid=None)])
    reading = adapter_on(kernel).read()
    assert (reading.connected, reading.ssid, reading.bssid, reading.rssi_dbm) == (False, None, None, None)
    assert kernel.commands == [INTERFACE]


def test_a_network_name_without_a_station_is_no_link_yet():
    assert not adapter_on(laptop(STATION=by_address({}, listed=[]), SCAN=[heard_radio()])).read().connected


def test_the_scan_cache_is_read_once_per_association_and_not_at_every_sample():
    kernel = laptop()
    adapter = adapter_on(kernel)
    for _ in range(5):
        adapter.read()
    assert kernel.commands.count(SCAN) == 1
    assert all(not dump for command, dump, _ in kernel.asked if command == STATION)


def test_an_empty_station_list_does_not_matter_where_asking_by_address_works():
    reading = adapter_on(laptop(STATION=by_address({AP: station(-70)}, listed=[]))).read()  # rtl8723bs, brcmfmac
    assert (reading.connected, reading.rssi_dbm, reading.bssid) == (True, -70, AP)


def test_the_station_list_is_the_second_choice_where_the_scan_cache_knows_no_address():
    kernel = laptop(SCAN=[heard_radio()])
    adapter = adapter_on(kernel)
    assert adapter.read().bssid == AP
    assert adapter.read().bssid == AP
    assert kernel.commands.count(SCAN) == 1  # from then on the address is known


def test_the_station_list_is_the_second_choice_where_asking_by_address_is_refused():
    def refuses_addresses(attributes: bytes):
        return errno.EOPNOTSUPP if len(attributes) > 8 else [station(-66)]

    assert adapter_on(laptop(STATION=refuses_addresses)).read().rssi_dbm == -66


def test_another_access_point_is_found_when_the_known_one_is_no_longer_ours():
    kernel = laptop()
    adapter = adapter_on(kernel)
    adapter.read()
    kernel.answers[STATION] = by_address({OTHER_AP: station(-50, OTHER_AP)}, listed=[])
    kernel.answers[SCAN] = [joined_radio(OTHER_AP, 2437)]
    kernel.answers[INTERFACE] = [interface("wlan0", 3, channel(2437, 1))]
    reading = adapter.read()
    assert (reading.bssid, reading.frequency_mhz, reading.width_mhz, reading.rssi_dbm) == (OTHER_AP, 2437, 20, -50)


def test_a_roam_in_the_middle_of_a_reading_does_not_mix_two_links():
    kernel = laptop()
    adapter = adapter_on(kernel)
    adapter.read()

    def roams_when_asked(attributes: bytes):
        kernel.answers[STATION] = by_address({OTHER_AP: station(-50, OTHER_AP)}, listed=[])
        kernel.answers[SCAN] = [joined_radio(OTHER_AP, 2437)]
        kernel.answers[INTERFACE] = [interface("wlan0", 3, channel(2437, 1))]
        return errno.ENOENT

    kernel.answers[STATION] = roams_when_asked
    reading = adapter.read()
    assert (reading.bssid, reading.frequency_mhz, reading.width_mhz) == (OTHER_AP, 2437, 20)


def test_a_link_lost_in_the_middle_of_a_reading_is_no_link():
    kernel = laptop()

    def leaves_when_asked(attributes: bytes):
        kernel.answers[INTERFACE] = [interface(ssid=None)]
        return [station()]

    kernel.answers[STATION] = leaves_when_asked
    assert not adapter_on(kernel).read().connected


def test_the_frequency_comes_from_the_scan_entry_where_the_interface_does_not_tell_it():
    reading = adapter_on(laptop(INTERFACE=[interface()])).read()
    assert (reading.frequency_mhz, reading.width_mhz) == (5180, None)


def test_a_real_kernels_answers_make_a_reading():
    kernel = FakeKernel(
        {
            INTERFACE: [capture("p2p-device"), capture("interface-5ghz")],
            SCAN: [capture("scan-5ghz")],
            STATION: [capture("station-vht")],
            SURVEY: [capture(f"survey-{n}") for n in (1, 2)],
        }
    )
    reading = adapter_on(kernel, "wlan1").read()
    assert (reading.bssid, reading.frequency_mhz, reading.rssi_dbm) == ("02:00:00:00:00:00", 5180, -48)
    assert reading.tx_rate is not None
    assert (reading.tx_rate.mbps, reading.tx_rate.phy_mode) == (26.0, "VHT")
    assert reading.noise_dbm is None  # a constant
    assert reading.channel_busy_ms_total is None  # not marked as in use: the count of a scan


# ---- several links at once


def multi_link(*links: bytes) -> FakeKernel:
    rate = nest(8, u32(5, 28823), u8(19, 13), u8(20, 2), u8(21, 0), tlv(10))
    return laptop(
        INTERFACE=[interface("wlan0", 3, nest(312, *links))],
        SCAN=[
            joined_radio(AP, 5180, u8(21, 0), mac(22, MULTI_LINK_AP)),
            joined_radio(OTHER_AP, 6135, u8(21, 1), mac(22, MULTI_LINK_AP)),
        ],
        STATION=by_address({MULTI_LINK_AP: station(-48, MULTI_LINK_AP, rate)}, listed=[]),
    )


def test_several_links_have_no_one_frequency_and_each_its_own_radio():
    kernel = multi_link(nest(1, u8(313, 0), channel(5180, 3)), nest(2, u8(313, 1), channel(6135, 13)))
    reading = adapter_on(kernel).read()
    assert (reading.connected, reading.bssid, reading.frequency_mhz) == (True, MULTI_LINK_AP, None)
    assert reading.links == (RadioLink(0, AP, 5180, 80), RadioLink(1, OTHER_AP, 6135, 320))
    assert reading.tx_rate is not None
    assert reading.rx_rate is None
    assert SURVEY not in kernel.commands


def test_of_several_links_the_only_one_with_a_channel_gives_the_frequency():
    kernel = multi_link(nest(1, u8(313, 0), channel(5180, 3)), nest(2, u8(313, 1)))
    reading = adapter_on(kernel).read()
    assert (reading.frequency_mhz, reading.width_mhz) == (5180, 80)
    assert reading.links[1] == RadioLink(1, OTHER_AP, None, None)


# ---- surveys


def test_of_several_channels_in_use_ours_is_told_by_its_frequency():
    both = [
        survey(2437, s8(2, -80), tlv(3), u64(4, 9), u64(5, 9)),
        survey(5180, s8(2, -92), tlv(3), u64(4, 1000), u64(5, 100)),
    ]
    assert adapter_on(laptop(SURVEY=both)).read().channel_busy_ms_total == 100


def test_of_two_entries_of_our_frequency_the_one_in_use_counts():
    both = [survey(5180, u64(4, 9), u64(5, 9)), survey(5180, tlv(3), u64(4, 1000), u64(5, 100))]
    assert adapter_on(laptop(SURVEY=both)).read().channel_busy_ms_total == 100


def test_a_survey_is_made_every_five_seconds_and_unknown_in_between():
    steady, kernel = Steady(), laptop()
    adapter = adapter_on(kernel, steady_s=steady)
    busy = []
    for _ in range(11):
        busy.append(adapter.read().channel_busy_ms_total)
        steady.now_s += 1
    assert busy == [250, None, None, None, None] * 2 + [250]
    assert kernel.commands.count(SURVEY) == 3


def test_a_sample_every_five_seconds_has_a_survey_each_time_though_clocks_jitter():
    steady, kernel = Steady(), laptop()
    adapter = adapter_on(kernel, steady_s=steady)
    for step_s in (4.99, 5.02, 4.98, 5.0):
        assert adapter.read().channel_busy_ms_total == 250
        steady.now_s += step_s


def test_figures_that_a_survey_no_longer_has_are_unknown_and_not_zero():
    steady, kernel = Steady(), laptop()
    adapter = adapter_on(kernel, steady_s=steady)
    adapter.read()
    kernel.answers[SURVEY] = [survey(5180)]  # iwlwifi: told once, then cleared
    steady.now_s += 5
    reading = adapter.read()
    assert (reading.noise_dbm, reading.channel_active_ms_total, reading.channel_busy_ms_total) == (None,) * 3


def test_noise_is_withheld_until_it_has_changed_once():
    steady, kernel = Steady(), laptop()
    adapter = adapter_on(kernel, steady_s=steady)
    seen = []
    for noise_dbm in (-92, -92, -93, -92):
        kernel.answers[SURVEY] = [survey(5180, s8(2, noise_dbm), tlv(3))]
        seen.append(adapter.read().noise_dbm)
        steady.now_s += 5
    assert seen == [None, None, -93, -92]


@pytest.mark.parametrize("answer", [[], errno.EOPNOTSUPP, errno.ENETDOWN, [u32(3, 3)], [survey(2437, tlv(3))]])
def test_a_driver_without_a_survey_of_our_channel_still_gives_a_reading(answer):
    reading = adapter_on(laptop(SURVEY=answer)).read()
    assert reading.connected
    assert reading.noise_dbm is reading.channel_busy_ms_total is None


# ---- what goes wrong while reading


def test_an_interface_that_vanishes_is_told_and_works_again_when_it_is_back_under_another_index():
    kernel = laptop()
    adapter = adapter_on(kernel)
    assert adapter.read().connected
    kernel.answers[INTERFACE] = []
    for _ in range(2):
        with pytest.raises(InterfaceGone, match="wlan0 has vanished; plug"):
            adapter.read()
    kernel.answers[INTERFACE] = [interface("wlan0", 8, channel())]
    kernel.asked.clear()
    assert adapter.read().connected
    assert all(u32(3, 8) in attributes for command, _, attributes in kernel.asked if command != INTERFACE)
    kernel.tell(CHANNEL_SWITCH, u32(3, 8) + channel(5500, 3))
    assert kinds(adapter) == ["channel-switched"]


def test_a_driver_that_is_unloaded_is_a_vanished_interface_and_the_next_one_is_read_and_heard():
    kernel = laptop()
    adapter = adapter_on(kernel)
    assert adapter.read().connected
    kernel.family, before = None, kernel.family
    for _ in range(2):
        with pytest.raises(InterfaceGone, match="load its driver"):
            adapter.read()
    kernel.family, kernel.groups = before + 4, {"mlme": 21, "scan": 22}
    kernel.answers[INTERFACE] = [interface("wlan0", 8, channel())]
    assert adapter.read().connected
    kernel.tell(CHANNEL_SWITCH, u32(3, 8) + channel(5500, 3))
    assert kinds(adapter) == ["channel-switched"]


@pytest.mark.parametrize(
    ("command", "code", "error", "words"),
    [
        ("STATION", errno.ENODEV, InterfaceGone, "vanished"),
        ("SURVEY", errno.ENODEV, InterfaceGone, "vanished"),
        ("INTERFACE", errno.EPERM, NotPermitted, "run linktrial as root"),
        ("STATION", errno.EACCES, NotPermitted, "run linktrial as root"),
        ("STATION", errno.EBUSY, AdapterError, "busy just now"),
        ("STATION", errno.EIO, AdapterError, "EIO.*dmesg"),
        ("INTERFACE", None, AdapterError, "no answer within"),
        ("STATION", [b"\x03"], AdapterError, "cannot be read"),
    ],
)
def test_each_error_is_one_line_that_says_what_to_do_and_the_next_reading_works(command, code, error, words):
    kernel = laptop()
    adapter = adapter_on(kernel)
    right = kernel.answers[COMMANDS[command]]
    kernel.answers[COMMANDS[command]] = code
    with pytest.raises(error, match=words) as caught:
        adapter.read()
    assert "\n" not in str(caught.value)
    assert not isinstance(caught.value, Refused)
    kernel.answers[COMMANDS[command]] = right
    assert adapter.read().connected


def test_closing_twice_is_fine():
    adapter = open_on(laptop())
    adapter.close()
    adapter.close()


def test_bytes_of_an_interface_are_what_the_system_counts():
    rx_bytes, tx_bytes = traffic_of("lo")
    assert rx_bytes is not None
    assert rx_bytes == tx_bytes  # on the loopback what goes out comes in
    assert traffic_of("no such interface") == (None, None)
