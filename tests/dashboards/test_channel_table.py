"""The table of channels: who reaches into each, whose load it is, and what is said where there is nothing."""

from __future__ import annotations

import json

import pytest

from adapters.contract import HeardRadio
from dashboards.air.find import find_air
from dashboards.air.section import air_section
from dashboards.air.words import air_text, channel_row, choice_lines
from dashboards.commands import channels
from logger.console import main
from tests.dashboards.heard_log import OWN, START_MS, Planted, make_log, radio
from tests.dashboards.test_air_section import page_of
from tests.dashboards.test_channels import ROUTER, visits

WIDE = radio(2, 5220, -62, width=80)  # its primary is 44, and it covers 36 to 48


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    path = tmp_path_factory.mktemp("table") / "pottery.db"
    planted = [
        Planted(ROUTER, load=lambda hour: 0.3),
        Planted(WIDE, load=lambda hour: 0.02),
        Planted(radio(3, 5180, width=20), 0.5, load=lambda hour: 0.06),
    ]
    make_log(path, planted, hours=96, visits=visits, busy=lambda hour: 0.3).db.close()
    return path


@pytest.fixture(scope="module")
def air(path):
    from logger.log import Log

    with Log.open(path) as log:
        return find_air(log, zone="UTC")


def by_channel(air):
    return {one.channel: one for one in air.channels}


def test_a_channel_inside_somebodys_width_is_not_empty(air):
    found = by_channel(air)
    assert (found[40].n_neighbours, found[40].n_reaching, found[40].reaching_at_a_look) == (0, 1, pytest.approx(0.25))
    assert (found[44].n_neighbours, found[44].n_reaching) == (1, 1)
    assert (found[100].n_reaching, found[100].reaching_at_a_look) == (0, 0.0)
    assert channel_row(found[40])[:3] == ("40", "0", "1 (0.2)")


def test_what_channels_are_compared_by_is_in_the_table_under_its_name(air):
    own = by_channel(air)[36]
    assert own.reaching_at_a_look == pytest.approx(air.choices[0].own_neighbours)
    assert channel_row(own)[2].startswith(f"2 ({own.reaching_at_a_look:.1f})")
    words = " ".join(choice_lines(air.choices[0], air))
    assert f"{own.reaching_at_a_look:.1f} neighbours at a look reach into channel 36" in words
    assert "channels are compared by that" in air_text(air, START_MS)
    assert "2 (1." in page_of(air)


def test_the_own_access_points_load_and_the_others_are_told_apart(air):
    own = by_channel(air)[36]
    assert (own.own_load, own.n_own_load) == (pytest.approx(0.3), 192)
    assert own.load == pytest.approx(0.06)
    assert channel_row(own)[4].startswith("yours 30 % (192), others 6 % (")
    assert (by_channel(air)[44].own_load, by_channel(air)[44].load) == (None, pytest.approx(0.02))
    assert "yours 30 %" in page_of(air)


def test_bold_and_an_empty_busiest_are_explained(air):
    assert "busiest: the hours of the day that stand out, empty where none do" in air_text(air, START_MS)
    assert "Bold: the hours that stand out from the rest of the day, where any do." in page_of(air)


def test_channels_that_are_not_listed_are_not_called_empty(air):
    assert air_section(air, START_MS)["bands"][0]["n_reached"] == 2
    assert "(2 of them within reach of one that has it elsewhere)" in page_of(air)


def test_each_value_names_its_column_where_a_row_becomes_a_card(air):
    page = page_of(air)
    for name in (
        "neighbours (at a look)",
        "reach in (at a look)",
        "load",
        "busy",
        "address",
        "0 to 3 h",
        "heard, of scans",
    ):
        assert f'data-name="{name}">' in page
    assert page.count('class="table listed named"') == 3


def test_a_band_where_nothing_was_heard_is_said_to_be_with_the_likely_reason(path, capsys):
    assert main(["channels", "--db", str(path), "--band", "6"]) == 0
    out = capsys.readouterr().out
    assert "Nothing was heard on 6 GHz, and no scan tells that the card listened there" in out
    assert "neighbours: how many" not in out, "a legend of no table"
    assert main(["channels", "--db", str(path), "--band", "6", "--json"]) == 0
    assert "Nothing was heard on 6 GHz" in json.loads(capsys.readouterr().out)["cautions"][0]


def test_rules_that_were_not_read_say_why_and_what_to_do(path, capsys, monkeypatch, air):
    monkeypatch.setattr(channels, "_regulatory", lambda: (None, "there is no card; ask where there is one"))
    assert main(["channels", "--db", str(path)]) == 0
    out = capsys.readouterr().out
    assert "(DFS, power, indoors) were not read: there is no card; ask where there is one; your national" in out
    assert "were not read: a report does not read them; " in page_of(air)


@pytest.mark.parametrize(
    ("country", "said"), [("XP", "country XP (a code that no country has, "), ("FR", "country FR, ")]
)
def test_a_code_that_no_country_has_is_explained(tmp_path, country, said):
    ours = HeardRadio(OWN.bssid, 5180, b"pottery", 5210, 80, -60, country=country, country_max_dbm=20)
    with make_log(tmp_path / "a.db", [Planted(ours)], hours=2) as log:
        assert said in air_text(find_air(log, zone="UTC"), START_MS)


def test_an_imported_log_is_not_told_to_log(tmp_path, capsys):
    path = tmp_path / "a.db"
    recording = tmp_path / "samples.csv"
    recording.write_text("time,location,placement,version,band,rssi_dbm\n2026-10-05T08:00:00Z,bench,1,v1,5,-61\n")
    assert main(["import", str(recording), "--db", str(path)]) == 0
    capsys.readouterr()
    assert main(["channels", "--db", str(path)]) == 1
    err = capsys.readouterr().err
    assert "no scan of all channels is in this log: what was imported are samples" in err
    assert "is in the log yet" not in err
