"""Slow, half-open, garbage, endless and never-reading clients are ended in time, and the paired client is served on."""

from __future__ import annotations

import asyncio
import json
import os
import re
import subprocess
import sys
import time
from collections import Counter
from pathlib import Path

import psutil
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.far_end.limits import Limits
from tests.adapters.far_end_beside import everything, far_end_beside, paired, soon
from tests.adapters.hostile import KINDS, besiege
from tests.bench.hostile_clients import RESIDENT_MB, far_end

ROOT = Path(__file__).parents[2]
HASTY = Limits(head_s=0.4, idle_s=0.4, stranger_s=1.0, stall_s=0.5, stranger_requests_per_s=1000)


@pytest.fixture(scope="module")
def shared():
    with far_end_beside(limits=HASTY) as beside:
        yield beside


@pytest.fixture
def beside(shared):
    yield shared
    with paired(shared) as client:
        assert len(client.ask("GET", "/bytes?count=1000")[1]) == 1000, "it serves on"
    assert "failed" not in shared.kinds()


def ended_after_s(sock) -> float:
    begun_s = time.monotonic()
    everything(sock)
    sock.close()
    return time.monotonic() - begun_s


def test_who_says_nothing_is_ended(beside):
    assert 0.2 < ended_after_s(beside.connect()) < 5


def test_who_says_half_a_request_is_ended(beside):
    sock = beside.connect()
    sock.sendall(b"GET / HTTP/1.1\r\nHo")
    assert 0.2 < ended_after_s(sock) < 5


def test_a_byte_now_and_then_does_not_prolong_it(beside):
    sock = beside.connect()
    begun_s = time.monotonic()
    with pytest.raises(OSError, match=r"Broken pipe|reset"):
        for _ in range(100):
            sock.sendall(b"G")
            time.sleep(0.1)
    sock.close()
    assert time.monotonic() - begun_s < 5


def test_a_stranger_who_goes_on_asking_is_ended_in_the_end(beside):
    sock = beside.connect()
    begun_s = time.monotonic()
    with pytest.raises(OSError, match=r"Broken pipe|reset|ended"):
        for _ in range(100):
            sock.sendall(b"GET / HTTP/1.1\r\nHost: w\r\n\r\n")
            if not sock.recv(4096):
                raise OSError("ended")
            time.sleep(0.1)
    sock.close()
    assert 0.5 < time.monotonic() - begun_s < 5


@pytest.mark.parametrize(
    "head", [b"c" * 20_000, b"GET / HTTP/1.1\r\nX: " + b"c" * 20_000, b"GET /" + b"c" * 9000 + b" HTTP/1.1\r\n"]
)
def test_a_head_without_end_is_refused_before_it_is_long(beside, head):
    sock = beside.connect()
    sock.sendall(head)
    assert re.match(rb"HTTP/1.1 (400|431) ", everything(sock))
    sock.close()


@pytest.mark.parametrize(
    "head",
    [
        b"GET / HTTP/1.1\r\n\r\n",
        b"GET / HTTP/2.0\r\nHost: w\r\n\r\n",
        b"PUT /bytes HTTP/1.1\r\nHost: w\r\nContent-Length: 5, 6\r\n\r\n",
        b"PUT /bytes HTTP/1.1\r\nHost: w\r\nContent-Length: -5\r\n\r\n",
        b"PUT /bytes HTTP/1.1\r\nHost: w\r\nContent-Length: " + b"9" * 30 + b"\r\n\r\n",
        b"PUT /bytes HTTP/1.1\r\nHost: w\r\nTransfer-Encoding: gzip, chunked\r\n\r\n",
        b"PUT /bytes HTTP/1.1\r\nHost: w\r\nContent-Length: 5\r\nTransfer-Encoding: chunked\r\n\r\n0\r\n\r\n",
        b"\x16\x03\x01\x02\x00\x01\x00\x01\xfc\x03\x03",
        b"GET / HTTP/1.1\r\nHost: w\r\n folded: yes\r\nX\x00: y\r\n\r\n",
    ],
)
def test_what_is_no_request_is_refused(beside, head):
    sock = beside.connect()
    sock.sendall(head)
    got = everything(sock)
    sock.close()
    assert re.match(rb"HTTP/1.1 (4|5)\d\d ", got) or got == b""
    assert b" 200 " not in got


