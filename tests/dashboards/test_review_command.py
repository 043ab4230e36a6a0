"""`linktrial review`: the running trial judged, on the pottery's log with a change of 6 dB."""

from __future__ import annotations

import json
import os
import shlex
import shutil
import signal
import sqlite3
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from dashboards import review as reviewing
from dashboards.analysis.unexplained import Unexplained
from dashboards.comparison import PLAIN_JUDGEMENT, LocatedEffect, compare_versions
from dashboards.frames import load_blocks
from logger.console import main
from logger.errors import LogError
from logger.findings import PROGRESS, UNEXPLAINED, VERDICT, read_findings, unsaid_news
from logger.log import Log
from logger.recorder import Recorder
from logger.sample import Sample
from logger.timeline import Timeline
from tests.dashboards.kiln_log import (
    EFFECT_DB,
    END_MS,
    EVIL,
    HOUR_MS,
    START_MS,
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
    return compare_versions(blocks, 1, 2, location="kiln room")


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


def test_a_verdict_stays_told_when_a_later_look_is_undecided(path, ask):
    ask()
    with Log.open(path) as log:
        kept = "json_extract(key, '$[4]') = 'rssi'"
        log.db.execute(f"DELETE FROM finding WHERE kind = 'verdict' AND NOT {kept}")
        log.db.execute(
            "UPDATE finding SET key = '[1, 2, 1, \"6\", \"rssi\"]', said_at_utc_ms = 1 WHERE kind = 'verdict'"
        )
    ask()
    assert '[1, 2, 1, "6", "rssi"]' in [found.key for found in findings(path, VERDICT)]


def test_verdicts_on_a_version_that_was_undone_are_taken_away(path, ask):
    ask()
    with Log.open(path) as log:
        log.db.execute("UPDATE finding SET key = json_set(key, '$[1]', 9) WHERE kind = 'verdict'")
        log.db.execute("UPDATE finding SET said_at_utc_ms = 1")
    ask()
    assert {json.loads(found.key)[1] for found in findings(path, VERDICT)} == {2}


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


# What nobody wrote down


def a_change(at_ms: int, **other: object) -> Unexplained:
    fields = {
        "kind": "level",
        "location": "kiln room",
        "band": "5",
        "version": 1,
        "metric": "rssi",
        "at_utc_ms": at_ms,
        "earliest_utc_ms": at_ms - 600_000,
        "latest_utc_ms": at_ms + 600_000,
        "change": -4.2,
        "low": -5.3,
        "high": -3.1,
        "unit": "dB",
        "seen": ("the channel's width went from 80 to 20 MHz",),
    }
    return Unexplained(**(fields | other))


@pytest.fixture
def changes(monkeypatch) -> list[Unexplained]:
    """What the search finds next."""
    found: list[Unexplained] = []
    monkeypatch.setattr(reviewing, "unexplained_changes", lambda blocks, events: list(found))
    return found


def test_an_unexplained_change_is_kept_with_its_numbers_and_the_command_that_tags_it(path, ask, changes, capsys):
    changes.append(a_change(START_MS + 5 * HOUR_MS))
    out = ask()[1]
    (found,) = findings(path, UNEXPLAINED)
    assert found.words in out
    assert "fell by 4.2 [3.1, 5.3] dB" in found.words
    assert "the channel's width went from 80 to 20 MHz" in found.words
    assert (found.detail["change"], found.detail["low"], found.detail["unit"]) == (-4.2, -5.3, "dB")
    assert main(["timeline", "--json", "--db", str(path)]) == 0
    (suggestion,) = json.loads(capsys.readouterr().out)["suggestions"]
    assert suggestion["command"].startswith("linktrial changed ")


def test_the_command_that_is_suggested_makes_the_suggestion_go_away(path, ask, changes, capsys):
    changes.append(a_change(START_MS + 5 * HOUR_MS))
    ask()
    (found,) = findings(path, UNEXPLAINED)
    words = shlex.split(found.detail["command"])
    assert words[0] == "linktrial"
    assert main([*words[1:], "--db", str(path)]) == 0
    capsys.readouterr()
    assert main(["timeline", "--json", "--db", str(path)]) == 0
    assert json.loads(capsys.readouterr().out)["suggestions"] == []


def test_a_change_that_more_samples_moved_by_some_minutes_is_no_news(path, ask, changes):
    changes.append(a_change(START_MS + 5 * HOUR_MS))
    ask()
    with Log.open(path) as log:
        log.db.execute("UPDATE finding SET said_at_utc_ms = 1")
    changes[:] = [
        a_change(START_MS + 5 * HOUR_MS + 900_000, change=-4.4),
        a_change(START_MS + 12 * HOUR_MS),
        a_change(START_MS + 5 * HOUR_MS, kind="spread", unit="ratio", change=2.0, low=1.5, high=3.0),
        a_change(START_MS + 5 * HOUR_MS, band="2.4"),
    ]
    ask()
    with Log.open(path) as log:
        news = [
            (found.detail["kind"], found.detail["band"], found.detail["at_utc_ms"]) for found in unsaid_news(log.db)
        ]
    assert sorted(news) == [
        ("level", "2.4", START_MS + 5 * HOUR_MS),
        ("level", "5", START_MS + 12 * HOUR_MS),
        ("spread", "5", START_MS + 5 * HOUR_MS),
    ]
    assert {found.detail["change"] for found in findings(path, UNEXPLAINED)} == {-4.4, -4.2, 2.0}


def test_two_changes_close_to_each_other_are_two(path, ask, changes):
    changes += [a_change(START_MS + 5 * HOUR_MS), a_change(START_MS + 5 * HOUR_MS + 900_000, change=3.0)]
    for _ in range(2):
        ask()
        assert [found.detail["change"] for found in findings(path, UNEXPLAINED)] == [-4.2, 3.0]


def test_a_change_that_is_no_longer_found_is_taken_away(path, ask, changes):
    changes.append(a_change(START_MS + 5 * HOUR_MS))
    ask()
    changes.clear()
    ask()
    assert findings(path, UNEXPLAINED) == []


def test_imported_recordings_are_not_searched_every_hour(path, ask, monkeypatch):
    searched = []
    monkeypatch.setattr(reviewing, "unexplained_changes", lambda blocks, events: searched.append(blocks) or [])
    with Log.open(path) as log, log.transaction() as db:
        db.execute("INSERT INTO source VALUES (2, 'import', 'other.csv', 0)")
        db.execute("UPDATE period SET source_id = 2 WHERE id = 3")
    ask()
    assert set(searched[0]["source_id"]) == {1}


def test_a_step_that_nobody_wrote_down_is_found_without_a_trial_too(tmp_path, capsys):
    path = tmp_path / "step.db"
    step_ms, n = 600_000, 3 * 144
    noise = np.random.default_rng(3).normal(0, 0.7, n)
    link = samples(b"pottery")[0].link
    rssi_dbm = [round(-60 + noise[k] - 8 * (k >= n // 2)) for k in range(n)]
    with Log.open(path) as log:
        timeline, recorder = Timeline(log, HandClock(), "Europe/Paris"), Recorder(log)
        first_ms = END_MS - n * step_ms
        timeline.at("kiln room", first_ms)
        recorder.set_pace(step_ms, first_ms)
        recorder.record([Sample(first_ms + k * step_ms, link, level) for k, level in enumerate(rssi_dbm)], [])
    assert main(["review", "--db", str(path)]) == 0
    out = capsys.readouterr().out
    assert out.startswith("no trial is running")
    (found,) = findings(path, UNEXPLAINED)
    assert found.words in out
    assert found.detail["low"] < -8 < found.detail["high"]
    assert found.detail["earliest_utc_ms"] <= END_MS - n // 2 * step_ms <= found.detail["latest_utc_ms"]


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
        deadline_s = time.monotonic() + 120
        while not any(found.said_at_utc_ms for found in findings(path, VERDICT)):
            assert time.monotonic() < deadline_s
            assert daemon.poll() is None
            time.sleep(0.5)
        daemon.send_signal(signal.SIGTERM)
        out, err = daemon.communicate(timeout=20)
    assert (daemon.returncode, err) == (0, "")
    assert out.count("RSSI rose by") == 1
