"""What a review left in the log, as `status` and `timeline` show it; and which trial is running."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from adapters.simulated.clock import SimulatedClock
from logger.claim import Claim
from logger.console import main
from logger.findings import PROGRESS, UNEXPLAINED, Finding, drop_others, keep_finding, read_findings
from logger.log import Log
from logger.running_trial import running_trial
from logger.timeline import Timeline
from tests.logger.conftest import START_MS

HOUR_MS = 3_600_000
HOSTILE = "kiln \x1b[2J<b>room</b>"


class Owner:
    """Says what stands where, an hour between sayings."""

    def __init__(self, log: Log) -> None:
        self.log, self.clock = log, SimulatedClock(START_MS)
        self.timeline = Timeline(log, self.clock, "Europe/Berlin")

    def at(self, location: str) -> None:
        self.timeline.at(location)
        self.clock.advance(3600)

    def changed(self, label: str) -> None:
        self.timeline.changed(label)
        self.clock.advance(3600)

    def back_to(self, number: int) -> None:
        self.timeline.back_to(number)
        self.clock.advance(3600)

    def trial(self) -> tuple[int, int, str] | None:
        trial = running_trial(self.log.db, self.clock.utc_ms())
        return trial and trial[:3]


@pytest.fixture
def owner(log) -> Owner:
    return Owner(log)


@pytest.fixture
def show(log, capsys, monkeypatch):
    """Run one command line on the log; returns what it printed."""
    monkeypatch.setenv("TZ", "UTC")

    def run(*words: str) -> str:
        assert main([*words, "--db", str(log.path)]) == 0
        return capsys.readouterr().out

    return run


def keep(log: Log, finding: Finding, at_ms: int = START_MS) -> None:
    with log.transaction() as db:
        keep_finding(db, finding, at_ms)


def progress(location: str = "kiln room", location_id: int = 1, *, bands: bool = True) -> Finding:
    band = {
        "band": "5",
        "words": "5 GHz: whether RSSI changed cannot be told yet: +0.8 dB [-1.0, 2.6], after 3.0 h of v1 and 2.0 h of v2",
        "verdict": "undecided",
        "also": "better: tx rate",
        "needed": ["About 6 h more of v2 would tell."],
    }
    detail = {"a": "v1", "b": "v2", "location": location, "location_id": location_id, "bands": [band] if bands else []}
    return Finding(PROGRESS, PROGRESS, "v2 against v1: no band has both yet.", detail)


# Which trial is running


def test_there_is_none_before_the_first_change_at_the_router(owner):
    assert owner.trial() is None
    owner.at("kiln room")
    owner.at("wheel by the window")
    assert owner.trial() is None


def test_it_is_the_version_in_force_against_the_one_before_where_the_laptop_stands(owner):
    owner.at("kiln room")
    owner.changed("longer antennas")
    assert owner.trial() == (1, 2, "kiln room")
    owner.at("wheel by the window")
    assert owner.trial() == (1, 2, "wheel by the window")
    owner.changed("channel 100")
    assert owner.trial() == (2, 3, "wheel by the window")


def test_going_back_goes_on_with_the_same_trial(owner):
    owner.at("kiln room")
    for say in (owner.changed, owner.changed):
        say("something else")
    owner.back_to(2)
    assert owner.trial() == (2, 3, "kiln room")
    owner.back_to(1)
    assert owner.trial() == (1, 2, "kiln room")
    owner.back_to(3)
    assert owner.trial() == (1, 3, "kiln room")


def test_an_imported_recording_is_no_running_trial(owner, tmp_path, capsys):
    owner.at("kiln room")
    recording = tmp_path / "other.csv"
    rows = [f"2026-01-0{day}T0{hour}:00:00Z,shed,x,v{day},5,-60" for day in (1, 2) for hour in range(9)]
    recording.write_text("\n".join(["time,location,placement,version,band,rssi_dbm", *rows]))
    assert main(["import", str(recording), "--db", str(owner.log.path)]) == 0
    capsys.readouterr()
    assert owner.trial() is None


# status


def test_status_says_nothing_of_a_trial_where_there_is_none(owner, show):
    owner.at("kiln room")
    assert "running trial" not in show("status")
    assert json.loads(show("status", "--json"))["trial"] is None


def test_status_of_a_trial_not_judged_yet_says_when_it_will_be(owner, show, log, tmp_path, monkeypatch):
    owner.at("kiln room")
    owner.changed("longer antennas")
    said = show("status")
    assert "running trial: v2 'longer antennas' against v1 'as found' at 'kiln room'" in said
    assert "not judged yet; 'linktrial review' does it now" in said
    with Claim.take(log.path):
        assert "the first judgement comes within 1 h, or 'linktrial review' does it now" in show("status")
        settings = tmp_path / "settings.toml"
        monkeypatch.setenv("LINKTRIAL_SETTINGS", str(settings))
        for text in ("review_every_s = 0", "no such setting"):
            settings.write_text(text)
            assert "not judged yet; 'linktrial review' does it now" in show("status")
    trial = json.loads(show("status", "--json"))["trial"]
    assert (trial["a"], trial["b"], trial["location"]) == ("v1", "v2", "kiln room")
    assert (trial["judged_at_utc_ms"], trial["words"], trial["bands"]) == (None, None, [])


def test_status_shows_how_far_the_trial_is_and_what_it_still_needs(owner, show, log):
    owner.at("kiln room")
    owner.changed("longer antennas")
    keep(log, progress())
    said = show("status").splitlines()
    head = next(n for n, line in enumerate(said) if line.startswith("running trial: v2 'longer antennas'"))
    assert said[head].endswith(" ago")
    assert said[head + 1].startswith(
        "  5 GHz: whether RSSI changed cannot be told yet: +0.8 dB [-1.0, 2.6], after 3.0 h"
    )
    assert said[head + 2] == "    better: tx rate"
    assert said[head + 3] == "    About 6 h more of v2 would tell."
    trial = json.loads(show("status", "--json"))["trial"]
    assert trial["judged_at_utc_ms"] == START_MS
    assert trial["bands"] == progress().detail["bands"]


def test_status_of_a_trial_without_a_band_says_why(owner, show, log):
    owner.at("kiln room")
    owner.changed("longer antennas")
    keep(log, progress(bands=False))
    assert "  v2 against v1: no band has both yet." in show("status")


def test_what_was_found_of_another_trial_is_not_said_of_this_one(owner, show, log):
    owner.at("kiln room")
    owner.changed("longer antennas")
    keep(log, progress())
    owner.at("wheel by the window")
    assert "not judged yet" in show("status")
    owner.changed("channel 100")
    assert "not judged yet" in show("status")


def test_a_location_with_another_name_is_still_the_same_trial(owner, show, log):
    owner.at("kiln room")
    owner.changed("longer antennas")
    keep(log, progress())
    owner.timeline.amend_location("kiln room", "kiln")
    assert "at 'kiln', judged" in show("status")


def test_hostile_words_are_harmless_in_status(log, show):
    """No command takes such a name; a log from elsewhere may hold one."""
    owner = Owner(log)
    owner.at("kiln room")
    owner.changed("longer antennas")
    log.db.execute("UPDATE location SET name = ?", (HOSTILE,))
    finding = progress(HOSTILE)
    finding.detail["bands"][0] |= {"words": HOSTILE, "needed": [HOSTILE]}
    keep(log, finding)
    said = show("status")
    assert "\x1b" not in said
    assert said.count(r"kiln \x1b[2J<b>room</b>") == 4  # here, trial, band, what is needed
    assert json.loads(show("status", "--json"))["trial"]["location"] == HOSTILE


# timeline


def unexplained(at_ms: int, key: str = "a", words: str = "RSSI on 5 GHz at kiln room fell by 4.2 dB.") -> Finding:
    detail = {
        "kind": "level",
        "at_utc_ms": at_ms,
        "earliest_utc_ms": at_ms - 600_000,
        "latest_utc_ms": at_ms + 600_000,
        "command": 'linktrial changed "WHAT IT WAS" --at "2026-09-21 18:13"',
    }
    return Finding(UNEXPLAINED, key, words, detail)


def test_timeline_suggests_what_was_perhaps_not_written_down_with_a_command_each(owner, show, log):
    owner.at("kiln room")
    owner.clock.advance(86_400)
    assert "perhaps unrecorded" not in show("timeline")
    assert json.loads(show("timeline", "--json"))["suggestions"] == []
    keep(log, unexplained(START_MS + 9 * HOUR_MS, "b", "later"))
    keep(log, unexplained(START_MS + 4 * HOUR_MS))
    said = show("timeline")
    section = said[said.index("perhaps unrecorded") :].splitlines()[1:]
    assert section[0] == "  RSSI on 5 GHz at kiln room fell by 4.2 dB."
    assert section[1] == '      linktrial changed "WHAT IT WAS" --at "2026-09-21 18:13"'
    assert section[2].endswith("later")
    first, second = json.loads(show("timeline", "--json"))["suggestions"]
    assert (first["words"], first["at_utc_ms"]) == (
        "RSSI on 5 GHz at kiln room fell by 4.2 dB.",
        START_MS + 4 * HOUR_MS,
    )
    assert first["command"].startswith("linktrial changed")
    assert second["found_at_utc_ms"] == START_MS


def test_a_suggestion_is_gone_once_a_tag_stands_there_and_back_when_the_tag_is_undone(owner, show, log):
    owner.at("kiln room")
    owner.clock.advance(86_400)
    keep(log, unexplained(START_MS + 4 * HOUR_MS))
    owner.timeline.changed("the door was shut", START_MS + 5 * HOUR_MS)
    assert "perhaps unrecorded" in show("timeline")
    owner.timeline.undo()
    owner.timeline.changed("the door was shut", START_MS + 4 * HOUR_MS + 300_000)
    assert "perhaps unrecorded" not in show("timeline")
    assert json.loads(show("timeline", "--json"))["suggestions"] == []
    owner.timeline.undo()
    assert "perhaps unrecorded" in show("timeline")


def test_what_no_tag_could_explain_stays_and_has_no_command(owner, show, log):
    owner.at("kiln room")
    owner.clock.advance(86_400)
    slope = unexplained(START_MS + 4 * HOUR_MS, words="RSSI falls by 3 dB a month.")
    keep(log, slope._replace(detail=slope.detail | {"kind": "slope", "command": None}))
    owner.timeline.changed("the door was shut", START_MS + 4 * HOUR_MS)
    assert show("timeline").splitlines()[-1] == "  RSSI falls by 3 dB a month."
    (shown,) = json.loads(show("timeline", "--json"))["suggestions"]
    assert shown["command"] is None


def test_hostile_words_are_harmless_in_timeline(owner, show, log):
    owner.at("kiln room")
    finding = unexplained(START_MS, words=HOSTILE)
    keep(log, finding._replace(detail=finding.detail | {"command": f"linktrial changed '{HOSTILE}'", "at_utc_ms": 0}))
    # the period begins within its range: move the range away
    log.db.execute("UPDATE finding SET detail = json_set(detail, '$.earliest_utc_ms', 0, '$.latest_utc_ms', 1)")
    said = show("timeline")
    assert "\x1b" not in said
    assert said.count(r"kiln \x1b[2J") == 2


# The table


def test_the_same_finding_again_is_no_news_but_says_it_in_the_newest_words(log):
    finding = unexplained(START_MS)
    keep(log, finding)
    log.db.execute("UPDATE finding SET said_at_utc_ms = 7")
    keep(log, finding._replace(words="fell by 4.4 dB"), START_MS + 1)
    (kept,) = read_findings(log.db, UNEXPLAINED)
    assert (kept.words, kept.said_at_utc_ms, kept.found_at_utc_ms) == ("fell by 4.4 dB", 7, START_MS)


def test_progress_tells_when_it_was_last_judged(log):
    keep(log, progress())
    keep(log, progress(), START_MS + 1)
    (kept,) = read_findings(log.db, PROGRESS)
    assert kept.found_at_utc_ms == START_MS + 1


def test_findings_that_vanished_are_taken_away(log):
    for key in ("a", "b", 'c"[]'):
        keep(log, unexplained(START_MS, key))
    keep(log, progress())
    with log.transaction() as db:
        drop_others(db, UNEXPLAINED, ['c"[]'])
    assert [kept.key for kept in read_findings(log.db, UNEXPLAINED, PROGRESS)] == ['c"[]', PROGRESS]


@pytest.mark.parametrize("command", ["status", "timeline"])
def test_what_was_found_is_shown_without_pandas(owner, log, command):
    owner.at("kiln room")
    owner.changed("longer antennas")
    keep(log, progress())
    keep(log, unexplained(START_MS + 60_000_000))
    program = "import sys; from logger.console import main; main(sys.argv[1:])\n"
    program += "print(sorted({'pandas', 'numpy', 'plotly', 'sqlite_utils', 'psutil'} & set(sys.modules)))"
    done = subprocess.run(
        [sys.executable, "-c", program, command, "--db", str(log.path)], capture_output=True, text=True, check=True
    )
    assert done.stdout.splitlines()[-1] == "[]"
