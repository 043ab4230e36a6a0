"""linktrial far-end: the token and its file, what it says and to whom, no file once it runs, a clean end."""

from __future__ import annotations

import json
import os
import pty
import re
import signal
import socket
import subprocess
import sys
import time
from collections import Counter
from contextlib import contextmanager
from pathlib import Path

import pytest

from logger.commands import far_end
from logger.console import main
from tests.adapters.far_end_beside import Beside, everything, paired

ROOT = Path(__file__).parents[2]
_WATCHED = """
import sys
from adapters.far_end import sealed
seen = []
sealed.seal = lambda: sys.addaudithook(lambda event, args: seen.append([event, repr(args)]) if sealed.touches_files(event) else None)
from logger.commands import far_end
from logger.console import main
code = main(["far-end", *sys.argv[1:]])
touched = list(seen)
print("touched:", touched, flush=True)
sys.exit(code)
"""


@contextmanager
def running(*words, program=("-m", "logger.console", "far-end"), announce=False, **options):
    """The command with --json: the process, and what a client has to know."""
    command = [sys.executable, *program, "--json", "--port", "0", *([] if announce else ["--no-announce"]), *words]
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT, **options
    ) as process:
        try:
            told = json.loads(process.stdout.readline())
            assert told["event"] == "listening"
            token = (Path(os.environ["XDG_CONFIG_HOME"]) / "linktrial/far-end-token").read_text().strip()
            yield process, Beside("127.0.0.1", told["port"], token)
        finally:
            process.kill()


def ended(process, with_signal=signal.SIGTERM):
    process.send_signal(with_signal)
    out, err = process.communicate(timeout=20)
    return process.returncode, out, err


@pytest.mark.parametrize("umask", [0o000, 0o022], ids=oct)
def test_the_token_is_made_once_and_kept_for_its_owner_alone(capsys, umask):
    before = os.umask(umask)
    try:
        assert main(["far-end", "--show-token"]) == 0
    finally:
        os.umask(before)
    token = capsys.readouterr().out.strip()
    kept = Path(os.environ["XDG_CONFIG_HOME"]) / "linktrial/far-end-token"
    assert re.fullmatch(r"[0-9a-hjkmnp-tv-z]{6}(-[0-9a-hjkmnp-tv-z]{6}){3}", token)
    assert kept.read_text() == token + "\n"
    assert kept.stat().st_mode & 0o777 == 0o600
    assert kept.parent.stat().st_mode & 0o077 == 0
    assert main(["far-end", "--show-token", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"token": token}
    assert main(["far-end", "--show-token", "--new-token"]) == 0
    assert capsys.readouterr().out.strip() != token
    assert [path.name for path in kept.parent.iterdir()] == ["far-end-token"]


@pytest.mark.parametrize(
    ("text", "mode"), [("glaze0-kiln00-wheel0-shelf0", 0o640), ("short", 0o600), ("", 0o600), ("ü" * 30, 0o600)]
)
def test_a_token_that_others_may_read_or_that_is_none_is_refused(tmp_path, capsys, text, mode):
    path = tmp_path / "token"
    path.write_text(text, "utf-8")
    path.chmod(mode)
    assert main(["far-end", "--show-token", "--token-file", str(path)]) == 1
    assert "--new-token" in capsys.readouterr().err
    assert main(["far-end", "--show-token", "--new-token", "--token-file", str(path)]) == 0
    assert path.stat().st_mode & 0o777 == 0o600


def test_a_place_where_no_token_can_be_kept_is_said(tmp_path, capsys):
    (tmp_path / "file").write_text("")
    assert main(["far-end", "--show-token", "--token-file", str(tmp_path / "file/token")]) == 1
    assert capsys.readouterr().err.count("\n") == 1


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_it_tells_in_json_what_happens_and_ends_clean(number):
    with running() as (process, beside):
        with paired(beside) as client:
            assert len(client.ask("GET", "/bytes?count=100000")[1]) == 100_000
            client.ask("GET", "/claim?seconds=5")
        with paired(beside, token="wrong-wrong-wrong-wrong") as stranger:
            stranger.ask("GET", "/bytes?count=1")
        code, out, err = ended(process, number)
    events = [json.loads(line) for line in out.splitlines()]
    assert (code, err) == (0, "")
    assert [event["event"] for event in events] == ["transfer", "claimed", "wrong-token", "wrong-token", "stopped"]
    assert events[0]["bytes"] == 100_000
    assert all(event["time_utc_ms"] > 1e12 for event in events)
    assert beside.token not in out, "what is not a terminal may be kept"


def test_where_one_runs_already_that_is_said_and_no_token_is_replaced(capsys):
    with running("--name", "office") as (_, beside):
        kept = Path(os.environ["XDG_CONFIG_HOME"]) / "linktrial/far-end-token"
        assert main(["far-end", "--no-announce", "--new-token", "--port", str(beside.port)]) == 1
        said = capsys.readouterr().err
        assert f"a far end, 'office', runs on port {beside.port} already; stop it first, or say another" in said
        assert kept.read_text().strip() == beside.token


def test_a_far_end_that_runs_is_said_to_take_the_old_token_until_it_is_restarted(capsys):
    with running("--name", "office") as (_, beside):
        assert main(["far-end", "--new-token", "--show-token", "--port", str(beside.port)]) == 0
        said = capsys.readouterr()
        assert said.out.strip() != beside.token
        assert f"'office' that runs on port {beside.port} takes the old token until it is restarted" in said.err
    assert main(["far-end", "--new-token", "--show-token", "--port", str(beside.port)]) == 0
    assert "a far end that runs takes the old token until it is restarted" in capsys.readouterr().err


def test_a_token_that_is_none_lets_the_port_go(tmp_path, capsys):
    (tmp_path / "token").write_text("short")
    assert main(["far-end", "--port", "0", "--token-file", str(tmp_path / "token")]) == 1
    assert "--new-token" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("n_bytes", "seconds", "words"),
    [
        (0, 0.0, "0 bytes down in less than 1 ms"),
        (999, 0.001, "999 bytes down in 1 ms"),
        (43_210, 0.0125, "43 kB down in 12 ms"),
        (999_499, 0.9994, "999 kB down in 999 ms"),
        (999_500, 0.9996, "1.0 MB down in 1.00 s"),
        (2_500_000_000, 90.0, "2500.0 MB down in 90.00 s"),
    ],
)
def test_a_small_transfer_is_told_in_small_units(n_bytes, seconds, words):
    detail = {"client": "192.168.1.7", "bytes": n_bytes, "seconds": seconds, "direction": "down", "ended": "whole"}
    assert far_end._words("transfer", detail) == f"192.168.1.7: {words}"


