"""Spells without samples: each is an event with a beginning and an end, and none is an outage."""

from __future__ import annotations

import io
import json
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from typing import get_args
from zoneinfo import ZoneInfo

import pytest

from adapters.contract import RadioOff
from logger.console import main
from logger.daemon import Daemon
from logger.log import Log
from logger.sample import Event
from logger.sampler import Sampler
from logger.timeline import Timeline
from logger.voice import Voice
from logger.zones import zone_at
from tests.logger.scripted import BENCH, LINKED, LOST, START_MS, ScriptedAdapter
from tests.logger.scripted import clock as set_clock
from tests.logger.test_sampler import World

# The system tells of its sleep


@pytest.fixture
def world() -> World:
    return World()


def test_a_system_that_tells_of_its_sleep_gives_the_true_moments_of_it(world):
    world.tick()
    world.clock.advance(3)
    world.sampler.told_of_sleep(begins=True)
    world.clock.suspend(3600)
    world.sampler.told_of_sleep(begins=False)
    world.clock.advance(2)
    _, events = world.tick(after_s=0)
    assert [(event.kind, event.time_utc_ms - START_MS) for event in events] == [
        ("suspended", 3_000),
        ("resumed", 3_603_000),
    ]


def test_two_sleeps_between_two_samples_are_one_from_the_first_word_to_the_last(world):
    world.tick()
    for _ in range(2):
        world.clock.advance(1)
        world.sampler.told_of_sleep(begins=True)
        world.clock.suspend(600)
        world.sampler.told_of_sleep(begins=False)
    world.clock.advance(1)
    _, events = world.tick(after_s=0)
    assert [(event.kind, event.time_utc_ms - START_MS) for event in events] == [
        ("suspended", 1_000),
        ("resumed", 1_202_000),
    ]
    assert events[0].detail == {"asleep_s": 1200.0}


def test_a_sleep_that_was_told_and_did_not_come_is_none(world):
    world.tick()
    world.sampler.told_of_sleep(begins=True)
    world.sampler.told_of_sleep(begins=False)
    assert world.kinds() == []
    world.clock.suspend(3600)
    _, events = world.tick()
    assert events[0] == Event(START_MS + 5_000, "suspended", {"asleep_s": 3600.0})


def test_samples_that_were_taken_after_the_word_of_a_sleep_are_no_part_of_it(world):
    world.tick()
    world.sampler.told_of_sleep(begins=True)
    world.tick()
    world.clock.suspend(60)
    _, events = world.tick()
    assert events[0].time_utc_ms == START_MS + 5_000


# A radio that is off


@pytest.mark.parametrize("by", get_args(RadioOff))
def test_a_radio_that_is_off_gives_no_samples_and_two_events(world, by):
    world.tick()
    world.adapter.reading = replace(LOST, radio_off=by)
    sample, events = world.tick()
    assert sample is None
    assert events == [
        Event(START_MS + 5_000, "disconnected", {"bssid": BENCH, "inferred": True}),
        Event(START_MS + 5_000, "radio-off", {"by": by}),
    ]
    assert [world.tick() for _ in range(20)] == [(None, [])] * 20
    world.adapter.reading = LINKED
    sample, events = world.tick()
    assert sample.link is not None
    assert [event.kind for event in events] == ["radio-on", "connected"]
    assert sample.tx_packets is None


def test_a_link_that_is_not_back_just_after_the_radio_was_switched_on_is_a_gap_and_later_an_outage(world):
    world.tick()
    world.adapter.reading = replace(LOST, radio_off="blocked by software")
    world.tick()
    world.adapter.reading = LOST
    assert [world.tick()[0] for _ in range(3)] == [None] * 3
    assert world.sample().link is None


def test_a_laptop_that_starts_with_its_radio_off_has_no_outage(world):
    world.adapter.reading = replace(LOST, radio_off="blocked by a switch")
    assert world.kinds() == ["radio-off"]
    assert world.tick() == (None, [])


# The last run


