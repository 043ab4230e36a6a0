"""``linktrial probe`` and the daemon's own, as they are run: real processes, a far end on loopback, the simulated radio."""

from __future__ import annotations

import io
import json
import os
import signal
import sqlite3
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from ipaddress import ip_address, ip_network
from pathlib import Path

import pytest

from adapters.contract import Ability
from adapters.errors import NoWirelessInterface
from adapters.probing.errors import ProbeFailed, WayAstray
from adapters.probing.finding import FoundFarEnd
from adapters.probing.way import Route
from logger.console import main
from logger.errors import LogError
from logger.log import Log
from logger.probe_table import begin_probe, newest_probe
from logger.probing import meeting
from logger.probing.pairing import Paired, forget_pairing, keep_pairing, read_pairing, target_of
from logger.settings import Settings
from tests.logger.beside import until

LINKTRIAL = [sys.executable, "-m", "logger.console"]
TOKEN = "a-token-that-nobody-knows"
ON_LOOPBACK = ["--simulated", "1", "--interface", "lo"]
linux_only = pytest.mark.skipif(sys.platform != "linux", reason="loopback is called lo on Linux")


@pytest.fixture
def here(tmp_path, monkeypatch) -> Path:
    """Settings, pairing and logs of this test alone."""
    monkeypatch.setenv("LINKTRIAL_SETTINGS", str(tmp_path / "settings.toml"))
    (tmp_path / "settings.toml").write_text("probe_seconds = 4\n")
    return tmp_path


@contextmanager
def far_end(folder: Path) -> Iterator[int]:
    """One on loopback; its port."""
    token_file = folder / "token"
    token_file.write_text(TOKEN + "\n")
    token_file.chmod(0o600)
    options = ["--listen", "127.0.0.1", "--port", "0", "--no-announce", "--name", "office"]
    with subprocess.Popen(
        [*LINKTRIAL, "far-end", *options, "--token-file", str(token_file), "--json"], stdout=subprocess.PIPE, text=True
    ) as process:
        try:
            assert process.stdout is not None
            yield json.loads(process.stdout.readline())["port"]
        finally:
            process.terminate()


def say(monkeypatch, words: str) -> None:
    monkeypatch.setattr(sys, "stdin", io.StringIO(words))


# Pairing


@linux_only
def test_pairing_asks_the_far_end_whether_it_takes_the_token_and_keeps_it_for_its_owner_alone(
    here, monkeypatch, capsys
):
    with far_end(here) as port:
        say(monkeypatch, "another-token-altogether\n")
        assert main(["probe", "--pair", f"127.0.0.1:{port}", *ON_LOOPBACK]) == 1
        assert "does not take the token" in capsys.readouterr().err
        assert read_pairing() is None
        say(monkeypatch, f"{TOKEN}\n")
        assert main(["probe", "--pair", f"127.0.0.1:{port}", *ON_LOOPBACK]) == 0
        said = capsys.readouterr()
        assert f"paired with 'office' at 127.0.0.1:{port}" in said.out
        assert TOKEN not in said.out + said.err
    file = here / "far-end.json"
    assert file.stat().st_mode & 0o777 == 0o600
    assert read_pairing() == Paired(f"127.0.0.1:{port}", "office", TOKEN)
    assert TOKEN not in repr(read_pairing())


@linux_only
def test_pairing_needs_no_wireless_interface_and_says_over_which_it_went(here, monkeypatch, capsys):
    monkeypatch.setattr("adapters.open_adapter", no_card)
    monkeypatch.setattr(meeting, "interface_to", lambda host, port: "lo")
    with far_end(here) as port:
        say(monkeypatch, f"{TOKEN}\n")
        assert main(["probe", "--pair", f"127.0.0.1:{port}"]) == 0
    said = capsys.readouterr().out
    assert f"paired with 'office' at 127.0.0.1:{port}, over lo" in said
    assert "probes will go over the wireless interface alone" in said
    assert read_pairing() == Paired(f"127.0.0.1:{port}", "office", TOKEN)


def test_pairing_with_this_machine_itself_is_refused_and_so_is_an_interface_that_is_none(here, monkeypatch, capsys):
    monkeypatch.setattr("adapters.open_adapter", no_card)
    for words, why in (
        (["127.0.0.1"], "is this laptop itself"),
        (["10.0.0.1", "--interface", "kiln9"], "is no interface"),
    ):
        say(monkeypatch, f"{TOKEN}\n")
        assert main(["probe", "--pair", *words]) == 1
        said = capsys.readouterr().err
        assert (why in said, said.count("\n")) == (True, 1)
    assert read_pairing() is None


