"""Another machine's log, merged: each sample once, as it is there, however often and from wherever it comes."""

from __future__ import annotations

import json
import shutil
import sqlite3
from contextlib import closing

import pytest

from logger.backup import back_up
from logger.block_table import rebuild_blocks
from logger.console import main
from logger.errors import MergeRefused
from logger.exchange.importing import import_recording
from logger.log import Log
from logger.merging.merge import merge
from logger.recorder import Recorder
from logger.sample import Event
from logger.timeline import Timeline
from tests.logger.conftest import POTTERY_5, POTTERY_24, START_MS, HandClock, linked, unlinked

MINUTE_MS, HOUR_MS = 60_000, 3_600_000


class Machine:
    """A laptop with a log and a clock set by hand."""

    def __init__(self, folder, name, zone="Europe/Berlin"):
        self.path = folder / f"{name}.db"
        self.log = Log.open(self.path)
        self.log.db.execute("PRAGMA synchronous = OFF")  # no power is cut here
        self.clock = HandClock()
        self.timeline = Timeline(self.log, self.clock, zone)
        self.recorder = Recorder(self.log)

    def logs(self, minutes, pace_ms=10_000, rssi_dbm=-60, link=POTTERY_5):
        """Log for so long, one in seven samples without a link."""
        self.recorder.set_pace(pace_ms, self.clock.now_ms)
        n = minutes * MINUTE_MS // pace_ms
        samples = [
            unlinked(self.clock.now_ms + i * pace_ms)
            if i % 7 == 6
            else linked(self.clock.now_ms + i * pace_ms, rssi_dbm - i % 5, link)
            for i in range(n)
        ]
        self.recorder.record(samples, [Event(self.clock.now_ms, "logger-started", {"interval_s": pace_ms / 1000})])
        self.clock.now_ms += minutes * MINUTE_MS
        return self

    def merge(self, other, **choice):
        return merge(self.log, getattr(other, "path", other), now_utc_ms=self.clock.now_ms, **choice)


@pytest.fixture
def machines(tmp_path):
    made = []

    def make(name, **choice):
        made.append(Machine(tmp_path, name, **choice))
        return made[-1]

    yield make
    for machine in made:
        machine.log.close()


@pytest.fixture
def two(machines):
    """The office's laptop, with an hour at the wheel, and the kiln's, with three places and versions."""
    here, there = machines("office"), machines("kiln")
    here.timeline.at("wheel by the window")
    here.logs(60)
    there.timeline.at("kiln room")
    there.logs(90, rssi_dbm=-70)
    there.timeline.changed("longer antennas", settings={"antenna.5.gain_dbi": 5}, notes="both tilted")
    there.logs(60, rssi_dbm=-66)
    there.timeline.at("wheel by the window")
    there.logs(30, rssi_dbm=-50, link=POTTERY_24)
    return here, there


_TAGGED = """
    SELECT time_utc, location, config_version.label, band, connected, rssi_dbm, tx_rate_mbps, tx_packets,
        tagged_sample.time_utc_ms, bssid, ssid, interface, noise_dbm, rx_bytes
    FROM tagged_sample JOIN period ON period.id = period_id JOIN source ON source.id = source_id
    JOIN config_version ON number = period.config_version WHERE {} ORDER BY tagged_sample.time_utc_ms, rssi_dbm
"""


def samples_of(log, which="source.id = 1"):
    return [tuple(row) for row in log.db.execute(_TAGGED.format(which))]


def merged(log):
    return samples_of(log, "source.id <> 1")


def assert_whole(log):
    """Blocks are what the samples give, and every sample belongs to a period."""
    n, of_periods = (log.db.execute(sql).fetchone()[0] for sql in (
        "SELECT count(*) FROM sample", "SELECT count(*) FROM sample JOIN period ON period.id = period_id"))  # fmt: skip
    assert n == of_periods
    kept = [tuple(row) for row in log.db.execute("SELECT * FROM block")]
    with log.transaction() as db:
        for (period_id,) in db.execute("SELECT id FROM period").fetchall():
            rebuild_blocks(db, period_id)
    assert [tuple(row) for row in log.db.execute("SELECT * FROM block")] == kept
    assert log.db.execute("PRAGMA foreign_key_check").fetchall() == []
    assert log.db.execute("PRAGMA quick_check").fetchone()[0] == "ok"


