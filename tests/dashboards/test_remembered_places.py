"""Stability and unexplained changes, place by place and remembered, are what they would be over all the log at once."""

from __future__ import annotations

from dataclasses import asdict
from datetime import UTC, datetime

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards import answers as answers_module
from dashboards import remembered_places
from dashboards.analysis.lasting.allan import AllanPoint
from dashboards.analysis.lasting.interval import Interval
from dashboards.analysis.lasting.stability import Stability, stability
from dashboards.analysis.lasting.under_rate import UnderRate
from dashboards.analysis.unexplained.changes import unexplained_changes
from dashboards.answers import Answers
from dashboards.frames import load_frames
from dashboards.page import render
from dashboards.remembered_places import remembered_changes, remembered_stability
from dashboards.report import find
from logger.log import Log
from logger.one_moment import one_moment
from logger.sample import Event
from tests.dashboards.test_remembered import MINUTE_MS, Pottery
from tests.logger.conftest import POTTERY_5, START_MS, linked

WASHOUT_S = {1: 120.0}


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    """Four days at the wheel and at the kiln by turns, under two versions; 8 dB went missing at the wheel."""
    pottery = Pottery(tmp_path_factory.mktemp("places") / "pottery.db")
    rng = np.random.default_rng(4)
    for day, (place, version) in enumerate([("wheel", 1), ("kiln", 1), ("wheel", 2), ("kiln", 2)]):
        pottery.timeline.at(place)
        if day == 2:
            pottery.timeline.changed("longer antennas")
        begin_ms = pottery.clock.now_ms
        times = range(begin_ms, begin_ms + 24 * 60 * MINUTE_MS, 60_000)
        fallen = [8 * (day == 2 and at_ms > begin_ms + 10 * 60 * MINUTE_MS) for at_ms in times]
        pottery.recorder.set_pace(60_000, begin_ms)
        pottery.recorder.record(
            [
                linked(at_ms, float(round(-60 + version - drop + rng.normal())), POTTERY_5)
                for at_ms, drop in zip(times, fallen, strict=True)
            ],
            [],
        )
        pottery.clock.now_ms = begin_ms + 24 * 60 * MINUTE_MS
    pottery.log.close()
    return pottery.log.path


@pytest.fixture
def worked_out(monkeypatch):
    """How often anything was worked out; the source text stays as it is whoever edits it meanwhile."""
    done = []
    for name in ("stability", "unexplained_changes"):
        real = getattr(remembered_places, name)
        monkeypatch.setattr(
            remembered_places,
            name,
            lambda *told, real=real, name=name, **more: done.append(name) or real(*told, **more),
        )
    monkeypatch.setattr(answers_module, "method_mark", lambda: b"played")
    return done


def told(log: Log, now_ms: int = 0):
    with one_moment(log):
        frames, answers = load_frames(log), Answers(log)
    how = {"needed_rate_mbps": 5.0, "washout_s": WASHOUT_S, "now_utc_ms": now_ms}
    lasting, _ = remembered_stability(answers, frames.blocks, **how)
    return lasting, remembered_changes(answers, frames.blocks, frames.events, now_utc_ms=now_ms)[0], frames


def test_place_by_place_is_as_all_at_once_and_the_second_time_nothing_is_worked_out(path, worked_out):
    with Log.open(path) as log:
        lasting, changes, frames = told(log)
        assert lasting == stability(frames.blocks, needed_rate_mbps=5.0, washout_s=WASHOUT_S)
        assert changes == unexplained_changes(frames.blocks, frames.events)
        assert [(one.location, one.kind) for one in changes] == [("wheel", "level")]
        assert [(one.location, one.version) for one in lasting] == [
            ("kiln", 1),
            ("kiln", 2),
            ("wheel", 1),
            ("wheel", 2),
        ]
        assert len(worked_out) == 4 + 2
        worked_out.clear()
        assert told(log)[:2] == (lasting, changes)
        assert worked_out == []


def test_more_samples_at_one_place_leave_the_others_remembered(path, worked_out, tmp_path):
    copy = tmp_path / "copy.db"
    copy.write_bytes(path.read_bytes())
    pottery = Pottery(copy)
    with pottery.log as log:
        told(log)
        worked_out.clear()
        pottery.clock.now_ms = log.db.execute("SELECT max(last_utc_ms) FROM block").fetchone()[0] + 60_000
        pottery.record(30)
        lasting, changes, frames = told(log)
        assert sorted(worked_out) == ["stability", "unexplained_changes"]  # kiln under v2; kiln
        assert lasting == stability(frames.blocks, needed_rate_mbps=5.0, washout_s=WASHOUT_S)
        assert changes == unexplained_changes(frames.blocks, frames.events)