def test_the_interface_that_is_probed_is_tried_first_and_another_only_where_it_leads_nowhere(monkeypatch):
    tried = []

    def meet(over: str, address: str, token: str) -> Paired:
        tried.append((over, address))
        if over == "wlan0":
            raise fault
        return Paired(address, "office", token)

    monkeypatch.setattr(meeting, "met", meet)
    monkeypatch.setattr(meeting, "interface_to", lambda host, port: "eth0")
    fault = WayAstray("not that way")
    assert meeting.met_anyhow("wlan0", ["10.0.0.1"], TOKEN, or_else=True) == (
        Paired("10.0.0.1", "office", TOKEN),
        "eth0",
    )
    assert tried == [("wlan0", "10.0.0.1"), ("eth0", "10.0.0.1")]
    tried.clear()
    with pytest.raises(WayAstray):
        meeting.met_anyhow("wlan0", ["10.0.0.1"], TOKEN, or_else=False)
    fault = ProbeFailed("it does not take the token")
    with pytest.raises(ProbeFailed, match="token"):
        meeting.met_anyhow("wlan0", ["10.0.0.1"], TOKEN, or_else=True)
    assert tried == [("wlan0", "10.0.0.1")] * 2
    monkeypatch.setattr(meeting, "interface_to", lambda host, port: None)
    with pytest.raises(ProbeFailed, match=r"no way leads to '10\.0\.0\.1'"):
        meeting.met_anyhow(None, ["10.0.0.1"], TOKEN, or_else=True)


def test_a_probe_without_a_wireless_interface_says_why_it_needs_one(here, monkeypatch, capsys):
    monkeypatch.setattr("adapters.open_adapter", no_card)
    assert main(["probe", "--db", str(here / "log.db")]) == 1
    said = capsys.readouterr().err
    assert "a probe goes over a wireless interface, for the log says which radio it was; no card is in" in said
    assert not (here / "log.db").exists()


def no_card(interface: str | None = None) -> None:
    raise NoWirelessInterface("no card is in")


def test_without_a_token_on_standard_input_nothing_is_kept(here, monkeypatch, capsys):
    say(monkeypatch, "\n")
    assert main(["probe", "--pair", "127.0.0.1", *ON_LOOPBACK]) == 1
    assert "no token was given" in capsys.readouterr().err


