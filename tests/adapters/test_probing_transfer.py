"""Timed transfers, against the real far end and against servers whose pace is known."""

from __future__ import annotations

import json
import socket
import ssl
import subprocess
import sys
import time

import pytest
from needs import require_programs

from adapters.clock import SystemClock
from adapters.probing import transfer
from adapters.probing.errors import ProbeFailed, Stopped
from adapters.probing.http_wire import Proof
from adapters.probing.streams import read_received
from adapters.probing.target import Target, far_end_target, url_target
from adapters.probing.tcp_info import TcpInfo
from adapters.probing.transfer import Wish, believable, run_transfer, takes_uploads
from adapters.probing.way import Way
from tests.adapters.far_end_beside import far_end_beside
from tests.adapters.played_server import played_server

MEGABYTE = 1_000_000


def transferred(wish: Wish, target: Target, **more):
    return run_transfer(wish, target, Way("lo"), Proof(target.token), SystemClock(), **more)


def of(beside) -> Target:
    return far_end_target(f"{beside.host}:{beside.port}", beside.token)


@pytest.mark.parametrize("streams", [1, 3])
@pytest.mark.parametrize("direction", ["down", "up"])
def test_both_ends_count_the_same(direction, streams):
    with far_end_beside() as beside:
        before_ms = time.time_ns() // 10**6
        found = transferred(Wish(direction, streams, 1.7), of(beside))
    theirs = [one.detail for one in beside.told if one.kind == "transfer" and one.detail["bytes"]]
    assert [one["direction"] for one in theirs] == [direction] * streams
    total = sum(one["bytes"] for one in theirs)
    if direction == "up":
        # A far end that was kept from the processor for a second is not believed; then TCP counts.
        assert found.bytes == total if found.counted_by == "receiver" else 0.9 * total < found.bytes <= total
    else:
        # What was under way when we closed came nowhere; and the far end counts by pieces of a megabyte.
        assert total * 0.5 < found.bytes <= total + streams * (1 << 20)
    assert (found.direction, found.streams) == (direction, streams)
    assert 1690 <= found.duration_ms < 6000  # by our own clock, on a busy machine more
    assert 0 <= found.started_at_utc_ms - before_ms < 5000
    assert found.steady_bytes is None or 0 < found.steady_bytes < found.bytes


@pytest.mark.skipif(sys.platform != "linux", reason="TCP_INFO is Linux's")
def test_the_kernel_tells_of_the_connection():
    with far_end_beside() as beside:
        found = transferred(Wish("up", 2, 0.3), of(beside))
    assert 0 < found.tcp_rtt_ms < 1000
    assert found.tcp_retransmits >= 0


def test_the_kernel_tells_of_the_traffic_and_not_of_the_request_for_it(monkeypatch):
    """Down, what this side has sent is one request on an idle link."""
    told = TcpInfo(rtt_ms=2.0, receiver_rtt_ms=80.0, total_retransmits=3)
    monkeypatch.setattr(transfer, "tcp_info", lambda connection: told)
    with far_end_beside() as beside:
        down, up = (transferred(Wish(direction, 2, 0.3), of(beside)) for direction in ("down", "up"))
    assert (down.tcp_rtt_ms, down.tcp_retransmits) == (80.0, None)
    assert (up.tcp_rtt_ms, up.tcp_retransmits) == (2.0, 6)


@pytest.mark.parametrize("streams", [1, 4])
@pytest.mark.parametrize("direction", ["down", "up"])
def test_no_byte_beyond_the_cap(direction, streams):
    with far_end_beside() as beside:
        found = transferred(Wish(direction, streams, 5, max_bytes=6 * MEGABYTE), of(beside))
    theirs = sum(one.detail["bytes"] for one in beside.told if one.kind == "transfer")
    assert found.bytes <= theirs <= 6 * MEGABYTE
    assert found.bytes > 3 * MEGABYTE / streams
    assert found.duration_ms < 4000
    assert found.goodput_mbps is None
    assert "too short" in found.words


