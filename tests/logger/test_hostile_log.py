"""A log made by someone hostile: refused in one line, nothing run, nothing written, this log as it was."""

from __future__ import annotations

import json
import random
import sqlite3
import struct
from contextlib import closing

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.console import main
from tests.logger.test_merge import Machine, contents
from tests.logger.test_merge_always import prune
from tests.logger.test_merge_untagged import probe, scan


class Honest(bytes):
    def __repr__(self):
        return "an honest log"


@pytest.fixture(scope="module")
def made(tmp_path_factory):
    """This log, and an honest other one with all that a log can hold, part of it pruned."""
    place = tmp_path_factory.mktemp("honest")
    here, there = Machine(place, "office"), Machine(place, "kiln")
    here.timeline.at("wheel by the window")
    here.logs(10)
    there.timeline.at("kiln room")
    there.logs(60 * 24, pace_ms=60_000)
    there.timeline.changed("longer antennas", settings={"antenna.5.gain_dbi": 5}, notes="both tilted")
    there.logs(60)
    probe(there, 3)
    scan(there, 3)
    prune(there.log, there.clock.now_ms, 12)
    there.log.close()
    here.log.close()
    return here, Honest(there.path.read_bytes())


def attempt(made, data, capsys, monkeypatch, place):
    """Merge these bytes; returns the exit code and what was said."""
    here, _ = made
    other = place / "other.db"
    other.write_bytes(data)
    monkeypatch.setenv("LINKTRIAL_DB", str(here.path))
    before, beside = contents(here.path), sorted(path.name for path in here.path.parent.iterdir())
    code = main(["merge", str(other)])
    out, err = capsys.readouterr()
    assert "Traceback" not in err
    if code:
        assert (code, out, err.count("\n")) == (1, "", 1), err
        assert err.startswith("linktrial: ")
        assert len(err) < 700
        assert "\x1b" not in err
        assert contents(here.path) == before
    assert {name for name in (path.name for path in here.path.parent.iterdir()) if "merge" not in name} == {
        name for name in beside if "merge" not in name
    }
    assert sorted(path.name for path in place.iterdir()) == ["other.db"]
    return code, err


def changed(data, place, *statements):
    """The honest log with these done to it by someone who may do anything."""
    path = place / "made.db"
    path.write_bytes(data)
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("PRAGMA journal_mode = DELETE")
        db.execute("PRAGMA ignore_check_constraints = ON")
        for statement in statements:
            if isinstance(statement, tuple):
                db.execute(*statement)
            else:
                db.executescript(statement)
    data = path.read_bytes()
    path.unlink()
    return data


def loose(table):
    """Let the columns of a table take anything, as an editor of the file itself can."""
    return (
        "PRAGMA writable_schema = ON;"
        f"UPDATE sqlite_schema SET sql = replace(sql, ') STRICT', ')') WHERE name = '{table}';"
        "PRAGMA writable_schema = RESET;"
    )


def strict_again(table):
    return (
        "PRAGMA writable_schema = ON;"
        f"UPDATE sqlite_schema SET sql = sql || ' STRICT' WHERE name = '{table}' AND sql NOT LIKE '%STRICT';"
        "PRAGMA writable_schema = RESET;"
    )