def contents(path):
    """All that a log holds but for counts of writes and what was found out."""
    with closing(sqlite3.connect(path)) as db:
        return [line for line in db.iterdump() if "block_writes" not in line and "sqlite_sequence" not in line]


def test_each_sample_of_the_other_log_is_here_once_with_its_tags(two):
    here, there = two
    own = samples_of(here.log)
    done = here.merge(there)
    assert merged(here.log) == samples_of(there.log)
    assert samples_of(here.log) == own
    assert (done.n_new, [source.n_samples for source in done.sources]) == (1080, [1080])
    assert done.locations == ["kiln room", "wheel by the window"]
    assert done.versions == {"v1": "v1", "v2": "v2"}
    assert done.new_versions == ["v2"]
    assert_whole(here.log)


def test_placements_are_the_other_machines_own(two):
    here, there = two
    here.merge(there)
    shared = here.log.db.execute(
        "SELECT placement_id FROM period GROUP BY placement_id HAVING count(DISTINCT source_id) > 1"
    ).fetchall()
    assert shared == []
    names = [(p.location, p.placement, p.source) for p in here.timeline.periods()]
    assert ("wheel by the window", "2", "kiln.db") in names


def test_the_same_placement_is_never_another_machines(two):
    here, there = two
    here.timeline.at("attic")
    here.merge(there)
    here.timeline.at("wheel by the window", same_placement=True)
    last = [period for period in here.timeline.periods() if period.source is None][-1]
    assert (last.location, last.placement) == ("wheel by the window", "1")


def test_merging_again_changes_nothing(two):
    here, there = two
    here.merge(there)
    before = contents(here.path)
    done = here.merge(there)
    assert done.n_new == 0
    assert contents(here.path) == before


def test_what_is_new_over_there_is_added(two):
    here, there = two
    here.merge(there)
    there.logs(20, pace_ms=5000)
    there.timeline.at("glaze shelf")
    there.logs(45, rssi_dbm=-80)
    assert here.merge(there).n_new == 240 + 270
    assert merged(here.log) == samples_of(there.log)
    assert_whole(here.log)


def test_edits_over_there_follow(two):
    here, there = two
    here.merge(there)
    timeline = there.timeline
    timeline.changed("channel 100", START_MS + 30 * MINUTE_MS)
    timeline.split(START_MS + 130 * MINUTE_MS)
    timeline.amend_location("kiln room", "kiln")
    timeline.amend_version(2, label="the longer antennas")
    timeline.join(3)
    there.logs(5)
    here.merge(there)
    assert merged(here.log) == samples_of(there.log)
    assert_whole(here.log)
    timeline.undo()
    timeline.undo()
    here.merge(there)
    assert merged(here.log) == samples_of(there.log)
    assert_whole(here.log)


def test_a_name_given_here_stays_until_it_changes_there(two):
    here, there = two
    here.merge(there)
    here.timeline.amend_location("kiln room", "by the kiln")
    here.timeline.amend_version(2, label="tall ones")
    there.logs(1)
    here.merge(there)
    assert {"by the kiln", "wheel by the window"} == {row[1] for row in merged(here.log)}
    assert "tall ones" in {row[2] for row in merged(here.log)}
    there.timeline.amend_version(2, label="taller ones")
    here.merge(there)
    assert "taller ones" in {row[2] for row in merged(here.log)}


def test_a_version_of_the_same_label_with_other_settings_is_another(two):
    here, there = two
    here.timeline.changed("longer antennas", settings={"antenna.5.gain_dbi": 7})
    done = here.merge(there)
    assert done.versions == {"v1": "v1", "v2": "v3"}
    assert done.new_versions == ["v3"]
    assert [version.label for version in here.timeline.versions()] == ["as found", *["longer antennas"] * 2]


