"""``linktrial rescue``: what can be read of a damaged log comes back, nothing is made up, nothing ends in a trace."""

from __future__ import annotations

import json
import random
import sqlite3
import struct
import time
from pathlib import Path

import pytest

from logger.claim import Claim
from logger.console import main
from logger.errors import LogError, NewerLog, NotALog
from logger.log import SCHEMA, Log
from logger.merging.merge import merge
from logger.rescuing.page_format import committed_frames
from logger.rescuing.page_walk import PageWalk, Shape
from logger.rescuing.rescue import Rescued, rescue
from logger.timeline import Timeline
from tests.logger.conftest import START_MS, HandClock
from tests.logger.hurt_log import (
    PAGE,
    copy_of,
    fill,
    hurt,
    n_pages,
    overwrite,
    page_of,
    rows,
    rows_on_and_below,
)
from tests.logger.old_log import make_old_log
from tests.logger.soundness import unsound

TAG_TABLES = (
    "source",
    "location",
    "placement",
    "config_version",
    "period",
    "edit",
    "event",
    "pace",
    "zone",
    "identity",
)


@pytest.fixture(scope="module")
def sound(tmp_path_factory) -> Path:
    path = tmp_path_factory.mktemp("sound") / "pottery.db"
    fill(path)
    return path


@pytest.fixture
def damaged(sound, tmp_path) -> Path:
    return copy_of(sound, tmp_path / "pottery.db")


def rescued(damaged: Path) -> tuple[Path, Rescued]:
    into = damaged.with_name("rescued.db")
    into.unlink(missing_ok=True)
    before = damaged.read_bytes()
    done = rescue(damaged, into, now_utc_ms=START_MS)
    assert damaged.read_bytes() == before
    sides = {path.name for path in damaged.parent.iterdir()} - {damaged.name, into.name, "home"}
    assert not {name for name in sides if not name.startswith(f"{damaged.name}-")}, "no part is left lying about"
    fits_together(into)
    return into, done


def fits_together(path: Path) -> None:
    assert unsound(path) == []
    db = sqlite3.connect(path)
    own = db.execute(
        "SELECT started_at_utc_ms, ended_at_utc_ms FROM period WHERE source_id = 1 ORDER BY started_at_utc_ms"
    ).fetchall()
    assert [one[1] for one in own] == [*(other[0] for other in own[1:]), None][: len(own)]
    db.close()
    Log.open(path, create=False).close()


def test_a_sound_log_comes_back_as_it_is(sound, damaged):
    into, done = rescued(damaged)
    assert done.whole
    db = sqlite3.connect(sound)
    names = [name for (name,) in db.execute("SELECT name FROM sqlite_schema WHERE type = 'table'")]
    db.close()
    for table in set(names) - {"answer", "block_writes"}:
        assert rows(into, table) == rows(sound, table), table


def root_of(path: Path, table: str) -> int:
    return next(row[3] for row in rows(path, "sqlite_schema") if row[1] == table)


def test_a_page_of_samples_costs_the_samples_on_it_and_the_loss_is_told(sound, damaged):
    leaf = leaves(sound, "sample")[40]
    overwrite(damaged, (leaf - 1) * PAGE, bytes(PAGE))
    into, done = rescued(damaged)
    lost = set(rows(sound, "sample")) - set(rows(into, "sample"))
    assert len(lost) == rows_on_and_below(sound, leaf) == sum(span.n for span in done.lost)
    times = sorted(row[2] for row in lost)
    assert done.lost[0].from_utc_ms <= times[0]
    assert times[-1] <= done.lost[-1].to_utc_ms
    assert done.tables["sample"].n_pages_lost == 1
    for table in TAG_TABLES:
        assert rows(into, table) == rows(sound, table)


def leaves(path: Path, table: str) -> list[int]:
    """The leaf pages of a tree of two levels."""
    data = page_of(path, root_of(path, table))
    starts = struct.unpack_from(f">{struct.unpack_from('>H', data, 3)[0]}H", data, 12)
    return [struct.unpack_from(">I", data, start)[0] for start in (*starts, 8)]


def test_samples_below_a_page_that_is_lost_are_found_on_their_own_pages(sound, damaged):
    overwrite(damaged, (root_of(sound, "sample") - 1) * PAGE, bytes(PAGE))
    into, done = rescued(damaged)
    assert rows(into, "sample") == rows(sound, "sample")
    assert done.tables["sample"].n_rows_stray == len(rows(sound, "sample"))
    assert rows(into, "block") == rows(sound, "block")


def test_where_all_samples_are_gone_their_blocks_are_kept(sound, damaged):
    for page in (root_of(sound, "sample"), *leaves(sound, "sample")):
        overwrite(damaged, (page - 1) * PAGE, bytes(PAGE))
    into, done = rescued(damaged)
    assert rows(into, "sample") == []
    assert rows(into, "block") == rows(sound, "block")
    assert done.n_blocks_without_samples == len(rows(sound, "block"))
    assert sum(span.n for span in done.lost) == len(rows(sound, "sample"))