BOMB = "[" * 100_000
NAME = "x" * 10_000_000
HOSTILE = {
    "a view instead of samples": "ALTER TABLE sample RENAME TO s; CREATE VIEW sample AS SELECT * FROM s;",
    "a generated column": "DROP TABLE rate; CREATE TABLE rate (id INTEGER PRIMARY KEY, mbps REAL AS (id * 1e9),"
    " phy_mode TEXT, mcs INTEGER, streams INTEGER, width_mhz INTEGER, guard_interval_ns INTEGER);",
    "an index of an expression": "DROP INDEX rate_identity; CREATE INDEX rate_identity ON rate (abs(mbps));",
    "a virtual table": "DROP TABLE zone; CREATE VIRTUAL TABLE zone USING fts5(source_id, from_utc_ms, time_zone);",
    "a missing table": "DROP TABLE pace;",
    "no number": "DELETE FROM identity;",
    "another's number": "UPDATE identity SET log_id = '../../etc/passwd';",
    "a kind of source": "UPDATE source SET kind = 'program';",
    "control characters": "UPDATE location SET name = 'kiln' || char(27) || '[31m';",
    "a long name": ("UPDATE location SET name = ?", (NAME,)),
    "a long label": ("UPDATE config_version SET label = ?", (NAME[:2000],)),
    "settings that are no JSON": "UPDATE config_version SET settings = 'antenna';",
    "a JSON bomb": ("UPDATE config_version SET settings = ?", (BOMB,)),
    "a small JSON bomb": ("UPDATE config_version SET settings = ?", (BOMB[:3990],)),
    "a setting that there is none": """UPDATE config_version SET settings = '{"rm -rf": 1}';""",
    "a setting out of range": """UPDATE config_version SET settings = '{"antenna.5.gain_dbi": 1e308}';""",
    "a number with a million digits": ("UPDATE config_version SET settings = ?", ('{"antenna.5.gain_dbi": ' + "9" * 3900 + "}",)),
    "a time zone": "UPDATE period SET time_zone = '../../../etc/passwd';",
    "a period before 1970": "UPDATE period SET started_at_utc_ms = -5 WHERE id = 1;",
    "a period far away": "UPDATE period SET ended_at_utc_ms = 9000000000000000000 WHERE ended_at_utc_ms IS NULL;",
    "a number of a period": "PRAGMA foreign_keys = OFF; UPDATE period SET id = 9000000 WHERE id = 2;",
    "a placement of nowhere": "PRAGMA foreign_keys = OFF; UPDATE placement SET location_id = 77;",
    "a period of no version": "PRAGMA foreign_keys = OFF; UPDATE period SET config_version = 55;",
    "periods that overlap": "UPDATE period SET ended_at_utc_ms = ended_at_utc_ms + 5 WHERE id = 1;",
    "a level": "UPDATE sample SET rssi_dbm = 1e300 WHERE id / 16000 % 7 = 3;",
    "an endless level": "UPDATE sample SET noise_dbm = 9e999;",
    "chains": "UPDATE sample SET chain_rssi_dbm = zeroblob(1000000) WHERE id = (SELECT max(id) FROM sample);",
    "a count": "UPDATE sample SET tx_packets = 9223372036854775807;",
    "a negative count": "UPDATE sample SET rx_bytes = -1;",
    "a rate of no number": "PRAGMA foreign_keys = OFF; UPDATE sample SET tx_rate_id = 4242;",
    "a radio of no number": "PRAGMA foreign_keys = OFF; UPDATE sample SET link_id = 4242;",
    "an address": "UPDATE link SET bssid = '=cmd|x' WHERE id > 0;",
    "a long network": "UPDATE link SET ssid = zeroblob(33) WHERE id > 0;",
    "a frequency": "UPDATE link SET frequency_mhz = 1 WHERE id > 0;",
    "a rate of nothing": "UPDATE rate SET mbps = 0.0;",
    "a mode": "UPDATE rate SET phy_mode = 'x' || char(10);",
    "a pace": "UPDATE pace SET interval_ms = -1;",
    "a kind of event": "UPDATE event SET kind = 'exploded';",
    "an event that is a list": "UPDATE event SET detail = '[1]';",
    "an event of nonsense": """UPDATE event SET kind = 'clock-set', detail = '{"step_s": "often"}';""",
    "an event without an end": """UPDATE event SET kind = 'clock-set', detail = '{"step_s": 1e999}';""",
    "an event that nests": ("UPDATE event SET detail = ?", ('{"a": ' * 600 + "1" + "}" * 600,)),
    "an event before 1970": "UPDATE event SET time_utc_ms = -1;",
    "a block of nonsense": "UPDATE block SET n_samples = -4;",
    "a block without an end": "UPDATE block SET rssi_sum_dbm = 9e999;",
    "a histogram": "UPDATE block SET rssi_histogram = zeroblob(1000001);",
    "a block that lasts": "UPDATE block SET ended_at_utc_ms = ended_at_utc_ms + 86400000;",
    "flags": "UPDATE sample SET flags = 8;",
    "negative flags": "UPDATE sample SET flags = -1;",
    "a block of more stale samples than it has": "UPDATE block SET rx_rate_stale_n = n_samples + 1;",
    "an outcome": "UPDATE probe SET outcome = 'exploded';",
    "a probe before 1970": "UPDATE probe SET started_at_utc_ms = -1, ended_at_utc_ms = NULL;",
    "a probe that ends before it begins": "UPDATE probe SET ended_at_utc_ms = started_at_utc_ms - 1;",
    "a probe of no radio": "PRAGMA foreign_keys = OFF; UPDATE probe SET link_id = 4242;",
    "a long far end": ("UPDATE probe SET far_end = ?", (NAME,)),
    "long words of a probe": ("UPDATE probe SET words = ?", (NAME[:2001],)),
    "a direction": "UPDATE transfer SET direction = 'sideways';",
    "no stream": "UPDATE transfer SET streams = 0;",
    "a transfer before 1970": "UPDATE transfer SET started_at_utc_ms = -1;",
    "a transfer of years": "UPDATE transfer SET duration_ms = 1 << 40;",
    "endless bytes": "UPDATE transfer SET bytes = 9223372036854775807;",
    "negative steady bytes": "UPDATE transfer SET steady_bytes = -1;",
    "negative steady time": "UPDATE transfer SET steady_ms = -1;",
    "an endless goodput": "UPDATE transfer SET goodput_mbps = 9e999;",
    "a negative round-trip time": "UPDATE transfer SET tcp_rtt_ms = -1.0;",
    "retransmits": "UPDATE transfer SET tcp_retransmits = -1;",
    "a target": "UPDATE latency SET target = 'moon' || char(27);",
    "a load": "UPDATE latency SET load = 'x';",
    "a method": "UPDATE latency SET method = 'rm';",
    "no request": "UPDATE latency SET n_sent = 0, n_lost = 0;",
    "more lost than sent": "UPDATE latency SET n_lost = n_sent + 1;",
    "an endless latency": "UPDATE latency SET median_ms = 9e999;",
    "a negative jitter": "UPDATE latency SET jitter_ms = -5.0;",
    "an address that was heard": "UPDATE radio SET bssid = '=cmd|x';",
    "a long network that was heard": "UPDATE radio SET ssid = zeroblob(33);",
    "a frequency that was heard": "UPDATE radio SET frequency_mhz = 1;",
    "a band that was heard": "UPDATE radio SET band = '6';",
    "the middle of a channel": "UPDATE radio SET center_mhz = -1.0;",
    "a width that was heard": "UPDATE radio SET width_mhz = 1 << 40;",
    "a country": "UPDATE radio SET country = char(27) || '[';",
    "a long country": "UPDATE radio SET country = 'Utopia';",
    "a limit of power": "UPDATE radio SET country_max_dbm = 1 << 40;",
    "a constraint of power": "UPDATE radio SET power_constraint_db = -1;",
    "a scan before 1970": "UPDATE scan SET time_utc_ms = -1;",
    "a scan that is a bit active": "UPDATE scan SET active = 2;",
    "a scan of some": "UPDATE scan SET everyone = -1;",
    "a sighting of no radio": "PRAGMA foreign_keys = OFF; UPDATE OR IGNORE sighting SET radio_id = 4242;",
    "a negative age": "UPDATE sighting SET age_ms = -1;",
    "a level that was heard": "UPDATE sighting SET rssi_dbm = 9e999;",
    "stations": "UPDATE sighting SET station_count = 1 << 40;",
    "a busy share": "UPDATE sighting SET busy_permille = 1001;",
    "a channel visited": "UPDATE OR IGNORE visit SET frequency_mhz = 0;",
    "a noise": "UPDATE visit SET noise_dbm = 1 << 40;",
    "time on a channel": "UPDATE visit SET active_ms = -1;",
    "busy time on a channel": "UPDATE visit SET busy_ms = -1;",
    "a horizon": "UPDATE pruned SET before_utc_ms = -1;",
    "levels that are texts": loose("sample") + "UPDATE sample SET rssi_dbm = 'loud';" + strict_again("sample"),
    "numbers that are texts": loose("period") + "UPDATE period SET placement_id = 'x';" + strict_again("period"),
    "text that is none": loose("location")
    + "UPDATE location SET name = CAST(x'ff00fe' AS TEXT);"
    + strict_again("location"),
    "an origin": "UPDATE source SET origin_log_id = '" + "f" * 32 + "', origin_source_id = -1;",
    "an origin that nobody knows": "UPDATE source SET origin_log_id = '" + "f" * 32 + "', origin_source_id = 1;",
    "a newer log": "PRAGMA user_version = 4000;",
    "a log of no version": "PRAGMA user_version = 0;",
    "a log of a negative version": "PRAGMA user_version = -3;",
    "an older one that it is not": "PRAGMA user_version = 2;",
    "another program's": "PRAGMA application_id = 7;",
}  # fmt: skip


