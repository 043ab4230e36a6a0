"""`linktrial review`: the running trial judged, on the pottery's log with a change of 6 dB."""

from __future__ import annotations

import json
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import pytest

from dashboards import review as reviewing
from dashboards.comparison import PLAIN_JUDGEMENT, LocatedEffect, compare_versions
from dashboards.frames import load_blocks
from dashboards.report import find
from logger.console import main
from logger.errors import LogError
from logger.findings import PROGRESS, VERDICT, read_findings, unsaid_news
from logger.log import Log
from logger.recorder import Recorder
from logger.timeline import Timeline
from tests.dashboards.kiln_log import (
    EFFECT_DB,
    END_MS,
    EVIL,
    STEP_MS,
    HandClock,
    make_kiln_log,
    samples,
)

HOSTILE = f"kiln {EVIL} = \N{LEFT-TO-RIGHT MARK}"


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> Path:
    return make_kiln_log(tmp_path_factory.mktemp("review") / "kiln.db", label=EVIL)


@pytest.fixture(scope="module")
def effects(whole) -> list[LocatedEffect]:
    """What the statistics say of it; seconds of work."""
    with Log.open(whole) as log:
        blocks = load_blocks(log)
    return compare_versions(blocks, 1, 2, location="kiln room", in_force=2)


@pytest.fixture
def path(whole, tmp_path) -> Path:
    """A log of its own."""
    return Path(shutil.copy(whole, tmp_path / "kiln.db"))


@pytest.fixture
def ask(path, capsys, effects, monkeypatch):
    """Run the command on a log whose effects are known already."""

    def judge(trial, *_: object) -> list[LocatedEffect]:
        assert (trial.a, trial.b) == (1, 2)
        return [replace(one, location=trial.location) for one in effects]

    monkeypatch.setattr(reviewing, "judge", judge)

    def run(*words: str) -> tuple[int, str, str]:
        code = main(["review", *words, "--db", str(path)])
        return code, *capsys.readouterr()

    return run


def findings(path: Path, kind: str):
    with Log.open(path, create=False) as log:
        return read_findings(log.db, kind)


def test_the_planted_change_is_a_verdict_in_the_log_with_the_interval_that_holds_however_often_one_looks(path, ask):
    code, out, err = ask()
    assert (code, err) == (0, "")
    (rssi,) = (found for found in findings(path, VERDICT) if found.detail["metric"] == "rssi")
    assert json.loads(rssi.key) == [1, 2, 1, "5", "rssi"]
    assert rssi.said_at_utc_ms is None
    detail = rssi.detail
    assert (detail["a"], detail["b"], detail["verdict"], detail["open"]) == ("v1", "v2", "better", True)
    assert detail["anytime_low"] < detail["low"] < EFFECT_DB < detail["high"] < detail["anytime_high"]
    assert f"[{detail['anytime_low']:.1f}, {detail['anytime_high']:.1f}], better." in rssi.words
    assert rssi.words in out
    assert "\N{MINUS SIGN}" not in out


def test_only_what_is_decided_is_a_verdict(path, ask):
    ask()
    verdicts = {found.detail["metric"]: found.detail["verdict"] for found in findings(path, VERDICT)}
    assert set(verdicts.values()) <= {"better", "worse", "no-difference"}
    (progress,) = findings(path, PROGRESS)
    (band,) = progress.detail["bands"]
    assert {metric: verdict for metric, verdict in band["verdicts"].items() if verdict != "undecided"} == verdicts
    assert "undecided" in band["verdicts"].values()


def test_judging_again_is_no_news(path, ask):
    ask()
    with Log.open(path) as log:
        log.db.execute("UPDATE finding SET said_at_utc_ms = 1")
    ask()
    with Log.open(path) as log:
        assert unsaid_news(log.db) == []
    assert len(findings(path, PROGRESS)) == 1


def test_a_verdict_that_turned_into_another_is_news(path, ask):
    ask()
    with Log.open(path) as log:
        log.db.execute("UPDATE finding SET said_at_utc_ms = 1, detail = json_set(detail, '$.verdict', 'worse')")
    ask()
    with Log.open(path) as log:
        assert {found.detail["verdict"] for found in unsaid_news(log.db)} >= {"better"}


def test_progress_tells_hours_and_effect_per_band_in_words_and_numbers(path, ask, effects):
    code, out, _ = ask("--json")
    assert code == 0
    (progress,) = (found for found in json.loads(out)["findings"] if found["kind"] == PROGRESS)
    assert (progress["a"], progress["b"], progress["location"]) == ("v1", "v2", "kiln room")
    (band,) = progress["bands"]  # v1 was never on 2.4 GHz
    effect = next(one.effect for one in effects if one.effect.metric == "rssi")
    assert band["hours_a"] == pytest.approx(effect.hours_a, rel=1e-4)
    assert (band["needed"], band["verdict"]) == ([], "better")
    assert f"after {effect.hours_a:.0f} h of v1 and {effect.hours_b:.0f} h of v2" in band["words"]
    assert band["words"] in progress["words"]
    assert band["also"].startswith("better: tx rate, rx rate")
    assert "RSSI" not in band["also"]


def test_a_young_trial_says_what_it_still_needs(tmp_path, capsys):
    path = tmp_path / "young.db"
    taken = samples(b"pottery")[:170]
    with Log.open(path) as log:
        timeline, recorder = Timeline(log, HandClock(), "Europe/Paris"), Recorder(log)
        timeline.at("kiln room", taken[0].time_utc_ms)
        recorder.set_pace(STEP_MS, taken[0].time_utc_ms)
        recorder.record(taken, [])
        timeline.changed("longer antennas", taken[-20].time_utc_ms)
    assert main(["review", "--db", str(path)]) == 0
    out = capsys.readouterr().out
    (progress,) = findings(path, PROGRESS)
    (band,) = progress.detail["bands"]
    assert band["verdict"] == "undecided"
    assert band["needed"] or "too little was measured" in band["words"]
    assert "RSSI" in out
    assert not [found for found in findings(path, VERDICT) if found.detail["metric"] == "rssi"]


