"""What is said of another channel: the numbers of the table under the names of the table, and the true reason."""

from __future__ import annotations

import json

import pytest

from adapters.contract import ChannelVisit
from dashboards.air.find import find_air
from dashboards.air.words import air_json, air_text, choice_lines
from logger.console import main
from tests.dashboards.heard_log import START_MS, Planted, make_log
from tests.dashboards.test_channels import CHANNELS, ROUTER, STUDIO


def visits(hour):
    """The first four the own, and busy; the next a little, and 100 to 112 nearly not."""
    busy = dict.fromkeys(CHANNELS[:4], 30) | dict.fromkeys(CHANNELS[8:], 3)
    return [ChannelVisit(mhz, -94, 100, ms) for mhz, ms in busy.items()]


def found(tmp_path, *, studio=1.0, busy=lambda hour: 0.3, visits=visits, days=5):
    planted = [Planted(ROUTER), Planted(STUDIO, studio)]
    with make_log(tmp_path / "a.db", planted, hours=24 * days, visits=visits, busy=busy) as log:
        return find_air(log, zone="UTC")


def said(air):
    return " ".join(line.strip() for line in choice_lines(air.choices[0], air))


def test_too_little_is_said_with_what_it_takes_and_what_there_is(tmp_path):
    air = found(tmp_path, studio=0.3)
    told = json.loads(json.dumps(air_json(air)))["choices"][0]
    assert (told["verdict"], told["missing"]) == ("no better", ["fewer neighbours"])
    assert (told["least_fewer"], told["least_less_busy"]) == (0.5, 0.05)
    assert told["neighbours"]["low"] > 0, "beyond doubt, and yet too little"
    words = said(air)
    assert "No channel that was listened to is better by enough" in words
    assert "It takes at least 0.50 neighbours fewer at a look, and 5 points less busy, beyond doubt: 0.3" in words
    assert "fewer are not enough" in words
    assert "0.5 fewer at a look, and 5 points of a hundred less busy" in air_text(air, START_MS)


def test_a_channel_as_busy_lacks_that(tmp_path):
    air = found(tmp_path, busy=lambda hour: 0.04)
    assert air.choices[0].pick.missing == ("less busy",)
    assert "1.0 points less are not enough" in said(air)


def test_busy_time_of_the_own_channel_that_is_missing_is_not_put_down_to_the_card(tmp_path):
    air = found(tmp_path, busy=None, visits=lambda hour: visits(hour)[4:])
    assert air.choices[0].pick.busy_days == (0, 5, 0)
    assert "How busy channel 36 is is not known: neither the link's samples nor scans' visits counted it." in said(air)


def test_busy_time_of_too_few_days_in_common_says_of_how_many(tmp_path):
    looks = iter(range(5 * 48))

    def later(hour):  # on the last two days the card counts elsewhere, too; before it only tells that it listened
        counted = next(looks) >= 3 * 48
        return [ChannelVisit(one.frequency_mhz, -94, 100, one.busy_ms if counted else None) for one in visits(hour)]

    air = found(tmp_path, visits=later)
    assert air.choices[0].pick.busy_days == (5, 2, 2)
    assert (
        "How much less busy it is there cannot be told yet: how busy they are is known of channel 36 on 5 days, of channel"
        " 100 on 2, of both on 2; it takes 3." in said(air)
    )


def test_a_card_that_counts_no_busy_time_is_said_to(tmp_path):
    air = found(tmp_path, visits=lambda hour: [ChannelVisit(mhz, -94, 100, None) for mhz in CHANNELS])
    assert "How busy channel 52 is is not known: no day has 4 visits of scans that counted it." in said(air)


def test_how_often_neighbours_were_heard_is_said_of_a_named_channel_and_in_days_of_one_kind(tmp_path):
    words = said(found(tmp_path))
    assert "heard there" not in words
    assert "Neighbours that reach into channel 36 were heard at 100 % of 240 scans on 5 days." in words
    assert "5.0 days" not in words
    assert "(the same difference on each of 5 days); busy 27 points of a hundred less there (the same" in words


@pytest.mark.parametrize("share", [0.97, 0.995])
def test_no_interval_is_shown_without_a_width(tmp_path, share):
    words = said(found(tmp_path, studio=share))
    low, high = words.split("(less by [")[1].split("]")[0].split(", ")
    assert low != high


def test_commands_under_a_proposal_take_the_same_log_and_plan_for_what_a_channel_is_changed_for(tmp_path, capsys):
    found(tmp_path)
    path = tmp_path / "a.db"
    assert main(["channels", "--db", str(path)]) == 0
    out = capsys.readouterr().out
    assert f'linktrial changed "channel 100" --set radio.5.channel=100 --db "{path}"\n' in out
    assert f'linktrial plan --metric busy-share --band 5 --db "{path}"\n' in out
    assert main(["changed", "channel 100", "--db", str(path)]) == 0
    assert f'linktrial compare v1 v2 --db "{path}"\n' in capsys.readouterr().out


def test_without_busy_time_in_the_links_samples_no_plan_is_handed_out(tmp_path):
    words = said(found(tmp_path, busy=None))
    assert "looks better" in words
    assert "linktrial plan" not in words
    assert "Stay two whole days or more on each, by turns" in words