def test_where_all_blocks_are_gone_they_are_folded_anew(sound, damaged):
    overwrite(damaged, (root_of(sound, "block") - 1) * PAGE, bytes(PAGE))
    into, done = rescued(damaged)
    assert rows(into, "block") == rows(sound, "block")
    assert rows(into, "sample") == rows(sound, "sample")
    assert not done.whole


@pytest.mark.parametrize(
    "table", ["period", "placement", "location", "config_version", "link", "rate", "pace", "source"]
)
def test_what_a_lost_table_had_to_say_is_stood_in_for(sound, damaged, table):
    overwrite(damaged, (root_of(sound, table) - 1) * PAGE, bytes(PAGE))
    into, done = rescued(damaged)
    assert [row[0] for row in rows(into, "sample")] == [row[0] for row in rows(sound, "sample")]
    assert done.stand_ins or table == "source"
    assert not done.whole
    with Log.open(into) as log:  # and the owner can say what is true
        clock = HandClock(START_MS + 86_400_000)
        Timeline(log, clock, "Europe/Berlin").at("kiln shelf")
    fits_together(into)


@pytest.mark.parametrize("tables", [("period",), ("period", "counterpart"), ("period", "source"), ("period", "link")])
def test_another_machines_samples_are_not_taken_for_this_ones(sound, tmp_path, tables):
    """Both measured at the same times, so their lost periods lie over each other."""
    (folder := tmp_path / "home").mkdir(exist_ok=True)
    fill(folder / "other.db", 600, 60_000)
    with Log.open(copy_of(sound, folder / "both.db")) as log:
        merge(log, folder / "other.db", now_utc_ms=START_MS)
    damaged = copy_of(folder / "both.db", tmp_path / "pottery.db")
    before = dict(own_and_other(damaged))
    for table in tables:
        overwrite(damaged, (root_of(damaged, table) - 1) * PAGE, bytes(PAGE))
    into, _ = rescued(damaged)
    after = dict(own_and_other(into))
    assert sum(after.values()) == sum(before.values())
    if tables == ("period",):
        assert after == before


def own_and_other(path: Path) -> list[tuple[int, int]]:
    """How many samples each source has."""
    db = sqlite3.connect(path)
    return db.execute(
        "SELECT source_id, count(*) FROM sample JOIN period ON period.id = sample.id >> 46 GROUP BY source_id"
    ).fetchall()


def test_the_way_to_the_tables_may_be_lost(sound, damaged):
    """The first page holds the header and the root of the schema."""
    overwrite(damaged, 0, bytes(PAGE))
    into, _ = rescued(damaged)
    for table in ("sample", "block", *TAG_TABLES):
        assert rows(into, table) == rows(sound, table)


def test_all_that_leads_anywhere_may_be_lost(sound, damaged):
    """The roots of all tables lie at the beginning, for they were made first."""
    roots = max(row[3] for row in rows(sound, "sqlite_schema") if row[3])
    overwrite(damaged, 0, bytes(roots * PAGE))
    into, done = rescued(damaged)
    there = set(rows(into, "sample"))
    assert {row[0] for row in there} <= {row[0] for row in rows(sound, "sample")}
    assert len(there) == sum(rows_on_and_below(sound, leaf) for leaf in leaves(sound, "sample") if leaf > roots)
    assert done.tables["sample"].n_rows_stray == len(there)


def test_what_the_schema_says_of_a_table_may_be_lost(sound, damaged):
    schema = [page for page in range(2, n_pages(sound) + 1) if b"CREATE TABLE" in page_of(sound, page)]
    assert len(schema) > 1
    for page in schema:
        overwrite(damaged, (page - 1) * PAGE, bytes(PAGE))
    into, _ = rescued(damaged)
    for table in ("sample", "block", *TAG_TABLES):
        assert rows(into, table) == rows(sound, table)


