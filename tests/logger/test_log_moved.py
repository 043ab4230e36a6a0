"""A log that is moved or deleted while it is logged into, one whose write-ahead log was left alone, and a clock that
shows what no log can hold: said, and nothing lost that is there."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger.errors import LogError
from logger.log import Log
from logger.sample_id import LATEST_MS
from tests.logger.test_damage import LATER_MS, Midst


@pytest.fixture
def path(tmp_path) -> Path:
    return tmp_path / "pottery.db"


def stamps(path: Path) -> list[int]:
    with Log.open(path, create=False) as log:
        return [row[0] for row in log.db.execute("SELECT time_utc_ms FROM sample ORDER BY id")]


def test_a_log_that_was_moved_is_said_once_and_has_all_samples_when_it_is_back(path):
    with Log.open(path) as log:
        midst = Midst(log)
        midst.ticks(3)
        path.rename(path.with_name("away.db"))
        midst.ticks(40)
        assert midst.err.getvalue().count("\n") == 1
        assert "was moved, replaced or deleted" in midst.err.getvalue()
        midst.daemon.end()
    with pytest.raises(LogError, match="put the log back"):
        Log.open(path)
    assert not path.exists()
    path.with_name("away.db").rename(path)
    assert stamps(path) == [LATER_MS + 5000 * n for n in range(43)]


def test_a_log_that_is_where_it_was_is_not_complained_of(path):
    with Log.open(path) as log:
        midst = Midst(log)
        midst.ticks(40)
        with log.let_go():
            pass
        midst.ticks(40)
        assert midst.err.getvalue() == ""


@pytest.mark.parametrize("wall_ms", [LATEST_MS + 5000, 4_500_000_000_000])
def test_a_clock_beyond_what_a_log_can_hold_ends_nothing_and_is_said_once_a_spell(path, wall_ms):
    with Log.open(path) as log:
        midst = Midst(log)
        for _ in range(2):
            midst.ticks(4)
            before_ms = midst.clock.utc_ms()
            midst.clock.set_wall(wall_ms)
            midst.ticks(10)
            midst.clock.set_wall(before_ms + 50_000)
        midst.ticks(4)
        assert midst.daemon.end()
    assert midst.err.getvalue().count("after 2109") == 2
    assert midst.err.getvalue().count("\n") == 2
    assert stamps(path) == [LATER_MS + 5000 * n for n in (*range(4), *range(14, 18), *range(28, 32))]


def test_a_machine_that_wakes_up_in_1970_logs_from_when_its_clock_is_set(path):
    """No period, event or sample of 1970: a report of 56 years would help nobody."""
    with Log.open(path) as log:
        midst = Midst(log, wall_ms=5_000)
        for _ in range(3):
            assert not midst.begin()
            midst.clock.advance(5)
        assert not midst.daemon.begun
        midst.clock.set_wall(LATER_MS)
        assert midst.begin()
        midst.ticks(1)
        assert midst.daemon.end()
        assert log.db.execute("SELECT min(time_utc_ms) FROM event").fetchone()[0] == LATER_MS
        assert log.db.execute("SELECT min(started_at_utc_ms) FROM period").fetchone()[0] == LATER_MS
    assert midst.err.getvalue().count("the wall clock is before 2025") == 1
    assert stamps(path) == [LATER_MS]
