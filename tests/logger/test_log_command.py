"""``linktrial log`` and ``linktrial status`` as they are run: real processes, the simulated radio, the machine's clock."""

from __future__ import annotations

import json
import os
import re
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from logger.console import main
from logger.log import Log, log_path
from logger.recorder import Recorder
from logger.sample import Event
from tests.logger.conftest import START_MS, linked

LINKTRIAL = [sys.executable, "-m", "logger.console"]


def modules_of(process: subprocess.Popen[str]) -> str:
    """The files that a process has mapped: compiled modules of pandas and numpy would be among them."""
    return Path(f"/proc/{process.pid}/maps").read_text()


@contextmanager
def daemon(path: Path, *options: str) -> Iterator[subprocess.Popen[str]]:
    """A daemon that has said its first line; ended by SIGTERM, or by the test itself."""
    with subprocess.Popen(
        [*LINKTRIAL, "log", "--db", str(path), *options], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True
    ) as process:
        try:
            assert process.stdout.readline(), process.stderr.read()
            yield process
        finally:
            if process.poll() is None:
                process.terminate()


def run(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run([*LINKTRIAL, *words], capture_output=True, text=True, check=False)


def test_a_simulated_run_is_on_the_grid_refuses_a_second_daemon_and_leaves_a_complete_log(tmp_path):
    path = tmp_path / "pottery.db"
    with daemon(path, "--simulated", "1", "--interval", "0.1") as first:
        started_s = time.monotonic()
        second = run("log", "--simulated", "2", "--db", str(path))
        assert second.returncode == 1
        assert f"process {first.pid} is logging into" in second.stderr
        assert len(second.stderr.splitlines()) == 1
        status = json.loads(run("status", "--json", "--db", str(path)).stdout)
        assert (status["logging"], status["pid"]) == (True, first.pid)
        time.sleep(max(0.0, 3 - (time.monotonic() - started_s)))
        if sys.platform == "linux":
            mapped = modules_of(first)
            assert "sqlite" in mapped
            assert "pandas" not in mapped
            assert "numpy" not in mapped
        first.send_signal(signal.SIGTERM)
        out, err = first.communicate(timeout=20)
    assert (first.returncode, err) == (0, "")
    assert "stopped after " in out
    with Log.open(path, create=False) as log:
        times = [row[0] for row in log.db.execute("SELECT time_utc_ms FROM sample ORDER BY 1")]
        events = [tuple(row) for row in log.db.execute("SELECT kind, detail FROM event ORDER BY id")]
        folded = log.db.execute("SELECT sum(n_samples) FROM block").fetchone()[0]
    assert events[0][0] == "logger-started"
    assert events[-1][0] == "logger-stopped"
    assert json.loads(events[-1][1])["n_samples"] == len(times) == folded
    assert len(times) >= 10
    assert all(time_ms % 100 <= 50 for time_ms in times)
    assert len({time_ms // 100 for time_ms in times}) == len(times)  # one for each point of the grid
    assert path.stat().st_mode & 0o777 == 0o600


def test_ctrl_c_is_a_clean_end(tmp_path):
    with daemon(tmp_path / "pottery.db", "--simulated", "1", "--interval", "0.1") as process:
        process.send_signal(signal.SIGINT)
        process.communicate(timeout=20)
    assert process.returncode == 0


def test_a_daemon_that_was_killed_leaves_a_log_that_opens_and_goes_on(tmp_path):
    path = tmp_path / "pottery.db"
    with daemon(path, "--simulated", "1", "--interval", "0.1") as process:
        process.kill()
    with daemon(path, "--simulated", "1", "--interval", "0.1"):
        pass
    with sqlite3.connect(path) as db:
        kinds = [row[0] for row in db.execute("SELECT kind FROM event ORDER BY id")]
    db.close()
    assert kinds == ["logger-started", "logger-lost", "logger-started", "logger-stopped"]


@pytest.mark.skipif(sys.platform != "linux", reason="looks at the locks of Linux")
def test_a_tag_takes_nothing_away_from_under_the_daemon(tmp_path, monkeypatch):
    """The last program that closes a log takes its write-ahead log away; a daemon whose locks were lost would not be
    counted, and would write on into a file that nobody reads."""
    path = tmp_path / "pottery.db"
    settings = tmp_path / "settings.toml"
    settings.write_text("commit_s = 0.2")
    monkeypatch.setenv("LINKTRIAL_SETTINGS", str(settings))
    with daemon(path, "--simulated", "1", "--interval", "0.1") as process:
        for n in range(3):
            assert run("at", f"shelf {n}", "--db", str(path)).returncode == 0
        assert Path(f"{path}-wal").exists()
        locks = Path("/proc/locks").read_text()
        assert re.search(rf"POSIX .* {process.pid} .*:{path.stat().st_ino} ", locks)
        before = json.loads(run("status", "--json", "--db", str(path)).stdout)["n_samples"]
        time.sleep(0.6)
        assert json.loads(run("status", "--json", "--db", str(path)).stdout)["n_samples"] > before


def test_a_reader_that_comes_and_goes_leaves_the_daemon_its_files(tmp_path):
    """SQLite takes the -wal file away with the last connection: the daemon's must not look closed."""
    path = tmp_path / "pottery.db"
    with daemon(path, "--simulated", "1", "--interval", "0.1"):
        with sqlite3.connect(path) as db:
            db.execute("SELECT count(*) FROM sample").fetchone()
        db.close()
        assert {"pottery.db", "pottery.db-wal", "pottery.db-shm"} <= {file.name for file in tmp_path.iterdir()}


# Wrong usage


@pytest.mark.parametrize("interval", ["0", "0.05", "3601", "-5", "nan", "inf", "soon", ""])
def test_an_interval_that_cannot_be_is_wrong_usage(interval, tmp_path, capsys):
    assert main(["log", f"--interval={interval}", "--db", str(tmp_path / "no.db")]) == 2
    said = capsys.readouterr().err
    assert f"'{interval}' is not a number from 0.1 to 3600" in said
    assert len(said.splitlines()) == 1
    assert not (tmp_path / "no.db").exists()


def test_an_interface_that_is_not_there_is_said_in_one_line(tmp_path, capsys):
    assert main(["log", "--interface", "no-such0", "--db", str(tmp_path / "x.db")]) == 1
    assert len(capsys.readouterr().err.splitlines()) == 1
    assert not (tmp_path / "x.db").exists()


def test_a_mistake_in_the_settings_file_is_said_in_one_line(tmp_path, monkeypatch, capsys):
    file = tmp_path / "settings.toml"
    file.write_text("intervall = 3")
    monkeypatch.setenv("LINKTRIAL_SETTINGS", str(file))
    assert main(["log", "--simulated", "1", "--db", str(tmp_path / "x.db")]) == 1
    assert "did you mean 'interval_s'?" in capsys.readouterr().err


def test_the_settings_in_force_can_be_printed_and_used_as_the_file(tmp_path, monkeypatch, capsys):
    file = tmp_path / "settings.toml"
    file.write_text("interval_s = 2.5")
    monkeypatch.setenv("LINKTRIAL_SETTINGS", str(file))
    assert main(["log", "--show-settings"]) == 0
    printed = capsys.readouterr().out
    assert "interval_s = 2.5" in printed
    assert str(file) in printed
    file.write_text(printed)
    assert main(["log", "--show-settings"]) == 0
    assert capsys.readouterr().out == printed


# status


def status(path: Path, capsys, *options: str) -> str:
    assert main(["status", "--db", str(path), *options]) == 0
    return capsys.readouterr().out


def test_status_of_a_log_that_is_not_there_says_what_to_do(tmp_path, capsys):
    assert main(["status", "--db", str(tmp_path / "no.db")]) == 1
    assert "'linktrial log' starts one" in capsys.readouterr().err


def test_status_of_an_empty_log(tmp_path, capsys):
    Log.open(tmp_path / "new.db").close()
    assert "not logging" in status(tmp_path / "new.db", capsys)
    answer = json.loads(status(tmp_path / "new.db", capsys, "--json"))
    assert (answer["logging"], answer["n_samples"], answer["last_sample"]) == (False, 0, None)


def test_status_tells_place_version_last_sample_and_last_events(log, timeline, clock, capsys):
    hostile = linked(START_MS).link._replace(ssid=b"\x1b[31m<script>")
    recorder = Recorder(log)
    recorder.set_pace(5000, START_MS)
    recorder.record([linked(START_MS + 5000 * n, -60 - n, hostile) for n in range(4)], [])
    recorder.record([], [Event(START_MS + n, "roamed", {"bssid": f"02::{n}"}) for n in range(9)])
    clock.now_ms += 20_000
    timeline.at("kiln room")
    timeline.changed("longer antennas")
    said = status(log.path, capsys)
    assert "'kiln room', placement 1, v2 'longer antennas'" in said
    assert "RSSI -63 dBm, sends at 433.3 Mbit/s, 5 GHz" in said  # the newest, though its period is not the newest
    assert r"'\x1b[31m<script>'" in said
    assert "4 samples of this machine in" in said
    assert said.count("roamed to") == 5
    answer = json.loads(status(log.path, capsys, "--json"))
    assert answer["last_sample"]["time_utc_ms"] == START_MS + 15_000
    assert answer["last_sample"]["rssi_dbm"] == -63
    assert (answer["location"], answer["config_version"], answer["n_samples"]) == ("kiln room", "v2", 4)
    assert [event["time_utc_ms"] for event in answer["events"]] == [START_MS + n for n in range(4, 9)]


def test_status_takes_no_pandas(tmp_path):
    path = tmp_path / "pottery.db"
    Log.open(path).close()
    program = "import sys; from logger.console import main; main(['status', '--db', sys.argv[1]])\n"
    program += "print(sorted({'pandas', 'numpy', 'plotly', 'sqlite_utils', 'apscheduler'} & set(sys.modules)))"
    done = subprocess.run(
        [sys.executable, "-c", program, str(path)], capture_output=True, text=True, check=True, env=dict(os.environ)
    )
    assert done.stdout.splitlines()[-1] == "[]"


def test_a_simulated_radio_stays_out_of_the_owners_own_log(capsys):
    assert main(["log", "--simulated", "1"]) == 1
    assert "say --db with another file" in capsys.readouterr().err
    assert not log_path().exists()
