"""Overlap of channels, against hand computation and against integrating the masks numerically."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.ieee80211 import frequency_of
from dashboards.analysis.air.overlap import (
    DSSS,
    HT_20,
    HT_40,
    MEANING,
    OFDM,
    VHT,
    Channel,
    flat_share,
    mask_share,
    overlap_mhz,
    relation,
    share,
)


def ch24(number, width=20, center=None):
    mhz = frequency_of(number, "2.4")
    return Channel(mhz, center or mhz, width)


def ch5(number, width):
    return Channel.known(frequency_of(number, "5"), None, width)


CHANNELS_24 = st.sampled_from([ch24(number) for number in range(1, 14)])
CHANNELS_5 = st.builds(
    ch5, st.sampled_from([36, 40, 44, 48, 52, 56, 60, 64, 100, 104, 108, 112]), st.sampled_from([20, 40, 80])
)
MASKS = [DSSS, OFDM, HT_20, HT_40, *VHT.values()]


@pytest.mark.parametrize(
    ("sent", "heard", "expected"),
    [  # 5 GHz by hand: channel 36 at 80 MHz takes 5170 to 5250, 44 at 40 MHz 5210 to 5250, 48 at 20 MHz 5230 to 5250
        (ch5(36, 80), ch5(36, 80), 1.0),
        (ch5(36, 80), ch5(44, 40), 0.5),
        (ch5(44, 40), ch5(36, 80), 1.0),
        (ch5(36, 80), ch5(48, 20), 0.25),
        (ch5(48, 20), ch5(36, 80), 1.0),
        (ch5(36, 80), ch5(52, 80), 0.0),
        (ch5(36, 160), ch5(52, 80), 0.5),
        (ch5(36, 40), ch5(44, 40), 0.0),
        (Channel.known(5955, None, 320), Channel.known(6195, None, 80), 0.25),  # 5945 to 6265; 6185 to 6265
    ],
)
def test_flat_spectra_share_megahertz(sent, heard, expected):
    assert flat_share(sent, heard) == share(sent, heard) == expected


def test_the_channel_that_holds_a_primary_is_that_of_annex_e():
    centres = {(36, 80): 5210, (48, 80): 5210, (64, 160): 5250, (100, 80): 5530, (112, 40): 5550, (157, 80): 5775}
    assert {key: ch5(*key).center_mhz for key in centres} == centres
    assert Channel.known(5955, None, 320).center_mhz == 6105  # 31 of operating class 137
    assert Channel.known(2437, None, None) == ch24(6)


def test_the_mask_of_dsss_by_hand():
    # Flat to 11 MHz, 1/1000 from there to 22. Into its own 20 MHz fall 20; 5 MHz off, 16 and 4 of the thousandth, ...
    by_hand = {0: 20.0, 5: 16.004, 10: 11.009, 15: 6.011, 20: 1.011, 25: 0.007, 30: 0.002, 35: 0.0}
    for apart, power in by_hand.items():
        there = Channel(2412 + apart, 2412 + apart, 20)
        assert mask_share(ch24(1), there, DSSS) == pytest.approx(power / 20, abs=1e-9), apart


def level(mask, offset_mhz):
    """The mask in dBr at offsets, a step taken at its upper level; -inf beyond its end."""
    corners = [
        (mhz - 1e-9 * (nth + 1 < len(mask) and mask[nth + 1][0] == mhz), db) for nth, (mhz, db) in enumerate(mask)
    ]
    mhz, dbr = np.array(corners).T
    return np.interp(np.abs(offset_mhz), mhz, dbr, right=-np.inf)


@pytest.mark.parametrize("mask", MASKS, ids=str)
@pytest.mark.parametrize("apart", [0, 5, 10, 15, 20, 25, 40, 75])
def test_the_masks_agree_with_a_numerical_integration(mask, apart):
    width = 40 if mask is HT_40 else next((w for w, m in VHT.items() if m == mask), 20)
    sent, heard = Channel(2450, 2450, width), Channel(2450 + apart, 2450 + apart, 20)

    def power(low, high):
        middles = np.linspace(low, high, 400_001)
        middles = (middles[1:] + middles[:-1]) / 2
        return float(np.sum(10 ** (level(mask, middles) / 10)) * (high - low) / 400_000)

    expected = power(apart - 10, apart + 10) / power(-width / 2, width / 2)
    assert mask_share(sent, heard, mask) == pytest.approx(expected, abs=2e-6)


def test_what_channels_of_2_4_ghz_are_to_each_other():
    assert [relation(ch24(1), ch24(number)) for number in (1, 2, 3, 4, 5, 6, 11)] == [
        "same channel", "overlaps", "overlaps", "overlaps", "overlaps", "apart", "apart",
    ]  # fmt: skip
    assert share(ch24(1), ch24(6)) < 0.01 < share(ch24(1), ch24(5)) < 0.06
    assert share(ch24(6), ch24(7)) == pytest.approx(0.8, abs=0.02)


def test_taking_turns_is_told_from_getting_in_the_way():
    assert relation(ch5(36, 80), ch5(36, 20)) == "shares a primary"
    assert relation(ch5(36, 80), ch5(44, 80)) == "overlaps"
    assert relation(ch5(36, 80), ch5(52, 80)) == "apart"
    assert "turns" in MEANING["same channel"]
    assert "interference" in MEANING["overlaps"]


@given(CHANNELS_24, CHANNELS_24)
def test_shares_of_equal_channels_are_symmetric_and_whole_only_on_the_same(one, other):
    assert share(one, other) == pytest.approx(share(other, one), abs=1e-12)
    assert (share(one, other) > 1 - 1e-12) == (one == other)
    assert 0 <= share(one, other) <= 1


@given(CHANNELS_24, CHANNELS_24, CHANNELS_24)
def test_what_is_further_away_gets_no_more(sent, near, far):
    if abs(near.center_mhz - sent.center_mhz) <= abs(far.center_mhz - sent.center_mhz):
        assert share(sent, near) >= share(sent, far) - 1e-12


@given(CHANNELS_5, CHANNELS_5)
def test_megahertz_in_common_are_the_same_from_either_side(one, other):
    assert overlap_mhz(one, other) == overlap_mhz(other, one)
    assert flat_share(one, other) * one.width_mhz == pytest.approx(flat_share(other, one) * other.width_mhz)
    assert relation(one, other) == relation(other, one)
    assert (relation(one, other) == "apart") == (overlap_mhz(one, other) == 0)


@given(CHANNELS_24, st.sampled_from([2462 + 60, 5180, 5955]))
def test_channels_far_apart_share_nothing(sent, mhz):
    if mhz - sent.center_mhz > 50:
        assert share(sent, Channel(mhz, mhz, 20)) == 0


BELIEVABLE = st.builds(
    Channel.known,
    st.integers(100, 100_000),
    st.none() | st.floats(100, 100_000, allow_nan=False),
    st.none() | st.integers(1, 320),
)


@given(BELIEVABLE, BELIEVABLE)
def test_whatever_a_beacon_claims_a_share_is_a_share(one, other):
    assert 0 <= share(one, other) <= 1
    assert share(one, one) == pytest.approx(1)
    assert relation(one, other) in MEANING