def test_a_ramp_is_left_out_of_the_goodput():
    """A server that doubles its pace every 150 ms up to 4 MB/s, which takes it 1.05 s."""

    def play(visit):
        visit.request()
        visit.say("HTTP/1.1 200 OK", "Content-Length: 1000000000")
        begun_s, total = time.monotonic(), 0
        while time.monotonic() - begun_s < 4:
            t = time.monotonic() - begun_s
            due = _ramp_total(t)
            if due > total:
                visit.socket.sendall(bytes(due - total))
                total = due
            time.sleep(0.005)

    with played_server(play) as played:
        found = transferred(Wish("down", 1, 3), url_target(played.url))
    assert found.goodput_mbps == pytest.approx(32, rel=0.06)
    assert found.bytes * 8 / found.duration_ms / 1000 < 0.85 * 32
    assert 1200 < found.steady_ms < 2300


def _ramp_total(t: float) -> int:
    """Bytes until then: 31,250 bytes a second at first, doubled every .15 s, until 4 MB/s."""
    full_s = 7 * 0.15
    grown = sum(31_250 * 2**n * min(max(t - n * 0.15, 0), 0.15) for n in range(7))
    return round(grown + max(0.0, t - full_s) * 4e6)


def test_an_upload_is_counted_by_who_receives_it():
    """A receiver that reads 2 MB/s, while our socket takes several megabytes at once."""

    def play(visit):
        visit.request()
        visit.say(
            "HTTP/1.1 401 Unauthorized", 'WWW-Authenticate: Digest realm="linktrial", qop="auth", algorithm=SHA-256, nonce="n"',
            "Content-Length: 0",
        )  # fmt: skip
        visit.request()
        visit.say("HTTP/1.1 200 OK", "Content-Length: 0")
        visit.request()
        begun_s, received = time.monotonic(), []

        def took(count):
            received.append([(time.monotonic() - begun_s) * 1000, count])
            time.sleep(max(0.0, begun_s + count / 2e6 - time.monotonic()))

        visit.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 100_000)
        count = visit.chunks(took)
        body = json.dumps({"bytes": count, "seconds": 3, "received": received}).encode()
        visit.say("HTTP/1.1 200 OK", f"Content-Length: {len(body)}", body=body)

    with played_server(play) as played:
        found = transferred(Wish("up", 1, 2.5), far_end_target(f"127.0.0.1:{played.port}", "token"))
    assert found.counted_by == "receiver"
    assert found.goodput_mbps == pytest.approx(16, rel=0.15)


def test_elsewhere_an_upload_is_counted_by_what_was_acknowledged():
    """A server that takes a post and says nothing of it but that it was taken, at 2 MB/s."""

    def play(visit):
        assert visit.request().startswith("POST /clay.bin ")
        begun_s = time.monotonic()
        visit.socket.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, 100_000)
        visit.chunks(lambda count: time.sleep(max(0.0, begun_s + count / 2e6 - time.monotonic())))
        visit.say("HTTP/1.1 200 OK", "Content-Length: 2", body=b"ok")

    with played_server(play) as played:
        found = transferred(Wish("up", 1, 2.5), url_target(played.url), upload_method="POST")
    assert found.counted_by == "acknowledged"
    assert found.goodput_mbps == pytest.approx(16, rel=0.15)


@pytest.mark.parametrize(
    ("allow", "takes"), [("GET, HEAD, POST", True), ("GET, PUT", False), (None, False), ("GET, XPOST", False)]
)
def test_whether_a_server_takes_uploads_is_asked_not_tried(allow, takes):
    def play(visit):
        assert visit.request().startswith("OPTIONS /clay.bin ")
        visit.say("HTTP/1.1 200 OK", *([f"Allow: {allow}"] if allow else []), "Content-Length: 0")

    with played_server(play) as played:
        assert takes_uploads(url_target(played.url), Way("lo")) is takes
    assert len(played.visits) == 1


