"""Fields in the journal: framed so that nobody's text becomes another field, and only where the output goes there."""

from __future__ import annotations

import json
import os
import re
import socket
import struct
from io import StringIO

import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger import journal
from logger.daemon import Daemon
from logger.journal import Journal, encoded, journal_behind
from logger.sampler import Sampler
from logger.voice import Voice
from tests.logger.conftest import START_MS
from tests.logger.scripted import ScriptedAdapter, clock

pytestmark = pytest.mark.skipif(not hasattr(socket, "AF_UNIX"), reason="journald is Linux's")

names = st.from_regex(r"[A-Z][A-Z0-9_]{0,20}", fullmatch=True)


def decoded(datagram: bytes) -> dict[str, bytes]:
    """By the protocol's own text: a line NAME=value, or NAME, 64 bits of length, the value, a line feed."""
    fields = {}
    while datagram:
        head, _, rest = datagram.partition(b"\n")
        name, equals, value = head.partition(b"=")
        if not equals:
            (length,) = struct.unpack("<Q", rest[:8])
            value, rest = rest[8 : 8 + length], rest[8 + length :]
            assert rest[:1] == b"\n"
            rest = rest[1:]
        fields[name.decode()] = value
        datagram = rest
    return fields


@given(st.dictionaries(names, st.text() | st.text("\n=AB", max_size=9)))
def test_every_value_comes_back_as_it_was(fields):
    assert decoded(encoded(fields)) == {name: text.encode("utf-8", "backslashreplace") for name, text in fields.items()}


@pytest.fixture
def journald(tmp_path, monkeypatch):
    """A socket in journald's place."""
    path = str(tmp_path / "journal")
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as taken:
        taken.bind(path)
        taken.settimeout(5)
        monkeypatch.setattr(journal, "SOCKET", path)
        yield taken


@pytest.fixture
def out(tmp_path, monkeypatch):
    """A stream that JOURNAL_STREAM says goes to the journal."""
    with open(tmp_path / "out", "w+") as stream:
        seen = os.fstat(stream.fileno())
        monkeypatch.setenv("JOURNAL_STREAM", f"{seen.st_dev}:{seen.st_ino}")
        yield stream


def written(stream) -> str:
    stream.seek(0)
    return stream.read()


def test_lines_and_complaints_are_entries_when_the_output_goes_to_the_journal(journald, out):
    err = StringIO()
    voice = Voice(out, err)
    assert voice.takes_fields
    voice.line(START_MS, "stopped after 3 samples")
    voice.complain("the disk is full")
    entries = [decoded(journald.recv(4096)) for _ in range(2)]
    common = {"SYSLOG_IDENTIFIER": b"linktrial"}
    assert entries[0] == {"MESSAGE": b"stopped after 3 samples", "PRIORITY": b"6", **common}
    assert entries[1] == {"MESSAGE": b"the disk is full", "PRIORITY": b"4", **common}
    assert (written(out), err.getvalue()) == ("", "")
    voice.close()


def test_an_event_has_its_kind_detail_place_and_version_as_fields(journald, out, log, timeline):
    timeline.at("kiln room")
    adapter, now = ScriptedAdapter(), clock()
    voice = Voice(out, StringIO())
    daemon = Daemon(log, Sampler(adapter, now, 5), now, voice, interval_ms=5000)
    adapter.reading = RuntimeError("\x1b[31m\nLINKTRIAL_EVENT=connected\nPRIORITY=0")
    daemon.tick()
    entry = decoded(journald.recv(4096))
    assert entry["LINKTRIAL_EVENT"] == b"adapter-failed"
    assert entry["PRIORITY"] == b"5"
    assert entry["LINKTRIAL_TIME_UTC_MS"] == str(START_MS).encode()
    assert (entry["LINKTRIAL_LOCATION"], entry["LINKTRIAL_CONFIG_VERSION"]) == (b"kiln room", b"v1")
    assert "LINKTRIAL_EVENT=connected" in json.loads(entry["LINKTRIAL_DETAIL"])["message"]
    assert b"\x1b" not in entry["MESSAGE"]
    voice.close()


def test_when_journald_is_gone_lines_are_written_plainly(journald, out):
    voice = Voice(out, StringIO())
    journald.close()
    voice.line(START_MS, "still here")
    assert written(out) == "still here\n"
    voice.close()


@pytest.mark.parametrize("named", ["", "1:1", "nonsense"])
def test_elsewhere_there_is_no_journal(named, journald, tmp_path):
    with open(tmp_path / "plain", "w") as stream:
        assert journal_behind(stream, {"JOURNAL_STREAM": named}) is None


def test_a_terminal_that_the_desktop_started_is_no_journal(journald, out):
    """It has the variable of the desktop, and its own output."""
    other = StringIO()
    assert journal_behind(other) is None
    Voice(other, other).line(START_MS, "words")
    assert re.fullmatch(r"\d\d:\d\d:\d\d words\n", other.getvalue()), (
        "the journal has its own times, a terminal has not"
    )


def test_a_socket_that_is_not_there_is_no_journal(out, monkeypatch):
    monkeypatch.setattr(journal, "SOCKET", "/nowhere/at/all")
    assert journal_behind(out) is None
    with pytest.raises(OSError, match="No such file"):
        Journal()


def test_a_program_without_a_console_says_nothing_and_works():
    voice = Voice(None, None)
    voice.line(START_MS, "x")
    voice.complain("x")
    voice.now("x", 0.0)
    voice.close()