def test_samples_that_are_only_in_the_write_ahead_log_come_back(sound, tmp_path):
    path = copy_of(sound, tmp_path / "pottery.db")
    with Log.open(path) as log:
        log.db.execute("PRAGMA wal_autocheckpoint = 0")
        for n in range(30):
            with log.transaction() as db:
                db.execute("INSERT INTO event (time_utc_ms, kind) VALUES (?, 'roamed')", (START_MS + n,))
        folder = tmp_path / "copy"
        folder.mkdir()
        damaged = copy_of(path, folder / "pottery.db")
        wal = Path(f"{path}-wal").read_bytes()
    n_before = len(rows(sound, "event"))
    seen = set()
    for size in [len(wal), len(wal) - 1, len(wal) // 2, 40, 0]:
        Path(f"{damaged}-wal").write_bytes(wal[:size])
        into, _ = rescued(damaged)
        seen.add(len(rows(into, "event")) - n_before)
    assert {30, 29, 0} <= seen
    assert len(seen) == 4
    noisy = bytearray(wal)
    noisy[len(wal) // 2] ^= 1
    assert 0 < len(committed_frames(bytes(noisy), PAGE)) <= len(committed_frames(wal, PAGE))


def test_a_log_of_an_older_schema_is_rescued_into_a_new_one(tmp_path):
    path = tmp_path / "pottery.db"
    samples = make_old_log(path)
    into, _ = rescued(path)
    assert rows(into, "sample") == [(*sample, None) for sample in samples]
    assert rows(into, "location") == [(1, "kiln room")]
    assert rows(into, "source")[0][:3] == (1, "logger", "this machine")


def test_what_is_no_log_or_a_newer_one_is_refused(sound, damaged, tmp_path):
    notes = tmp_path / "notes.db"
    notes.write_bytes(b"glaze recipes, not a database" * 400)
    for missing in (notes, tmp_path / "none.db", tmp_path):
        with pytest.raises(LogError):
            rescue(missing, tmp_path / "rescued.db", now_utc_ms=0)
    with sqlite3.connect(tmp_path / "other.db") as other:
        other.execute("CREATE TABLE glaze (name TEXT)")
    other.close()
    with pytest.raises(NotALog):
        rescue(tmp_path / "other.db", tmp_path / "rescued.db", now_utc_ms=0)
    overwrite(damaged, 60, (SCHEMA + 1).to_bytes(4, "big"))
    with pytest.raises(NewerLog):
        rescue(damaged, tmp_path / "rescued.db", now_utc_ms=0)
    assert not (tmp_path / "rescued.db").exists()
    with pytest.raises(LogError, match="there already"):
        rescue(sound, notes, now_utc_ms=0)


@pytest.mark.parametrize("seed", range(24))
def test_whatever_the_damage_all_rows_off_the_damaged_pages_are_true_and_none_is_made_up(sound, damaged, seed):
    chance = random.Random(seed)
    how, pages = hurt(damaged, chance)
    began_s = time.monotonic()
    try:
        into, done = rescued(damaged)
    except NotALog:
        assert how in ("cut", "begin")
        assert n_pages(damaged) < 40  # next to nothing was left
        return
    assert time.monotonic() - began_s < 60
    true, found = set(rows(sound, "sample")), set(rows(into, "sample"))
    by_id = {row[0]: row for row in true}
    made_up = {row for row in found - true if not but_for_lost_rates(row, by_id.get(row[0]))}
    assert len(made_up) <= (sum(rows_on_and_below(sound, page) for page in pages) if how in ("bytes", "bits") else 0)
    root = root_of(sound, "sample")
    if len(pages) == 1 and 1 not in pages and how != "swapped" and root not in pages:
        lost = by_id.keys() - {row[0] for row in found}
        assert len(lost) <= rows_on_and_below(sound, min(pages))
        assert bool(lost) <= (not done.whole)


def but_for_lost_rates(found: tuple[object, ...], true: tuple[object, ...] | None) -> bool:
    """Whether a sample is as it was, or with an unknown rate where the table of rates was damaged."""
    return true is not None and all(
        one == other or (one is None and at in (9, 10)) for at, (one, other) in enumerate(zip(found, true, strict=True))
    )


def test_a_tree_that_bites_its_own_tail_is_walked_once(sound, damaged):
    root = root_of(sound, "sample")
    data = bytearray(page_of(sound, root))
    (start,) = struct.unpack_from(">H", data, 12 + 2 * 7)
    data[start : start + 4] = root.to_bytes(4, "big")
    overwrite(damaged, (root - 1) * PAGE, bytes(data))
    with PageWalk(damaged) as walk:
        n = sum(1 for _ in walk.rows(root, Shape(17, 0)))
        assert len(walk.holes) == 1
    assert n == len(rows(sound, "sample")) - rows_on_and_below(sound, leaves(sound, "sample")[7])


# The command


def test_the_command_says_what_was_saved_and_what_was_lost(sound, damaged, capsys):
    overwrite(damaged, (leaves(sound, "sample")[40] - 1) * PAGE, bytes(PAGE))
    assert main(["rescue", str(damaged)]) == 0
    said = capsys.readouterr().out
    n_lost = rows_on_and_below(sound, leaves(sound, "sample")[40])
    assert f"{len(rows(sound, 'sample')) - n_lost:,} samples" in said
    assert "of samples: 1 page" in said
    assert f"{n_lost} samples of period" in said
    assert len(rows(damaged.with_name("pottery.db.rescued"), "sample")) == len(rows(sound, "sample")) - n_lost
    assert main(["rescue", str(damaged)]) == 1
    assert capsys.readouterr().err.count("\n") == 1


def test_the_commands_json_has_counts_and_spans(damaged, sound, capsys):
    overwrite(damaged, (leaves(sound, "sample")[40] - 1) * PAGE, bytes(PAGE))
    assert main(["rescue", str(damaged), "--into", str(damaged.with_name("new.db")), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["whole"] is False
    assert told["tables"]["sample"]["n_pages_lost"] == 1
    assert {"period_id", "from_utc_ms", "to_utc_ms", "n"} == set(told["lost"][0])


def test_a_log_that_a_daemon_writes_is_not_rescued_meanwhile(damaged, capsys):
    with Claim.take(damaged):
        assert main(["rescue", str(damaged)]) == 1
    assert "stop it first" in capsys.readouterr().err
