"""Structured settings: known keys, units, ranges, differences, EIRP."""

from __future__ import annotations

import pytest

from logger.errors import TagError
from logger.router_settings import changed_settings, difference, eirp_dbm, parse_settings


def test_settings_are_said_as_key_and_value():
    said = [
        "antenna.5.gain_dbi=5",
        "antenna.2.4.gain_dbi = 2.15",
        "radio.6.width_mhz=320",
        "router.position=on the shelf",
    ]
    assert parse_settings(said) == {
        "antenna.5.gain_dbi": 5,
        "antenna.2.4.gain_dbi": 2.15,
        "radio.6.width_mhz": 320,
        "router.position": "on the shelf",
    }


def test_an_empty_value_takes_a_setting_away():
    assert changed_settings({"antenna.5.gain_dbi": 5}, parse_settings(["antenna.5.gain_dbi="])) == {}


@pytest.mark.parametrize(
    ("word", "reason"),
    [
        ("antenna.5.gain_dbi=500", "between -10 and 40 dBi, not 500"),
        ("antenna.5.gain_dbi=nan", "between -10 and 40 dBi"),
        ("antenna.5.gain_dbi=high", "between -10 and 40 dBi"),
        ("antena.5.gain_dbi=5", r"did you mean antenna\.5\.gain_dbi"),
        ("antenna.5.gain_dbi", "KEY=VALUE"),
        ("radio.5.width_mhz=60", "one of 20, 40, 80, 160, 320 MHz"),
        ("radio.2.4.channel=36", "2.4 GHz has no channel 36"),
        ("radio.5.channel=37", "5 GHz has no channel 37"),
        ("radio.5.channel=36.5", "5 GHz has no channel 36.5"),
        ("radio.5.tx_power_dbm=99", "between -20 and 36 dBm"),
        ("router.position=a\x1bb", "printable"),
        ("colour=blue", "there is no setting 'colour'"),
        ("=5", "there is no setting ''"),
    ],
)
def test_what_cannot_be_is_refused(word, reason):
    with pytest.raises(TagError, match=reason):
        parse_settings([word])


def test_a_version_is_shown_as_its_difference_from_the_one_before():
    before = {"antenna.5.gain_dbi": 2, "radio.5.channel": 36, "router.position": "office"}
    after = {"antenna.5.gain_dbi": 5, "radio.5.channel": 36, "radio.5.width_mhz": 80}
    assert difference(before, after) == [
        "antenna.5.gain_dbi 2 -> 5 dBi",
        "radio.5.width_mhz 80 MHz",
        "router.position no longer said",
    ]


def test_eirp_is_power_less_cable_loss_plus_gain_and_unknown_without_power_or_gain():
    """Oracle: 20 dBm - 1.5 dB + 5 dBi = 23.5 dBm, by hand."""
    settings = {"radio.5.tx_power_dbm": 20, "antenna.5.cable_loss_db": 1.5, "antenna.5.gain_dbi": 5}
    assert eirp_dbm(settings, "5") == 23.5
    assert eirp_dbm(settings, "2.4") is None
