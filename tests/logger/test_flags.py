"""Samples that are marked: those taken while a probe ran, and those whose rate no frame has refreshed."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from adapters.contract import BitRate
from logger.block_table import rebuild_blocks
from logger.blocks import DURING_PROBE, RX_RATE_STALE, TX_RATE_STALE
from logger.log import Log
from logger.probe_table import LONGEST_PROBE_MS, begin_probe, end_probe, stepped_aside
from logger.recorder import Recorder
from logger.sampler import sample_of
from logger.timeline import Timeline
from tests.logger.conftest import POTTERY_5, START_MS, HandClock, block_rows, linked, unlinked
from tests.logger.scripted import LINKED, LOST

S = 1000


def at(second, **fields):
    return linked(START_MS + second * S)._replace(**fields)


def flagged(log):
    """Seconds at which the samples were taken that a probe has touched."""
    rows = log.db.execute("SELECT time_utc_ms FROM tagged_sample WHERE during_probe ORDER BY time_utc_ms")
    return [(row[0] - START_MS) // S for row in rows]


def rebuilt_rows(log):
    with log.transaction() as db:
        for (period_id,) in db.execute("SELECT id FROM period").fetchall():
            rebuild_blocks(db, period_id)
    return block_rows(log)


@pytest.fixture
def recorder(log):
    recorder = Recorder(log)
    recorder.record([at(0)], [])
    return recorder


def test_a_sample_is_marked_when_a_probe_ran_since_the_sample_before(log, recorder):
    end_probe(log, begin_probe(log, START_MS + 11 * S), START_MS + 18 * S, "done")
    recorder.record([at(second) for second in (5, 10, 15, 20, 25)], [])
    assert flagged(log) == [15, 20]


def test_a_probe_of_another_process_is_seen_at_the_next_commit(log, recorder):
    with Log.open(log.path) as other:
        probe_id = begin_probe(other, START_MS + 7 * S)
        recorder.record([at(5), at(10)], [])
        end_probe(other, probe_id, START_MS + 12 * S, "failed")
        recorder.record([at(15), at(20)], [])
    assert flagged(log) == [10, 15]


def test_samples_that_wait_for_their_commit_are_marked_when_they_are_written(log, recorder):
    """Taken before, while and after, and committed at once."""
    code = (
        "import sys; from logger.log import Log; from logger.probe_table import begin_probe, end_probe;"
        "log = Log.open(sys.argv[1]); end_probe(log, begin_probe(log, int(sys.argv[2])), int(sys.argv[3]), 'done')"
    )
    times = [str(START_MS + second * S) for second in (6, 7)]
    subprocess.run([sys.executable, "-c", code, str(log.path), *times], check=True)
    recorder.record([at(5), at(10), at(15)], [])
    assert flagged(log) == [10]


def test_a_probe_that_stepped_aside_marks_nothing(log, recorder):
    stepped_aside(log, START_MS + 7 * S, "the link was in use")
    end_probe(log, begin_probe(log, START_MS + 12 * S), START_MS + 13 * S, "stepped-aside", words="in use")
    recorder.record([at(5), at(10), at(15)], [])
    assert flagged(log) == []


def test_a_probe_that_was_killed_marks_ten_minutes_at_most(log, recorder):
    begin_probe(log, START_MS + 7 * S)
    minutes = LONGEST_PROBE_MS // S // 60
    recorder.record([at(60 * minute) for minute in range(1, minutes + 4)], [])
    assert flagged(log) == [60 * minute for minute in range(1, minutes + 2)]  # the last: the interval before it


def test_a_sample_after_a_restart_is_marked_for_a_probe_that_ran_meanwhile(log, recorder):
    end_probe(log, begin_probe(log, START_MS + 60 * S), START_MS + 70 * S, "done")
    Recorder(log).record([at(300), at(305)], [])
    assert flagged(log) == [300]


def test_the_first_sample_of_a_log_is_marked_if_a_probe_runs_just_then(log):
    begin_probe(log, START_MS - S)
    Recorder(log).record([at(0)], [])
    assert flagged(log) == [0]


def test_after_the_clock_was_set_back_the_stamps_of_the_new_pass_count(log, recorder):
    recorder.record([at(second) for second in range(5, 3600, 5)], [])
    probe_id = begin_probe(log, START_MS + 1207 * S)
    recorder.record([at(1205), at(1210)], [])
    end_probe(log, probe_id, START_MS + 1212 * S, "done")
    recorder.record([at(1215), at(1220)], [])
    assert flagged(log) == [1210, 1215]
    recorder.record([at(1100)], [])  # back again: a probe of an earlier pass at the same stamps cannot be told apart
    recorder.record([at(1202), at(1206), at(1211)], [])
    assert flagged(log) == [1210, 1211, 1215]
    assert block_rows(log) == rebuilt_rows(log)


def test_a_commit_that_fails_forgets_no_probe(log, recorder):
    end_probe(log, begin_probe(log, START_MS + 7 * S), START_MS + 8 * S, "done")
    pages = log.db.execute("PRAGMA page_count").fetchone()[0]
    log.db.execute(f"PRAGMA max_page_count = {pages}")
    waiting = [at(5 * n, link=POTTERY_5._replace(bssid=f"02::{n}")) for n in range(1, 2000)]
    with pytest.raises(Exception, match="no room"):
        recorder.record(waiting, [])
    log.db.execute("PRAGMA max_page_count = 100000")
    recorder.record(waiting, [])
    assert flagged(log) == [10]


def test_marks_add_up_and_the_view_tells_each(log, recorder):
    end_probe(log, begin_probe(log, START_MS + 8 * S), START_MS + 9 * S, "done")
    recorder.record([at(5, flags=TX_RATE_STALE, tx_rate=None), at(10, flags=RX_RATE_STALE), at(15)], [])
    rows = log.db.execute(
        "SELECT flags, during_probe, tx_rate_stale, rx_rate_stale FROM tagged_sample"
        " JOIN sample USING (time_utc_ms) ORDER BY time_utc_ms"
    ).fetchall()
    assert [tuple(row) for row in rows] == [
        (None, 0, 0, 0),
        (TX_RATE_STALE, 0, 1, 0),
        (DURING_PROBE + RX_RATE_STALE, 1, 0, 1),
        (None, 0, 0, 0),
    ]
    assert sum(row[-2] for row in block_rows(log)) == 1
    assert sum(row[-1] for row in block_rows(log)) == 0  # of a probe's sample nothing else counts
    assert sum(row[-3] for row in block_rows(log)) == 1


# Rates that no frame has refreshed


def taken_after(before, **steps):
    """The sample of a reading whose counters went on by so much since another."""
    counts = {f"{name}_total": getattr(before, f"{name}_total") + n for name, n in steps.items()}
    return sample_of(replace(before, **counts), before, None, START_MS)


def test_a_rate_that_no_frame_has_refreshed_is_stale_and_is_no_rate():
    both, none = taken_after(LINKED), taken_after(LINKED, tx_packets=1, interface_rx_bytes=60)
    assert (both.flags, both.tx_rate, both.rx_rate) == (TX_RATE_STALE | RX_RATE_STALE, None, None)
    assert (none.flags, none.tx_rate, none.rx_rate) == (0, LINKED.tx_rate, LINKED.rx_rate)
    assert taken_after(LINKED, tx_packets=1).flags == RX_RATE_STALE
    assert taken_after(LINKED, interface_rx_bytes=60).flags == TX_RATE_STALE
    assert taken_after(LINKED, tx_packets=1, rx_packets=50).flags == RX_RATE_STALE  # beacons


def test_where_nobody_knows_whether_a_frame_came_a_rate_is_unknown_and_not_stale():
    restarted = sample_of(replace(LINKED, tx_packets_total=3, interface_rx_bytes_total=3), LINKED, None, START_MS)
    associated_anew = sample_of(
        replace(LINKED, associated_at_boottime_ns=2, interface_rx_bytes_total=1_000_060), LINKED, None, START_MS
    )
    for sample in (sample_of(LINKED, None, None, START_MS), restarted, associated_anew):
        assert (sample.flags, sample.tx_rate) == (0, None)


def test_no_rate_is_never_stale_nor_is_one_of_a_system_that_counts_no_frames():
    assert taken_after(replace(LINKED, tx_rate=None, rx_rate=BitRate(None, "HE", 5))).flags == 0
    counts_none = replace(LINKED, tx_packets_total=None, rx_packets_total=None, interface_rx_bytes_total=None)
    sample = sample_of(counts_none, counts_none, None, START_MS)
    assert (sample.flags, sample.tx_rate, sample.rx_rate) == (0, LINKED.tx_rate, LINKED.rx_rate)


def test_without_the_interfaces_counter_the_links_packets_tell_whether_a_receive_rate_is_stale():
    before = replace(LINKED, interface_rx_bytes_total=None)
    assert taken_after(before, tx_packets=1).flags == RX_RATE_STALE
    assert taken_after(before, tx_packets=1, rx_packets=1).flags == 0


def test_without_a_link_nothing_is_stale():
    assert sample_of(LOST, LINKED, None, START_MS).flags == 0


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    steps=st.lists(
        st.tuples(
            st.integers(1, 12_000),  # ms since the step before
            st.one_of(
                st.tuples(st.just("sample"), st.sampled_from([0, TX_RATE_STALE, RX_RATE_STALE, 6]), st.booleans()),
                st.just(("probe",)),
                st.tuples(st.just("end"), st.sampled_from(["done", "failed", "link-changed"])),
                st.just(("commit",)),
                st.just(("restart",)),
            ),
        ),
        max_size=80,
    )
)
def test_whatever_comes_when_blocks_equal_their_samples_and_marks_equal_the_probes(tmp_path_factory, steps):
    with Log.open(tmp_path_factory.mktemp("log") / "some.db") as log, Log.open(log.path) as other:
        for each in (log, other):
            each.db.execute("PRAGMA synchronous = OFF")
        Timeline(log, HandClock(START_MS - 1), "UTC").at("kiln room")
        recorder = Recorder(log)
        recorder.set_pace(5000, START_MS)
        now_ms, waiting, taken, probes, runs = START_MS, [], [], [], None
        for later_ms, (what, *rest) in [*steps, (1, ("commit",))]:
            now_ms += later_ms
            if what == "sample":
                waiting.append((linked if rest[1] else unlinked)(now_ms)._replace(flags=rest[0]))
                taken.append(now_ms)
            elif what == "probe" and runs is None:
                runs = begin_probe(other, now_ms)
                probes.append([now_ms, now_ms + LONGEST_PROBE_MS])
            elif what == "end" and runs is not None:
                end_probe(other, runs, now_ms, rest[0])
                probes[-1][1], runs = min(now_ms, probes[-1][1]), None
            else:
                recorder.record(waiting, [])
                waiting = []
                recorder = Recorder(log) if what == "restart" else recorder
        touched = [
            time_ms
            for before_ms, time_ms in zip([*taken[:1], *taken], taken, strict=False)
            if any(began <= time_ms and ended >= before_ms for began, ended in probes)
        ]
        marked = log.db.execute("SELECT time_utc_ms FROM sample WHERE flags & 1 ORDER BY id").fetchall()
        assert [row[0] for row in marked] == touched
        stale = log.db.execute("SELECT count(*) FROM sample WHERE flags & 6").fetchone()[0]
        assert stale >= sum(1 for row in block_rows(log) if row[-1] or row[-2])
        assert block_rows(log) == rebuilt_rows(log)
