"""A damaged log: set aside at the start or in the midst, and logging goes on in a new one with its tags."""

from __future__ import annotations

import io
import json
import sqlite3
from contextlib import closing
from pathlib import Path

import pytest

from logger import damage
from logger.claim import Claim
from logger.console import main
from logger.daemon import Daemon
from logger.damage import look_for_damage, opened_for_logging, set_aside
from logger.errors import DamagedLog, LogBusy, LogError, LogFull, LogInUse, NewerLog, NotALog
from logger.log import SCHEMA, Log
from logger.rescuing.rescue import rescue
from logger.sampler import Sampler
from logger.tags import period_at
from logger.timeline import Timeline
from logger.voice import Voice
from tests.logger.conftest import START_MS, HandClock
from tests.logger.hurt_log import PAGE, fill, n_pages, overwrite, rows
from tests.logger.scripted import ScriptedAdapter
from tests.logger.scripted import clock as set_clock
from tests.logger.soundness import unsound
from tests.logger.test_log_command import daemon, run

LATER_MS = START_MS + 86_400_000


@pytest.fixture
def path(tmp_path) -> Path:
    path = tmp_path / "pottery.db"
    fill(path, 600, 60_000)
    return path


def root_of(path: Path, table: str) -> int:
    return next(row[3] for row in rows(path, "sqlite_schema") if row[1] == table)


def zero(path: Path, *pages: int) -> None:
    for page in pages:
        overwrite(path, (page - 1) * PAGE, bytes(PAGE))


def asides(path: Path) -> list[Path]:
    return sorted(path.parent.glob(f"{path.name}.damaged-*"))


# At the start


def test_a_damaged_log_is_set_aside_and_the_new_one_goes_on_with_its_tags(path):
    zero(path, root_of(path, "event"))
    damaged = path.read_bytes()
    with opened_for_logging(path, HandClock(LATER_MS)) as (log, said):
        period = period_at(log.db, LATER_MS)
        versions = [version.label for version in Timeline(log, HandClock(LATER_MS)).versions()]
        (event,) = log.db.execute("SELECT time_utc_ms, kind, detail FROM event").fetchall()
        assert log.path == path
    (aside,) = asides(path)
    assert aside.name == "pottery.db.damaged-20260922T141320Z"
    assert aside.read_bytes() == damaged
    assert (period.location, period.placement, period.config_version) == ("kiln room", "1", 3)
    assert period.started_at_utc_ms == LATER_MS
    assert versions == ["as found", "longer antennas", "channel 100", "moved to the shelf"]
    assert tuple(event)[:2] == (LATER_MS, "log-damaged")
    assert json.loads(event["detail"]) == {"set_aside": aside.name, "tags_carried_over": True}
    assert str(path) in said
    assert f"linktrial rescue {aside}" in said
    assert rescue(aside, path.with_name("rescued.db"), now_utc_ms=LATER_MS).tables["sample"].n_saved == 1200
    with Log.open(path) as log:
        numbered = Timeline(log, HandClock(LATER_MS + 1)).at("wheel by the window")
    assert numbered.placement == "2"  # it had one there in the damaged log


@pytest.mark.parametrize("table", ["period", "placement", "location"])
def test_where_the_tags_cannot_be_read_the_new_log_begins_afresh_and_says_so(path, table):
    zero(path, root_of(path, table))
    with opened_for_logging(path, HandClock(LATER_MS)) as (log, said):
        assert period_at(log.db, LATER_MS) is None
    assert "say 'linktrial at'" in said


@pytest.mark.parametrize("n_pages_lost", [1, 12])
def test_a_log_whose_beginning_is_gone_is_one_where_a_daemon_has_logged(path, n_pages_lost):
    overwrite(path, 0, bytes(n_pages_lost * PAGE))
    with Claim.take(path):
        pass
    with opened_for_logging(path, HandClock(LATER_MS)) as (_, said):
        assert said
    assert len(asides(path)) == 1


