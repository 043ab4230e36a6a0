"""A laptop that travels: each block has the zone in force at its time, and the day's cycle goes by it."""

from __future__ import annotations

import numpy as np
import pytest

from dashboards.analysis.wall_clock import ahead_of_utc_s
from dashboards.answers import Answers
from dashboards.commands.report import zone_of
from dashboards.frames import load_blocks
from logger.log import Log
from logger.one_moment import one_moment
from logger.recorder import Recorder
from logger.sample import Event
from logger.timeline import Timeline
from tests.logger.conftest import START_MS, HandClock, linked

HOUR_MS = 3_600_000
PARIS, LISBON, TOKYO = "Europe/Paris", "Europe/Lisbon", "Asia/Tokyo"


@pytest.fixture
def travelled(tmp_path):
    """From Paris to Lisbon in the third hour, where a period begins in the fifth; in the seventh to Tokyo."""
    with Log.open(tmp_path / "pottery.db") as log:
        clock = HandClock()
        recorder = Recorder(log)
        Timeline(log, clock, PARIS).at("kiln room")
        recorder.set_pace(60_000, START_MS)
        for hour in range(8):
            clock.now_ms = START_MS + hour * HOUR_MS
            if hour == 4:
                Timeline(log, clock, LISBON).at("glaze shelf")
            zone = {2: (PARIS, LISBON), 6: (LISBON, TOKYO)}.get(hour)
            events = (
                [Event(clock.now_ms, "time-zone-changed", dict(zip(("from", "to"), zone, strict=True)))] if zone else []
            )
            recorder.record([linked(clock.now_ms + 60_000 * minute) for minute in range(60)], events)
        yield log


def test_each_block_has_the_zone_in_force_at_its_time(travelled):
    blocks = load_blocks(travelled)
    hour = (blocks["mean_utc_ms"] - START_MS) // HOUR_MS
    assert [set(blocks["time_zone"][hour == each]) for each in range(8)] == [
        {PARIS}, {PARIS}, {LISBON}, {LISBON}, {LISBON}, {LISBON}, {TOKYO}, {TOKYO}
    ]  # fmt: skip


def test_the_day_of_the_analysis_goes_by_it(travelled):
    """September: Paris is 2 h ahead of UTC, Lisbon 1 h, Tokyo 9 h."""
    blocks = load_blocks(travelled)
    ahead_s = ahead_of_utc_s(blocks["mean_utc_ms"].to_numpy(), blocks["time_zone"].to_numpy(object))
    assert set(np.round(ahead_s / 3600).astype(int).tolist()) == {1, 2, 9}


def test_the_times_of_the_report_go_by_the_zone_that_the_log_was_in_last(travelled):
    assert zone_of(travelled) == TOKYO


def test_a_new_zone_makes_what_was_worked_out_before_be_worked_out_again(travelled):
    def fingerprints():
        with one_moment(travelled):
            answers = Answers(travelled, now_utc_ms=START_MS, lag_share=0)
            return answers.fingerprint(answers.periods).exact

    before = fingerprints()
    assert fingerprints() == before
    Recorder(travelled).record([], [Event(START_MS + 7 * HOUR_MS, "time-zone-changed", {"from": TOKYO, "to": PARIS})])
    assert fingerprints() != before


def test_a_tag_said_in_the_new_zone_for_a_time_in_the_old_one_keeps_the_old_one_there(travelled):
    clock = HandClock(START_MS + 8 * HOUR_MS)
    Timeline(travelled, clock, TOKYO).changed("longer antennas", START_MS + HOUR_MS)
    assert [row[0] for row in travelled.db.execute("SELECT time_zone FROM period ORDER BY started_at_utc_ms")] == [
        PARIS, PARIS, LISBON
    ]  # fmt: skip
    blocks = load_blocks(travelled)
    hour = (blocks["mean_utc_ms"] - START_MS) // HOUR_MS
    assert set(blocks["time_zone"][hour == 1]) == {PARIS}
    assert set(blocks["time_zone"][hour == 2]) == {LISBON}
