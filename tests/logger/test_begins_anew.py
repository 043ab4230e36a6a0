"""A new log in a damaged one's place: whole or not at all, and it knows of the run that it is part of."""

from __future__ import annotations

from pathlib import Path

import pytest

from logger import damage
from logger.damage import opened_for_logging
from logger.errors import LogFull
from logger.log import Log
from logger.rescuing.rescue import rescue
from logger.tags import period_at
from tests.logger.conftest import HandClock
from tests.logger.hurt_log import PAGE, fill
from tests.logger.test_damage import LATER_MS, Midst, asides, root_of, ruin, zero


@pytest.fixture
def path(tmp_path) -> Path:
    path = tmp_path / "pottery.db"
    fill(path, 600, 60_000)
    return path


def test_a_write_ahead_log_that_is_damaged_in_its_midst_is_not_thrown_away(path):
    """SQLite would pass over all that was logged after the damage, and say nothing."""
    with Log.open(path) as log:
        midst = Midst(log)
        midst.ticks(60)
        beside = path.with_name("copy.db")
        beside.write_bytes(path.read_bytes())
        wal = bytearray(Path(f"{path}-wal").read_bytes())
    torn = wal[: len(wal) - 3 * (PAGE + 24)]  # as the power leaves it: that is no damage
    wal[32 + 2 * (PAGE + 24) + 500] ^= 0xFF
    Path(f"{beside}-wal").write_bytes(wal)
    with opened_for_logging(beside, HandClock(LATER_MS)) as (_, said):
        assert "malformed write-ahead log" in said
    (aside,) = (aside for aside in asides(beside) if not aside.name.endswith("-wal"))
    saved = rescue(aside, path.with_name("rescued.db"), now_utc_ms=LATER_MS).tables["sample"].n_saved
    assert saved >= 1200 + 50
    beside.write_bytes(path.read_bytes())
    Path(f"{beside}-wal").write_bytes(torn)
    with opened_for_logging(beside, HandClock(LATER_MS)) as (_, said):
        assert said == ""


def test_a_run_that_is_lost_after_it_began_a_new_log_is_found_lost(path):
    with Log.open(path) as log:
        midst = Midst(log)
        midst.ticks(4)
        ruin(log)
        midst.ticks(4)
    with Log.open(path) as log:
        Midst(log)
        kinds = [row[0] for row in log.db.execute("SELECT kind FROM event ORDER BY id")]
    assert kinds[:3] == ["log-damaged", "logger-started", "logger-lost"]


@pytest.mark.parametrize("step", ["open", "set_aside"])
def test_a_log_that_is_damaged_while_there_is_no_room_for_a_new_one_is_tried_again(path, monkeypatch, step):
    def no_room(*_: object, **__: object) -> None:
        raise LogFull("there is no room left")

    with Log.open(path) as log:
        midst = Midst(log)
        midst.ticks(4)
        ruin(log)
        with monkeypatch.context() as patched:
            patched.setattr(damage.Log if step == "open" else damage, step, no_room)
            midst.ticks(10)
        assert "no room left" in midst.err.getvalue()
        assert asides(path) == []
        midst.ticks(4)
        assert midst.daemon.end()
        assert log.db.execute("SELECT count(*) FROM sample").fetchone()[0] >= 14
    assert len(asides(path)) == 1
    assert not [file for file in path.parent.iterdir() if ".new" in file.name]


def test_a_new_log_that_was_not_given_its_name_any_more_gets_it_at_the_next_start(path, monkeypatch):
    zero(path, root_of(path, "event"))
    with monkeypatch.context() as patched:
        patched.setattr(damage, "set_aside", lambda *_: (_ for _ in ()).throw(KeyboardInterrupt))
        patched.setattr(damage, "remove_log", lambda _: None)  # as where the power goes
        with pytest.raises(KeyboardInterrupt), opened_for_logging(path, HandClock(LATER_MS)):
            pass
    path.rename(path.with_name("aside.db"))
    with opened_for_logging(path, HandClock(LATER_MS + 1)) as (log, said):
        assert said == ""
        assert period_at(log.db, LATER_MS).location == "kiln room"