class Runs:
    """Runs of the daemon on one log, one after the other, on a clock set by hand."""

    def __init__(self, log: Log) -> None:
        self.log, self.clock, self.adapter = log, set_clock(), ScriptedAdapter()
        self.zone = "Europe/Paris"
        self.daemon: Daemon | None = None
        Timeline(log, self.clock, self.zone).at("kiln room")

    def begin(self, boot: str | None = "id 1") -> None:
        sampler = Sampler(self.adapter, self.clock, 5)
        voice = Voice(io.StringIO(), io.StringIO())
        self.daemon = Daemon(self.log, sampler, self.clock, voice, interval_ms=5000, local_zone=lambda: self.zone)
        self.daemon.begin(version="1", adapter="scripted", interface="wlan0", boot=boot)

    def ticks(self, n: int) -> None:
        for _ in range(n):
            self.daemon.tick()
            self.clock.advance(5)

    def events(self) -> list[tuple[str, int, dict[str, object]]]:
        rows = self.log.db.execute("SELECT kind, time_utc_ms, detail FROM event ORDER BY id")
        return [(row[0], row[1] - START_MS, json.loads(row[2])) for row in rows]

    def kinds(self) -> list[str]:
        return [kind for kind, _, _ in self.events()]


@pytest.fixture
def runs(log) -> Runs:
    return Runs(log)


@pytest.mark.parametrize(
    ("boots", "reason"),
    [
        (("id 1", "id 2"), "rebooted"),
        (("id 1", "id 1"), "ended without a word"),
        ((None, "id 1"), "ended without a word"),
        (("at 100", "at 160"), "ended without a word"),
        (("at 100", "at 9000"), "rebooted"),
    ],
)
def test_a_run_that_left_no_word_was_lost_just_after_the_last_thing_that_it_wrote(runs, boots, reason):
    runs.begin(boots[0])
    runs.ticks(4)
    wrote_ms = runs.log.db.execute("SELECT max(time_utc_ms) FROM sample").fetchone()[0] - START_MS
    runs.clock.advance(3600)
    runs.begin(boots[1])
    assert [event[:2] for event in runs.events()] == [
        ("logger-started", 0),
        ("logger-lost", wrote_ms + 1),
        ("logger-started", 3_620_000),
    ]
    assert runs.events()[1][2] == {"reason": reason}


def test_a_run_that_ended_was_not_lost(runs):
    runs.begin()
    runs.ticks(2)
    runs.daemon.end()
    runs.clock.advance(3600)
    runs.begin("id 2")
    assert runs.kinds() == ["logger-started", "logger-stopped", "logger-started"]


def test_a_run_lost_before_its_first_sample_was_lost_at_its_start(runs):
    runs.begin()
    runs.clock.advance(60)
    runs.begin()
    assert [event[:2] for event in runs.events()][1] == ("logger-lost", 1)


def test_after_a_clock_set_back_the_last_thing_written_is_that_of_the_last_pass(runs):
    runs.begin()
    runs.ticks(10)
    runs.clock.set_wall(START_MS - 3_600_000)
    runs.ticks(4)
    runs.clock.advance(60)
    runs.begin()
    kind, at_ms, _ = runs.events()[-2]
    assert kind == "logger-lost"
    assert -3_600_000 < at_ms <= -3_600_000 + 20_000


def test_a_clock_that_was_set_back_between_two_runs_is_told_with_both_ends(runs):
    runs.begin()
    runs.ticks(4)
    runs.daemon.end()
    runs.clock.set_wall(START_MS - 3_600_000)
    runs.begin()
    kind, at_ms, detail = runs.events()[-2]
    assert (kind, at_ms) == ("clock-set", -3_600_000)
    assert detail == {
        "step_s": -3620.0, "from_utc_ms": START_MS + 20_000, "to_utc_ms": START_MS - 3_600_000
    }  # fmt: skip
    runs.ticks(4)
    runs.daemon.end()
    assert runs.log.db.execute("SELECT count(*) FROM sample").fetchone()[0] == 8


def test_what_waits_is_in_the_log_before_the_laptop_sleeps(runs):
    runs.begin()
    runs.ticks(1)
    assert runs.log.db.execute("SELECT count(*) FROM sample").fetchone()[0] == 0
    runs.daemon.sleep(begins=True)
    assert runs.log.db.execute("SELECT count(*) FROM sample").fetchone()[0] == 1
    runs.clock.suspend(3600)
    runs.daemon.sleep(begins=False)
    runs.ticks(3)
    assert runs.events()[-2:] == [
        ("suspended", 5_000, {"asleep_s": 3600.0}),
        ("resumed", 3_605_000, {"asleep_s": 3600.0}),
    ]