@pytest.mark.parametrize("what", HOSTILE)
def test_what_cannot_be_is_refused_in_one_line(made, what, capsys, monkeypatch, tmp_path):
    statement = HOSTILE[what]
    data = changed(made[1], tmp_path, statement)
    code, said = attempt(made, data, capsys, monkeypatch, tmp_path)
    assert code == 1, said


def test_nothing_of_its_own_runs(made, capsys, monkeypatch, tmp_path):
    """Triggers, views and tables beside those of a log are left where they are: an owner may have such."""
    data = changed(
        made[1],
        tmp_path,
        "CREATE TABLE mine (x); CREATE TRIGGER bad AFTER INSERT ON sample BEGIN DELETE FROM period; END;"
        "CREATE TEMP TABLE y (x); DROP VIEW tagged_sample;"
        "CREATE VIEW tagged_sample AS WITH RECURSIVE n(i) AS (SELECT 1 UNION ALL SELECT i FROM n) SELECT i FROM n;"
        "CREATE INDEX slow ON event (kind) WHERE length(printf('%.*c', 1000000, 'x')) > 5;",
    )
    code, said = attempt((empty(tmp_path), b""), data, capsys, monkeypatch, folder(tmp_path, "given"))
    assert code == 0, said


def folder(parent, name):
    (parent / name).mkdir()
    return parent / name


