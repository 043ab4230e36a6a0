"""Probes in the log: there before their traffic, with what they measured; bytes of a day; when they ran."""

from __future__ import annotations

import sqlite3
from contextlib import closing

from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.log import Log
from logger.probe_table import (
    LONGEST_PROBE_MS,
    Latency,
    Transfer,
    begin_probe,
    bytes_moved,
    end_probe,
    newest_probe,
    probing_spans,
    read_probes,
    stepped_aside,
    write_results,
)
from tests.logger.conftest import POTTERY_5, START_MS

DOWN = Transfer("down", 4, START_MS + 100, 2500, 90_000_000, 2000, 80_000_000, 320.0, 4.5, 3)
UP = Transfer("up", 1, START_MS + 3000, 2500, 10_000_000)
IDLE = Latency("gateway", "idle", "icmp", 20, 1, 2.5, 4.0, 1.75)
LOST = Latency("far-end", "up", "tcp-connect", 5, 5)


def test_a_probe_is_in_the_log_for_all_to_see_before_it_sends(log):
    probe_id = begin_probe(log, START_MS, far_end="wheel house")
    with closing(sqlite3.connect(log.path)) as other:
        assert other.execute("SELECT id, outcome, ended_at_utc_ms FROM probe").fetchall() == [
            (probe_id, "running", None)
        ]


def test_what_was_written_is_read(log):
    probe_id = begin_probe(log, START_MS)
    write_results(log, probe_id, [DOWN], [IDLE])
    end_probe(
        log, probe_id, START_MS + 20_000, "done", link=POTTERY_5, far_end="wheel", transfers=[UP], latencies=[LOST]
    )
    probe = newest_probe(log.db)
    assert probe is not None
    assert probe[:3] == (probe_id, START_MS, START_MS + 20_000)
    assert (probe.far_end, probe.outcome, probe.words) == ("wheel", "done", "")
    assert probe.transfers == (DOWN, UP)
    assert set(probe.latencies) == {IDLE, LOST}
    assert log.db.execute("SELECT bssid FROM link WHERE id = ?", (probe.link_id,)).fetchone()[0] == POTTERY_5.bssid
    assert read_probes(log.db, START_MS, START_MS + 1) == [probe]
    assert read_probes(log.db, START_MS + 1, START_MS + 9) == []


def test_what_is_said_twice_stands_as_said_last(log):
    probe_id = begin_probe(log, START_MS)
    write_results(log, probe_id, [DOWN])
    write_results(log, probe_id, [DOWN._replace(n_bytes=1)])
    assert read_probes(log.db, START_MS, START_MS + 1)[0].transfers == (DOWN._replace(n_bytes=1),)


def test_no_probe_yet(log):
    assert newest_probe(log.db) is None
    assert bytes_moved(log.db, 0, START_MS) == 0
    assert probing_spans(log.db, 0) == []


def test_a_probe_that_was_killed_is_taken_for_failed_once_it_cannot_run_any_more(log):
    killed = begin_probe(log, START_MS)
    beside = begin_probe(log, START_MS + LONGEST_PROBE_MS)
    assert [probe.outcome for probe in read_probes(log.db, 0, 1 << 60)] == ["running", "running"]
    begin_probe(log, START_MS + LONGEST_PROBE_MS + 1)
    outcomes = {probe.id: (probe.outcome, probe.words) for probe in read_probes(log.db, 0, 1 << 60)}
    assert outcomes[killed] == ("failed", "it ended without a word")
    assert outcomes[beside][0] == "running"


def test_a_clock_set_back_shows_a_millisecond_again_and_an_end_before_its_beginning(log):
    first = begin_probe(log, START_MS)
    end_probe(log, first, START_MS - 60_000, "done")
    again = begin_probe(log, START_MS)
    assert stepped_aside(log, START_MS, "the link was in use") != again
    probes = {probe.id: probe for probe in read_probes(log.db, 0, 1 << 60)}
    assert probes[first].ended_at_utc_ms == START_MS
    assert probes[again].started_at_utc_ms == START_MS + 1
    assert probes[again + 1][1:3] == (START_MS + 2, START_MS + 2)


def test_a_probe_belongs_to_the_period_that_holds_its_time(log, timeline, clock):
    timeline.at("kiln room")
    clock.now_ms += 60_000
    timeline.at("wheel by the window")
    end_probe(log, begin_probe(log, START_MS + 59_999), START_MS + 70_000, "done")
    end_probe(log, begin_probe(log, START_MS + 60_000), START_MS + 70_000, "done")
    rows = log.db.execute("SELECT location FROM tagged_probe ORDER BY started_at_utc_ms").fetchall()
    assert [row[0] for row in rows] == ["kiln room", "wheel by the window"]


@settings(max_examples=40, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    probes=st.lists(
        st.tuples(
            st.integers(0, 3_000_000),
            st.one_of(st.none(), st.integers(0, 40_000)),
            st.sampled_from(["done", "failed", "link-changed", "stepped-aside"]),
            st.integers(0, 10**9),
        ),
        max_size=8,
        unique_by=lambda probe: probe[0] // 50_000,
    ),
    from_ms=st.integers(0, 3_000_000),
)
def test_spans_and_bytes_are_those_of_the_probes_that_ran(tmp_path, probes, from_ms):
    path = tmp_path / "some.db"
    path.unlink(missing_ok=True)
    with Log.open(path) as log:
        log.db.execute("PRAGMA synchronous = OFF")
        for started_ms, lasted_ms, outcome, n_bytes in sorted(probes):
            if outcome == "stepped-aside":
                stepped_aside(log, started_ms, "in use")
                continue
            probe_id = begin_probe(log, started_ms)
            write_results(log, probe_id, [Transfer("down", 1, started_ms, 10, n_bytes)])
            if lasted_ms is not None:
                end_probe(log, probe_id, started_ms + lasted_ms, outcome)
        ran = [each for each in sorted(probes) if each[2] != "stepped-aside"]
        ends = [(start, start + (LONGEST_PROBE_MS if lasted is None else lasted)) for start, lasted, _, _ in ran]
        assert sorted(probing_spans(log.db, from_ms)) == [span for span in ends if span[1] >= from_ms]
        assert bytes_moved(log.db, from_ms, 1 << 60) == sum(each[3] for each in ran if each[0] >= from_ms)