# Which trial


def test_going_back_to_the_first_version_goes_on_with_the_same_trial(path, ask):
    ask()
    with Log.open(path) as log:
        log.db.execute("UPDATE finding SET said_at_utc_ms = 1")
        Timeline(log, HandClock(), "Europe/Paris").back_to(1, END_MS - 60 * STEP_MS)
    ask()
    (progress,) = findings(path, PROGRESS)
    assert (progress.detail["a"], progress.detail["b"]) == ("v1", "v2")
    with Log.open(path) as log:
        assert not [found for found in unsaid_news(log.db) if json.loads(found.key)[:2] != [1, 2]]


def test_where_the_laptop_has_only_just_come_nothing_is_claimed(path, capsys):
    with Log.open(path) as log:
        Timeline(log, HandClock(), "Europe/Paris").at("wheel by the window")
    assert main(["review", "--db", str(path)]) == 0
    out = capsys.readouterr().out
    assert "at wheel by the window, no band has both v1 and v2 here yet." in out
    assert findings(path, VERDICT) == []


def test_without_a_change_there_is_no_trial_and_that_is_no_error(tmp_path, capsys):
    path = tmp_path / "new.db"
    with Log.open(path) as log:
        Timeline(log, HandClock(), "Europe/Paris").at("kiln room")
    assert main(["review", "--db", str(path)]) == 0
    assert "no trial is running" in capsys.readouterr().out
    assert main(["review", "--json", "--db", str(path)]) == 0
    assert json.loads(capsys.readouterr().out) == {"findings": []}


def test_progress_of_a_trial_that_was_undone_is_taken_away(path, ask):
    ask()
    with Log.open(path) as log, log.transaction() as db:
        db.execute("UPDATE period SET config_version = 1")
    assert "no trial is running" in ask()[1]
    assert findings(path, PROGRESS) == []


def test_hostile_names_are_words_and_nothing_else(path, ask, capsys):
    with Log.open(path) as log:
        log.db.execute("UPDATE location SET name = ?", (HOSTILE + "\x1b[2J",))
    out = ask()[1]
    assert r"\x1b[2J" in out
    assert out.replace("\n", "").isprintable()
    for words in (["status"], ["timeline"]):
        assert main([*words, "--db", str(path)]) == 0
        assert capsys.readouterr().out.replace("\n", "").isprintable()
    assert json.loads(ask("--json")[1])["findings"][0]["location"] == HOSTILE + "\x1b[2J"


def test_the_log_is_free_for_the_daemon_while_the_trial_is_judged(path, monkeypatch, effects):
    other = sqlite3.connect(path, timeout=0, isolation_level=None)

    def judge_while_another_writes(*arguments: object):
        other.execute("BEGIN IMMEDIATE")
        other.execute("ROLLBACK")
        other.execute("PRAGMA wal_checkpoint(TRUNCATE)")  # nobody reads an old state of the log either
        assert other.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()[0] == 0
        return effects

    monkeypatch.setattr(reviewing, "judge", judge_while_another_writes)
    with Log.open(path) as log:
        assert reviewing.review(log, PLAIN_JUDGEMENT, END_MS)
    other.close()


def test_a_log_that_cannot_be_written_is_said_in_one_line(path, monkeypatch, effects):
    monkeypatch.setattr(reviewing, "judge", lambda *arguments: effects)
    with Log.open(path) as log:
        log.db.execute("PRAGMA query_only = ON")
        with pytest.raises(LogError, match="cannot be written"):
            reviewing.review(log, PLAIN_JUDGEMENT, END_MS)


def test_no_log_is_made_where_there_is_none(tmp_path, capsys):
    assert main(["review", "--db", str(tmp_path / "no.db")]) == 1
    assert "there is no log" in capsys.readouterr().err
    assert not (tmp_path / "no.db").exists()


def test_a_daemon_has_the_trial_judged_and_says_the_verdict(path, tmp_path):
    """Real processes: the daemon, its child, the log between them."""
    settings = tmp_path / "settings.toml"
    settings.write_text("review_every_s = 1")
    environ = os.environ | {"LINKTRIAL_SETTINGS": str(settings), "DBUS_SESSION_BUS_ADDRESS": ""}
    command = [
        sys.executable,
        "-m",
        "logger.console",
        "log",
        "--simulated",
        "1",
        "--interval",
        "0.5",
        "--db",
        str(path),
    ]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env=environ) as daemon:
        try:
            deadline_s = time.monotonic() + 300  # the child yields to whatever else runs here
            while not any(found.said_at_utc_ms for found in findings(path, VERDICT)):
                assert time.monotonic() < deadline_s
                assert daemon.poll() is None
                time.sleep(0.5)
            daemon.send_signal(signal.SIGTERM)
            out, err = daemon.communicate(timeout=20)
        finally:
            daemon.kill()
    assert (daemon.returncode, err) == (0, "")
    assert out.count("RSSI rose by") == 1


def test_working_ahead_leaves_nothing_for_the_report_to_do(path, capsys):
    assert main(["review", "--ahead", "100", "--json", "--db", str(path)]) == 0
    done = []
    with Log.open(path) as log:
        find(log, now_utc_ms=END_MS, zone="UTC", progress=lambda done_now, expected: done.append(expected))
    assert done == []
