"""Servers that do not mean well, or are no servers at all: each is refused in one line, in time, whatever it says."""

from __future__ import annotations

import json
import time
from contextlib import suppress

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.clock import SystemClock
from adapters.probing import http_wire, transfer
from adapters.probing.errors import FarEndBusy, ProbeFailed
from adapters.probing.greeting import Greeting, meet
from adapters.probing.http_wire import HeadReader, Proof, refuse
from adapters.probing.target import Target, far_end_target, url_target
from adapters.probing.transfer import Wish, run_transfer
from adapters.probing.way import Way
from tests.adapters.played_server import played_server

TOKEN = "glaze0-kiln00-wheel0-shelf0"
HELLO = b'{"linktrial": "9", "protocol": 1, "name": "office"}'
CHALLENGE = 'WWW-Authenticate: Digest realm="linktrial", qop="auth", algorithm=SHA-256, nonce="n"'


def down(target: Target, seconds=1.0):
    return run_transfer(Wish("down", 1, seconds), target, Way("lo"), Proof(target.token), SystemClock())


def up(target: Target, seconds=0.5):
    return run_transfer(
        Wish("up", 1, seconds), target, Way("lo"), Proof(target.token), SystemClock(), upload_method="POST"
    )


def endless_headers(visit):
    visit.request()
    visit.socket.sendall(b"HTTP/1.1 200 OK\r\n")
    while True:
        visit.socket.sendall(b"X-Clay: more\r\n")


def says(*lines, body=b"", asks=1):
    def play(visit):
        for _ in range(asks):
            visit.request()
            visit.say(*lines, body=body)

    return play


@pytest.mark.parametrize(
    ("play", "words"),
    [
        (says("SSH-2.0-clay"), "not HTTP"),
        (says("HTTP/2 200 OK"), "not HTTP"),
        (says("HTTP/1.1 two hundred"), "not HTTP"),
        (lambda visit: visit.socket.sendall(b"x" * 40_000), "no end to its head"),
        (endless_headers, "no end to its head"),
        (says("HTTP/1.1 200 OK", "Content-Length: -5"), "no length that can be"),
        (says("HTTP/1.1 200 OK", "Content-Length: 5", "Content-Length: 6"), "contradicts itself"),
        (says("HTTP/1.1 200 OK", "Content-Length: " + "9" * 30), "no length that can be"),
        (says("HTTP/1.1 200 OK", "Transfer-Encoding: gzip"), "coded as"),
        (says("HTTP/1.1 200 OK", "no header"), "a header that is none"),
        (says("HTTP/1.1 200 OK", "Content-Length: 5000", body=b"short"), "closed the connection before the end"),
        (says("HTTP/1.1 200 OK", "Content-Length: 5", body=b"much too long"), "not HTTP|more than it said"),
        (says("HTTP/1.1 200 OK", "Transfer-Encoding: chunked", body=b"zz\r\n"), "chunks cannot be read"),
        (says("HTTP/1.1 200 OK", "Connection: close", "Content-Length: 5", body=b"clay!"), "name a larger one"),
        (says("HTTP/1.1 302 Found", "Location: http://192.0.2.1/x\x1b[2J"), "sends us on"),
        (says("HTTP/1.1 404 Not Found", "Content-Length: 0"), "HTTP 404"),
        (says(*["HTTP/1.1 100 Continue", ""] * 5000, "HTTP/1.1 404 Not Found", "Content-Length: 0"), "HTTP 404"),
        (says("HTTP/1.1 206 Partial", "Content-Length: 0"), "HTTP 206"),
        (says("HTTP/1.1 401 No", 'WWW-Authenticate: Basic realm="x"', "Content-Length: 0"), "token|password"),
        (lambda visit: visit.request() and None, "closed the connection"),
    ],
)
def test_what_is_no_answer_is_refused_in_one_line(play, words):
    with played_server(play) as played, pytest.raises(ProbeFailed, match=words) as refused:
        down(url_target(played.url))
    assert str(refused.value).isprintable()


