"""Which verdicts of earlier reviews stand, which are taken away, and what happens when the owner edits meanwhile."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import pytest
import sqlite_utils  # noqa: F401  so that logs are made in this process, not in a child each time

from adapters.simulated.clock import SimulatedClock
from dashboards import review as reviewing
from dashboards.analysis.effect_value import Effect
from dashboards.comparison import PLAIN_JUDGEMENT, LocatedEffect
from logger.console import main
from logger.findings import PROGRESS, TOLD_AGAIN_AFTER_MS, VERDICT, mark_said, read_findings, unsaid_news
from logger.log import Log
from logger.timeline import Timeline
from tests.dashboards.kiln_log import END_MS, HOUR_MS, make_kiln_log

KEY = '[1, 2, 1, "5", "rssi"]'
ROOM = "kiln room"


def effect(verdict: str, band: str = "5", metric: str = "rssi") -> LocatedEffect:
    value = Effect(
        *(metric, "dB", 6.0, 5.0, 7.0, 0.95, verdict, 1.0, 1, 1, 20.0, 20.0, "position", "a model"),
        warnings=(), anytime_low=4.0, anytime_high=8.0, open=True,
    )  # fmt: skip
    return LocatedEffect(1, 2, ROOM, band, value)


class Reviewed:
    """The kiln's log, and the verdicts that a test has its effects come to."""

    def __init__(self, path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
        self.log, self.now_ms = Log.open(path), END_MS
        self.meanwhile: Callable[[], object] = lambda: None
        self.effects: list[LocatedEffect] = []
        monkeypatch.setattr(reviewing, "judge", self._judge)
        monkeypatch.setattr(reviewing, "own_changes", lambda answers, blocks, events, now_ms: [])

    def _judge(self, *_: object) -> list[LocatedEffect]:
        self.meanwhile()
        return self.effects

    @property
    def timeline(self) -> Timeline:
        return Timeline(self.log, SimulatedClock(self.now_ms), "Europe/Paris")

    def review(self, *effects: LocatedEffect) -> list[str]:
        """What is news after this review; the daemon tells it."""
        self.effects = list(effects)
        reviewing.review(self.log, PLAIN_JUDGEMENT, self.now_ms)
        news = unsaid_news(self.log.db)
        mark_said(self.log.db, news, self.now_ms)
        return [finding.key for finding in news]

    def verdicts(self) -> list[str]:
        return [finding.key for finding in read_findings(self.log.db, VERDICT)]


@pytest.fixture(scope="module")
def whole(tmp_path_factory) -> Path:
    return make_kiln_log(tmp_path_factory.mktemp("verdicts") / "kiln.db")


@pytest.fixture
def reviewed(whole, tmp_path, monkeypatch):
    path = tmp_path / "kiln.db"
    path.write_bytes(whole.read_bytes())
    reviewed = Reviewed(path, monkeypatch)
    yield reviewed
    reviewed.log.close()


def test_the_same_verdict_again_is_no_news(reviewed):
    assert reviewed.review(effect("better")) == [KEY]
    assert reviewed.review(effect("better")) == []
    assert reviewed.review(effect("worse")) == [KEY]


def test_a_verdict_that_comes_and_goes_from_hour_to_hour_is_told_once_a_day(reviewed):
    told_at_h = []
    for hour in range(72):
        if reviewed.review(effect("undecided" if hour % 2 else "better")):
            told_at_h.append(hour)
        reviewed.now_ms += HOUR_MS
    assert TOLD_AGAIN_AFTER_MS == 24 * HOUR_MS
    assert told_at_h == [0, 26, 52]


def test_a_verdict_that_fell_back_before_it_was_told_is_never_told(reviewed):
    reviewed.effects = [effect("better")]
    reviewing.review(reviewed.log, PLAIN_JUDGEMENT, reviewed.now_ms)
    assert reviewed.review(effect("undecided")) == []
    assert reviewed.verdicts() == []


def test_another_version_of_the_same_number_has_a_verdict_of_its_own(reviewed):
    reviewed.review(effect("better"))
    reviewed.now_ms += HOUR_MS
    assert [reviewed.timeline.undo().split()[0] for _ in range(3)] == ["back-to", "back-to", "changed"]
    reviewed.timeline.changed("a foil behind it", reviewed.now_ms - HOUR_MS // 2)
    assert reviewed.review(effect("undecided")) == []
    assert reviewed.verdicts() == []
    assert reviewed.review(effect("better")) == [KEY]


def test_what_the_trial_no_longer_has_is_taken_away(reviewed):
    reviewed.review(effect("better"), effect("better", band="2.4"), effect("worse", metric="tx-rate"))
    reviewed.review(effect("better"))
    assert reviewed.verdicts() == [KEY]


def test_a_verdict_of_another_location_stays_told_while_both_versions_are_logged_there(reviewed):
    reviewed.review(effect("better"))
    reviewed.timeline.at("wheel by the window")
    assert reviewed.review() == []
    assert reviewed.verdicts() == [KEY]
    for period in reviewed.timeline.periods():
        if period.config_version == 1:
            reviewed.timeline.amend_period(period.id, location="glaze shelf")
    assert reviewed.review() == []
    assert reviewed.verdicts() == []


def test_verdicts_on_a_version_that_was_undone_are_taken_away(reviewed):
    reviewed.review(effect("better"))
    for _ in range(3):
        reviewed.timeline.undo()
    assert reviewed.review() == []
    assert reviewed.verdicts() == []


EDITS = {
    "undo": lambda timeline: timeline.undo(),
    "a new version": lambda timeline: timeline.changed("tilted"),
    "another label": lambda timeline: timeline.amend_version(2, label="tilted"),
    "another beginning": lambda timeline: timeline.amend_period(4, started_ms=END_MS - 3 * HOUR_MS),
}


@pytest.mark.parametrize("edit", EDITS.values(), ids=EDITS)
def test_of_a_timeline_that_was_edited_meanwhile_nothing_is_kept(reviewed, edit):
    reviewed.meanwhile = lambda: edit(reviewed.timeline)
    with pytest.raises(reviewing.Overtaken, match="was edited while the trial was judged"):
        reviewed.review(effect("better"))
    assert read_findings(reviewed.log.db, VERDICT, PROGRESS) == []


def test_an_edit_meanwhile_has_the_command_judge_again_at_once(reviewed, capsys):
    edits = iter([lambda: reviewed.timeline.amend_version(2, label="tilted")])
    reviewed.meanwhile = lambda: next(edits, lambda: None)()
    reviewed.effects = [effect("better")]
    assert main(["review", "--db", str(reviewed.log.path)]) == 0
    assert "tilted" in capsys.readouterr().out
    assert reviewed.verdicts() == [KEY]


def test_edits_without_an_end_are_said_in_one_line(reviewed, capsys):
    reviewed.meanwhile = lambda: reviewed.timeline.amend_version(2, label="tilted")
    reviewed.effects = [effect("better")]
    assert main(["review", "--db", str(reviewed.log.path)]) == 1
    assert capsys.readouterr().err == (
        "linktrial: the timeline was edited while the trial was judged, so nothing was kept; say 'linktrial review' again\n"
    )


SLOW = """
import sys, time
from dashboards import many_effects
from logger.console import main

judge_many = many_effects.judge_many

def slowly(*words):
    for done, judged in enumerate(judge_many(*words)):
        yield judged
        if done == 1:
            open(sys.argv[1] + ".two", "w")
            time.sleep(60)

many_effects.judge_many = slowly
sys.exit(main(["review", "--db", sys.argv[1]]))
"""


def test_a_review_that_is_asked_to_end_remembers_what_it_has_worked_out(reviewed):
    path = reviewed.log.path
    with subprocess.Popen([sys.executable, "-c", SLOW, str(path)], env=dict(os.environ)) as process:
        deadline_s = time.monotonic() + 60
        while not path.with_name(path.name + ".two").exists():
            assert time.monotonic() < deadline_s
            assert process.poll() is None
            time.sleep(0.05)
        process.send_signal(signal.SIGTERM)
        assert process.wait(20) == 128 + signal.SIGTERM
    questions = [json.loads(row[0]) for row in reviewed.log.db.execute("SELECT question FROM answer")]
    assert sorted(question["asked"] for question in questions) == ["effect", "effect", "parts"]


def test_a_metric_that_looks_better_by_itself_only_among_many_is_no_news(reviewed):
    barely = effect("better", metric="outage")
    barely = replace(barely, effect=replace(barely.effect, anytime_low=0.1, anytime_high=11.9))
    unsure = [
        replace(one, effect=replace(one.effect, anytime_low=-5.0, anytime_high=17.0))
        for one in (effect("undecided"), effect("undecided", metric="drop-outs"), effect("undecided", metric="noise"))
    ]
    assert reviewed.review(*unsure, barely) == []
    clear = replace(barely, effect=replace(barely.effect, anytime_low=3.0, anytime_high=9.0))
    assert reviewed.review(*unsure, clear) == ['[1, 2, 1, "5", "outage"]']
