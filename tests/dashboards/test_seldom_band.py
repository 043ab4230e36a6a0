"""A band that the laptop was on for a few minutes only: scans that heard its radio give its RSSI."""

from __future__ import annotations

import pandas as pd
import pytest

from dashboards.beside_frames import load_beside
from dashboards.comparison import compare_versions
from dashboards.frames import load_blocks
from dashboards.overview import overview
from logger.log import Log
from tests.dashboards.beside_log import LEVEL_DB, RADIO_24, make_beside_log


@pytest.fixture(scope="module")
def loaded(tmp_path_factory):
    """Blocks and what is beside them, the laptop having been on 2.4 GHz once with each version."""
    with Log.open(make_beside_log(tmp_path_factory.mktemp("seldom") / "pottery.db")) as log:
        blocks, beside = load_blocks(log), load_beside(log)
    few = blocks.groupby("version").head(1).assign(band="2.4", bssid=RADIO_24, frequency_mhz=2437)
    return pd.concat([blocks, few], ignore_index=True), beside


@pytest.mark.parametrize("asked", [{"metrics": ("rssi",), "band": "2.4"}, {}])
def test_rssi_of_a_band_that_the_laptop_seldom_chose_is_told_from_scans(loaded, asked):
    blocks, beside = loaded
    effects = [one for one in compare_versions(blocks, 1, 2, beside=beside, **asked) if one.band == "2.4"]
    (heard,) = [one for one in effects if one.radio]
    assert (heard.radio, heard.laptop_on, heard.effect.verdict) == (RADIO_24, ("5",), "better")
    assert heard.effect.low < LEVEL_DB < heard.effect.high
    (link,) = [one for one in effects if one.effect.metric == "rssi"]
    assert link.seldom_used
    assert "RSSI from scans is judged apart" in link.effect.warnings[0]


def test_a_band_that_scans_tell_of_is_not_said_to_have_no_verdict(loaded):
    blocks, beside = loaded
    effects = compare_versions(blocks, 1, 2, beside=beside)
    said = overview(effects)
    assert said["seldom"] == {}
    assert [one["where"] for one in said["heard"] if one["elsewhere"]] == ["wheel, 2.4 GHz"]
    assert overview([one for one in effects if not one.radio])["seldom"] == {"2.4 GHz": ["wheel"]}
