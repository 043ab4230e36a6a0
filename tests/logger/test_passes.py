"""A clock set back or forward: every sample once, their order kept, and blocks that know one pass from another."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from logger.errors import TagError
from logger.log import Log
from logger.passes import last_taken, order_taken, read_passes
from logger.recorder import Recorder
from logger.sample import Event, Sample
from logger.timeline import Timeline
from tests.logger.conftest import POTTERY_5, START_MS, HandClock, block_rows, linked, unlinked
from tests.logger.test_recorder import rebuilt_rows

HOUR_MS = 3_600_000


def taken_in_order(log: Log) -> list[tuple[int, float | None]]:
    """(stamp, level) of every sample of this machine, in the order in which the log says they were taken."""
    passes = read_passes(log.db)
    rows = log.db.execute("SELECT id, time_utc_ms, rssi_dbm FROM sample").fetchall()
    return [(row[1], row[2]) for row in sorted(rows, key=lambda row: order_taken(row[0], passes))]


def covered_and_dropouts(log: Log) -> dict[int, tuple[float, int]]:
    """Per ``connected``: seconds that samples stand for, and drop-outs."""
    rows = log.db.execute(
        "SELECT connected, sum(covered_ms) / 1000.0, sum(n_dropouts) FROM block JOIN link ON link.id = link_id GROUP BY 1"
    )
    return {row[0]: (row[1], row[2]) for row in rows}


def test_an_outage_in_the_first_pass_is_no_drop_out_in_the_second(log):
    """One hour lived twice: in the first pass the link was away for half of it, in the second it stood."""
    recorder = Recorder(log)
    recorder.set_pace(5_000, START_MS)
    first = [unlinked(START_MS + 5_000 * i) if 200 <= i < 560 else linked(START_MS + 5_000 * i) for i in range(720)]
    recorder.record(first, [])
    recorder.record([linked(START_MS + 5_000 * i) for i in range(720)], [])
    assert covered_and_dropouts(log) == {1: (5.0 * (720 + 360), 0), 0: (5.0 * 360, 1)}
    assert block_rows(log) == rebuilt_rows(log)


def test_the_drop_outs_of_both_passes_count(log):
    recorder = Recorder(log)
    recorder.set_pace(5_000, START_MS)
    for at in (100, 300):
        recorder.record(
            [unlinked(START_MS + 5_000 * i) if at <= i < at + 10 else linked(START_MS + 5_000 * i) for i in range(720)],
            [],
        )
    assert covered_and_dropouts(log)[0] == (100.0, 2)


def test_a_link_lost_before_the_second_pass_outruns_the_first_is_lost_once(log):
    """Beyond the newest stamp of the first pass the second goes on as itself."""
    recorder = Recorder(log)
    recorder.set_pace(5_000, START_MS)
    recorder.record([linked(START_MS + 5_000 * i) for i in range(720)], [])
    recorder.record([linked(START_MS + 5_000 * i) for i in range(700)], [])
    recorder.record([unlinked(START_MS + 5_000 * i) for i in range(700, 740)], [])
    assert covered_and_dropouts(log)[0] == (200.0, 1)
    assert block_rows(log) == rebuilt_rows(log)


def test_a_restart_finds_the_pass_that_it_left(log):
    recorder = Recorder(log)
    recorder.record([linked(START_MS + 5_000 * i) for i in range(100)], [])
    recorder.record([linked(START_MS + 5_000 * i) for i in range(50)], [])
    assert last_taken(log.db) == (1, START_MS + 5_000 * 49)
    Recorder(log).record([linked(START_MS + 5_000 * 50)], [])
    assert last_taken(log.db) == (1, START_MS + 5_000 * 50)
    assert len(read_passes(log.db)) == 1


def test_a_slower_pace_after_the_clock_was_set_back_makes_no_gaps_of_the_time_between_samples(log):
    recorder = Recorder(log)
    recorder.set_pace(5_000, START_MS)
    recorder.record([linked(START_MS + 5_000 * i) for i in range(1_440)], [])
    recorder = Recorder(log)
    recorder.set_pace(60_000, START_MS + HOUR_MS)
    recorder.record([linked(START_MS + HOUR_MS + 60_000 * i) for i in range(120)], [])
    assert covered_and_dropouts(log)[1] == (2 * 3600 + 2 * 3600, 0)
    assert block_rows(log) == rebuilt_rows(log)


@pytest.mark.parametrize("kind", ["resumed", "radio-on", "interface-back", "adapter-recovered", "logger-started"])
def test_a_short_spell_without_samples_is_no_time_of_the_link_and_no_drop_out(log, kind):
    """Asleep for 100 s at a sample a minute: no more than the spread of samples, but the clocks told."""
    recorder = Recorder(log)
    recorder.set_pace(60_000, START_MS)
    recorder.record([linked(START_MS), linked(START_MS + 60_000)], [])
    recorder.record([unlinked(START_MS + 180_000)], [Event(START_MS + 165_000, kind, {})])
    assert covered_and_dropouts(log) == {1: (120.0, 0), 0: (60.0, 0)}
    assert block_rows(log) == rebuilt_rows(log)


DOINGS = st.lists(
    st.one_of(
        st.tuples(st.just("samples"), st.integers(1, 90)),
        st.tuples(st.just("lost"), st.integers(1, 6)),
        st.tuples(st.just("pause"), st.integers(1, 1_000)),
        st.tuples(st.just("set"), st.integers(-2_000, 1_000)),
        st.tuples(st.sampled_from(["commit", "restart", "woken", "at", "changed", "amend", "join"]), st.integers(0, 5)),
        st.tuples(st.just("pace"), st.sampled_from([5_000, 10_000, 60_000])),
    ),
    min_size=1,
    max_size=25,
)


class Played:
    """One logger that lives through doings; ``taken`` is what it saw, in order."""

    def __init__(self, log: Log) -> None:
        self.log, self.clock = log, HandClock(START_MS + 100 * HOUR_MS)
        self.timeline = Timeline(log, self.clock, "UTC")
        self.recorder, self.interval_ms = Recorder(log), 5_000
        self.recorder.set_pace(self.interval_ms, self.clock.now_ms)
        self.waiting: list[Sample] = []
        self.events: list[Event] = []
        self.taken: list[tuple[int, float | None]] = []
        self.n_set_back = 0

    def do(self, what: str, n: int) -> None:
        match what:
            case "samples" | "lost":
                for _ in range(n):
                    self.clock.now_ms += self.interval_ms
                    level = None if what == "lost" else -20.0 - len(self.taken) % 75
                    sample = Sample(self.clock.now_ms, None if level is None else POTTERY_5, level)
                    self.waiting.append(sample)
                    self.taken.append((sample.time_utc_ms, level))
            case "pause":
                self.clock.now_ms += n * 1_000
            case "set" if n > 0 or self.n_set_back < 12:
                self.clock.now_ms += n * self.interval_ms // 2
                self.n_set_back += n < 0
            case "woken":
                self.events.append(Event(self.clock.now_ms, "resumed", {}))
            case "restart":
                self.commit()
                self.recorder = Recorder(self.log)
            case "pace":
                self.commit()
                self.recorder, self.interval_ms = Recorder(self.log), n
                self.recorder.set_pace(n, self.clock.now_ms)
            case "commit" | "at" | "changed" | "amend" | "join":
                self.commit()
                if what != "commit":
                    self.tag(what, n)

    def tag(self, what: str, n: int) -> None:
        periods = [period.id for period in self.timeline.periods()]
        try:
            if what == "at":
                self.timeline.at(f"place {n}")
            elif what == "changed":
                self.timeline.changed(f"change {n}", self.clock.now_ms - n * 600_000)
            elif what == "amend":
                self.timeline.amend_period(periods[n % len(periods)], started_ms=self.clock.now_ms - n * 700_000)
            else:
                self.timeline.join(periods[n % len(periods)])
        except TagError:
            pass  # a tag that this timeline refuses

    def commit(self) -> None:
        self.recorder.record(self.waiting, self.events)
        self.waiting, self.events = [], []


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(doings=DOINGS)
@example(doings=[("set", -3), ("samples", 1), ("pause", 1), ("pace", 10_000)])
@example(doings=[("samples", 1), ("lost", 1), ("woken", 0)])
def test_whatever_the_clock_does_every_sample_is_there_once_in_its_order_and_blocks_are_true(tmp_path_factory, doings):
    with Log.open(tmp_path_factory.mktemp("log") / "pottery.db") as log:
        played = Played(log)
        for what, n in doings:
            played.do(what, n)
        played.commit()
        assert taken_in_order(log) == played.taken
        assert block_rows(log) == rebuilt_rows(log)
        assert sum(row[6] for row in block_rows(log)) == len(played.taken)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=st.lists(st.integers(-7_200, 7_200), max_size=12), n=st.integers(1, 40))
def test_no_step_of_the_clock_makes_a_drop_out_or_time_that_nobody_lived(tmp_path_factory, steps, n):
    """The link stands all the time: nothing is lost, and samples stand for no more than the time that was lived."""
    with Log.open(tmp_path_factory.mktemp("log") / "pottery.db") as log:
        recorder, now_ms = Recorder(log), START_MS + 100 * HOUR_MS
        recorder.set_pace(5_000, now_ms)
        for step_s in [0, *steps]:
            event = Event(now_ms + step_s * 1_000, "clock-set", {})
            now_ms += step_s * 1_000
            recorder.record([linked(now_ms + 5_000 * i) for i in range(1, n + 1)], [event])
            now_ms += 5_000 * n
        lived_s = 5.0 * n * (1 + len(steps))
        covered_s, n_dropouts = covered_and_dropouts(log)[1]
        assert n_dropouts == 0
        assert lived_s - 5 * len(steps) <= covered_s <= lived_s  # a step of less than the pace is told from no tick
        assert log.db.execute("SELECT count(*) FROM sample").fetchone()[0] == n * (1 + len(steps))
        assert block_rows(log) == rebuilt_rows(log)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    doings=st.lists(
        st.tuples(st.just("samples"), st.integers(1, 200))
        # by more than a minute: after a smaller step right behind a tag, a sample that was taken then looks like one
        # that was taken before the tag and waited for its commit
        | st.tuples(st.just("set back"), st.integers(14, 150))
        | st.tuples(st.just("at"), st.integers(0, 3)),
        max_size=14,
    )
)
def test_what_is_said_now_holds_for_what_is_measured_from_now_on_whatever_the_clock_shows(tmp_path_factory, doings):
    with Log.open(tmp_path_factory.mktemp("log") / "pottery.db") as log:
        played, here, at = Played(log), "unnamed spot", []
        for what, n in doings:
            if what == "samples":
                played.do("samples", n)
                at += [here] * n
            elif what == "set back":
                played.clock.now_ms -= n * 5_000
            else:
                played.commit()
                played.clock.now_ms += 1
                with suppress(TagError):  # the last tag holds from a time on that is still to come
                    here = played.timeline.at(f"place {n}").location
        played.commit()
        passes = read_passes(log.db)
        rows = log.db.execute(
            "SELECT sample.id, location.name FROM sample JOIN period ON period.id = sample.id >> 46"
            " JOIN placement ON placement.id = placement_id JOIN location ON location.id = location_id"
        ).fetchall()
        assert [row[1] for row in sorted(rows, key=lambda row: order_taken(row[0], passes))] == at
        assert block_rows(log) == rebuilt_rows(log)
