"""nl80211 decoding on byte vectors: every trap of a driver or kernel that is known, and what a real kernel sent.

The numbers in the vectors are those of linux/nl80211.h, written out, so that a wrong constant in the adapter
cannot hide.
"""

from __future__ import annotations

import contextlib

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.contract import BitRate, LinkEvent
from adapters.linux import nl80211, regulatory, scan_cache, survey
from adapters.linux.netlink import Attributes, DecodeError
from adapters.linux.nl80211 import LinkChannel
from tests.adapters.netlink_builder import capture, mac, nest, s8, s32, tlv, u8, u16, u32, u64

AP = "02:00:00:00:00:05"
STA_INFO = 21
SIGNAL, SIGNAL_AVG, CHAIN_SIGNAL, BEACON_SIGNAL_AVG = 7, 13, 25, 30
TX_BITRATE, RX_BITRATE = 8, 14


def station(*members: bytes) -> nl80211.StationInfo:
    return nl80211.decode_station(u32(3, 3) + mac(6, AP) + nest(STA_INFO, *members))


def rate(*members: bytes) -> BitRate | None:
    return nl80211.decode_rate(Attributes(b"".join(members)))


# ---- levels


def test_levels_are_signed_bytes():
    about = station(s8(SIGNAL, -61), s8(SIGNAL_AVG, -62), s8(BEACON_SIGNAL_AVG, -100))
    assert (about.rssi_dbm, about.rssi_avg_dbm, about.beacon_rssi_avg_dbm) == (-61, -62, -100)


@pytest.mark.parametrize(
    ("dbm", "driver"),
    [
        (-95, "ath10k, ath11k, ath12k: their default noise floor"),
        (0, "brcmfmac, mwlwifi"),
        (75, "old mt76"),
        (-101, "old mt76 at close range"),
        (-104, "ath11k with old firmware"),
        (-128, "nobody's measurement"),
    ],
)
def test_a_level_that_a_driver_makes_up_is_unknown(dbm, driver):
    about = station(s8(SIGNAL, dbm), s8(SIGNAL_AVG, dbm), s8(BEACON_SIGNAL_AVG, dbm))
    assert (about.rssi_dbm, about.rssi_avg_dbm, about.beacon_rssi_avg_dbm) == (None, None, None), driver


def test_levels_next_to_the_made_up_ones_are_kept():
    assert [station(s8(SIGNAL, dbm)).rssi_dbm for dbm in (-100, -96, -94, -20, -1)] == [-100, -96, -94, -20, -1]


def test_a_station_without_levels_has_none():
    about = station(u32(10, 5))
    assert about.rssi_dbm is about.rssi_avg_dbm is about.chain_rssi_dbm is about.tx_rate is None
    assert about.tx_packets == 5


def test_the_index_of_a_chain_is_kept_when_another_is_silent():
    assert station(nest(CHAIN_SIGNAL, s8(1, -66))).chain_rssi_dbm == (None, -66)


def test_unused_chains_at_minus_95_are_unknown_and_keep_their_place():
    chains = nest(CHAIN_SIGNAL, s8(0, -58), s8(1, -95), s8(2, -60), s8(3, -95))
    assert station(chains).chain_rssi_dbm == (-58, None, -60, None)


def test_chains_that_are_all_made_up_are_no_chains():
    assert station(nest(CHAIN_SIGNAL, s8(0, -95), s8(1, -95))).chain_rssi_dbm is None
    assert station(nest(CHAIN_SIGNAL)).chain_rssi_dbm is None


def test_an_absurd_chain_number_is_refused_and_makes_no_long_tuple():
    with pytest.raises(DecodeError, match="receive chain"):
        station(nest(CHAIN_SIGNAL, s8(16000, -60)))


# ---- counters and times


def test_counters_of_64_bits_win_over_those_of_32_that_wrap():
    both = station(u32(2, 7), u32(3, 8), u64(23, 2**32 + 7), u64(24, 2**33 + 8))
    assert (both.rx_bytes, both.tx_bytes) == (2**32 + 7, 2**33 + 8)
    old = station(u32(2, 7), u32(3, 8))
    assert (old.rx_bytes, old.tx_bytes) == (7, 8)


def test_a_counter_of_zero_is_zero_and_an_absent_one_is_unknown():
    about = station(u64(23, 0), u32(2, 7), u32(11, 0), u32(18, 0))
    assert (about.rx_bytes, about.tx_retries, about.beacon_loss, about.tx_failed) == (0, 0, 0, None)


@pytest.mark.parametrize(("told", "inactive_ms"), [(0, 0), (90_000, 90_000), (4_294_825_206, None)])
def test_an_inactive_time_near_the_end_of_32_bits_has_wrapped(told, inactive_ms):
    assert station(u32(1, told)).inactive_time_ms == inactive_ms