def test_damage_at_any_page_either_is_met_or_leaves_what_the_daemon_needs_whole(path, tmp_path):
    """Whichever page is gone: the log is set aside, or samples can be written to it."""
    sound = path.read_bytes()
    for page in range(1, n_pages(path) + 1):
        path.write_bytes(sound)
        zero(path, page)
        with opened_for_logging(path, HandClock(LATER_MS)) as (log, said):
            clock = set_clock()
            clock.set_wall(LATER_MS)
            out, err = io.StringIO(), io.StringIO()
            running = Daemon(log, Sampler(ScriptedAdapter(), clock, 5), clock, Voice(out, err), interval_ms=5000)
            running.begin(version="1", adapter="scripted", interface="wlan0")
            for _ in range(3):
                running.tick()
                clock.advance(5)
            assert running.end(), (page, err.getvalue())
            n = log.db.execute("SELECT count(*) FROM sample WHERE period_id < 6").fetchone()[0] if said else 3
            assert n == 3
        for aside in asides(path):
            aside.unlink()


def test_a_header_of_which_sqlite_makes_another_kind_of_file_is_damage(path):
    for at in (18, 47, 59, 70):
        sound = path.read_bytes()
        overwrite(path, at, b"\7")
        with opened_for_logging(path, HandClock(LATER_MS)) as (_, said):
            assert said, at
        path.write_bytes(sound)


def test_an_empty_file_beside_a_full_write_ahead_log_is_a_damaged_log(path):
    """SQLite would take it for a new one, and throw the other away."""
    with Log.open(path) as log:
        log.db.execute("UPDATE location SET name = 'kiln shelf' WHERE name = 'kiln room'")
        wal = Path(f"{path}-wal").read_bytes()
    path.write_bytes(b"")
    Path(f"{path}-wal").write_bytes(wal)
    with pytest.raises(DamagedLog):
        Log.open(path)
    with opened_for_logging(path, HandClock(LATER_MS)) as (_, said):
        assert said
    (aside,) = [aside for aside in asides(path) if not aside.name.endswith("-wal")]
    assert Path(f"{aside}-wal").read_bytes() == wal


def test_two_in_one_second_get_names_of_their_own(path):
    for _ in range(2):
        zero(path, root_of(path, "source"))
        with opened_for_logging(path, HandClock(LATER_MS)):
            pass
    assert [aside.name.endswith("Z-2") for aside in asides(path)] == [False, True]


# What is left alone


def test_a_sound_log_is_left_alone(path):
    with opened_for_logging(path, HandClock(LATER_MS)) as (log, said):
        assert said == ""
        assert log.db.execute("SELECT count(*) FROM sample").fetchone()[0] == 1200
    assert asides(path) == []


def test_a_log_whose_journal_somebody_chose_otherwise_is_sound(path):
    with closing(sqlite3.connect(path)) as other:
        assert other.execute("PRAGMA journal_mode = DELETE").fetchone()[0] == "delete"
    with opened_for_logging(path, HandClock(LATER_MS)) as (log, said):
        assert said == ""
        assert log.db.execute("PRAGMA journal_mode").fetchone()[0] == "wal"
    assert asides(path) == []


def test_other_programs_files_newer_logs_and_folders_are_refused_and_left_alone(path, tmp_path):
    notes, glazes = tmp_path / "notes.db", tmp_path / "glazes.db"
    notes.write_bytes(b"glaze recipes, not a database" * 400)
    with closing(sqlite3.connect(glazes)) as other:
        other.execute("CREATE TABLE glaze (name TEXT)")
    zeros = tmp_path / "zeros.db"
    zeros.write_bytes(bytes(9000))
    with Log.open(path) as log:
        log.db.execute(f"PRAGMA user_version = {SCHEMA + 1}")
    for file, error in ((notes, NotALog), (glazes, NotALog), (zeros, NotALog), (path, NewerLog), (tmp_path, LogError)):
        before = file.read_bytes() if file.is_file() else b""
        with pytest.raises(error), opened_for_logging(file, HandClock(LATER_MS)):
            pass
        assert asides(file) == []
        assert not file.is_file() or file.read_bytes() == before


