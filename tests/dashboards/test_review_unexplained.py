"""What changed and nobody wrote down, as `linktrial review` keeps it and `timeline` suggests a tag for it."""

from __future__ import annotations

import json
import shlex
import shutil
from pathlib import Path

import numpy as np
import pytest

from dashboards import remembered_places
from dashboards import review as reviewing
from dashboards.analysis.unexplained.changes import Unexplained
from logger.console import main
from logger.findings import UNEXPLAINED, read_findings, unsaid_news
from logger.log import Log
from logger.recorder import Recorder
from logger.sample import Sample
from logger.timeline import Timeline
from tests.dashboards.kiln_log import END_MS, HOUR_MS, START_MS, HandClock, make_kiln_log, samples


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> Path:
    return make_kiln_log(tmp_path_factory.mktemp("unexplained") / "kiln.db")


@pytest.fixture
def path(whole, tmp_path) -> Path:
    """A log of its own."""
    return Path(shutil.copy(whole, tmp_path / "kiln.db"))


@pytest.fixture
def ask(path, capsys, monkeypatch):
    """Run the command; the effects of the trial are no matter here."""
    monkeypatch.setattr(reviewing, "judge", lambda *_: [])

    def run() -> str:
        assert main(["review", "--db", str(path)]) == 0
        return capsys.readouterr().out

    return run


def findings(path: Path, kind: str):
    with Log.open(path, create=False) as log:
        return read_findings(log.db, kind)


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
    monkeypatch.setattr(reviewing, "own_changes", lambda *_: list(found))
    return found


def test_an_unexplained_change_is_kept_with_its_numbers_and_the_command_that_tags_it(path, ask, changes, capsys):
    changes.append(a_change(START_MS + 5 * HOUR_MS))
    out = ask()
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
    monkeypatch.setattr(remembered_places, "unexplained_changes", lambda blocks, events: searched.append(blocks) or [])
    with Log.open(path) as log, log.transaction() as db:
        db.execute("INSERT INTO source (id, kind, name, added_at_utc_ms) VALUES (2, 'import', 'other.csv', 0)")
        db.execute("UPDATE period SET source_id = 2 WHERE id = 3")
    ask()
    assert {source_id for blocks in searched for source_id in blocks["source_id"]} == {1}


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