def test_it_ends_clean_while_a_transfer_runs():
    with running() as (process, beside), paired(beside) as client:
        client.open("GET", "/bytes?count=1").read()
        answer = client.open("GET", "/bytes?count=1000000000000")
        assert answer.read(1000)
        code, _, err = ended(process)
    assert (code, err) == (0, "")


def test_a_reader_who_goes_away_stops_nothing():
    with running() as (process, beside):
        process.stdout.close()
        with paired(beside) as client:
            for _ in range(3):
                assert len(client.ask("GET", "/bytes?count=100000")[1]) == 100_000
            assert client.ask("GET", "/claim?seconds=5")[0].status == 200
        process.send_signal(signal.SIGTERM)
        assert (process.wait(20), process.stderr.read()) == (0, "")


def test_strangers_cannot_fill_what_it_writes_nor_push_out_what_others_do():
    with running() as (process, beside):
        for _ in range(60):
            sock = beside.connect()
            sock.sendall(b"GET /x HTTP/1.1\r\nHost: w\r\nAuthorization: Digest x\r\nConnection: close\r\n\r\n")
            everything(sock)
            sock.close()
        with paired(beside) as client:
            for _ in range(30):
                client.ask("GET", "/bytes?count=1")
        _, out, _ = ended(process)
    events = [json.loads(line) for line in out.splitlines()]
    told = Counter(event["event"] for event in events)
    assert told["wrong-token"] <= 40, "20 a minute, and a minute may end meanwhile"
    assert told["transfer"] == 30
    of_strangers = told["wrong-token"] + told["limited"]
    left_out = sum(event["events"] for event in events if event["event"] == "not-told")
    assert of_strangers + left_out >= 60, "how many more there were is told"
    assert told["not-told"] >= 1


def test_at_a_terminal_it_says_the_token_and_each_event_on_a_line(tmp_path):
    ours, theirs = pty.openpty()
    command = [
        sys.executable,
        "-m",
        "logger.console",
        "far-end",
        "--port",
        "0",
        "--no-announce",
        "--name",
        "wheel\x1b[2J",
    ]
    with subprocess.Popen(command, stdout=theirs, stderr=theirs, cwd=ROOT) as process:
        os.close(theirs)
        said = b""
        while b"pairing token: " not in said or not said.endswith(b"\n"):
            said += os.read(ours, 4096)
        port = int(re.search(rb"port (\d+)", said)[1])
        token = re.search(rb"pairing token: (\S+)", said)[1].decode()
        with paired(Beside("127.0.0.1", port, token)) as client:
            client.ask("GET", "/bytes?count=1000000")
        process.terminate()
        assert process.wait(20) == 0
        try:
            while more := os.read(ours, 4096):
                said += more
        except OSError:  # the other side is gone
            pass
    os.close(ours)
    assert b"127.0.0.1: 1.0 MB down in" in said
    assert b"\x1b[2J" not in said


