"""Another channel is better only on evidence, from day to day, and where rules let the router begin to send."""

from __future__ import annotations

from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.contract import FrequencyRule, RegulatoryDomain
from dashboards.air.rules import ChannelRules, radar_in_most_countries, rule_words, rules_on
from dashboards.analysis.air.choice import Candidate, channels_of, pick, pieces_mhz
from dashboards.analysis.air.overlap import Channel

CH36, CH52, CH100 = (Channel.known(mhz, None, 80) for mhz in (5180, 5260, 5500))


def candidate(channel, neighbours, busy=None, n_days=6, **more):
    """With a little from day to day."""
    days = {day: neighbours + 0.05 * (-1) ** day for day in range(n_days)}
    return Candidate(channel, days, {} if busy is None else dict.fromkeys(range(n_days), busy), **more)


def test_fewer_neighbours_and_less_busy_is_better():
    found = pick(candidate(CH36, 3, 0.4), [candidate(CH52, 0.5, 0.1), candidate(CH100, 2, 0.1)])
    assert (found.verdict, found.best.channel) == ("better elsewhere", CH52)
    assert found.neighbours.low > 2
    assert found.busy.low == pytest.approx(0.3)


def test_fewer_neighbours_that_are_as_busy_are_not():
    assert pick(candidate(CH36, 3, 0.1), [candidate(CH52, 0, 0.1)]).verdict == "no better"


def test_less_busy_with_as_many_neighbours_is_not_for_it_may_be_the_own_traffic():
    assert pick(candidate(CH36, 0, 0.5), [candidate(CH52, 0, 0.05)]).verdict == "no better"


def test_a_few_of_many_neighbours_less_are_not_fewer_for_a_scan_listens_for_a_moment_elsewhere():
    assert pick(candidate(CH36, 10, 0.4), [candidate(CH52, 8.5, 0.1)]).verdict == "no better"
    assert pick(candidate(CH36, 10, 0.4), [candidate(CH52, 6, 0.1)]).verdict == "better elsewhere"


def test_where_nobody_listened_is_nowhere_to_go():
    found = pick(candidate(CH36, 3), [candidate(CH52, 0, listened=False)])
    assert (found.verdict, found.best, found.n_unheard) == ("no evidence", None, 1)


def test_where_the_rules_forbid_it_is_nowhere_to_go():
    found = pick(candidate(CH36, 3), [candidate(CH52, 0, allowed=False), candidate(CH100, 1)])
    assert (found.verdict, found.best.channel, found.n_barred) == ("better elsewhere", CH100, 1)


def test_a_channel_with_radar_is_taken_only_where_no_other_is_better():
    both = [candidate(CH52, 0, restricted=True), candidate(CH100, 1)]
    assert pick(candidate(CH36, 3), both).best.channel == CH100
    assert pick(candidate(CH36, 1), both).best.channel == CH52


def test_two_days_are_too_few():
    assert pick(candidate(CH36, 3, n_days=2), [candidate(CH52, 0, n_days=2)]).verdict == "too few days"
    assert pick(candidate(CH36, 3), [candidate(CH52, 0, n_days=2)]).verdict == "no better"


@given(st.lists(st.tuples(st.floats(0, 5), st.booleans(), st.booleans(), st.integers(0, 8)), max_size=6))
def test_whatever_was_heard_a_channel_that_is_picked_has_evidence_and_leave(others):
    made = [
        candidate(Channel.known(5180 + 20 * n, None, 20), mean, n_days=days, listened=heard, allowed=allowed)
        for n, (mean, heard, allowed, days) in enumerate(others, 1)
    ]
    found = pick(candidate(Channel.known(5180, None, 20), 2), made)
    if found.verdict == "better elsewhere":
        assert found.best.listened
        assert found.best.allowed
        assert found.neighbours.n_days >= 3
        assert found.neighbours.low > 0


@given(st.sampled_from([20, 40, 80, 160, 320]), st.sampled_from(["5", "6"]))
def test_channels_of_a_width_lie_side_by_side(width, band):
    channels = sorted(channels_of(band, width), key=lambda channel: channel.center_mhz)
    assert all(one.high_mhz <= other.low_mhz for one, other in pairwise(channels))
    assert all(len(pieces_mhz(channel)) * 20 == width for channel in channels)
    assert all(pieces_mhz(channel)[0] == channel.primary_mhz for channel in channels)


def test_the_channels_are_those_of_annex_e():
    assert [channel.center_mhz for channel in channels_of("5", 80)] == [5210, 5290, 5530, 5610, 5690, 5775, 5855]
    assert [channel.center_mhz for channel in channels_of("5", 160)] == [5250, 5570, 5815]
    assert [channel.primary_mhz for channel in channels_of("2.4", 40)] == [2412, 2437, 2462]
    assert len(channels_of("6", 160)) == 7
    assert channels_of("5", 320) == []


DOMAIN = RegulatoryDomain(
    "DE",
    "ETSI",
    (
        FrequencyRule(2400, 2483.5, 40, 20),
        FrequencyRule(5150, 5250, 80, 23, indoor_only=True),
        FrequencyRule(5250, 5350, 80, 20, indoor_only=True, radar_detection=True, check_before_use_s=60),
        FrequencyRule(5470, 5725, 160, 26.99, radar_detection=True),
        FrequencyRule(5945, 6425, 160, 23, no_initiating=True),
    ),
)


def test_the_strictest_of_the_rules_over_a_channel_hold():
    across = rules_on(DOMAIN, Channel.known(5180, None, 160))
    assert across == ChannelRules(True, True, False, True, 20, None, 60)
    assert rules_on(DOMAIN, CH36) == ChannelRules(True, indoor_only=True, max_eirp_dbm=23, max_width_mhz=80)
    assert not rules_on(DOMAIN, Channel.known(5745, None, 80)).allowed
    assert not rules_on(DOMAIN, Channel.known(5660, None, 160)).allowed  # ends beyond 5725
    assert not rules_on(RegulatoryDomain("00", None, (FrequencyRule(5170, 5250, 40),)), CH36).allowed
    assert not rules_on(DOMAIN, Channel.known(5955, None, 80)).usable


def test_rules_are_said_with_what_they_ask_for():
    words = rule_words(rules_on(DOMAIN, CH52))
    assert words.startswith(
        "at most 20 dBm EIRP, up to 80 MHz wide, indoors only, DFS: the router listens for radar first for 60 s"
    )
    assert "80 MHz" not in rule_words(rules_on(DOMAIN, Channel.known(5180, None, 160))), "of 160, each half may be 80"
    assert rule_words(ChannelRules(True)) == "no limit told"
    assert [radar_in_most_countries(channel) for channel in (CH36, CH52, CH100)] == [False, True, True]
