"""Writers killed at any instant, in short; the whole of it is tests/bench/killed.py."""

from __future__ import annotations

import random
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from logger.log import Log
from tests.bench.killed import Found, Kept, kill, kill_programs, logs, look, run_and_kill
from tests.logger.soundness import unsound


def test_writers_killed_at_any_instant_and_power_cuts_leave_a_sound_log_and_take_the_last_commit_at_most(tmp_path):
    found = kill(tmp_path, 12, 11)
    assert found.faults == []
    assert found.worst_share <= 1
    assert found.n_kills >= 12


def test_a_whole_daemon_killed_leaves_a_sound_log(tmp_path):
    found = Found()
    kill_programs(tmp_path, 1, 5, found)
    assert found.faults == []


@pytest.mark.parametrize(
    ("spoil", "told"),
    [
        ("DELETE FROM sample WHERE id = (SELECT min(id) FROM sample)", "samples of before are gone"),
        ("DELETE FROM sample WHERE id = (SELECT min(id) FROM sample)", "is not what its samples give"),
        ("UPDATE block SET rssi_sum_dbm = rssi_sum_dbm + 1", "is not what its samples give"),
        ("UPDATE sample SET link_id = 77", "refers to no link"),
        ("INSERT INTO sample (id, link_id) VALUES ((9 << 46) + (1790000000000 << 4), 0)", "in no period"),
        ("INSERT INTO edit VALUES (9, 1, 'at', '{}', NULL), (10, 1, 'at', '{}', NULL)", "2 edits in the log, 0 said"),
    ],
)
def test_the_look_afterwards_sees_what_is_wrong(tmp_path, spoil, told):
    path, kept, found = tmp_path / "pottery.db", Kept(), Found()
    chance = random.Random(3)
    while len(kept.times) < 100:
        said = run_and_kill(
            [lambda pipe: logs(path, 1_790_000_000_000 + len(kept.times) * 200, 0.1, 1.0, pipe)], chance
        )
        look(path, kept, said, 0.1, found, "before")
    assert found.faults == []
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute(spoil)
    look(path, kept, [], 0.1, found, "after")
    assert any(told in fault for fault in found.faults), found.faults


def test_a_sound_log_is_called_sound(tmp_path):
    Log.open(Path(tmp_path, "pottery.db")).close()
    assert unsound(tmp_path / "pottery.db") == []
