"""A weak link is heard only when it is strong: it is said by every sign of it, and not of a link that is well."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from dashboards.analysis.effect import estimate_effect
from dashboards.analysis.heard import flat_hours
from logger.blocks import encode_histogram
from tests.bench.verdict.worlds import Family, simulate

WEAK = Family((6, 6), level_dbm=-84.0)


def said_of(family: Family, effect_db: float = 3.0, silent: bool = False) -> str:
    blocks = simulate(family, effect_db, np.random.default_rng(3))
    if silent:  # a recording that has no row where nothing was heard
        heard = blocks["rssi_n"] / blocks["n_samples"]
        blocks = blocks.assign(n_samples=blocks["rssi_n"], covered_s=blocks["covered_s"] * heard)[heard > 0.5]
    found = [text for text in estimate_effect(blocks, 1, 2, "rssi").warnings if "heard only when it is strong" in text]
    assert len(found) <= 1
    return " ".join(found)


@pytest.mark.parametrize(
    "family",
    [
        WEAK,
        replace(WEAK, level_dbm=-60.0, heard_above_dbm=-62.0),
        replace(WEAK, level_dbm=-60.0, losses_an_hour=0.5),
        replace(WEAK, fast_sd=3.0, blockings_an_hour=2.0),
    ],
)
def test_a_link_that_is_heard_whole_or_is_strong_is_not_called_weak(family):
    assert said_of(family) == ""


def test_readings_that_are_missing_and_end_abruptly_are_said_with_what_that_does_to_the_difference():
    said = said_of(replace(WEAK, heard_above_dbm=-85.0))
    assert said.startswith("v1 was heard for ")
    assert "dBm and never under -85, and v2 for " in said
    assert said.endswith("its true level is lower, and the difference is larger than it seems.")


def test_a_recording_that_is_silent_where_nothing_was_heard_is_found_out_too():
    assert said_of(replace(WEAK, heard_above_dbm=-84.0, slow_tau_s=7200.0), silent=True) != ""


def test_a_link_that_is_gone_is_a_link_not_heard():
    assert "was heard for" in said_of(replace(WEAK, losses_an_hour=0.5))


def test_a_stronger_version_that_was_heard_seldomer_is_the_one_that_looks_too_good():
    blocks = simulate(WEAK, 3.0, np.random.default_rng(3))
    lost = (blocks["version"] == 2) & (np.arange(len(blocks)) % 3 == 0)
    blocks.loc[lost, ["connected", "link_id", "rssi_n"]] = [False, 2, 0]
    said = " ".join(estimate_effect(blocks, 1, 2, "rssi").warnings)
    assert "its true level is lower, most of all that of v2." in said


def test_versions_that_are_heard_alike_seldom_bend_the_difference_no_way():
    said = said_of(replace(WEAK, heard_above_dbm=-85.0), effect_db=0.0)
    assert said.endswith("its true level is lower.")


def blocks_of(*values: tuple[int, ...] | int, hours: float = 0.25) -> pd.DataFrame:
    """One block each of such readings; a block of several values has one of each."""
    found = [(value,) if isinstance(value, int) else value for value in values]
    return pd.DataFrame(
        {
            "stay": 0,
            "covered_s": 3600 * hours,
            "rssi_histogram": [encode_histogram(dict.fromkeys(readings, 5)) for readings in found],
        }
    )


def test_hours_at_one_value_are_counted_where_they_last():
    assert flat_hours(blocks_of(-60, -60, -60, (-60, -61), -60)) == pytest.approx(0.75)
    assert flat_hours(blocks_of(-60, -61, -60, -61)) == 0
    assert flat_hours(blocks_of((-60, -61), (-60, -61), (-60, -61))) == 0
    assert flat_hours(blocks_of(-60, hours=0.1)) == pytest.approx(0.1)  # the whole of a short stay
    assert flat_hours(pd.concat([blocks_of(-60), blocks_of(-60).assign(stay=1)], ignore_index=True)) == 0.5
    assert flat_hours(blocks_of().assign(rssi_histogram=[])) == 0


def test_the_hours_at_one_step_are_said_of_each_version():
    still = Family((2, 2), fast_sd=0.01, slow_sd=0.0, daily=0.0, blockings_an_hour=0.0)
    blocks = simulate(still, 3.0, np.random.default_rng(1))
    both = " ".join(estimate_effect(blocks, 1, 2, "rssi").warnings)
    assert "For 2 h of v1 and 2 h of v2 the level never left one step of 1 dB" in both
    lively = simulate(replace(still, fast_sd=2.0), 3.0, np.random.default_rng(1))
    one = pd.concat([blocks[blocks["version"] == 1], lively[lively["version"] == 2]], ignore_index=True)
    assert "For 2 h of v1 the level never left" in " ".join(estimate_effect(one, 1, 2, "rssi").warnings)