def test_a_head_that_comes_by_and_by_has_its_time(monkeypatch):
    monkeypatch.setattr(http_wire, "ANSWER_S", 0.5)

    def play(visit):
        visit.request()
        for _ in range(200):
            visit.socket.sendall(b"X")
            time.sleep(0.05)

    begun_s = time.monotonic()
    with played_server(play) as played, pytest.raises(ProbeFailed, match="in time"):
        greeting = Greeting(far_end_target(f"127.0.0.1:{played.port}", TOKEN), Way("lo"))
        try:
            greeting._connection.ask("GET", "/", within_s=0.5)
        finally:
            greeting.close()
    assert time.monotonic() - begun_s < 15


def test_a_server_that_never_answers_ends_with_the_transfers_time():
    def play(visit):
        visit.request()
        visit.request()

    with played_server(play) as played:
        found = down(url_target(played.url), seconds=1.6)
    assert (found.bytes, found.goodput_mbps, found.words) == (0, None, "nothing came through")


def test_a_server_that_stalls_in_the_middle_is_measured_with_its_stall():
    def play(visit):
        visit.request()
        visit.say("HTTP/1.1 200 OK", "Content-Length: 1000000000", body=bytes(1_000_000))
        visit.request()

    with played_server(play) as played:
        found = down(url_target(played.url), seconds=2)
    assert found.bytes == 1_000_000
    assert 1990 <= found.duration_ms < 6000


def far_end_that(answer, status="200 OK", *lines):
    """Takes any proof, reads an upload, and answers it so."""

    def play(visit):
        visit.request()
        visit.say("HTTP/1.1 401 Unauthorized", CHALLENGE, "Content-Length: 0")
        visit.request()
        visit.say("HTTP/1.1 200 OK", "Content-Length: 0")
        visit.request()
        body = answer(visit.chunks())
        visit.say(f"HTTP/1.1 {status}", *lines, f"Content-Length: {len(body)}", body=body)

    return play


@pytest.mark.parametrize(
    "answer",
    [
        lambda count: b"",
        lambda count: b"{}",
        lambda count: json.dumps({"bytes": count, "received": [[0, 0], [1, count]]}).encode(),  # all at once
        lambda count: json.dumps({"bytes": 2 * count, "received": [[0, 0], [500, 2 * count]]}).encode(),
    ],
)
def test_a_far_end_that_lies_about_what_it_received_is_not_believed(answer):
    with played_server(far_end_that(answer)) as played:
        found = run_transfer(
            Wish("up", 1, 1.7),
            far_end_target(f"127.0.0.1:{played.port}", TOKEN),
            Way("lo"),
            Proof(TOKEN),
            SystemClock(),
        )
    assert found.counted_by == "acknowledged"
    assert found.bytes > 0


def test_an_answer_to_an_upload_that_does_not_come_is_done_without(monkeypatch):
    monkeypatch.setattr(transfer, "DRAIN_S", 0.5)

    def play(visit):
        visit.request()
        visit.chunks()
        visit.request()

    with played_server(play) as played:
        found = up(url_target(played.url), seconds=1.7)
    assert found.counted_by == "acknowledged"
    assert found.bytes > 0


def test_an_upload_that_is_refused_at_once_says_how():
    def play(visit):
        visit.request()
        visit.say("HTTP/1.1 413 Too Large", "Content-Length: 0", "Connection: close")
        time.sleep(0.3)

    with played_server(play) as played, pytest.raises(ProbeFailed, match=r"HTTP 413|broke off"):
        up(url_target(played.url))