def test_each_into_the_other_and_a_third(two, machines):
    here, there = two
    office, kiln = samples_of(here.log), samples_of(there.log)
    here.merge(there)
    there.merge(here)
    done = here.merge(there)
    assert {source.left_out for source in done.sources} == {None, "it is of this log"}
    assert (samples_of(here.log), merged(here.log)) == (office, kiln)
    assert (samples_of(there.log), merged(there.log)) == (kiln, office)
    third = machines("home")
    third.timeline.at("attic")
    third.logs(10)
    third.merge(here)
    assert sorted(merged(third.log)) == sorted(office + kiln)
    before = contents(third.path)
    done = third.merge(there)
    assert contents(third.path) == before or done.n_new == 0
    assert sorted(merged(third.log)) == sorted(office + kiln)
    there.logs(10)
    third.merge(there)
    assert sorted(merged(third.log)) == sorted(office + samples_of(there.log))
    third.merge(here)  # which knows less of the kiln's
    assert sorted(merged(third.log)) == sorted(office + samples_of(there.log))
    for machine in (here, there, third):
        assert_whole(machine.log)


def test_a_copy_of_this_log_is_refused(two, tmp_path):
    here, _ = two
    back_up(here.log, tmp_path / "copy.db")
    with pytest.raises(MergeRefused, match="this log, or a copy of it"):
        here.merge(tmp_path / "copy.db")
    with pytest.raises(MergeRefused, match="this log, or a copy of it"):
        here.merge(here)


def test_an_old_backup_takes_nothing_back(two, tmp_path):
    here, there = two
    back_up(there.log, tmp_path / "old.db")
    there.logs(10)
    here.merge(there)
    before = contents(here.path)
    done = here.merge(tmp_path / "old.db")
    assert [source.left_out for source in done.sources] == ["what is here already is as new or newer"]
    assert contents(here.path) == before


def test_imports_come_along_and_the_same_one_only_once(two, tmp_path):
    here, there = two
    recording = tmp_path / "walk.csv"
    recording.write_text(
        "time,location,placement,version,band,rssi_dbm\n"
        + "".join(
            f"2026-05-01T10:{m:02}:00,garden,A,v1,5,-60\n2026-05-01T10:{m:02}:00,shed,B,v1,2.4,-50\n" for m in range(60)
        )
    )
    import_recording(there.log, recording, now_utc_ms=START_MS, zone="UTC")
    done = here.merge(there)
    assert done.n_new == 1080 + 120
    with pytest.raises(Exception, match="was imported already"):
        import_recording(here.log, recording, now_utc_ms=START_MS, zone="UTC")
    assert_whole(here.log)
    assert here.merge(there).n_new == 0


def test_an_import_of_both_is_not_doubled(two, tmp_path):
    here, there = two
    recording = tmp_path / "walk.csv"
    recording.write_text("time,location,placement,version,band,rssi_dbm\n2026-05-01T10:00:00,garden,A,v1,5,-60\n")
    for machine in (here, there):
        import_recording(machine.log, recording, now_utc_ms=machine.clock.now_ms, zone="UTC")
    done = here.merge(there)
    assert {source.left_out for source in done.sources} == {None, "the same recording was imported here"}
    assert len(samples_of(here.log, "location = 'garden'")) == 1


def test_events_zones_paces_and_passes_come_along(two):
    here, there = two
    there.recorder.record(
        [], [Event(there.clock.now_ms, "time-zone-changed", {"from": "Europe/Berlin", "to": "Asia/Tokyo"})]
    )
    there.clock.now_ms -= 20 * MINUTE_MS
    there.logs(30, pace_ms=20_000)  # the clock was set back
    here.merge(there)
    for table, columns in {
        "event": "time_utc_ms, kind, detail",
        "zone": "from_utc_ms, time_zone",
        "pace": "from_utc_ms, interval_ms",
        "pass": "number, from_utc_ms, after_utc_ms",
    }.items():
        sql = f"SELECT {columns} FROM {table} WHERE source_id = ? ORDER BY 1, 2"
        theirs = [tuple(row) for row in there.log.db.execute(sql, (1,))]
        assert theirs
        assert [tuple(row) for row in here.log.db.execute(sql, (2,))] == theirs
    assert_whole(here.log)
    assert merged(here.log) == samples_of(there.log)
    before = contents(here.path)
    assert here.merge(there).n_new == 0
    assert contents(here.path) == before