# Time zones


def test_a_laptop_that_travels_is_followed_within_a_minute(runs):
    runs.begin()
    runs.ticks(14)
    runs.zone = "Europe/Lisbon"
    runs.ticks(14)
    runs.daemon.end()
    ((_, at_ms, detail),) = [event for event in runs.events() if event[0] == "time-zone-changed"]
    assert detail == {"from": "Europe/Paris", "to": "Europe/Lisbon"}
    assert 70_000 <= at_ms <= 70_000 + 60_000
    assert zone_at(runs.log.db, 1, START_MS + at_ms) == "Europe/Lisbon"
    assert zone_at(runs.log.db, 1, START_MS + at_ms - 1) == "Europe/Paris"
    assert zone_at(runs.log.db, 1, START_MS - 1) is None


def test_a_laptop_that_travelled_while_the_logger_was_off_is_found_at_its_start(runs):
    runs.begin()
    runs.ticks(2)
    runs.daemon.end()
    runs.clock.advance(3600)
    runs.zone = "Asia/Tokyo"
    runs.begin()
    assert runs.kinds()[-2:] == ["logger-started", "time-zone-changed"]
    runs.ticks(30)
    runs.daemon.end()
    assert runs.kinds().count("time-zone-changed") == 1


def test_a_period_that_begins_after_a_journey_has_its_own_zone(runs):
    runs.begin()
    runs.zone = "Asia/Tokyo"
    runs.ticks(30)
    runs.zone = "Europe/Paris"
    Timeline(runs.log, runs.clock, runs.zone).at("kiln room")
    runs.ticks(30)
    assert zone_at(runs.log.db, 1, runs.clock.utc_ms()) == "Europe/Paris"


@pytest.mark.parametrize("change", [datetime(2027, 3, 28, 1, tzinfo=UTC), datetime(2026, 10, 25, 1, tzinfo=UTC)])
def test_daylight_saving_changes_nothing_for_stamps_are_utc(runs, change):
    """Paris: the wall's hands jump by an hour, forward and back, and UTC goes on."""
    change_ms = round(change.timestamp() * 1000)
    hands = [(change + timedelta(seconds=s)).astimezone(ZoneInfo("Europe/Paris")).utcoffset() for s in (-60, 60)]
    assert hands[0] != hands[1]
    runs.clock.set_wall(change_ms - 60_000)
    runs.begin()
    runs.ticks(24)
    runs.daemon.end()
    assert runs.kinds() == ["logger-started", "logger-stopped"]
    times = [row[0] for row in runs.log.db.execute("SELECT time_utc_ms FROM sample ORDER BY id")]
    assert times == [change_ms - 60_000 + 5_000 * n for n in range(24)]
    assert runs.log.db.execute("SELECT count(*) FROM pass").fetchone()[0] == 0


def test_after_a_clock_set_back_status_tells_of_the_sample_taken_last(runs, capsys):
    runs.begin()
    runs.ticks(4)
    runs.clock.set_wall(START_MS - 3_600_000)
    runs.adapter.change(rssi_dbm=-77)
    runs.ticks(4)
    runs.daemon.end()
    assert main(["status", "--json", "--db", str(runs.log.path)]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["last_sample"]["rssi_dbm"] == -77
    assert told["last_sample"]["time_utc_ms"] == START_MS - 3_600_000 + 15_000
    assert [event["kind"] for event in told["events"]][-2:] == ["clock-set", "logger-stopped"]
    assert "boot" not in json.dumps(told["events"])


def test_what_a_command_wrote_after_a_run_was_lost_is_none_of_its_words(runs):
    runs.begin()
    runs.ticks(4)
    runs.clock.advance(3600)
    with runs.log.transaction() as db:
        db.execute("INSERT INTO event (time_utc_ms, kind) VALUES (?, 'merged')", (runs.clock.utc_ms(),))
    runs.clock.advance(60)
    runs.begin()
    assert [event[1] for event in runs.events() if event[0] == "logger-lost"] == [15_001]