def test_association_times_are_read():
    about = station(u32(16, 86_400), u64(42, 28_133_300_580))
    assert (about.connected_time_s, about.associated_at_boottime_ns) == (86_400, 28_133_300_580)
    assert about.mac == AP


# ---- rates (a rate_info nest)


@pytest.mark.parametrize(
    ("members", "expected"),
    [
        ((u32(5, 540), u16(1, 540)), BitRate(54.0, "legacy", width_mhz=20)),
        ((u16(1, 55),), BitRate(5.5, "legacy", width_mhz=20)),
        ((u32(5, 1300), u8(2, 15)), BitRate(130.0, "HT", 15, 2, 20, 800)),
        ((u32(5, 3000), u8(2, 15), tlv(3), tlv(4)), BitRate(300.0, "HT", 15, 2, 40, 400)),
        ((u32(5, 8666), u8(6, 9), u8(7, 2), tlv(8), tlv(4)), BitRate(866.6, "VHT", 9, 2, 80, 400)),
        ((u32(5, 7800), u8(6, 9), u8(7, 1), tlv(9)), BitRate(780.0, "VHT", 9, 1, 160, 800)),
        ((u32(5, 12009), u8(13, 11), u8(14, 2), u8(15, 0), tlv(8)), BitRate(1200.9, "HE", 11, 2, 80, 800)),
        ((u32(5, 20416), u8(13, 11), u8(14, 2), u8(15, 2), tlv(10)), BitRate(2041.6, "HE", 11, 2, 160, 3200)),
        ((u32(5, 43), u8(13, 0), u8(14, 1), u8(15, 0), u8(16, 1)), BitRate(4.3, "HE", 0, 1, 20, 800)),
        ((u32(5, 54444), u8(19, 13), u8(20, 2), u8(21, 1), tlv(18)), BitRate(5444.4, "EHT", 13, 2, 320, 1600)),
    ],
)
def test_rates_of_every_mode_are_told_apart(members, expected):
    assert rate(*members) == expected


def test_the_wide_attribute_wins_because_the_narrow_one_cannot_hold_every_rate():
    assert rate(u16(1, 1), u32(5, 28823), u8(19, 13), u8(20, 1), u8(21, 0), tlv(18)).mbps == 2882.3


def test_a_bit_rate_that_contradicts_its_own_mcs_is_replaced_by_the_standards():
    """Kernels before the fix of an overflow tell 395.9 Mbit/s for EHT, MCS 13, 2 streams, 320 MHz."""
    assert rate(u32(5, 3959), u8(19, 13), u8(20, 2), u8(21, 0), tlv(18)) == BitRate(5764.7, "EHT", 13, 2, 320, 800)


def test_a_bit_rate_that_nearly_agrees_is_kept_as_told():
    assert rate(u32(5, 8660), u8(6, 9), u8(7, 2), tlv(8), tlv(4)).mbps == 866.0


def test_a_missing_bit_rate_is_worked_out_from_the_mcs():
    assert rate(u8(6, 9), u8(7, 2), tlv(8), tlv(4)) == BitRate(866.7, "VHT", 9, 2, 80, 400)


def test_the_unknown_mcs_253_without_a_bit_rate_is_no_rate():
    assert rate(u8(13, 253), u8(14, 1), u8(15, 0), tlv(8)) is None


def test_the_unknown_mcs_253_with_a_bit_rate_keeps_the_bit_rate_alone():
    assert rate(u32(5, 6000), u8(13, 253), u8(14, 1), u8(15, 0), tlv(8)) == BitRate(600.0, "HE", None, 1, 80, 800)


def test_a_bare_bit_rate_claims_no_mode():
    assert rate(u32(5, 8667)) == BitRate(866.7)  # brcmfmac, whatever the mode was


def test_no_bit_rate_and_no_mcs_is_no_rate():
    assert rate() is None
    assert rate(u32(5, 0)) is None
    assert station(nest(TX_BITRATE)).tx_rate is None


def test_a_part_of_the_channel_is_no_width():
    HE_RU_ALLOC = 17  # noqa: N806
    assert rate(u32(5, 400), u8(13, 5), u8(14, 1), u8(15, 0), u8(HE_RU_ALLOC, 2)) == BitRate(
        40.0, "HE", 5, 1, None, 800
    )


def test_a_guard_interval_that_is_not_told_is_unknown_and_checks_nothing():
    assert rate(u32(5, 100), u8(13, 11), u8(14, 2)) == BitRate(10.0, "HE", 11, 2, 20, None)


def test_no_streams_is_not_zero_streams():
    assert rate(u32(5, 1000), u8(6, 4), u8(7, 0), tlv(8)).streams is None