@settings(max_examples=60, deadline=None)
@given(
    st.one_of(
        st.binary(max_size=300),
        st.text(max_size=60).map(lambda text: f"GET {text} HTTP/1.1\r\nHost: {text}\r\n\r\n".encode()),
    )
)
def test_garbage_never_ends_it(shared, garbage):
    sock = shared.connect()
    try:
        sock.sendall(garbage)
        sock.shutdown(1)
        got = everything(sock)
    except OSError:
        got = b""
    finally:
        sock.close()
    assert got == b"" or got.startswith(b"HTTP/1.1 ")
    assert "failed" not in shared.kinds()


def test_a_body_without_end_and_without_the_token_is_not_read(beside):
    sock = beside.connect()
    sock.sendall(b"PUT /bytes HTTP/1.1\r\nHost: w\r\nTransfer-Encoding: chunked\r\n\r\n")
    sent, begun_s = 0, time.monotonic()
    with pytest.raises(OSError, match=r"Broken pipe|reset"):
        while time.monotonic() - begun_s < 10:
            sock.sendall(b"10000\r\n" + b"c" * 65_536 + b"\r\n")
            sent += 65_536
    sock.close()
    assert sent < 20_000_000


@pytest.mark.parametrize(
    "body", [b"zz\r\nclay\r\n", b"5\r\nclayclay\r\n", b"-5\r\n", b"FFFFFFFFFFFFFFFFFFFFFFFF\r\n"], ids=repr
)
def test_a_body_that_is_not_in_chunks_though_it_says_so(beside, body):
    with paired(beside) as client:
        client.ask("GET", "/bytes?count=0")
        proof = client.credentials("PUT", "/bytes")
        sock = beside.connect()
        sock.sendall(
            b"PUT /bytes HTTP/1.1\r\nHost: w\r\nTransfer-Encoding: chunked\r\nAuthorization: %s\r\n\r\n"
            % proof.encode()
            + body
        )
        got = everything(sock)
        sock.close()
    assert re.match(rb"HTTP/1.1 4\d\d ", got)


def test_a_paired_client_that_takes_nothing_or_sends_nothing_more_is_ended(beside):
    with paired(beside) as client:
        client.ask("GET", "/bytes?count=0")
        for head, body in ((b"GET /bytes?count=1000000000", b""), (b"PUT /bytes", b"Content-Length: 1000\r\n\r\nclay")):
            method, target = head.decode().split()
            sock = beside.connect(receive_bytes=4096)
            proof = client.credentials(method, target).encode()
            sock.sendall(head + b" HTTP/1.1\r\nHost: w\r\nAuthorization: " + proof + b"\r\n" + (body or b"\r\n"))
            stalled = soon(lambda: "stall" in [one.detail.get("ended") for one in beside.told], 15)
            sock.close()
            assert stalled, beside.told
            beside.told.clear()


def test_paired_and_besieged():
    """A short form of tests/bench/hostile_clients.py: all kinds, 60 at once, from other addresses and from its own."""
    came: Counter[str] = Counter()
    with far_end_beside() as beside:

        async def siege(address: str | None) -> None:
            besieging = asyncio.create_task(besiege(beside.port, 60, came, address))
            await asyncio.sleep(0.5)
            await asyncio.to_thread(served, beside)
            besieging.cancel()
            await asyncio.gather(besieging, return_exceptions=True)

        for address in (None, "127.0.0.1"):
            asyncio.run(siege(address))
        assert set(came) == {kind.__name__ for kind in KINDS}
        assert "failed" not in beside.kinds()


def served(beside):
    for _ in range(10):
        with paired(beside) as client:
            assert len(client.ask("GET", "/bytes?count=2000000")[1]) == 2_000_000
            assert json.loads(client.ask("PUT", "/bytes", b"c" * 2_000_000)[1])["bytes"] == 2_000_000


def test_its_memory_stays_bounded_under_200_of_them(tmp_path):
    with far_end(tmp_path) as (process, port, _):
        words = [sys.executable, "-m", "tests.adapters.hostile", str(port), "200"]
        with subprocess.Popen(words, stdout=subprocess.PIPE, text=True, cwd=ROOT) as siege:
            assert siege.stdout.readline() == "at it\n"
            ends_s = time.monotonic() + 4
            most = 0.0
            while time.monotonic() < ends_s:
                most = max(most, psutil.Process(process.pid).memory_info().rss / 1e6)
                time.sleep(0.05)
            siege.terminate()
            assert sum(json.loads(siege.stdout.read()).values()) >= 200
        assert most < RESIDENT_MB
        assert len(os.listdir(f"/proc/{process.pid}/fd")) < 200
