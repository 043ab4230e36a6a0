"""The tagging commands as they are typed: words, exit codes, one line on standard error."""

from __future__ import annotations

import json
import os
import subprocess
import sys
from contextlib import redirect_stdout
from importlib import import_module
from io import StringIO

import pytest

from logger.console import COMMANDS, Parser, main
from logger.log import Log


@pytest.fixture
def say(tmp_path, capsys, monkeypatch):
    """Run one command line on a log; returns (exit code, output, errors)."""
    monkeypatch.setenv("LINKTRIAL_DB", str(tmp_path / "pottery.db"))

    def run(*words):
        code = main(list(words))
        out, err = capsys.readouterr()
        return code, out, err

    return run


def test_a_whole_trial_is_said_in_plain_verbs(say):
    assert say("at", "wheel by the window")[0] == 0
    code, out, _ = say(
        "changed", "longer antennas", "--set", "antenna.5.gain_dbi=5", "--set", "radio.5.tx_power_dbm=20"
    )
    assert code == 0
    assert "v2 'longer antennas'" in out
    assert "EIRP on 5 GHz: 25 dBm" in out
    assert "linktrial compare v1 v2" in out
    assert say("back-to", "v1")[0] == 0
    code, out, _ = say("timeline")
    assert code == 0
    assert out.count("wheel by the window") == 3
    assert "antenna.5.gain_dbi 5 dBi" in out


def test_every_answer_can_be_had_for_machines(say):
    assert json.loads(say("at", "kiln room", "--json")[1])["location"] == "kiln room"
    changed = json.loads(say("changed", "x", "--set", "antenna.5.gain_dbi=5", "--json")[1])
    assert (changed["config_version"], changed["settings"]) == ("v2", {"antenna.5.gain_dbi": 5})
    assert json.loads(say("back-to", "1", "--json")[1])["config_version"] == "v1"
    shown = json.loads(say("timeline", "--json")[1])
    assert [period["config_version"] for period in shown["periods"]] == ["v1", "v2", "v1"]
    assert json.loads(say("timeline", "--json", "undo")[1]) == {"done": "undone: back-to v1"}


def test_a_back_dated_change_says_when_the_next_one_ended_it(say, tmp_path):
    say("at", "kiln")
    with Log.open(tmp_path / "pottery.db") as log:
        log.db.execute("UPDATE period SET started_at_utc_ms = started_at_utc_ms - 600000")
    say("changed", "longer antennas")
    out = say("changed", "channel 100", "--at", "5 min ago")[1]
    assert "when v2 began; the settings of v2 stay as said" in out


def test_eirp_is_told_when_it_changes_and_not_else(say):
    say("at", "kiln")
    words = ["--set", "antenna.5.gain_dbi=5", "--set", "radio.5.tx_power_dbm=20"]
    assert "EIRP on 5 GHz: 25 dBm" in say("changed", "longer antennas", *words)[1]
    assert "EIRP" not in say("changed", "other firmware")[1]


def test_a_name_close_to_a_known_one_is_questioned(say):
    say("at", "wheel by the window")
    assert "if you meant 'wheel by the window': linktrial timeline undo" in say("at", "wheel by teh window")[1]


@pytest.mark.parametrize(
    ("words", "code", "reason"),
    [
        (["at"], 2, "the following arguments are required: location"),
        (["at", "x" * 200], 1, "takes up to 80 characters, not 200"),
        (["at", "kiln", "--at", "yesterday 14:05"], 1, "the log began at"),
        (["at", "kiln", "--at", "the other day"], 1, "no time that linktrial understands"),
        (["changed", "x", "--set", "antenna.5.gain_dbi=500"], 1, "between -10 and 40 dBi"),
        (["back-to", "v9"], 1, "there is no config version 'v9'"),
        (["timeline", "amend", "1", "--label", "x"], 1, "has no --label"),
        (["timeline", "amend", "v1"], 1, "say what to amend"),
        (["timeline", "amend", "nowhere", "--name", "x"], 1, "there is no location 'nowhere'"),
        (["changed", "x", "--notes", "\udcff"], 1, "notes are one line of printable characters"),
        (["changed", "x", "--notes", "a\nb"], 1, "notes are one line of printable characters"),
        (["changed", "x", "--notes", "x" * 2001], 1, "up to 2000 characters, not 2001"),
        (["timeline", "amend", "v1", "--notes", "\u202eoops"], 1, "notes are one line of printable characters"),
        (["timeline", "amend", "\udcff", "--name", "x"], 1, "cannot hold control characters"),
        (["timeline", "amend", "\u00b2", "--location", "x"], 1, "is a location and has no --location"),
        (["timeline", "amend", "\u0663", "--name", "x"], 1, "there is no location"),
        (["back-to", "\x1b[2J"], 1, "there is no config version"),
        (["timelin\x1b"], 2, "did you mean 'timeline'?"),
        (["timelin"], 2, "did you mean 'timeline'?"),
    ],
)
def test_what_goes_wrong_is_one_line_on_standard_error(say, words, code, reason):
    say("at", "wheel")
    got, out, err = say(*words)
    assert (got, out) == (code, "")
    assert reason in err
    assert err.count("\n") == 1
    assert err.startswith("linktrial")
    assert err.rstrip("\n").isprintable()


def test_notes_keep_letters_of_all_scripts_and_emoji(say):
    notes = "haut de l\u2019étagère, \u7a91, \U0001f468\u200d\U0001f33e"
    assert say("changed", "longer antennas", "--notes", notes)[0] == 0
    assert json.loads(say("timeline", "--json")[1])["config_versions"][-1]["notes"] == notes


