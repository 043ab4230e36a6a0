"""Samples are given up after a while, a bite at a time; blocks stay, and the timeline is fixed behind the horizon."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from adapters.simulated.clock import SimulatedClock
from logger import pruning
from logger.block_table import FOLD_MARGIN_MS, REACH_MS, rebuild_blocks
from logger.console import main
from logger.errors import TagError
from logger.exchange.importing import import_recording
from logger.log import Log
from logger.pruning import BITE_EVERY_S, DAY_MS, Pruner, horizon_of
from logger.recorder import Recorder
from logger.timeline import Timeline
from tests.logger.conftest import START_MS, HandClock, block_rows, linked
from tests.logger.said_tags import say_tag

HOUR_MS = 3_600_000
PACE_MS = 300_000
DAYS = 6
NOW_MS = START_MS + DAYS * DAY_MS


def fill(log, days=DAYS, pace_ms=PACE_MS):
    clock = HandClock()
    timeline = Timeline(log, clock, "Europe/Berlin")
    timeline.at("wheel by the window")
    recorder = Recorder(log)
    recorder.set_pace(pace_ms, START_MS)
    n = days * DAY_MS // pace_ms
    recorder.record([linked(START_MS + pace_ms * i, -60 - i % 7) for i in range(n)], [])
    clock.now_ms = START_MS + days * DAY_MS
    return timeline


@pytest.fixture
def filled(log):
    return fill(log)


def prune(log, keep_days, now_ms=NOW_MS):
    """All that is due, at once."""
    pruner = Pruner(log, SimulatedClock(now_ms), keep_days=keep_days)
    pruner.move_horizons(now_ms)
    while pruner.bite():
        pass
    return pruner


def sample_times(log):
    return [row[0] for row in log.db.execute("SELECT time_utc_ms FROM sample ORDER BY time_utc_ms")]


def test_samples_before_the_horizon_go_and_no_block_changes(log, filled):
    blocks, times = block_rows(log), sample_times(log)
    prune(log, 2)
    horizon_ms = horizon_of(log.db)
    assert NOW_MS - 2 * DAY_MS - 600_000 < horizon_ms <= NOW_MS - 2 * DAY_MS
    assert sample_times(log) == [time_ms for time_ms in times if time_ms >= horizon_ms]
    assert block_rows(log) == blocks


def test_without_a_limit_nothing_goes(log, filled):
    clock = SimulatedClock(NOW_MS + 9999 * DAY_MS)
    pruner = Pruner(log, clock, keep_days=0)
    for _ in range(3000):
        clock.advance(BITE_EVERY_S)
        pruner.tick()
    assert len(sample_times(log)) == DAYS * 288
    assert horizon_of(log.db) is None


def test_whoever_is_killed_after_the_horizon_moved_leaves_nothing_wrong(log, filled):
    Pruner(log, SimulatedClock(NOW_MS), keep_days=2).move_horizons(NOW_MS)
    with pytest.raises(TagError, match="the timeline is fixed there"):
        filled.split(NOW_MS - 3 * DAY_MS)
    assert len(sample_times(log)) == DAYS * 288
    later = Pruner(log, SimulatedClock(NOW_MS), keep_days=2)
    while later.bite():
        pass
    assert min(sample_times(log)) >= horizon_of(log.db)


def ticked(log, clock, pruner, hours):
    for _ in range(round(hours * 3600 / BITE_EVERY_S)):
        clock.advance(BITE_EVERY_S)
        pruner.tick()


def test_the_daemon_moves_the_horizon_by_a_day_an_hour_at_most(log, filled):
    clock = SimulatedClock(NOW_MS)
    pruner = Pruner(log, clock, keep_days=1)
    ticked(log, clock, pruner, 0.9)
    assert horizon_of(log.db) is None  # it looks first whether the clock keeps step
    ticked(log, clock, pruner, 2)
    assert horizon_of(log.db) <= START_MS + 2 * DAY_MS
    ticked(log, clock, pruner, 5)
    assert clock.utc_ms() - DAY_MS - 2 * HOUR_MS < horizon_of(log.db) <= clock.utc_ms() - DAY_MS
    assert min(sample_times(log)) >= horizon_of(log.db)


def test_a_clock_years_ahead_that_is_set_right_within_the_hour_costs_nothing(log, filled):
    clock = SimulatedClock(NOW_MS)
    pruner = Pruner(log, clock, keep_days=400)
    clock.set_wall(NOW_MS + 4000 * DAY_MS)
    ticked(log, clock, pruner, 0.9)
    clock.set_wall(NOW_MS + HOUR_MS)
    ticked(log, clock, pruner, 48)
    assert horizon_of(log.db) is None
    assert len(sample_times(log)) == DAYS * 288


def test_an_import_is_kept(log, filled, tmp_path):
    old = tmp_path / "old.csv"
    old.write_text("time,location,placement,version,band,rssi_dbm\n2019-05-01T10:00:00,kiln room,1,v1,5,-60\n")
    import_recording(log, old, now_utc_ms=NOW_MS, zone="UTC")
    prune(log, 1)
    assert sample_times(log)[0] < START_MS


def test_bites_are_sized_by_what_they_take(log, filled):
    took = iter(range(10_000))
    slow = Pruner(log, SimulatedClock(NOW_MS), keep_days=1, timer_s=lambda: float(next(took)))  # a second each
    slow.move_horizons(NOW_MS)
    n = len(sample_times(log))
    slow.bite()
    slow.bite()
    assert n - len(sample_times(log)) <= 2 * 200
    assert slow.longest_hold_s == 1.0


def test_the_file_shrinks_and_stays_sound(tmp_path, monkeypatch):
    monkeypatch.setattr(pruning, "SLACK_PAGES", 16)
    with Log.open(tmp_path / "big.db") as log:
        fill(log, days=12, pace_ms=10_000)
        log.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        before = log.path.stat().st_size
        pruner = prune(log, 2, START_MS + 12 * DAY_MS)
        while pruner.shrink():
            pass
        log.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        assert log.db.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
        n_free, n_pages = (log.db.execute(f"PRAGMA {name}").fetchone()[0] for name in ("freelist_count", "page_count"))
        assert log.path.stat().st_size < 0.7 * before
        assert n_free <= max(16, 0.021 * n_pages)


def test_an_old_log_is_written_anew_once_so_that_it_can_shrink(tmp_path):
    import sqlite3

    from logger.migrations import STEPS, migrate

    path = tmp_path / "old.db"
    migrate(path, STEPS[:2])
    with sqlite3.connect(path) as db:
        db.execute("PRAGMA auto_vacuum = NONE")
        db.execute("VACUUM")
        assert db.execute("PRAGMA auto_vacuum").fetchone()[0] == 0
    db.close()
    with Log.open(path) as log:
        assert log.db.execute("PRAGMA auto_vacuum").fetchone()[0] == 2


def test_behind_the_horizon_only_whole_periods_get_other_tags(log, filled):
    early = filled.split(START_MS + 1 * DAY_MS)
    late = filled.split(START_MS + 5 * DAY_MS)
    prune(log, 2)
    fixed_ms = horizon_of(log.db) + FOLD_MARGIN_MS
    blocks = block_rows(log)
    for edit in (
        lambda: filled.join(early),
        lambda: filled.amend_period(early, started_ms=START_MS + 2 * DAY_MS),
        lambda: filled.changed("longer antennas", fixed_ms + REACH_MS - 1),
        lambda: filled.at("kiln room", START_MS + 12 * HOUR_MS),
    ):
        with pytest.raises(TagError, match="were given up"):
            edit()
    assert block_rows(log) == blocks
    filled.amend_period(1, location="kiln room")
    filled.amend_version(1, label="as it was")
    assert block_rows(log) == blocks
    filled.changed("longer antennas", fixed_ms + REACH_MS)
    filled.join(late)
    assert [row for row in block_rows(log) if row[1] < fixed_ms] == [row for row in blocks if row[1] < fixed_ms]


def test_an_edit_can_no_longer_be_undone_when_its_samples_are_gone(log, filled):
    later = filled.split(START_MS + DAY_MS)
    filled.join(later)
    prune(log, 2)
    blocks = block_rows(log)
    with pytest.raises(TagError, match="were given up"):
        filled.undo()
    assert block_rows(log) == blocks


def test_samples_that_a_clock_set_back_stamps_behind_the_horizon_are_added_to_the_blocks_there(log, filled):
    prune(log, 2)
    blocks = {row[:3]: row for row in block_rows(log)}
    recorder = Recorder(log)
    recorder.set_pace(PACE_MS // 2, START_MS + DAY_MS)
    recorder.record([linked(START_MS + DAY_MS + 1000 * i, -50) for i in range(3)], [])
    recorder.record([linked(START_MS + DAY_MS + 3000, -50)], [])
    changed = [(blocks[row[:3]], row) for row in block_rows(log) if row != blocks.get(row[:3])]
    assert len(changed) == 1
    (old, new), columns = changed[0], [row[1] for row in log.db.execute("PRAGMA table_info(block)")]
    grown = {name: new[i] - old[i] for i, name in enumerate(columns) if i > 5 and not isinstance(old[i], bytes)}
    assert (grown["n_samples"], grown["rssi_n"], grown["rssi_sum_dbm"]) == (4, 4, -200)
    assert min(sample_times(log)) >= START_MS + DAY_MS  # they wait for the next bite
    prune(log, 2)
    assert new in block_rows(log)


def test_an_export_says_what_is_no_longer_there(log, filled, capsys, monkeypatch):
    monkeypatch.setenv("LINKTRIAL_DB", str(log.path))
    assert main(["export"]) == 0
    assert capsys.readouterr().err == ""
    prune(log, 2)
    assert main(["export"]) == 0
    out, err = capsys.readouterr()
    assert err.startswith("linktrial export: samples before 2026-09-25T14:10:00.000Z were given up")
    assert err.count("\n") == 1
    assert out.count("\n") == 1 + len(sample_times(log))
    assert main(["export", "--from", "2026-09-26"]) == 0
    assert capsys.readouterr().err == ""


def test_the_bench_of_pruning_in_short():
    """Its own aim is for an idle machine."""
    bench = Path(__file__).parents[1] / "bench/pruning.py"
    done = subprocess.run(
        [sys.executable, bench, "--quick", "--aim", "2"],
        capture_output=True,
        text=True,
        cwd=bench.parents[2],
        check=False,
    )
    assert done.returncode == 0, done.stdout + done.stderr


def test_the_daemon_prunes_only_when_nothing_waits(log, clock):
    """Daemon.tick says whether all is in the log, and the loop asks the pruner then."""
    import io

    from adapters.simulated import SimulatedRadio, pottery
    from logger.daemon import Daemon
    from logger.sampler import Sampler
    from logger.voice import Voice

    clock = SimulatedClock(START_MS // 5000 * 5000)
    radio = SimulatedRadio(pottery.scene(clock.utc_ms()), clock, seed=1)
    daemon = Daemon(log, Sampler(radio, clock, 5.0), clock, Voice(io.StringIO(), io.StringIO()), interval_ms=5000)
    daemon.begin(version="0", adapter="simulated", interface="sim0")
    said = []
    for _ in range(8):
        clock.advance(5)
        said.append(daemon.tick())
    assert set(said) == {True, False}


def assert_true_beyond(log, fixed_ms):
    """Blocks that begin after ``fixed_ms`` are what the samples give."""
    kept = block_rows(log)
    with log.transaction() as db:
        for period_id, started_ms in db.execute("SELECT id, started_at_utc_ms FROM period").fetchall():
            rebuild_blocks(db, period_id, None if started_ms >= fixed_ms else fixed_ms + 600_000)
    assert block_rows(log) == kept


edits = st.tuples(
    st.sampled_from(["at", "changed", "split", "join", "starts", "undo", "prune", "place"]),
    st.integers(0, DAYS * 24 * 6),
    st.integers(1, 8),
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(st.lists(edits, min_size=2, max_size=8))
def test_whatever_is_edited_and_pruned_old_blocks_stay_and_young_ones_are_true(tmp_path_factory, steps):
    with Log.open(tmp_path_factory.mktemp("pruned") / "log.db") as log:
        timeline = fill(log, pace_ms=900_000)
        for kind, ten_minutes, number in steps:
            when_ms = START_MS + ten_minutes * 600_000 + 17
            fixed_ms = (horizon_of(log.db) or -DAY_MS * 9999) + FOLD_MARGIN_MS
            before = [row[1:] for row in block_rows(log) if row[1] < fixed_ms]
            try:
                say_tag(timeline, kind, number, when_ms)
                match kind:
                    case "place":
                        timeline.amend_period(number, location=f"other {number}")
                    case "prune":
                        prune(log, number / 2)
            except TagError:
                pass
            assert [row[1:] for row in block_rows(log) if row[1] < fixed_ms] == before
            assert_true_beyond(log, (horizon_of(log.db) or -DAY_MS * 9999) + FOLD_MARGIN_MS)
