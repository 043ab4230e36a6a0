"""What a rescue says of the loss: all of it, also where neither samples nor blocks are left to tell."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from logger.commands.rescue import _CALLED
from logger.console import main
from logger.log import Log
from logger.rescuing.rescue import Rescued, _tables, rescue
from logger.sample_id import time_of
from tests.logger.conftest import START_MS
from tests.logger.hurt_log import PAGE, copy_of, fill, n_pages, overwrite, rows
from tests.logger.test_rescue import leaves, root_of

PACE_MS = 5000


@pytest.fixture(scope="module")
def sound(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("told") / "pottery.db"
    fill(path)
    return path


def own_times(path: Path) -> set[int]:
    with closing(sqlite3.connect(path)) as db:
        own = "SELECT sample.id FROM sample JOIN period ON period.id = sample.id >> 46 WHERE source_id = 1"
        return {time_of(an_id) for (an_id,) in db.execute(own)}


def rescued(damaged: Path) -> tuple[Path, Rescued]:
    into = damaged.with_name("rescued.db")
    return into, rescue(damaged, into, now_utc_ms=START_MS)


def test_nothing_is_said_of_a_sound_log(sound, tmp_path):
    _, done = rescued(copy_of(sound, tmp_path / "pottery.db"))
    assert done.silences == []
    assert done.n_samples_told == len(rows(sound, "sample"))
    assert done.newest is not None
    assert done.newest.sample_utc_ms == max(own_times(sound))


@pytest.mark.parametrize("part", [0.3, 0.5, 0.7, 0.9])
def test_every_sample_that_a_cut_log_lost_lies_in_a_span_that_is_told_or_after_all_that_is_known(sound, tmp_path, part):
    damaged = copy_of(sound, tmp_path / "pottery.db")
    damaged.write_bytes(damaged.read_bytes()[: int(n_pages(sound) * part) * PAGE])
    into, done = rescued(damaged)
    saved = own_times(into)
    lost = own_times(sound) - saved
    assert lost
    newest = done.newest
    assert newest is not None
    assert newest.sample_utc_ms == max(saved, default=None)
    own = [span for span in done.silences if span.source_id == 1]
    untold = {t for t in lost if not any(span.from_utc_ms <= t <= span.to_utc_ms for span in own)}
    assert all(t > newest.known_utc_ms for t in untold)
    assert len(lost - untold) <= sum(span.n_room for span in own) + len(own)
    n_saved = done.tables["sample"].n_saved
    assert n_saved == len(rows(into, "sample"))
    assert n_saved + sum(span.n for span in done.lost) == done.n_samples_told <= len(rows(sound, "sample"))


def test_a_lost_page_is_told_by_the_time_around_it(sound, tmp_path):
    damaged = copy_of(sound, tmp_path / "pottery.db")
    overwrite(damaged, (leaves(sound, "sample")[40] - 1) * PAGE, bytes(PAGE))
    overwrite(damaged, (root_of(sound, "block") - 1) * PAGE, bytes(PAGE))
    into, done = rescued(damaged)
    lost = sorted(own_times(sound) - own_times(into))
    (span,) = done.silences
    assert (span.from_utc_ms, span.to_utc_ms) == (lost[0] - PACE_MS, lost[-1] + PACE_MS)
    assert span.n_room == len(lost) + 1


def test_the_command_says_the_whole_loss_first_and_in_words(sound, tmp_path, capsys, monkeypatch):
    monkeypatch.setenv("TZ", "UTC")
    damaged = copy_of(sound, tmp_path / "pottery.db")
    damaged.write_bytes(damaged.read_bytes()[: n_pages(sound) // 2 * PAGE])
    assert main(["rescue", str(damaged), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    Path(told["into"]).unlink()
    assert main(["rescue", str(damaged)]) == 0
    said = capsys.readouterr().out
    n_saved, n_told = told["tables"]["sample"]["n_saved"], told["n_samples_told"]
    more = f" of at least {n_told:,} that there were" if n_told > n_saved else ""
    assert said.splitlines()[1] == f"  {n_saved:,} samples{more}"
    n_room = sum(span["n_room"] for span in told["silences"])
    assert f"up to {n_room:,} were taken there" in said.partition("lost or in doubt:")[2]
    assert told["newest"]["known_utc_ms"] > told["newest"]["sample_utc_ms"]
    assert "the last sample saved is of" in said
    assert told["newest"]["known_by"] + " is known of" in said
    for wrong in ("identitys", "passs", "pruneds", "alias keys", "sources:"):
        assert wrong not in said


def test_every_table_has_words_for_people(tmp_path):
    with Log.open(tmp_path / "pottery.db") as log:
        assert set(_tables(log.db)) <= set(_CALLED)
