"""The radio that a version stands for is the one it was on for most of the time."""

from __future__ import annotations

import pandas as pd
import pytest

from dashboards.analysis.radio import choose_radio


def block(bssid, frequency_mhz, covered_s, connected=True):
    return {"bssid": bssid, "frequency_mhz": frequency_mhz, "covered_s": covered_s, "connected": connected}


def test_the_radio_of_most_covered_time_is_chosen_not_of_most_blocks():
    blocks = pd.DataFrame([*[block("02:00:00:00:00:01", 5180, 10.0)] * 5, block("02:00:00:00:00:02", 5180, 150.0)])
    own = choose_radio(blocks)
    assert own.radio.bssid == "02:00:00:00:00:02"
    assert len(own.blocks) == 1
    assert own.others_share == pytest.approx(0.25)
    assert own.notable


def test_one_access_point_on_two_channels_is_two_radios():
    own = choose_radio(pd.DataFrame([block("02:00:00:00:00:01", 5180, 9.0), block("02:00:00:00:00:01", 5745, 1.0)]))
    assert str(own.radio) == "02:00:00:00:00:01 at 5180 MHz"


def test_a_recording_that_names_no_radio_is_one_radio():
    own = choose_radio(pd.DataFrame([block(None, float("nan"), 9.0), block(None, float("nan"), 1.0)]))
    assert (own.radio.bssid, own.radio.frequency_mhz, own.others_share) == (None, None, 0.0)
    assert len(own.blocks) == 2


def test_time_without_a_link_is_on_no_radio():
    assert choose_radio(pd.DataFrame([block(None, float("nan"), 9.0, connected=False)])) is None
