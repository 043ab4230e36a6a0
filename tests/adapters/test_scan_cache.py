"""Decoding the kernel's scan cache: whom a card has heard, how strong and how long ago."""

from __future__ import annotations

import pytest

from adapters.contract import HeardRadio
from adapters.linux.netlink import DecodeError
from adapters.linux.scan_cache import decode_all_heard, decode_bss, decode_heard
from tests.adapters.netlink_builder import capture, mac, nest, s32, tlv, u8, u16, u32, u64

AP, OTHER = "02:00:00:00:00:05", "02:00:00:00:00:06"
BSS = 47
NOW_NS = 1_000_000_000_000
SSID = bytes([0, 7]) + b"Pottery"


def entry(*members: bytes, bssid: str = AP, frequency_mhz: int = 5180) -> bytes:
    return u32(3, 3) + nest(BSS, mac(1, bssid), u32(2, frequency_mhz), *members)


def heard(*members: bytes) -> HeardRadio:
    return decode_heard(entry(*members), NOW_NS)


def test_a_scan_entry_tells_the_address_that_the_station_is_known_by():
    plain = decode_bss(nest(BSS, mac(1, AP), u32(2, 5180), u32(9, 1)))
    assert (plain.peer, plain.associated, plain.link_id) == (AP, True, None)
    multi = decode_bss(nest(BSS, mac(1, AP), u32(2, 6135), u32(9, 1), u8(21, 1), mac(22, "02:00:00:00:00:aa")))
    assert (multi.bssid, multi.peer, multi.link_id) == (AP, "02:00:00:00:00:aa", 1)
    assert not decode_bss(nest(BSS, mac(1, AP))).associated


def test_an_entry_tells_who_was_heard_where_how_strong_and_when():
    radio = heard(s32(7, -6150), u32(10, 420), u32(9, 1), tlv(6, SSID))
    assert (radio.bssid, radio.frequency_mhz, radio.ssid) == (AP, 5180, b"Pottery")
    assert (radio.rssi_dbm, radio.age_ms, radio.associated) == (-61.5, 420, True)
    assert (radio.width_mhz, radio.center_mhz) == (20, 5180)


def test_what_an_entry_does_not_tell_is_unknown_and_not_zero():
    assert heard() == HeardRadio(AP, 5180)


def test_a_level_of_a_drivers_own_taste_is_no_level():
    assert heard(u8(8, 80)).rssi_dbm is None
    assert heard(u8(8, 80), s32(7, -7000)).rssi_dbm == -70.0


@pytest.mark.parametrize("mbm", [0, 1200, -10_001, -9500, -50])
def test_a_level_that_a_driver_makes_up_is_unknown(mbm):
    assert heard(s32(7, mbm)).rssi_dbm is None


def test_levels_next_to_the_made_up_ones_are_kept():
    assert [heard(s32(7, mbm)).rssi_dbm for mbm in (-10_000, -9501, -100)] == [-100.0, -95.01, -1.0]


def test_the_stamp_of_the_last_frame_counts_before_the_kernels_coarser_count():
    assert heard(u64(15, NOW_NS - 1_500_000_000), u32(10, 9999)).age_ms == 1500


def test_a_stamp_in_the_future_is_none_as_from_another_time_namespace():
    assert heard(u64(15, NOW_NS + 1), u32(10, 77)).age_ms == 77
    assert heard(u64(15, 0), u32(10, 77)).age_ms == 77


def test_an_age_that_wrapped_is_unknown():
    assert heard(u32(10, 4_294_825_206)).age_ms is None


def test_the_load_comes_from_the_beacon_and_the_hidden_name_from_the_answer_to_a_probe():
    beacon = bytes([0, 0]) + bytes([11, 5, 3, 0, 51, 0, 0])
    answer = SSID + bytes([11, 5, 9, 0, 255, 0, 0])
    radio = heard(tlv(11, beacon), tlv(6, answer))
    assert (radio.ssid, radio.station_count, radio.busy_share) == (b"Pottery", 3, 0.2)


@pytest.mark.parametrize("broken", [b"\x05", nest(BSS, mac(1, AP)), nest(BSS, u32(2, 5180)), nest(BSS, u16(2, 1))])
def test_an_entry_that_cannot_be_read_is_refused_and_hides_no_other(broken):
    with pytest.raises(DecodeError):
        decode_heard(broken, NOW_NS)
    radios = decode_all_heard([broken, entry(), broken, entry(bssid=OTHER)], NOW_NS)
    assert [radio.bssid for radio in radios] == [AP, OTHER]


def test_a_radio_whose_name_is_hidden_and_known_is_told_once_by_its_name_and_as_heard_last():
    beacon = entry(s32(7, -5000), u32(10, 100), u32(9, 1))
    answered = entry(s32(7, -6000), u32(10, 9000), tlv(6, SSID))
    for order in ([beacon, answered], [answered, beacon]):
        (radio,) = decode_all_heard(order, NOW_NS)
        assert (radio.ssid, radio.rssi_dbm, radio.age_ms, radio.associated) == (b"Pottery", -50.0, 100, True)


def test_two_networks_of_one_address_are_both_told_and_one_network_once():
    two = [entry(tlv(6, SSID)), entry(tlv(6, bytes([0, 1]) + b"b")), entry(tlv(6, SSID), u32(10, 5))]
    assert [(radio.ssid, radio.age_ms) for radio in decode_all_heard(two, NOW_NS)] == [(b"Pottery", 5), (b"b", None)]


def test_a_real_kernels_entries_are_read():
    joined = decode_bss(capture("scan-24ghz"))
    assert (joined.bssid, joined.frequency_mhz, joined.associated) == ("02:00:00:00:02:00", 2437, True)
    left = decode_bss(capture("scan-other"))
    assert (left.bssid, left.frequency_mhz, left.associated) == ("02:00:00:00:00:00", 5200, False)


def test_a_real_kernels_entries_tell_what_the_access_point_was_told_to_tell():
    last_seen_ns = 0x1DE02B354C  # of the entry, as its bytes show
    assert decode_heard(capture("scan-24ghz"), last_seen_ns + 508_000_000) == HeardRadio(
        bssid="02:00:00:00:02:00",
        frequency_mhz=2437,
        ssid=b"Pottery",
        center_mhz=2437,
        width_mhz=20,
        rssi_dbm=-30.0,
        age_ms=508,
        associated=True,
        station_count=0,
        busy_share=0.0,
        country="DE",
        country_max_dbm=20,
    )
    other = decode_heard(capture("scan-other"), 0)
    assert (other.ssid, other.frequency_mhz, other.width_mhz, other.station_count) == (b"Pottery", 5200, 20, 1)
    assert (other.rssi_dbm, other.busy_share) == (-48.0, 28 / 255)
    assert (other.country, other.country_max_dbm, other.age_ms) == ("DE", 23, 664)