# ---- interfaces


def test_an_ssid_is_bytes_of_any_kind():
    ssid = b"\xff\0<script>\xc3"
    assert nl80211.decode_interface(u32(3, 3) + tlv(4, b"wlan0\0") + u32(5, 2) + tlv(52, ssid)).ssid == ssid


def test_transmit_power_carries_a_sign_although_the_header_says_unsigned():
    assert nl80211.decode_interface(s32(98, -100)).tx_power_dbm == -1.0
    assert nl80211.decode_interface(u32(98, 2300)).tx_power_dbm == 23.0
    assert nl80211.decode_interface(u32(3, 3)).tx_power_dbm is None


@pytest.mark.parametrize(
    ("width", "mhz"),
    [(0, 20), (1, 20), (2, 40), (3, 80), (4, 160), (5, 160), (6, 5), (7, 10), (13, 320), (8, None), (99, None)],
)
def test_channel_widths_are_those_of_the_header(width, mhz):
    assert nl80211.decode_interface(u32(159, width)).width_mhz == mhz


def test_under_multi_link_the_channels_are_only_in_the_links():
    about = nl80211.decode_interface(
        u32(3, 3)
        + tlv(4, b"wlan0\0")
        + u32(5, 2)
        + tlv(52, b"Pottery")
        + nest(
            312,
            nest(1, u8(313, 0), mac(6, "02:00:00:00:01:00"), u32(38, 2437), u32(159, 1)),
            nest(2, u8(313, 1), mac(6, "02:00:00:00:01:01"), u32(38, 6135), u32(159, 13)),
            nest(3, u8(313, 2), mac(6, "02:00:00:00:01:02")),
        )
    )
    assert about.frequency_mhz is None
    assert about.links == (LinkChannel(0, 2437, 20), LinkChannel(1, 6135, 320), LinkChannel(2, None, None))


def test_a_multi_link_station_may_tell_a_sending_rate_and_no_receiving_one():
    about = station(
        s8(SIGNAL, -48),
        nest(TX_BITRATE, u32(5, 28823), u8(19, 13), u8(20, 2), u8(21, 0), tlv(10)),
        nest(15, u8(4, 0), u16(5, 0)),  # NL80211_STA_INFO_BSS_PARAM: DTIM period 0, beacon interval 0
    )
    assert about.rx_rate is None
    assert about.tx_rate == BitRate(2882.3, "EHT", 13, 2, 160, 800)


# ---- events


@pytest.mark.parametrize(
    ("command", "attributes", "event"),
    [
        (46, mac(6, AP) + u16(72, 0), LinkEvent("connected", bssid=AP)),
        (47, mac(6, AP), LinkEvent("roamed", bssid=AP)),
        (48, u16(54, 3) + tlv(71), LinkEvent("disconnected", reason_code=3, by_access_point=True)),
        (48, u16(54, 8), LinkEvent("disconnected", reason_code=8, by_access_point=False)),
        (48, b"", LinkEvent("disconnected", by_access_point=False)),
        (88, u32(38, 5500) + u32(159, 3), LinkEvent("channel-switched", frequency_mhz=5500, width_mhz=80)),
        (33, b"", LinkEvent("scan-started")),
        (33, nest(44, u32(0, 2412), u32(1, 5180)), LinkEvent("scan-started", n_channels=2)),
        (34, b"", LinkEvent("scan-finished")),
        (34, nest(44, u32(0, 2412)), LinkEvent("scan-finished", n_channels=1)),
        (35, nest(44, u32(0, 2412)), LinkEvent("scan-finished", n_channels=0)),
    ],
)
def test_events_are_told_with_the_interface_they_are_of(command, attributes, event):
    assert nl80211.decode_event(command, u32(3, 3) + attributes) == (3, event)


def test_an_attempt_that_was_turned_down_is_no_connection():
    assert nl80211.decode_event(46, u32(3, 3) + mac(6, AP) + u16(72, 17)) is None


def test_commands_of_no_interest_are_no_events():
    assert [nl80211.decode_event(command, u32(3, 3)) for command in (19, 20, 37, 39, 110, 250)] == [None] * 6


# ---- what a real kernel sent


def test_a_real_kernels_interface_is_read():
    about = nl80211.decode_interface(capture("interface-5ghz"))
    assert (about.name, about.index, about.is_station, about.ssid) == ("wlan1", 3, True, b"Pottery")
    assert (about.frequency_mhz, about.width_mhz, about.tx_power_dbm) == (5180, 80, 23.0)
    after = nl80211.decode_interface(capture("interface-24ghz"))
    assert (after.frequency_mhz, after.width_mhz, after.tx_power_dbm) == (2437, 20, 20.0)
    assert nl80211.decode_interface(capture("interface-not-joined")).ssid is None
    direct = nl80211.decode_interface(capture("p2p-device"))
    assert (direct.name, direct.index, direct.is_station) == (None, None, False)


