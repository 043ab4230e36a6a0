"""Two versions are compared on one radio where they share one, else each on its own."""

from __future__ import annotations

from itertools import count

import pandas as pd
import pytest

from dashboards.analysis.radio import choose_radios, parted_by_chance

STRETCHES = count(step=10_000_000)
ONE, TWO = "02:00:00:00:00:01", "02:00:00:00:00:02"


def block(bssid, frequency_mhz, covered_s, connected=True, at_ms=None, level_dbm=-60.0):
    """A stretch of its own, unless ``at_ms`` says which."""
    at_ms = next(STRETCHES) if at_ms is None else at_ms
    return {
        "bssid": bssid, "frequency_mhz": frequency_mhz, "covered_s": covered_s, "connected": connected,
        "source_id": 1, "period_id": 1, "started_at_utc_ms": at_ms, "ended_at_utc_ms": at_ms + 10_000_000,
        "first_utc_ms": at_ms, "last_utc_ms": at_ms + 9_000_000, "rssi_n": 100, "rssi_mean_dbm": level_dbm,
    }  # fmt: skip


def choose(a, b, planned=False):
    arms = {1: pd.DataFrame(a), 2: pd.DataFrame(b)}
    return list(choose_radios(arms, lambda arm: arm["covered_s"].sum() >= 100, planned=planned).values())


def test_the_shared_radio_with_the_longest_lesser_time_is_chosen():
    own = choose(
        [block(ONE, 5180, 600), block(ONE, 5500, 400), block(TWO, 5180, 200)],
        [block(ONE, 5500, 900), block(TWO, 5180, 300)],
    )
    assert [str(one.radio) for one in own] == [f"{ONE} at 5500 MHz"] * 2
    assert own[0].others_share == pytest.approx(2 / 3)
    assert own[0].notable
    assert not parted_by_chance(*own)


def test_a_shared_radio_that_one_version_seldom_used_is_no_fair_sample():
    own = choose([block(ONE, 5180, 9000), block(ONE, 5500, 400)], [block(ONE, 5500, 9000)])
    assert [one.radio.frequency_mhz for one in own] == [5180, 5500]
    assert parted_by_chance(*own)


def test_a_shared_radio_with_too_little_time_leaves_each_version_its_own():
    own = choose([block(ONE, 5180, 200), block(ONE, 5500, 90)], [block(ONE, 5500, 200)])
    assert [one.radio.frequency_mhz for one in own] == [5180, 5500]


def test_a_planned_radio_is_each_versions_own():
    own = choose([block(ONE, 5180, 600), block(ONE, 5500, 400)], [block(ONE, 5500, 900)], planned=True)
    assert [one.radio.frequency_mhz for one in own] == [5180, 5500]


def test_the_own_radio_is_that_of_most_covered_time_not_of_most_blocks():
    own, _ = choose([*[block(ONE, 5180, 10.0)] * 5, block(TWO, 5180, 150.0)], [block(None, None, 9.0, False)])
    assert own.radio.bssid == TWO
    assert len(own.blocks) == 1
    assert own.others_share == pytest.approx(0.25)


def test_one_access_point_on_two_channels_may_be_chance_but_another_router_is_none():
    assert parted_by_chance(*choose([block(ONE, 5180, 900)], [block(ONE, 5500, 900)]))
    assert not parted_by_chance(*choose([block(ONE, 5180, 900)], [block(TWO, 5500, 900)]))
    assert parted_by_chance(*choose([block(ONE, 5180, 9000), block(TWO, 5500, 90)], [block(TWO, 5500, 900)]))


def test_recordings_without_access_points_on_one_channel_each_are_taken_at_their_word():
    assert not parted_by_chance(*choose([block(None, 5180, 900)], [block(None, 5500, 900)]))
    assert parted_by_chance(*choose([block(None, 5180, 9000), block(None, 5500, 90)], [block(None, 5500, 900)]))


def test_a_recording_that_names_no_radio_is_one_radio():
    nameless = [block(None, float("nan"), 900.0), block(None, float("nan"), 1.0)]
    own, _ = choose(nameless, nameless)
    assert (own.radio.bssid, own.radio.frequency_mhz, own.others_share) == (None, None, 0.0)
    assert len(own.blocks) == 2


def test_time_without_a_link_is_on_no_radio():
    own, other = choose([block(None, float("nan"), 900.0, connected=False)], [block(ONE, 5180, 900)])
    assert own is None
    assert other.radio.bssid == ONE