def test_a_damaged_log_that_another_daemon_holds_is_not_touched(path):
    zero(path, root_of(path, "event"))
    with Claim.take(path), pytest.raises(LogInUse), opened_for_logging(path, HandClock(LATER_MS)):
        pass
    assert asides(path) == []


def test_a_damaged_log_that_another_program_has_open_is_waited_for(path, monkeypatch):
    """Its files would be taken for the new log's: whoever closes a log last removes what lies beside its name."""
    import subprocess
    import sys

    zero(path, root_of(path, "event"))
    monkeypatch.setattr(damage, "BUSY_TIMEOUT_S", 0.3)
    program = (
        "import sqlite3, sys; db = sqlite3.connect(sys.argv[1]); db.execute('SELECT * FROM location').fetchall();"
        "print('open', flush=True); sys.stdin.read()"
    )
    with subprocess.Popen(
        [sys.executable, "-c", program, str(path)], stdin=subprocess.PIPE, stdout=subprocess.PIPE
    ) as other:
        assert other.stdout.readline() == b"open\n"
        with pytest.raises(LogBusy, match="another program has it open"), opened_for_logging(path, HandClock(LATER_MS)):
            pass
        assert asides(path) == []
    with opened_for_logging(path, HandClock(LATER_MS)) as (_, said):
        assert said


def test_the_files_beside_go_along(path):
    Path(f"{path}-wal").write_bytes(b"wal")
    Path(f"{path}-shm").write_bytes(b"shm")
    aside = path.with_name("kept.db")
    set_aside(path, aside)
    assert Path(f"{aside}-wal").read_bytes() == b"wal"
    assert Path(f"{aside}-shm").read_bytes() == b"shm"
    assert not path.exists()
    assert not Path(f"{path}-wal").exists()


# In the midst


class Midst:
    """A daemon on the pottery's log, with a scripted adapter and a clock set by hand."""

    def __init__(self, log: Log, wall_ms: int = LATER_MS) -> None:
        self.log, self.clock = log, set_clock()
        self.clock.set_wall(wall_ms)
        self.out, self.err = io.StringIO(), io.StringIO()
        sampler = Sampler(ScriptedAdapter(), self.clock, 5)
        self.daemon = Daemon(log, sampler, self.clock, Voice(self.out, self.err), interval_ms=5000)
        self.begin()

    def begin(self) -> bool:
        return self.daemon.begin(version="1.2.3", adapter="scripted", interface="wlan0")

    def ticks(self, n: int) -> None:
        for _ in range(n):
            self.daemon.tick()
            self.clock.advance(5)


def ruin(log: Log) -> None:
    """As a failing disk does: under the daemon's feet, and what it has in memory is of no use."""
    log.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    log.db.execute("PRAGMA cache_size = 0")
    for page in (*range(2, 12), root_of_open(log, "period"), root_of_open(log, "sample"), root_of_open(log, "block")):
        overwrite(log.path, (page - 1) * PAGE, b"\xa5" * PAGE)
    with closing(sqlite3.connect(log.path)) as other:  # so that the daemon looks again
        other.execute("PRAGMA user_version = 3")


def root_of_open(log: Log, table: str) -> int:
    return log.db.execute("SELECT rootpage FROM sqlite_schema WHERE name = ?", (table,)).fetchone()[0]


def test_a_log_that_is_damaged_while_it_is_written_costs_no_sample(path):
    with Log.open(path) as log:
        midst = Midst(log)
        midst.ticks(20)
        ruin(log)
        midst.ticks(20)
        assert midst.daemon.end()
        times = [row[0] for row in log.db.execute("SELECT time_utc_ms FROM sample ORDER BY id")]
        kinds = [row[0] for row in log.db.execute("SELECT kind FROM event ORDER BY id")]
        assert log.db.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    (aside,) = asides(path)
    assert midst.err.getvalue().count("\n") == 1
    assert f"linktrial rescue {aside}" in midst.err.getvalue()
    assert times == [LATER_MS + 5000 * n for n in range(40 - len(times), 40)]
    assert len(times) >= 20
    assert (*kinds[:2], kinds[-1]) == ("log-damaged", "logger-started", "logger-stopped")
    assert unsound(path) == []
    assert rows(path, "pace")[0][2] == 5000