def test_a_real_kernels_station_is_read():
    vht = nl80211.decode_station(capture("station-vht"))
    assert (vht.mac, vht.rssi_dbm, vht.rssi_avg_dbm, vht.beacon_rssi_avg_dbm) == ("02:00:00:00:00:00", -48, -47, -47)
    assert vht.rx_rate == BitRate(27.0, "VHT", 1, 1, 40, 800)
    assert vht.tx_rate == BitRate(26.0, "VHT", 0, 4, 20, 800)
    assert (vht.tx_retries, vht.tx_failed, vht.beacon_loss, vht.associated_at_boottime_ns) == (0, 0, 0, 18607074920)
    ht = nl80211.decode_station(capture("station-ht"))
    assert (ht.rssi_dbm, ht.tx_rate) == (-30, BitRate(39.0, "HT", 4, 1, 20, 800))


def test_a_real_kernels_events_are_read():
    told = {
        "event-scan-started": (33, LinkEvent("scan-started", n_channels=65)),
        "event-scan-finished": (34, LinkEvent("scan-finished", n_channels=65)),
        "event-channel-switched": (88, LinkEvent("channel-switched", frequency_mhz=5200, width_mhz=20)),
        "event-left-for-a-roam": (48, LinkEvent("disconnected", reason_code=1, by_access_point=False)),
        "event-connected-elsewhere": (46, LinkEvent("connected", bssid="02:00:00:00:02:00")),
        "event-disconnected-by-ap": (48, LinkEvent("disconnected", reason_code=3, by_access_point=True)),
    }
    for name, (command, event) in told.items():
        assert nl80211.decode_event(command, capture(name)) == (3, event), name
    assert nl80211.decode_event(110, capture("event-channel-switch-begins")) is None
    assert nl80211.decode_event(19, capture("event-new-station")) is None


# ---- bytes of any kind

DECODERS = [
    nl80211.decode_interface,
    scan_cache.decode_bss,
    lambda data: scan_cache.decode_heard(data, 10**12),
    lambda data: scan_cache.decode_all_heard([data], 10**12),
    nl80211.decode_station,
    survey.decode_survey,
    regulatory.decode_regulatory,
    lambda data: nl80211.decode_rate(Attributes(data)),
    *(lambda data, command=command: nl80211.decode_event(command, data) for command in (33, 34, 46, 47, 48, 88)),
]


def decodes_or_refuses(data: bytes) -> None:
    for decode in DECODERS:
        with contextlib.suppress(DecodeError):
            decode(data)


@given(st.binary(max_size=300))
def test_any_bytes_give_an_answer_or_a_decode_error(data):
    decodes_or_refuses(data)


KINDS = st.sampled_from([*range(35), 38, 42, 47, 48, 52, 54, 71, 72, 84, 98, 146, 159, 312, 313])
SCALARS = st.one_of(
    st.builds(u8, KINDS, st.integers(0, 255)),
    st.builds(u16, KINDS, st.integers(0, 2**16 - 1)),
    st.builds(u32, KINDS, st.integers(0, 2**32 - 1)),
    st.builds(u64, KINDS, st.integers(0, 2**64 - 1)),
    st.builds(tlv, KINDS, st.binary(max_size=9)),
)
NESTS = st.recursive(
    SCALARS,
    lambda inner: st.builds(lambda kind, members: nest(kind, *members), KINDS, st.lists(inner, max_size=6)),
    max_leaves=20,
)


@given(st.lists(NESTS, max_size=6).map(b"".join))
def test_well_formed_nonsense_gives_an_answer_or_a_decode_error(data):
    decodes_or_refuses(data)


@given(
    st.sampled_from(["interface-5ghz", "station-vht", "scan-24ghz", "survey-1", "event-connected-elsewhere"]),
    st.data(),
)
def test_a_real_message_cut_short_or_scribbled_on_gives_an_answer_or_a_decode_error(name, draw):
    data = bytearray(capture(name)[: draw.draw(st.integers(0, 400))])
    for position, value in draw.draw(st.lists(st.tuples(st.integers(0, 399), st.integers(0, 255)), max_size=4)):
        if position < len(data):
            data[position] = value
    decodes_or_refuses(bytes(data))


def test_a_station_or_scan_entry_without_its_nest_is_refused():
    with pytest.raises(DecodeError):
        nl80211.decode_station(u32(3, 3))
    with pytest.raises(DecodeError):
        scan_cache.decode_bss(u32(3, 3))