@pytest.mark.parametrize(
    ("status", "wait", "seconds"),
    [("429 Too Many", "30", 30), ("503 Full", "5", 5), ("409 Taken", None, None), ("409 Taken", "soon", None),
     ("409 Taken", "9" * 30, 86_400)],
)  # fmt: skip
def test_a_far_end_that_is_busy_says_when_to_come_again(status, wait, seconds):
    lines = [f"HTTP/1.1 {status}", *([f"Retry-After: {wait}"] if wait else []), "", ""]
    head, _ = HeadReader().feed("\r\n".join(lines).encode())
    with pytest.raises(FarEndBusy) as busy:
        refuse(head, "office")
    assert busy.value.retry_after_s == seconds
    why = {"409": "in use by another laptop", "429": "grants no more", "503": "has no room"}[status[:3]]
    assert why in str(busy.value), "busy is not why a day's bytes are spent"


@pytest.mark.parametrize(
    ("body", "words"),
    [
        (b"<html>router</html>", "no far end"),
        (b"[1]", "no far end"),
        (b"[" * 100_000, "no far end"),
        (b'{"linktrial": "9", "protocol": 2, "name": "office"}', "another protocol"),
        (b'{"linktrial": "9", "protocol": "\\u001b[2J", "name": "office"}', "another protocol"),
    ],
)
def test_a_server_that_is_no_far_end_is_told_from_one(body, words):
    with (
        played_server(says("HTTP/1.1 200 OK", f"Content-Length: {len(body)}", body=body)) as played,
        pytest.raises(ProbeFailed, match=words) as refused,
    ):
        meet("lo", far_end_target(f"127.0.0.1:{played.port}", TOKEN))
    assert str(refused.value).isprintable()


def test_the_token_is_never_sent_whatever_is_asked():
    """Even to a far end that asks for it in the clear, and then takes anything: it shows that it knows none."""

    def play(visit):
        visit.request()
        visit.say("HTTP/1.1 200 OK", f"Content-Length: {len(HELLO)}", body=HELLO)
        visit.request()
        visit.say(
            "HTTP/1.1 401 Unauthorized", 'WWW-Authenticate: Basic realm="linktrial"', CHALLENGE, "Content-Length: 0"
        )
        visit.request()
        visit.say("HTTP/1.1 200 OK", "Content-Length: 0")

    with played_server(play) as played, pytest.raises(ProbeFailed, match="does not show that it knows the token"):
        meet("lo", far_end_target(f"127.0.0.1:{played.port}", TOKEN))
    asked = "\n".join(played.visits[0].asked)
    assert "Digest " in asked
    assert TOKEN not in asked


@pytest.mark.parametrize(
    "info", ["", 'rspauth="', 'rspauth=""', f'rspauth="{"0" * 64}", qop=auth', 'rspauth="é"', f"{'0' * 64}"]
)
def test_who_says_yes_to_everything_is_no_far_end_of_ours(info):
    """A stranger who announces itself under the name of ours."""

    def play(visit):
        visit.request()
        visit.say("HTTP/1.1 200 OK", f"Content-Length: {len(HELLO)}", body=HELLO)
        while visit.request():
            visit.say("HTTP/1.1 200 OK", f"Authentication-Info: {info}", "Content-Length: 0")

    with played_server(play) as played:
        target = far_end_target(f"127.0.0.1:{played.port}", TOKEN)
        with pytest.raises(ProbeFailed, match="does not show that it knows the token"):
            meet("lo", target)
        greeting = Greeting(target, Way("lo"))
        with pytest.raises(ProbeFailed, match="does not show that it knows the token"):
            greeting.claim(5)
        greeting.close()


@given(st.lists(st.binary(max_size=400), max_size=6))
def test_no_bytes_break_the_reader_of_heads(pieces):
    reader = HeadReader()
    with suppress(ProbeFailed):
        for piece in [b"HTTP/1.1 200 OK\r\n", *pieces]:
            if found := reader.feed(piece):
                head = found[0]
                assert head.length is None or head.length >= 0
                assert head.retry_after_s() is None or head.retry_after_s() <= 86_400
                return