def test_elsewhere_it_is_quiet(tmp_path):
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    command = [
        sys.executable,
        "-m",
        "logger.console",
        "far-end",
        "--port",
        str(port),
        "--no-announce",
        "--listen",
        "127.0.0.1",
    ]
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=ROOT) as process:
        beside = Beside("127.0.0.1", port, "wrong-wrong-wrong-wrong")
        for _ in range(200):
            try:
                with paired(beside) as client:
                    assert client.ask("GET", "/")[0].status == 200
                break
            except ConnectionRefusedError:
                assert process.poll() is None
                time.sleep(0.05)
        assert ended(process) == (0, "", "")


def test_it_touches_no_file_once_it_runs(tmp_path):
    """Python tells of each file that is opened, listed or changed, and each program that is started. Served meanwhile:
    transfers, refusals, garbage, a stranger; announced, too, where this machine has an address for it."""
    with running(program=("-c", _WATCHED), announce=True) as (process, beside):
        with paired(beside) as client:
            client.ask("GET", "/bytes?count=3000000")
            client.ask("PUT", "/bytes", b"c" * 3_000_000)
            client.ask("PUT", "/bytes", iter([b"c" * 1000] * 20))
            client.ask("GET", "/claim?seconds=5")
            client.ask("GET", "/../../etc/passwd")
            client.ask("POST", "/bytes", b"c")
        for words in (b"\x00" * 100 + b"\r\n\r\n", b"GET /etc/passwd HTTP/1.1\r\nHost: w\r\nConnection: close\r\n\r\n"):
            sock = beside.connect()
            sock.sendall(words)
            everything(sock)
            sock.close()
        code, out, err = ended(process)
    assert (code, err) == (0, "")
    assert out.splitlines()[-1] == "touched: []"


def test_if_it_tried_it_could_not():
    program = """
import os, subprocess, sys, traceback
from adapters.far_end.sealed import seal
seal()
for attempt in (lambda: open("x"), lambda: os.listdir("."), lambda: os.mkdir("x"), lambda: os.remove("x"), lambda: os.open(".", 0),
                lambda: subprocess.run(["true"]), lambda: os.rename("x", "y"), lambda: os.system("true")):
    try:
        attempt()
    except PermissionError as error:
        assert "the far end uses no files" in str(error)
    else:
        raise SystemExit("it could")
try:
    1 / 0
except ZeroDivisionError:
    traceback.format_exc()
print("sealed")
"""
    done = subprocess.run([sys.executable, "-c", program], capture_output=True, text=True, cwd=ROOT)
    assert (done.stdout, done.stderr) == ("sealed\n", "")


@pytest.mark.parametrize(
    "words",
    [
        ["--port", "70000"],
        ["--open-to", "everybody"],
        ["--open-to", "10.0.0.1/8"],
        ["--max-seconds", "0"],
        ["--max-mbps", "-1"],
    ],
)
def test_wrong_usage(words, capsys):
    assert main(["far-end", *words]) == 2
    assert capsys.readouterr().err.count("\n") == 1


@pytest.mark.parametrize("where", [[], ["--listen", "127.0.0.1"]])
def test_a_port_that_is_taken_or_an_address_that_is_not_here_is_said_in_one_line(where):
    command = [sys.executable, "-m", "logger.console", "far-end", "--no-announce"]
    with socket.socket() as taken:
        taken.bind(("0.0.0.0", 0))
        taken.listen()
        port = str(taken.getsockname()[1])
        done = subprocess.run([*command, "--port", port, *where], capture_output=True, text=True, cwd=ROOT, timeout=30)
        assert (done.returncode, done.stdout, done.stderr.count("\n")) == (1, "", 1)
        assert "is taken by another program" in done.stderr
        assert ("a far end at one address alone" in done.stderr) == (not where)
        assert "; say another with --port" in done.stderr
    for address, why in (
        ("192.0.2.77", "192.0.2.77 is no address of this machine; say one that is with --listen"),
        ("fd00::77", "fd00::77 is no address of this machine"),
        ("kiln..room", "'kiln..room' is no address; say one"),
        ("kiln room", "'kiln room' is no address; say one"),
    ):
        done = subprocess.run([*command, "--listen", address], capture_output=True, text=True, cwd=ROOT, timeout=30)
        assert (done.returncode, done.stderr.count("\n")) == (1, 1)
        assert why in done.stderr
        assert "--port" not in done.stderr


def test_a_limit_is_kept():
    with running("--max-connections-per-client", "1") as (process, beside), paired(beside) as client:
        client.ask("GET", "/bytes?count=1")
        sock = beside.connect()
        assert b" 503 " in everything(sock)
        sock.close()
        assert ended(process)[0] == 0