def test_a_report_says_of_when_it_is_whatever_lacks_its_last_minutes(path, tmp_path):
    copy = tmp_path / "copy.db"
    copy.write_bytes(path.read_bytes())
    pottery = Pottery(copy)
    with pottery.log as log:
        found_ms = log.db.execute("SELECT max(last_utc_ms) FROM block").fetchone()[0] + 60_000
        exact = find(log, now_utc_ms=found_ms, zone="UTC")
        assert exact.stability_as_of_utc_ms is exact.unexplained_as_of_utc_ms is None
        pottery.clock.now_ms = found_ms
        pottery.record(10)
        lacking = find(log, now_utc_ms=pottery.clock.now_ms, zone="UTC")
        assert lacking.stability_as_of_utc_ms == lacking.unexplained_as_of_utc_ms == found_ms
        assert (lacking.stability, lacking.unexplained) == (exact.stability, exact.unexplained)
        said = f"Judged as of {datetime.fromtimestamp(found_ms / 1000, UTC):%a %d %b %H:%M}"
        page = render(lacking)
        for section in ("lasting", "unexplained"):
            assert said in page.partition(f'<section id="{section}">')[2].partition("</section>")[0]
        assert "Judged as of" not in render(exact)


def test_each_new_event_replaces_what_was_remembered_and_adds_nothing_to_it(path, worked_out, tmp_path):
    copy = tmp_path / "copy.db"
    copy.write_bytes(path.read_bytes())
    pottery = Pottery(copy)
    with pottery.log as log:
        told(log)
        kept = log.db.execute("SELECT count(*) FROM answer").fetchone()[0]
        pottery.recorder.record([], [Event(START_MS, "resumed", {"asleep_s": 300})])
        told(log)
        assert log.db.execute("SELECT count(*) FROM answer").fetchone()[0] == kept
        worked_out.clear()
        with log.transaction() as db:
            db.execute("INSERT INTO source (id, kind, name, added_at_utc_ms) VALUES (2, 'logger', 'kiln', 0)")
            db.execute("INSERT INTO event (time_utc_ms, kind, source_id) VALUES (?, 'resumed', 2)", (START_MS,))
        told(log)
        assert worked_out == []  # what befell another machine


def test_an_event_may_be_what_was_seen_at_the_time_of_a_change(path, worked_out, tmp_path):
    copy = tmp_path / "copy.db"
    copy.write_bytes(path.read_bytes())
    pottery = Pottery(copy)
    with pottery.log as log:
        before = told(log)[1]
        pottery.recorder.record([], [Event(before[0].at_utc_ms, "resumed", {"asleep_s": 300})])
        after, frames = told(log)[1:]
        assert after == unexplained_changes(frames.blocks, frames.events)
        assert after[0].seen != before[0].seen


def test_a_renamed_place_is_told_by_its_new_name(path, worked_out, tmp_path):
    copy = tmp_path / "copy.db"
    copy.write_bytes(path.read_bytes())
    with Log.open(copy) as log:
        told(log)
        with log.transaction() as db:
            db.execute("UPDATE location SET name = 'glaze shelf' WHERE name = 'kiln'")
        lasting, changes, frames = told(log)
        assert lasting == stability(frames.blocks, needed_rate_mbps=5.0, washout_s=WASHOUT_S)
        assert changes == unexplained_changes(frames.blocks, frames.events)


numbers = st.floats(allow_nan=False, allow_infinity=False)
intervals = st.builds(Interval, st.none() | numbers, st.none() | numbers, st.none() | numbers)


@given(
    st.builds(
        Stability,
        allan=st.lists(st.builds(AllanPoint, deviation_db=intervals), max_size=2).map(tuple),
        slope_db_per_month=st.none() | intervals,
        hours=st.just(()),
        day_less_night_db=st.none() | intervals,
        outages=st.none(),
        under_rate=st.lists(st.builds(UnderRate, share=intervals), max_size=2).map(tuple),
        days=numbers,
        span_days=numbers,
        other_radios_share=numbers,
    )
)
def test_what_is_kept_comes_back_as_it_was(one):
    assert remembered_places._built(Stability, asdict(one)) == one