def test_forgetting_takes_the_file_away(here, capsys):
    keep_pairing(Paired("192.168.1.5", "office", TOKEN))
    assert main(["probe", "--forget", "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["forgotten"] is True
    assert not (here / "far-end.json").exists()
    assert forget_pairing() is False


def test_a_pairing_that_others_could_read_no_longer_is(here):
    path = keep_pairing(Paired("192.168.1.5", "office", TOKEN))
    path.chmod(0o644)
    assert read_pairing() is not None
    assert path.stat().st_mode & 0o077 == 0


@pytest.mark.parametrize(
    "text",
    ["", "{}", "[]", "\xff", '{"address": "a b", "name": "", "token": "x"}', '{"address": 5, "name": "", "token": "x"}',
     '{"address": "192.168.1.5", "name": "office", "token": ""}', "[" * 5000,
     '{"address": "192.168.1.5", "name": "office", "token": "\\ud800"}'],
)  # fmt: skip
def test_a_pairing_that_makes_no_sense_is_refused_in_one_line(here, text):
    (here / "far-end.json").write_text(text, "latin-1")
    with pytest.raises(LogError, match="makes no sense"):
        read_pairing()
    assert target_of(Settings(probe_far_end="http://shelf.local/a")), "where none is asked for, none is missed"


def test_whom_to_speak_to_is_said_on_the_command_line_else_in_the_settings_else_by_pairing(here):
    assert target_of(Settings()) is None
    with pytest.raises(LogError, match="pair with it first"):
        target_of(Settings(probe_far_end="192.168.1.9"))
    keep_pairing(Paired("192.168.1.5", "office", TOKEN))
    assert target_of(Settings()).label == "192.168.1.5"
    named = target_of(Settings(probe_far_end="192.168.1.9"))
    assert (named.label, named.token) == ("192.168.1.9", TOKEN)
    assert target_of(Settings(probe_far_end="http://shelf.local/kiln.iso")).token is None
    assert target_of(Settings(probe_far_end="192.168.1.9"), "http://shelf.local/a").label == "http://shelf.local/a"
    with pytest.raises(LogError, match="probe_far_end"):
        target_of(Settings(probe_far_end="http://"))


def test_one_far_end_that_answers_is_taken_several_are_named_and_none_is_said():
    office, shed = FoundFarEnd("office", ("192.168.1.5",), 47317), FoundFarEnd("sh\x1b[2Jed", ("192.168.1.6",), 47317)
    assert meeting.the_only_one([office]) is office
    with pytest.raises(LogError, match=r"2 far ends answer: 'office' at 192.168.1.5:47317, 'sh\\x1b\[2Jed'"):
        meeting.the_only_one([office, shed])
    with pytest.raises(LogError, match="is 'linktrial far-end' running"):
        meeting.the_only_one([])


def test_a_far_end_with_another_address_is_found_by_its_name_and_kept_only_if_it_takes_the_token(here, monkeypatch):
    keep_pairing(Paired("192.168.1.5:47317", "office", TOKEN))
    impostor, moved = (FoundFarEnd("office", (a,), 47317) for a in ("192.168.1.66", "192.168.1.7"))

    def meet(interface, target):
        if target.host == "192.168.1.66":
            raise ProbeFailed("the far end does not take the token")
        return "office"

    monkeypatch.setattr(meeting, "meet", meet)
    monkeypatch.setattr(meeting, "find_far_ends", lambda: [impostor])
    assert meeting.met_elsewhere("wlan0") is None
    monkeypatch.setattr(meeting, "find_far_ends", lambda: [impostor, moved])
    assert meeting.met_elsewhere("wlan0") == read_pairing() == Paired("192.168.1.7:47317", "office", TOKEN)
    monkeypatch.setattr(meeting, "find_far_ends", lambda: [])
    assert meeting.met_elsewhere("wlan0") is None


def test_a_far_end_is_met_in_the_laptops_own_network_whatever_else_its_machine_announces(monkeypatch):
    """Virtual networks are private, too, and sort first."""
    routes = [
        Route("docker0", ip_network("172.17.0.0/16"), None, 0),
        Route("wlan0", ip_network("0.0.0.0/0"), ip_address("192.168.1.1"), 600),
        Route("wlan0", ip_network("192.168.1.0/24"), None, 600),
    ]
    found = FoundFarEnd("office", ("10.8.0.1", "172.17.0.1", "192.168.1.5", "fd00::5"), 47317)
    tried = []

    def meet(interface, target):
        tried.append(target.host)
        if target.host != "10.8.0.1":
            raise ProbeFailed(f"{target.host} cannot be reached")
        return "office"

    monkeypatch.setattr(meeting, "read_routes", lambda: routes)
    monkeypatch.setattr(meeting, "meet", meet)
    assert meeting.met_at_one("wlan0", found, TOKEN).address == "10.8.0.1:47317", "none is left out for where it lies"
    assert tried == ["192.168.1.5", "10.8.0.1"]
    with pytest.raises(ProbeFailed, match=r"192\.168\.1\.5 cannot"):
        meeting.met_at_one("wlan0", FoundFarEnd("office", found.addresses[1:], 47317), TOKEN)


@linux_only
def test_check_says_whether_probes_have_whom_to_speak_to(here):
    assert meeting.far_end_now("lo").available is False
    with far_end(here) as port:
        keep_pairing(Paired(f"127.0.0.1:{port}", "office", TOKEN))
        assert meeting.far_end_now("lo") == Ability(
            "far end", "", True, f"'office' at 127.0.0.1:{port} takes the token"
        )
        assert meeting.far_end_now(None).available is None
        keep_pairing(Paired(f"127.0.0.1:{port}", "office", TOKEN[::-1]))
        assert "does not take the token" in meeting.far_end_now("lo").now
    assert "cannot be reached" in meeting.far_end_now("lo").now


# Probing


@pytest.mark.slow
@linux_only
def test_a_probe_by_hand_says_what_it_found_and_writes_it_down(here, capsys):
    db = str(here / "pottery.db")
    with far_end(here) as port:
        keep_pairing(Paired(f"127.0.0.1:{port}", "office", TOKEN))
        assert main(["probe", "--json", "--anyway", "--db", db, *ON_LOOPBACK]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["outcome"], told["far_end"]) == ("done", f"127.0.0.1:{port}")
    assert {(each["direction"], each["streams"]) for each in told["transfers"]} == {
        ("down", 1), ("down", 4), ("up", 1), ("up", 4)
    }  # fmt: skip
    assert {each["load"] for each in told["latencies"]} == {"idle", "down", "up"}
    with Log.open(db, create=False) as log:
        assert len(newest_probe(log.db).transfers) == 4
    assert main(["status", "--json", "--db", db]) == 0
    assert json.loads(capsys.readouterr().out)["probes"]["last"] == told


@linux_only
def test_a_probe_that_could_not_be_is_one_line_and_a_row(here, capsys):
    db = str(here / "pottery.db")
    assert main(["probe", "--url", "http://127.0.0.1:9/kiln.iso", "--anyway", "--db", db, *ON_LOOPBACK]) == 1
    said = capsys.readouterr()
    assert said.err.startswith("linktrial: failed: ")
    assert len(said.err.splitlines()) == 1
    with Log.open(db, create=False) as log:
        assert newest_probe(log.db).outcome == "failed"


@linux_only
def test_the_daemon_s_turn_begins_no_log_where_there_is_none(here, capsys):
    """Somebody moved it from under the daemon."""
    assert main(["probe", "--scheduled", "--db", str(here / "moved.db"), *ON_LOOPBACK]) == 1
    assert "there is no log at" in capsys.readouterr().err
    assert not (here / "moved.db").exists()


@pytest.mark.slow
@linux_only
def test_a_probe_that_is_told_to_end_says_so_in_its_row(here):
    db = here / "pottery.db"
    (here / "settings.toml").write_text("probe_seconds = 60\n")
    with far_end(here) as port:
        keep_pairing(Paired(f"127.0.0.1:{port}", "office", TOKEN))
        probe = subprocess.Popen(
            [*LINKTRIAL, "probe", "--anyway", "--db", str(db), *ON_LOOPBACK], stderr=subprocess.PIPE
        )
        with probe:
            until(lambda: n_rows(db) == 1)
            time.sleep(0.5)
            probe.send_signal(signal.SIGTERM)
            assert probe.wait(10) == 1
    with Log.open(db, create=False) as log:
        probe = newest_probe(log.db)
    assert probe.outcome == "failed"
    assert probe.words
    assert probe.ended_at_utc_ms is not None


def n_rows(path: Path) -> int:
    if not path.exists():
        return 0
    db = sqlite3.connect(path)
    try:
        return int(db.execute("SELECT count(*) FROM probe").fetchone()[0])
    except sqlite3.OperationalError:
        return 0
    finally:
        db.close()


@pytest.mark.slow
@linux_only
def test_the_daemon_probes_by_itself_marks_its_samples_and_ends_a_turn_with_itself(here):
    db = here / "pottery.db"
    (here / "settings.toml").write_text(
        "probe_seconds = 4\nprobe_every_s = 4\ncommit_s = 0.2\nprobe_on_battery = 1\nprobe_daily_mb = 0\n"
    )
    with far_end(here) as port:
        settings = (here / "settings.toml").read_text()
        (here / "settings.toml").write_text(settings + f'probe_far_end = "127.0.0.1:{port}"\n')
        keep_pairing(Paired(f"127.0.0.1:{port}", "office", TOKEN))
        Log.open(db).close()
        with Log.open(db) as log:
            begin_probe(log, 1_790_000_000_000)  # of a daemon that was killed
        command = [*LINKTRIAL, "log", "--interval", "0.5", "--db", str(db), *ON_LOOPBACK]
        with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as daemon:
            until(lambda: "done" in outcomes(db) or "failed" in outcomes(db)[1:], 120)
            until(lambda: outcomes(db)[-1] == "running", 120)
            token_seen = any(TOKEN in words for words in command_lines())
            daemon.send_signal(signal.SIGTERM)
            _, err = daemon.communicate(timeout=30)
    assert (daemon.returncode, err) == (0, "")
    assert not token_seen
    found = outcomes(db)
    assert found[0] == "failed"
    assert found[-1] == "failed"
    assert "running" not in found
    with Log.open(db, create=False) as log:
        marked = log.db.execute("SELECT count(*) FROM sample WHERE flags & 1").fetchone()[0]
        assert marked > 5
        assert log.db.execute("SELECT sum(probing_n) FROM block").fetchone()[0] == marked
        assert TOKEN not in "\n".join(log.db.iterdump())


def outcomes(path: Path) -> list[str]:
    db = sqlite3.connect(path)
    try:
        return [row[0] for row in db.execute("SELECT outcome FROM probe ORDER BY started_at_utc_ms")]
    finally:
        db.close()


def command_lines() -> Iterator[str]:
    for pid in filter(str.isdigit, os.listdir("/proc")):
        try:
            yield Path("/proc", pid, "cmdline").read_text() + Path("/proc", pid, "environ").read_text()
        except OSError:
            continue