def empty(parent):
    """A log of our own that has not merged anything."""
    mine = Machine(folder(parent, "mine"), "office")
    mine.timeline.at("attic")
    mine.log.close()
    return mine


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.binary(max_size=3000), st.booleans())
def test_any_bytes_are_refused(made, capsys, monkeypatch, tmp_path_factory, data, magic):
    header = b"SQLite format 3\0" if magic else b""
    code, _ = attempt(made, header + data, capsys, monkeypatch, tmp_path_factory.mktemp("any"))
    assert code == 1


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.integers(0, 10**9), st.integers(1, 60))
def test_a_log_with_any_bytes_changed_is_refused_or_merged(made, capsys, monkeypatch, tmp_path_factory, seed, n):
    chance = random.Random(seed)
    data = bytearray(made[1])
    for _ in range(n):
        where = chance.choice([chance.randrange(100, 4096), chance.randrange(100, len(data))])
        data[where] = chance.randrange(256)
    place = tmp_path_factory.mktemp("bytes")
    attempt((empty(place), b""), bytes(data), capsys, monkeypatch, folder(place, "given"))


@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.integers(0, 10**9))
def test_a_log_cut_off_anywhere_is_refused(made, capsys, monkeypatch, tmp_path_factory, seed):
    end = random.Random(seed).randrange(0, len(made[1]) - 4096)
    code, _ = attempt(made, made[1][:end], capsys, monkeypatch, tmp_path_factory.mktemp("cut"))
    assert code == 1


def test_a_log_whose_pages_point_in_circles_is_refused(made, capsys, monkeypatch, tmp_path):
    """The pages that hold pointers point at one another."""
    data, page = bytearray(made[1]), 4096
    for start in range(page, len(data), page):
        if data[start] == 5:  # an interior page of a table
            n_cells = struct.unpack_from(">H", data, start + 3)[0]
            for cell in range(n_cells):
                offset = struct.unpack_from(">H", data, start + 12 + 2 * cell)[0]
                struct.pack_into(">I", data, start + offset, start // page + 1)
    code, _ = attempt(made, bytes(data), capsys, monkeypatch, tmp_path)
    assert code == 1


def test_a_pipe_or_a_device_is_no_log(made, capsys, monkeypatch, tmp_path):
    import os

    monkeypatch.setenv("LINKTRIAL_DB", str(made[0].path))
    os.mkfifo(tmp_path / "pipe")
    for path in (tmp_path / "pipe", "/dev/zero", tmp_path, "\0"):
        assert main(["merge", str(path)]) == 1
        assert capsys.readouterr().err.count("\n") == 1


def test_the_honest_one_is_merged(made, capsys, monkeypatch, tmp_path):
    """Else all of the above would be refused for nothing."""
    mine = empty(tmp_path)
    code, said = attempt((mine, b""), made[1], capsys, monkeypatch, folder(tmp_path, "given"))
    assert code == 0, said
    assert main(["timeline", "--db", str(mine.path), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["periods"]