@pytest.mark.parametrize("framing", ["length", "chunks", "small chunks"])
def test_any_server_is_measured_by_its_file_again_and_again(framing):
    size = 3 * MEGABYTE

    def play(visit):
        while visit.request():
            if framing == "length":
                visit.say("HTTP/1.1 200 OK", f"Content-Length: {size}", body=bytes(size))
            else:
                step = 1 << (16 if framing == "chunks" else 10)
                part = b"%x\r\n%s\r\n" % (step, bytes(step))
                visit.say("HTTP/1.1 200 OK", "Transfer-Encoding: chunked", body=part * (size // step) + b"0\r\n\r\n")

    with played_server(play) as played:
        found = transferred(Wish("down", 2, 1), url_target(played.url))
    assert found.bytes > size
    assert all(len(visit.asked) > 1 for visit in played.visits)
    assert all("Accept-Encoding: identity" in visit.asked[0] for visit in played.visits)


def test_a_file_that_is_too_short_to_tell_a_rate_is_said():
    def play(visit):
        while visit.request():
            time.sleep(0.02)
            visit.say("HTTP/1.1 200 OK", "Content-Length: 1000", body=bytes(1000))

    with played_server(play) as played:
        found = transferred(Wish("down", 1, 1.7), url_target(played.url))
    assert found.goodput_mbps is None
    assert "so short" in found.words


@pytest.mark.parametrize("direction", ["down", "up"])
def test_it_stops_when_it_is_told_to(direction):
    begun_s = time.monotonic()
    with far_end_beside() as beside, pytest.raises(Stopped):
        transferred(Wish(direction, 2, 20), of(beside), should_stop=lambda: time.monotonic() - begun_s > 0.5)
    assert time.monotonic() - begun_s < 5


@pytest.mark.parametrize(
    "told",
    [
        {}, {"received": []}, {"received": [[0, 0], [100, 999]]}, {"received": [[0, 0], [100, 600], [200, 500], [300, 1000]]},
        {"received": [[0, 0], [100, 500], [50, 1000]]}, {"received": [[0, 0], [4e6, 1000]]}, {"received": "much"},
        {"received": [[0, -5], [100, 1000]]}, {"received": [[float("nan"), 0], [100, 1000]]}, {"received": [[1, 2, 3]]},
        [], None, {"received": [[float("inf"), 1000]]}, {"received": [[0, 10**400], [100, 1000]]},
    ],
)  # fmt: skip
def test_totals_that_cannot_be_are_not_believed(told):
    assert read_received(json.dumps(told).encode(), 1000) is None


def test_totals_that_can_be_are():
    body = json.dumps({"received": [[100, 400], [200, 1000]]}).encode()
    assert read_received(body, 1000) == [(0.0, 0), (0.1, 400), (0.2, 1000)]
    body = json.dumps({"received": [[100, 400], [200, 900], [200, 1000]]}).encode()
    assert read_received(body, 1000) == [(0.0, 0), (0.1, 400), (0.2, 1000)], "the end, in the millisecond of a look"
    assert read_received(b"{" * 100_000, 1000) is None


def test_what_was_received_before_it_was_handed_over_is_a_lie():
    handed = [(n / 10, 1000 * n) for n in range(31)]
    assert believable([(n / 10 + 0.05, 1000 * n) for n in range(31)], handed)
    assert believable([(0.0, 0), (0.6, 15_000)], handed)  # it began to count .9 s later
    assert not believable([(0.0, 0), (0.1, 30_000)], handed)


@pytest.mark.parametrize("trusted", [True, False])
def test_a_server_may_speak_tls_if_its_certificate_is_trusted(tmp_path, monkeypatch, trusted):
    require_programs("openssl")
    key, certificate = tmp_path / "key.pem", tmp_path / "certificate.pem"
    make = ["openssl", "req", "-x509", "-newkey", "rsa:2048", "-nodes", "-days", "2", "-subj", "/CN=localhost"]
    make += ["-addext", "subjectAltName=IP:127.0.0.1", "-keyout", str(key), "-out", str(certificate)]
    subprocess.run(make, check=True, capture_output=True)
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    context.load_cert_chain(certificate, key)
    if trusted:
        monkeypatch.setenv("SSL_CERT_FILE", str(certificate))

    def play(visit):
        with context.wrap_socket(visit.socket, server_side=True) as visit.socket:
            while asked := visit.request():
                if asked.startswith("POST"):
                    visit.chunks()
                    visit.say("HTTP/1.1 200 OK", "Content-Length: 0")
                else:
                    visit.say("HTTP/1.1 200 OK", "Content-Length: 3000000", body=bytes(3_000_000))

    with played_server(play) as played:
        target = url_target(played.url.replace("http:", "https:"))
        if not trusted:
            with pytest.raises(ProbeFailed, match="certificate") as refused:
                transferred(Wish("down", 1, 0.5), target)
            assert str(refused.value).isprintable()
            return
        assert transferred(Wish("down", 2, 0.5), target).bytes > 100_000
        assert transferred(Wish("up", 1, 0.5), target, upload_method="POST").bytes > 100_000