@pytest.mark.parametrize(
    "words",
    [["status"], ["timeline"], ["at", "kiln\u202eroom2"], ["back-to", "2"], ["changed", "taller\u202e"]],
)
def test_what_reorders_text_is_shown_and_not_obeyed(say, words):
    say("at", "kiln\u202eroom")
    say("changed", "longer\u202eantennas")
    say("back-to", "1")
    code, out, err = say(*words)
    assert (code, err) == (0, "")
    assert "\\xe2\\x80\\xae" in out
    assert out.replace("\n", "").isprintable()


def test_what_the_terminal_cannot_encode_does_not_stop_the_answer(tmp_path):
    env = {**os.environ, "PYTHONIOENCODING": "ascii", "LINKTRIAL_DB": str(tmp_path / "pottery.db")}
    words = [sys.executable, "-c", "import sys, logger.console as c; sys.exit(c.main(['at', 'po\u00eale']))"]
    done = subprocess.run(words, env=env, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert "po\\xeale" in done.stdout


def test_a_file_that_is_no_log_is_refused(say, tmp_path):
    (tmp_path / "pottery.db").write_text("glaze recipes")
    code, _, err = say("timeline")
    assert code == 1
    assert "is no linktrial log" in err


def test_the_log_may_be_named_before_or_after_the_verb(say, tmp_path):
    assert say("--db", str(tmp_path / "a.db"), "at", "kiln")[0] == 0
    assert say(f"--db={tmp_path / 'a.db'}", "at", "wheel")[0] == 0
    assert "kiln" in say("timeline", "--db", str(tmp_path / "a.db"))[1]
    assert say("--db", str(tmp_path / "a.db"))[0] == 2


@pytest.mark.parametrize(
    "words",
    [
        ["at", "kiln"],
        ["changed", "taller"],
        ["back-to", "v1"],
        ["status"],
        ["timeline"],
        ["timeline", "amend", "1", "--location", "kiln"],
        ["timeline", "split", "--at", "now"],
        ["timeline", "join", "2"],
        ["timeline", "undo"],
    ],
)
def test_log_and_json_may_stand_at_the_end_or_after_the_verb(say, tmp_path, words):
    for there in (1, len(words)):
        path = str(tmp_path / f"{there}.db")
        say("at", "wheel", "--db", path)
        say("changed", "longer antennas", "--db", path)
        code, out, err = say(*words[:there], "--db", path, "--json", *words[there:])
        assert (code, err) == (0, "")
        assert json.loads(out)
    assert not (tmp_path / "pottery.db").exists()


@pytest.mark.parametrize("verb", COMMANDS)
def test_every_command_takes_the_log_and_json_as_the_readme_says(verb):
    """``check`` and ``far-end`` are about the machine, ``rescue`` about a log that is named; ``service`` takes them after its own verbs."""
    verbs = [("show",), ("install",)] if verb == "service" else [()]
    shown = "".join(help_of(verb, *own) for own in verbs)
    assert ("--db " in shown) == (verb not in ("check", "far-end", "rescue"))
    assert ("--json" in shown) == (verb not in ("demo", "log"))


def help_of(verb, *words):
    parser = Parser(prog=verb)
    import_module(COMMANDS[verb][0]).configure(parser)
    shown = StringIO()
    with redirect_stdout(shown), pytest.raises(SystemExit):
        parser.parse_args([*words, "--help"])
    return shown.getvalue()


def test_help_lists_every_command(capsys):
    assert main(["--help"]) == 0
    out = capsys.readouterr().out
    assert all(f"\n    {verb} " in out for verb in COMMANDS)


@pytest.mark.parametrize("verb", COMMANDS)
def test_every_command_explains_itself(capsys, verb):
    assert main([verb, "--help"]) == 0
    out = capsys.readouterr().out
    assert out.startswith(f"usage: linktrial {verb}")
    assert len(out.splitlines()) > 3


@pytest.mark.parametrize("words", [["at", "kiln"], ["changed", "x"], ["timeline"], ["status"]])
def test_tagging_imports_nothing_heavy(tmp_path, words):
    """pandas, numpy, plotly and sqlite_utils cost half a second; asyncio and dataclasses tens of milliseconds."""
    code = (
        "import sys; from logger.log import Log; Log.open(sys.argv[1]).close()\n"
        "from logger.console import main; main(sys.argv[2:])\n"
        "heavy = {'pandas', 'numpy', 'plotly', 'sqlite_utils', 'apscheduler', 'pyroute2', 'asyncio', 'tqdm'}\n"
        "sys.exit(', '.join(heavy & set(sys.modules)) or 0)"
    )
    path = tmp_path / "pottery.db"
    env = {**os.environ, "LINKTRIAL_DB": str(path)}
    done = subprocess.run(
        [sys.executable, "-c", code, str(path), *words], env=env, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stderr


def test_versions_are_shown_as_they_came_into_force_each_against_the_one_before_it(say, tmp_path):
    say("at", "kiln", "--at", "10 h ago")
    say("changed", "taller", "--at", "2 h ago", "--set", "antenna.5.gain_dbi=5")
    say("changed", "turned", "--at", "6 h ago", "--set", "router.position=shelf")
    shown = json.loads(say("timeline", "--json")[1])["config_versions"]
    assert [(one["config_version"], one["after"]) for one in shown] == [("v1", None), ("v3", "v1"), ("v2", "v3")]
    assert shown[1]["difference"] == ["router.position shelf"]
    say("back-to", "1", "--at", "1 h ago")
    say("changed", "taller still", "--set", "antenna.5.gain_dbi=7")
    assert "v4   taller still, after v1\n         antenna.5.gain_dbi 7 dBi\n" in say("timeline")[1]
