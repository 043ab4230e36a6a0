"""`linktrial compare`, from the command line to the exit code, on a log with a change of 6 dB."""

from __future__ import annotations

import json

import pytest

from logger.console import main
from logger.log import Log
from tests.dashboards.kiln_log import EFFECT_DB, make_kiln_log


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    return make_kiln_log(tmp_path_factory.mktemp("compare") / "kiln.db")


def ask(capsys, *words: object) -> tuple[int, str, str]:
    code = main(["compare", *map(str, words)])
    out, err = capsys.readouterr()
    return code, out, err


def test_json_holds_the_planted_step(path, capsys):
    code, out, err = ask(capsys, "v1", "v2", "--metric", "rssi", "--band", "5", "--json", "--db", path)
    assert (code, err) == (0, "")
    answer = json.loads(out)
    assert (answer["a"], answer["b"]) == ("v1", "v2")
    (effect,) = answer["effects"]
    assert effect["low"] <= EFFECT_DB <= effect["high"]
    assert effect["verdict"] == "better"
    assert (effect["location"], effect["band"], effect["unit"], effect["scope"]) == ("kiln room", "5", "dB", "position")


def test_the_other_way_round_the_sign_turns(path, capsys):
    _, out, _ = ask(capsys, "2", "1", "--metric", "rssi", "--json", "--db", path)
    (effect,) = json.loads(out)["effects"]
    assert effect["verdict"] == "worse"
    assert effect["low"] <= -EFFECT_DB <= effect["high"]


def test_without_a_metric_json_has_all_that_were_recorded(path, capsys):
    _, out, _ = ask(capsys, "v1", "longer antennas", "--json", "--db", path)
    metrics = [effect["metric"] for effect in json.loads(out)["effects"]]
    assert metrics == ["rssi", "tx-rate", "rx-rate", "outage", "drop-outs", "retry-share"]


def test_for_people_it_says_a_table_and_a_sentence(path, capsys):
    code, out, err = ask(capsys, "v1", "v2", "--metric", "rssi", "--db", path)
    assert (code, err) == (0, "")
    assert out.startswith("v2 “longer antennas” against v1 “as found”, with 95 % intervals\n")
    assert "On 5 GHz at kiln room, RSSI rose by " in out


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("v1", "v7"), "there is no config version 'v7'; there are: v1, v2"),
        (("v1", "longer antena"), "did you mean 'longer antennas'?"),
        (("v1", "v1"), "v1 cannot be compared with itself; say two versions"),
        (("v1", "v2", "--location", "kiln rom"), "did you mean 'kiln room'?"),
        (("v1", "v2", "--band", "2.4"), "no location has both v1 and v2 on 2.4 GHz: 'kiln room' has v2"),
    ],
)
def test_what_cannot_be_answered_is_said_in_one_line(path, capsys, words, said):
    code, out, err = ask(capsys, *words, "--db", path)
    assert (code, out) == (1, "")
    assert err.count("\n") == 1
    assert said in err


def test_a_log_with_one_version_says_so(tmp_path, capsys):
    with Log.open(tmp_path / "new.db"):
        pass
    code, _, err = ask(capsys, "v1", "v2", "--db", tmp_path / "new.db")
    assert code == 1
    assert err.count("\n") == 1


def test_no_log_is_made_where_there_is_none(tmp_path, capsys):
    code, _, err = ask(capsys, "v1", "v2", "--db", tmp_path / "none.db")
    assert code == 1
    assert "there is no log at" in err
    assert not (tmp_path / "none.db").exists()


def test_wrong_usage_is_exit_code_2(path, capsys):
    assert ask(capsys, "v1", "--db", path)[0] == 2
    assert ask(capsys, "v1", "v2", "--band", "7", "--db", path)[0] == 2


def test_margins_come_from_the_settings(path, capsys, tmp_path, monkeypatch):
    (tmp_path / "settings.toml").write_text("margin_rssi_db = 30\n", encoding="utf-8")
    monkeypatch.setenv("LINKTRIAL_SETTINGS", str(tmp_path / "settings.toml"))
    _, out, _ = ask(capsys, "v1", "v2", "--metric", "rssi", "--json", "--db", path)
    (effect,) = json.loads(out)["effects"]
    assert (effect["margin"], effect["verdict"]) == (30, "no-difference")