def test_the_tags_go_on_where_they_can_be_read_from_the_damaged_log(path):
    with Log.open(path) as log:
        midst = Midst(log)
        midst.ticks(4)
        log.db.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        log.db.execute("PRAGMA cache_size = 0")
        overwrite(path, (root_of_open(log, "sample") - 1) * PAGE, b"\xa5" * PAGE)
        with closing(sqlite3.connect(path)) as other:
            other.execute("PRAGMA user_version = 3")
        midst.ticks(4)
        midst.daemon.end()
        period = period_at(log.db, midst.clock.utc_ms())
    assert (period.location, period.config_version) == ("kiln room", 3)


def test_a_damaged_log_that_cannot_be_set_aside_keeps_its_samples_in_memory(path, monkeypatch):
    def in_use(path: Path, patience_s: float, *, keep_out: bool = False) -> None:
        assert patience_s < 1  # or no samples would be taken meanwhile
        raise LogBusy(f"{path} is damaged, and another program has it open; end that one")

    with Log.open(path) as log:
        midst = Midst(log)
        midst.ticks(4)
        ruin(log)
        with monkeypatch.context() as patched:
            patched.setattr(damage, "_wait_for_others", in_use)
            midst.ticks(10)
        assert "another program has it open" in midst.err.getvalue()
        midst.ticks(4)
        assert midst.daemon.end()
        assert log.db.execute("SELECT count(*) FROM sample").fetchone()[0] >= 14
    assert len(asides(path)) == 1


# Other commands, and the daemon as it is run


@pytest.mark.parametrize(
    "command",
    [["status"], ["timeline"], ["at", "kiln room"], ["changed", "x"], ["export"], ["compare", "v1", "v2"], ["report"]],
)
def test_other_commands_say_in_one_line_how_to_rescue_a_damaged_log(path, capsys, command, monkeypatch):
    monkeypatch.chdir(path.parent)
    zero(path, *(root_of(path, table) for table in ("period", "sample", "block")))
    assert main([*command, "--db", str(path)]) == 1
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert f"linktrial rescue {path}" in said
    assert asides(path) == []


def test_a_real_daemon_begins_anew_says_so_and_the_commands_go_on(path):
    zero(path, root_of(path, "event"))
    with daemon(path, "--simulated", "1", "--interval", "0.1") as running:
        told = json.loads(run("status", "--json", "--db", str(path)).stdout)
        running.terminate()
        _, err = running.communicate(timeout=20)
    assert told["location"] == "kiln room"
    assert told["config_version"] == "v3"
    assert err.count("\n") == 1
    assert "a new log begins in its place" in err
    assert "set aside as pottery.db.damaged-" in run("status", "--db", str(path)).stdout


def test_looking_for_damage_reads_little(path):
    with Log.open(path) as log:
        look_for_damage(log)
        zero(path, root_of(path, "config_version"))
    with Log.open(path) as log, pytest.raises(DamagedLog, match="linktrial rescue"):
        look_for_damage(log)


def test_a_full_disk_is_no_damage(path):
    with Log.open(path) as log:
        pages = log.db.execute("PRAGMA page_count").fetchone()[0]
        log.db.execute(f"PRAGMA max_page_count = {pages}")
        midst_error = None
        try:
            with log.transaction() as db:
                for number in range(10_000):
                    db.execute("INSERT INTO event (time_utc_ms, kind) VALUES (?, 'connected')", (number,))
        except LogFull as error:
            midst_error = error
        assert midst_error is not None
        look_for_damage(log)
