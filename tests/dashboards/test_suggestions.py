"""An unexplained change in words, and its command: run on a log it explains the change."""

from __future__ import annotations

import shlex
from dataclasses import replace

import numpy as np
import pytest
import sqlite_utils  # noqa: F401  so that logs are made in this process, not in a child each time

from dashboards.analysis.unexplained.changes import Unexplained, unexplained_changes
from dashboards.frames import load_blocks, load_events
from dashboards.suggestions import moment_words, suggest
from logger.console import main
from logger.log import Log
from logger.recorder import Recorder
from logger.sample import Event, LinkIdentity, Sample
from logger.timeline import Timeline
from logger.times import parse_when
from tests.dashboards.kiln_log import EVIL, HOUR_MS, START_MS, ZONE

MINUTE_MS = 60_000
DAYS = 4
FELL = Unexplained(
    "level", "kiln room", "5", 2, "rssi", START_MS, START_MS - 5 * MINUTE_MS, START_MS + 5 * MINUTE_MS,
    -4.21, -5.3, -3.1, "dB", (), time_zone=ZONE,
)  # fmt: skip


class Clock:
    def utc_ms(self) -> int:
        return START_MS + DAYS * 24 * HOUR_MS

    def awake_s(self) -> float:
        return self.utc_ms() / 1000

    def elapsed_s(self) -> float:
        return self.utc_ms() / 1000


def make_log(path, *, asleep_h: float) -> None:
    """Four days at the bench; after 50 hours, and a sleep where asked for, the level is 7 dB lower."""
    link = LinkIdentity("wlan0", b"pottery", "02:00:00:00:00:05", 5180, 80, "5")
    rng = np.random.default_rng(1)
    samples = [
        Sample(START_MS + minute * MINUTE_MS, link, round(-60 - 7 * (minute >= 3000) + rng.normal(0, 1.5)))
        for minute in range(DAYS * 1440)
        if not 3000 - 60 * asleep_h <= minute < 3000
    ]
    with Log.open(path) as log:
        timeline, recorder = Timeline(log, Clock(), ZONE), Recorder(log)
        timeline.at("bench by the window", START_MS)
        recorder.set_pace(MINUTE_MS, START_MS)
        recorder.record(samples, [Event(START_MS, "logger-started", {})])


def changes_in(path) -> list[Unexplained]:
    with Log.open(path) as log:
        return unexplained_changes(load_blocks(log), load_events(log))


@pytest.mark.parametrize(
    ("asleep_h", "verb"), [(0, 'changed "what changed"'), (9, 'at "bench by the window"')], ids=["awake", "asleep"]
)
def test_the_command_tags_the_change_and_the_suggestion_is_gone(asleep_h, verb, tmp_path, capsys, monkeypatch):
    path = tmp_path / "log.db"
    make_log(path, asleep_h=asleep_h)
    monkeypatch.setenv("TZ", ZONE)
    (change,) = changes_in(path)
    assert change.earliest_utc_ms <= START_MS + 50 * HOUR_MS <= change.latest_utc_ms
    command = suggest(change).command
    assert command is not None
    assert command == f'linktrial {verb} --at "2026-03-04 12:00"'
    assert main([*shlex.split(command)[1:], "--db", str(path)]) == 0
    capsys.readouterr()
    assert changes_in(path) == []


def test_a_level_in_words():
    words = suggest(replace(FELL, seen=("no samples for 3 h before it",)), START_MS).words
    assert words == (
        "RSSI on 5 GHz at kiln room fell by 4.2 [3.1, 5.3] dB about Mon 2 Mar 10:00 (give or take 5 min), and no tag says "
        "why; seen then: no samples for 3 h before it."
    )


def test_a_spread_and_a_slope_in_words():
    spread = replace(FELL, kind="spread", unit="ratio", change=0.5, low=0.4, high=0.625)
    assert "began to vary 2.0 [1.6, 2.5] times as little about" in suggest(spread, START_MS).words
    slope = replace(FELL, kind="slope", unit="dB/month", change=3.0, low=1.0, high=5.0)
    assert "rises by 3.0 [1.0, 5.0] dB a month under v2, since" in suggest(slope, START_MS).words


def test_where_no_tag_would_help_none_is_suggested():
    assert suggest(replace(FELL, kind="slope", unit="dB/month")).command is None
    assert suggest(replace(FELL, source_id=2)).command is None


@pytest.mark.parametrize("location", [EVIL, "the 'big' \"wheel\"", "$(reboot)", "a `b` \\ c!", "100%"])
def test_a_location_reaches_the_command_as_it_is_called(location):
    command = suggest(replace(FELL, location=location, gap_s=3600.0)).command
    assert command is not None
    assert shlex.split(command)[:3] == ["linktrial", "at", location]


def test_of_a_name_that_cannot_be_shown_as_it_is_there_is_no_command():
    hidden = replace(FELL, location="kiln\N{RIGHT-TO-LEFT OVERRIDE}room", gap_s=3600.0)
    assert suggest(hidden).command is None
    assert suggest(replace(hidden, gap_s=0.0)).command is not None  # it names the change, not the location


def test_what_could_move_the_cursor_is_not_shown():
    assert "\x1b" not in suggest(replace(FELL, location="kiln\x1b[2J")).words


@pytest.mark.parametrize("utc_ms", [START_MS, 1_792_889_400_000, 1_792_893_000_000])
def test_the_moment_is_read_back_as_meant_in_the_hour_that_happens_twice_too(utc_ms):
    """On 25 October 2026 at 01:00 UTC clocks in Paris go back."""
    words = moment_words(utc_ms, ZONE)
    assert parse_when(words, utc_ms + 400 * 24 * HOUR_MS, ZONE) == utc_ms
