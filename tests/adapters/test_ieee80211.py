"""Channels, rates and names of IEEE 802.11, against the values that the standard's own tables print."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.ieee80211 import band_of, channel_of, frequency_of, phy_rate_mbps, ssid_text


@pytest.mark.parametrize(
    ("frequency_mhz", "channel", "band"),
    [
        (2412, 1, "2.4"),
        (2437, 6, "2.4"),
        (2472, 13, "2.4"),
        (2484, 14, "2.4"),  # twelve MHz away from 13, and not five
        (4920, 184, "5"),  # Japan
        (5180, 36, "5"),
        (5500, 100, "5"),
        (5825, 165, "5"),
        (5885, 177, "5"),
        (5935, 2, "6"),
        (5955, 1, "6"),
        (5975, 5, "6"),
        (6135, 37, "6"),
        (7115, 233, "6"),
    ],
)
def test_channels_have_the_frequencies_of_annex_e(frequency_mhz, channel, band):
    assert channel_of(frequency_mhz) == channel
    assert band_of(frequency_mhz) == band
    assert frequency_of(channel, band) == frequency_mhz


def test_a_channel_number_alone_says_nothing_about_the_band():
    assert {frequency_of(5, band) for band in ("2.4", "5", "6")} == {2432, 5025, 5975}


@pytest.mark.parametrize("frequency_mhz", [None, 0, 900, 2399, 2500, 3500, 7130, 60480])
def test_frequencies_outside_the_three_bands_have_no_band_and_no_channel(frequency_mhz):
    assert band_of(frequency_mhz) is None
    assert channel_of(frequency_mhz) is None


@given(st.integers(0, 300), st.sampled_from(["2.4", "5", "6"]))
def test_channel_and_frequency_undo_each_other(channel, band):
    frequency_mhz = frequency_of(channel, band)
    if frequency_mhz is not None:
        assert (channel_of(frequency_mhz), band_of(frequency_mhz)) == (channel, band)


# HT rates for MCS 0-7, one stream: tables 19-27 (20 MHz) and 19-31 (40 MHz); long guard interval, then short.
HT_ONE_STREAM = {
    (20, 800): [6.5, 13.0, 19.5, 26.0, 39.0, 52.0, 58.5, 65.0],
    (20, 400): [7.2, 14.4, 21.7, 28.9, 43.3, 57.8, 65.0, 72.2],
    (40, 800): [13.5, 27.0, 40.5, 54.0, 81.0, 108.0, 121.5, 135.0],
    (40, 400): [15.0, 30.0, 45.0, 60.0, 90.0, 120.0, 135.0, 150.0],
}


@pytest.mark.parametrize(("width_mhz", "guard_interval_ns"), HT_ONE_STREAM)
def test_ht_rates_are_those_of_tables_19_27_and_19_31(width_mhz, guard_interval_ns):
    for mcs, printed in enumerate(HT_ONE_STREAM[width_mhz, guard_interval_ns]):
        for streams in (1, 2, 3, 4):
            rate = phy_rate_mbps(
                "HT", mcs + 8 * (streams - 1), width_mhz=width_mhz, guard_interval_ns=guard_interval_ns
            )
            assert rate == pytest.approx(printed * streams, abs=0.05 * streams)


# (width, guard interval, streams, MCS): Mbit/s as printed in section 21.5 (VHT).
VHT_PRINTED = {
    (20, 800, 1, 8): 78.0,
    (40, 800, 1, 9): 180.0,
    (40, 400, 2, 9): 400.0,
    (80, 800, 1, 0): 29.3,
    (80, 400, 1, 9): 433.3,
    (80, 800, 2, 9): 780.0,
    (80, 400, 2, 9): 866.7,
    (80, 400, 3, 9): 1300.0,
    (80, 400, 4, 7): 1300.0,
    (160, 800, 1, 9): 780.0,
    (160, 400, 1, 9): 866.7,
    (160, 400, 8, 9): 6933.3,
}

# The same as printed in section 27.5 (HE), resource unit of the whole channel.
HE_PRINTED = {
    (20, 800, 1, 0): 8.6,
    (20, 1600, 1, 0): 8.1,
    (20, 3200, 1, 0): 7.3,
    (20, 800, 1, 11): 143.4,
    (40, 800, 1, 11): 286.8,
    (80, 800, 1, 0): 36.0,
    (80, 800, 1, 11): 600.5,
    (80, 1600, 1, 11): 567.1,
    (80, 3200, 1, 11): 510.4,
    (80, 800, 2, 11): 1201.0,
    (160, 800, 1, 11): 1201.0,
    (160, 800, 2, 11): 2402.0,
    (160, 3200, 2, 11): 2041.7,
    (160, 800, 8, 11): 9607.8,
}

# The same as printed in section 36.5 (EHT).
EHT_PRINTED = {
    (20, 800, 1, 12): 154.9,
    (20, 800, 1, 13): 172.1,
    (80, 800, 1, 13): 720.6,
    (160, 800, 2, 13): 2882.4,
    (320, 800, 1, 13): 2882.4,
    (320, 800, 2, 13): 5764.7,
    (320, 1600, 1, 13): 2722.2,
    (320, 3200, 1, 13): 2450.0,
    (320, 800, 1, 0): 144.1,
    (80, 800, 1, 15): 18.0,
    (20, 800, 1, 15): 4.3,
    (80, 800, 1, 14): 8.6,
    (320, 800, 1, 14): 36.0,
}


@pytest.mark.parametrize(("phy_mode", "printed"), [("VHT", VHT_PRINTED), ("HE", HE_PRINTED), ("EHT", EHT_PRINTED)])
def test_rates_are_those_that_the_standard_prints(phy_mode, printed):
    for (width_mhz, guard_interval_ns, streams, mcs), mbps in printed.items():
        rate = phy_rate_mbps(phy_mode, mcs, streams=streams, width_mhz=width_mhz, guard_interval_ns=guard_interval_ns)
        assert rate == pytest.approx(mbps, abs=0.051), (width_mhz, guard_interval_ns, streams, mcs)


def test_dual_carrier_modulation_halves_the_rate():
    rate = phy_rate_mbps("HE", 0, streams=1, width_mhz=20, guard_interval_ns=800, dual_carrier=True)
    assert rate == pytest.approx(4.3, abs=0.05)


@pytest.mark.parametrize(
    ("phy_mode", "mcs", "streams", "width_mhz", "guard_interval_ns"),
    [
        ("HT", 32, None, 40, 800),
        ("HT", 7, None, 80, 800),
        ("HT", 7, None, 20, 1600),
        ("VHT", 12, 1, 80, 400),
        ("VHT", 9, 0, 80, 400),
        ("VHT", 9, None, 80, 400),
        ("VHT", 9, 1, 320, 400),
        ("HE", 253, 1, 80, 800),
        ("HE", 11, 9, 80, 800),
        ("HE", 11, 2, 320, 800),
        ("HE", 11, 2, 80, 400),
        ("EHT", 16, 2, 80, 800),
        ("EHT", 14, 1, 40, 800),
        ("EHT", -1, 1, 40, 800),
        ("legacy", 0, 1, 20, 800),
    ],
)
def test_what_the_standard_does_not_have_gets_no_rate(phy_mode, mcs, streams, width_mhz, guard_interval_ns):
    assert (
        phy_rate_mbps(phy_mode, mcs, streams=streams, width_mhz=width_mhz, guard_interval_ns=guard_interval_ns) is None
    )


@pytest.mark.parametrize(
    ("ssid", "text"),
    [
        (b"Pottery", "Pottery"),
        ("Töpferei 窯".encode(), "Töpferei 窯"),
        (b"", ""),
        (b"\0\0", r"\x00\x00"),
        (b"kiln\xff\xfe", r"kiln\xff\xfe"),
        (b"\xc3", r"\xc3"),  # half a letter
        (b"a\x1b[31mb\r\n", r"a\x1b[31mb\x0d\x0a"),
        ("a\u202eb".encode(), r"a\xe2\x80\xaeb"),  # would turn the rest of the line around
        (b"back\\x00", r"back\x5cx00"),
        (b"<script>", "<script>"),  # harmless on a terminal; whoever writes HTML escapes for HTML
    ],
)
def test_names_are_shown_readable_and_harmless(ssid, text):
    assert ssid_text(ssid) == text


@given(st.binary(max_size=32), st.binary(max_size=32))
def test_different_names_give_different_printable_texts(one, other):
    assert ssid_text(one).isprintable()
    assert (ssid_text(one) == ssid_text(other)) == (one == other)
