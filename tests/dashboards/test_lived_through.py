"""A laptop lives through whatever a laptop lives through, its daemon logs, and the report tells it truthfully."""

from __future__ import annotations

import io
from dataclasses import replace

import numpy as np
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from adapters.contract import AdapterError, InterfaceGone
from dashboards.analysis.coverage import coverage, logged_span_ms
from dashboards.analysis.outages import outage_spells
from dashboards.frames import load_frames
from logger.block_table import rebuild_blocks
from logger.daemon import Daemon
from logger.errors import LogFull
from logger.log import Log
from logger.sampler import LONGEST_PAUSE_S, SETTLING_S, Sampler
from logger.timeline import Timeline
from logger.voice import Voice
from tests.logger.scripted import LINKED, LOST, ScriptedAdapter
from tests.logger.scripted import clock as set_clock

HOUR_MS = 3_600_000
FAILURES = {"card gone": InterfaceGone("gone"), "adapter failed": AdapterError("no answer")}
KIND_OF = {"asleep": "suspended", "asleep, told": "suspended", "stopped": "logger off", "killed": "logger off"}


class Laptop:
    """One laptop with its daemon, which takes a sample every ``interval_s``."""

    def __init__(self, log: Log, interval_s: int) -> None:
        self.log, self.interval_s = log, interval_s
        self.clock, self.adapter = set_clock(), ScriptedAdapter()
        self.n_boots = 1
        log.db.execute("PRAGMA synchronous = OFF")  # a disk for tests
        Timeline(log, self.clock, "UTC").at("kiln room")
        self.begin()

    def begin(self) -> None:
        sampler = Sampler(self.adapter, self.clock, self.interval_s)
        voice = Voice(io.StringIO(), io.StringIO())
        self.daemon = Daemon(
            self.log, sampler, self.clock, voice, interval_ms=1000 * self.interval_s, local_zone=lambda: "UTC"
        )
        self.daemon.begin(version="1", adapter="scripted", interface="wlan0", boot=f"id {self.n_boots}")

    def awake(self, minutes: int) -> None:
        for _ in range(minutes * 60 // self.interval_s):
            self.daemon.tick()
            self.clock.advance(self.interval_s)

    def live(self, what: str, minutes: int) -> None:
        seconds = 60 * abs(minutes)
        match what:
            case "link":
                self.awake(minutes)
            case "no link" | "radio off" | "card gone" | "adapter failed":
                self.adapter.reading = FAILURES.get(what, LOST)
                if what == "radio off":
                    self.adapter.reading = replace(LOST, radio_off="blocked by software")
                self.awake(minutes)
                self.adapter.reading = LINKED
            case "asleep":
                self.clock.suspend(seconds)
            case "asleep, told":
                self.daemon.sleep(begins=True)
                self.clock.suspend(seconds)
                self.daemon.sleep(begins=False)
            case "stopped":
                self.daemon.end()
                self.clock.advance(seconds)
                self.begin()
            case "killed" | "rebooted":
                self.clock.advance(seconds)
                self.n_boots += what == "rebooted"
                self.begin()
            case "samples dropped":
                self.no_room(minutes)
            case "set":
                self.clock.set_wall(self.clock.utc_ms() + 60_000 * minutes)

    def no_room(self, minutes: int) -> None:
        backlog = self.daemon._backlog
        recorder, backlog._recorder, backlog._kept_at_most = backlog._recorder, Full(), 1
        self.awake(minutes)
        backlog._recorder, backlog._kept_at_most = recorder, 10_000
        backlog.write(self.clock.utc_ms(), self.clock.elapsed_s())


class Full:
    """A log with no room left."""

    def record(self, samples, events) -> None:
        raise LogFull("no room")


DOINGS = st.lists(
    st.tuples(
        st.sampled_from(
            [
                *("link", "no link", "radio off", "card gone", "adapter failed", "asleep", "asleep, told", "stopped"),
                *("killed", "rebooted", "samples dropped"),
            ]
        ),
        st.integers(5, 30),
    )
    | st.tuples(st.just("set"), st.integers(-90, 90)),
    min_size=1,
    max_size=8,
)


def lived(folder, interval_s: int, doings) -> tuple[dict[str, float], object, int]:
    """Hours by kind as the report has them, the outages, and how long the log spans in ms."""
    with Log.open(folder / "pottery.db") as log:
        laptop = Laptop(log, interval_s)
        for what, minutes in doings:
            laptop.live(what, minutes)
            laptop.live("link", 5)
        laptop.live("link", 5)
        if len(doings) % 2:  # else the report is made while it logs
            laptop.daemon.end()
        laptop.daemon._backlog.write(laptop.clock.utc_ms(), laptop.clock.elapsed_s())
        frames = load_frames(log)
        blocks, events, last_ms = frames.blocks, frames.events, frames.last_taken_utc_ms.get(1)
        before = [tuple(row) for row in log.db.execute("SELECT * FROM block")]
        with log.transaction() as db:
            for (period_id,) in db.execute("SELECT id FROM period").fetchall():
                rebuild_blocks(db, period_id)
        assert [tuple(row) for row in log.db.execute("SELECT * FROM block")] == before
    begin, end = logged_span_ms(blocks, events)
    edges = np.linspace(begin, end, 1 + max(1, round((end - begin) / HOUR_MS)))
    found = coverage(blocks, events, edges, last_taken_ms=last_ms)
    assert (found.to_numpy() >= 0).all()
    assert np.abs(found.sum(axis=1).to_numpy() * HOUR_MS / np.diff(edges) - 1).max() < 1e-9
    return found.sum().to_dict(), outage_spells(blocks), end - begin


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(doings=DOINGS, interval_s=st.sampled_from([10, 60]))
@example(doings=[("asleep", 5), ("set", -30), ("radio off", 10), ("set", 60), ("killed", 20)], interval_s=10)
def test_every_spell_has_its_name_and_none_is_an_outage(tmp_path_factory, doings, interval_s):
    found, outages, _ = lived(tmp_path_factory.mktemp("log"), interval_s, doings)
    n_lost = sum(what == "no link" for what, _ in doings)
    lost_h = sum(minutes for what, minutes in doings if what == "no link") / 60
    assert outages["n_dropouts"].sum() <= n_lost
    assert found["no link"] <= lost_h + 1e-9
    assert outages["lasted_s"].sum() <= 3600 * lost_h + 1e-6
    # What is not named: a link that settles within a block, and ticks beside a spell.
    beside_s = SETTLING_S + 2 * interval_s
    assert found["unexplained"] * 3600 <= beside_s * (2 * len(doings) + 1)


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    doings=DOINGS.filter(lambda doings: all(what != "set" for what, _ in doings)), interval_s=st.sampled_from([10, 60])
)
def test_every_spell_has_its_length(tmp_path_factory, doings, interval_s):
    found, _, span_ms = lived(tmp_path_factory.mktemp("log"), interval_s, doings)
    expected = dict.fromkeys(found, 0.0)
    for what, minutes in [*doings, ("link", 5 * len(doings) + 5)]:
        expected[KIND_OF.get(what, what)] += minutes / 60
    assert abs(sum(expected.values()) * HOUR_MS - span_ms) < 1
    # Found out late by a pause of the sampler, a commit that was lost, a tick.
    beside_h = (LONGEST_PAUSE_S + SETTLING_S + 10 + 2 * interval_s) / 3600
    for kind in found:
        assert abs(found[kind] - expected[kind]) <= beside_h * len(doings), kind