def test_a_log_of_an_older_schema_is_merged_and_not_changed(two, tmp_path):
    from logger.migrations import STEPS, migrate

    here, _ = two
    old = tmp_path / "old.db"
    migrate(old, STEPS[:2])
    with closing(sqlite3.connect(old)) as db, db:
        db.execute("INSERT INTO location VALUES (1, 'glaze shelf')")
        db.execute("INSERT INTO placement VALUES (1, 1, 1, NULL)")
        db.execute("INSERT INTO config_version VALUES (1, 'as found', '{}', '')")
        db.execute("INSERT INTO period VALUES (1, 1, 1, 1, ?, NULL, 'UTC')", (START_MS,))
        db.execute("INSERT INTO event (time_utc_ms, kind) VALUES (?, 'logger-started')", (START_MS + 7,))
        db.execute("INSERT INTO sample (id, link_id) VALUES (?, 0)", ((1 << 46) + (START_MS << 4),))
    before = old.read_bytes()
    assert [here.merge(old).n_new for _ in range(2)] == [1, 0]
    assert len(samples_of(here.log, "location = 'glaze shelf'")) == 1
    assert old.read_bytes() == before
    assert not list(tmp_path.glob("*.backup")) + list(tmp_path.glob(".linktrial-*"))


def test_a_log_that_is_written_meanwhile_is_read_as_of_one_moment(two):
    here, there = two
    there.log.db.execute("PRAGMA wal_autocheckpoint = 0")
    there.logs(10)
    assert there.log.wal_bytes() > 0
    here.merge(there)
    assert merged(here.log) == samples_of(there.log)


def test_the_command_says_what_it_did(two, capsys, monkeypatch):
    here, there = two
    monkeypatch.setenv("LINKTRIAL_DB", str(here.path))
    assert main(["merge", str(there.path), "--name", "kiln laptop", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["n_new"] == 1080
    came = {"n_samples": 1080, "n_new": 1080, "n_probes": 0, "n_scans": 0}
    assert told["sources"] == [{"name": "kiln laptop", **came, "left_out": None}]
    assert main(["merge", str(there.path)]) == 0
    assert capsys.readouterr().out.splitlines()[0] == "no new samples in kiln.db"
    assert main(["merge", str(here.path)]) == 1
    assert capsys.readouterr().err.count("\n") == 1
    assert main(["timeline"]) == 0
    out = capsys.readouterr().out
    assert "[from kiln laptop]" in out
    assert "kiln.db was merged: 1080 new samples" in out


def test_two_machines_whose_logs_have_one_name_are_told_apart(two, machines, tmp_path):
    here, there = two
    (tmp_path / "b").mkdir()
    third = Machine(tmp_path / "b", "kiln")
    third.timeline.at("attic")
    third.logs(3)
    here.merge(there)
    here.merge(third)
    third.log.close()
    assert {p.source for p in here.timeline.periods()} == {None, "kiln.db", "kiln.db (2)"}


def test_a_file_that_vanishes_or_is_no_log(two, tmp_path):
    here, _ = two
    letter = tmp_path / "letter.txt"
    letter.write_text("Dear potter")
    for path, words in (
        (letter, "not a linktrial log"),
        (tmp_path / "no.db", "cannot be read"),
        (tmp_path, "not a file"),
    ):
        with pytest.raises(MergeRefused, match=words):
            here.merge(path)
    shutil.copyfile("/bin/sh", letter)
    with pytest.raises(MergeRefused, match="not a linktrial log"):
        here.merge(letter)
