"""What a client gets of the far end: bytes down, bytes up with the receiver's own times, and its turn."""

from __future__ import annotations

import http.client
import io
import json
import re
import socket
import subprocess
import time
import zlib

import pytest
from needs import require_programs

from adapters.far_end import DEFAULT_PORT, PROTOCOL
from adapters.far_end.limits import Limits
from adapters.far_end.listening import listen
from adapters.http_digest import digest_parameters
from tests.adapters.far_end_beside import everything, far_end_beside, paired, sha256, soon


@pytest.fixture(scope="module")
def shared():
    with far_end_beside(limits=Limits(stranger_requests_per_s=1000)) as beside:
        yield beside


@pytest.fixture
def beside(shared):
    shared.told.clear()
    return shared


@pytest.fixture
def client(beside):
    with paired(beside) as one:
        yield one


def curl(beside, *words, token=None, **more) -> subprocess.CompletedProcess[bytes]:
    require_programs("curl")
    return subprocess.run(
        ["curl", "-sS", "--max-time", "30", "--digest", "-u", f"linktrial:{token or beside.token}", *words],
        capture_output=True,
        timeout=60,
        **more,
    )


def test_anybody_may_ask_who_it_is_and_learns_no_more(beside):
    asked = http.client.HTTPConnection(beside.host, beside.port, timeout=10)
    asked.request("GET", "/")
    answer = asked.getresponse()
    assert (answer.status, json.loads(answer.read())) == (
        200,
        {"linktrial": "0.0.0", "protocol": PROTOCOL, "name": "wheel"},
    )
    assert set(answer.headers) == {"Date", "Content-Type", "Content-Length", "Cache-Control"}
    for target in ("/bytes?count=5", "/claim?seconds=5", "/other"):
        asked.request("GET", target)
        answer = asked.getresponse()
        assert b"pairing token" in answer.read()
        assert answer.status == 401
    asked.close()


def test_so_many_bytes_that_nothing_can_make_fewer(client):
    answer, content = client.ask("GET", "/bytes?count=300000")
    assert (answer.status, len(content), answer.headers["Content-Length"]) == (200, 300_000, "300000")
    assert len(zlib.compress(content, 9)) >= 300_000


@pytest.mark.parametrize("count", [0, 1, 65_536, 3_000_001])
def test_any_number_of_them_one_transfer_after_the_other_on_one_connection(client, count):
    for _ in range(2):
        assert len(client.ask("GET", f"/bytes?count={count}")[1]) == count


@pytest.mark.parametrize("chunked", [False, True], ids=["known length", "chunks"])
@pytest.mark.parametrize("size", [0, 1, 70_000, 5_000_000])
def test_what_is_sent_up_is_counted_as_it_came(client, beside, size, chunked):
    client.ask("GET", "/bytes?count=0")
    body = iter([b"clay" * (1 << 14)] * (size >> 16) + [b"c" * (size & 0xFFFF)]) if chunked else io.BytesIO(b"c" * size)
    more = {} if chunked else {"Content-Length": str(size)}
    answer, content = client.ask("PUT", "/bytes", body, **more)
    told = json.loads(content)
    assert (answer.status, told["bytes"], told["received"][-1][1]) == (200, size, size)
    assert told["received"] == sorted(told["received"])
    assert told["seconds"] == told["received"][-1][0] / 1000
    assert len(client.ask("GET", "/bytes?count=3")[1]) == 3, "the connection goes on"
    assert soon(lambda: beside.kinds() == ["transfer"] * 3)
    assert beside.told[1].detail["direction"] == "up"


def test_the_running_totals_of_an_upload_are_those_of_the_receivers_clock(beside):
    """A body that comes in three parts, 0.3 s apart: each is seen when it came."""
    with paired(beside) as client:
        client.ask("GET", "/bytes?count=0")

        def parts():
            for _ in range(3):
                yield b"c" * 1000
                time.sleep(0.3)

        begun_s = time.monotonic()
        received = json.loads(client.ask("PUT", "/bytes", parts(), **{"Content-Length": "3000"})[1])["received"]
        took_ms = (time.monotonic() - begun_s) * 1000
    at_ms = {total: ms for ms, total in received}
    assert at_ms[2000] >= 250
    assert at_ms[3000] >= 550
    assert at_ms[2000] <= at_ms[3000] <= took_ms


def test_curl_can_do_all_of_it(beside, tmp_path):
    """The same protocol as another program speaks it; the token is not in what it sends."""
    got = curl(beside, f"{beside.url}/bytes?count=1000000", "-v")
    assert len(got.stdout) == 1_000_000
    assert beside.token.encode() not in got.stderr
    (tmp_path / "clay").write_bytes(b"c" * 3_000_000)
    for words in (["-T", str(tmp_path / "clay")], ["-T", "-"], ["-T", "-", "-H", "Expect: 100-continue"]):
        sent = curl(beside, *words, f"{beside.url}/bytes", input=b"c" * 3_000_000)
        assert json.loads(sent.stdout)["bytes"] == 3_000_000, words
    taken = curl(beside, "-i", f"{beside.url}/claim?seconds=5", f"{beside.url}/claim", "-X", "GET")
    assert b"200 OK" in taken.stdout
    assert json.loads(curl(beside, "-X", "DELETE", f"{beside.url}/claim").stdout) == {"given_back": True}
    wrong = curl(beside, "-w", "%{http_code}", f"{beside.url}/bytes?count=1000", token="another-token")
    assert wrong.stdout.endswith(b"401")
    assert "wrong-token" in beside.kinds()


def test_an_answer_without_a_proof_comes_before_the_body_is_read(beside):
    require_programs("curl")
    sent = subprocess.run(
        ["curl", "-sS", "-T", "-", "-w", "%{http_code}", "--max-time", "20", f"{beside.url}/bytes"],
        input=b"c" * 200_000,
        capture_output=True,
    )
    assert sent.stdout.endswith(b"401")


@pytest.mark.parametrize(
    ("method", "target", "status"),
    [
        ("GET", "/bytes", 400),
        ("GET", "/bytes?count=", 400),
        ("GET", "/bytes?count=-1", 400),
        ("GET", "/bytes?count=1e6", 400),
        ("GET", "/bytes?count=1&count=2", 400),
        ("GET", "/bytes?count=9999999999999", 400),
        ("GET", "/claim?seconds=301", 400),
        ("GET", "/../etc/passwd", 404),
        ("GET", "/bytes/", 404),
        ("POST", "/bytes", 405),
        ("POST", "/", 405),
        ("OPTIONS", "/claim", 405),
    ],
)
def test_what_cannot_be_is_refused_and_said(client, method, target, status):
    answer, content = client.ask(method, target)
    assert answer.status == status
    assert json.loads(content)["error"]


def test_a_request_that_was_overheard_is_worth_nothing_again(beside):
    with paired(beside) as client, paired(beside) as listener:
        client.ask("GET", "/bytes?count=1")
        overheard = client.credentials("GET", "/bytes?count=9")
        assert client._http.request("GET", "/bytes?count=9", headers={"Authorization": overheard}) is None
        assert client._http.getresponse().read()
        answer = listener.open("GET", "/bytes?count=9", Authorization=overheard)
        answer.read()
        assert answer.status == 401
        assert "stale=true" in answer.headers["WWW-Authenticate"]


def test_every_answer_to_who_knows_the_token_shows_that_the_far_end_knows_it_too(client, beside):
    """RFC 7616, 3.5, by its formula."""
    client.ask("GET", "/bytes?count=1")
    for method, target, body in (("GET", "/bytes?count=5", None), ("PUT", "/bytes", b"c"), ("GET", "/clay", None)):
        answer, _ = client.ask(method, target, body)
        what = f"{client.nonce}:{client.count:08x}:clay:auth:{sha256(f':{target}')}"
        shown = sha256(f"{sha256(f'linktrial:linktrial:{beside.token}')}:{what}")
        told = digest_parameters(f"Digest {answer.headers['Authentication-Info']}")
        assert told == {"rspauth": shown, "qop": "auth", "cnonce": "clay", "nc": f"{client.count:08x}"}
    sock = beside.connect()
    sock.sendall(b"GET / HTTP/1.1\r\nHost: w\r\nConnection: close\r\n\r\n")
    assert b"rspauth" not in everything(sock), "a stranger is shown nothing"
    sock.close()


def test_one_client_at_a_time_has_the_link(beside):
    """Clients that share an address tell themselves apart."""
    with paired(beside, "127.0.0.2") as wheel, paired(beside, "127.0.0.3") as shelf:
        assert wheel.ask("GET", "/claim?seconds=30")[0].status == 200
        assert wheel.ask("GET", "/claim?seconds=20")[0].status == 200, "longer or shorter, it is theirs"
        refused, _ = shelf.ask("GET", "/claim?seconds=30")
        assert refused.status == 409
        assert 15 <= int(refused.headers["Retry-After"]) <= 20
        assert wheel.ask("GET", "/claim?seconds=30&as=other")[0].status == 409
        assert json.loads(shelf.ask("DELETE", "/claim")[1]) == {"given_back": False}
        assert json.loads(wheel.ask("DELETE", "/claim")[1]) == {"given_back": True}
        assert shelf.ask("GET", "/claim?seconds=1")[0].status == 200
        assert soon(lambda: wheel.ask("GET", "/claim?seconds=1")[0].status == 200, 3), "it ends by itself"
        wheel.ask("DELETE", "/claim")


def test_requests_sent_together_are_answered_in_their_order(beside):
    sock = beside.connect()
    sock.sendall(b"GET / HTTP/1.1\r\nHost: w\r\n\r\n" * 3 + b"GET /x HTTP/1.1\r\nHost: w\r\nConnection: close\r\n\r\n")
    got = everything(sock)
    sock.close()
    assert re.findall(rb"HTTP/1.1 (\d+)", got) == [b"200", b"200", b"200", b"401"]


@pytest.mark.parametrize(
    "request_head", [b"GET / HTTP/1.0\r\n\r\n", b"GET / HTTP/1.1\r\nHost: w\r\nConnection: close\r\n\r\n"]
)
def test_a_client_that_wants_the_connection_ended_is_given_that(beside, request_head):
    sock = beside.connect()
    sock.sendall(request_head)
    assert b"Connection: close" in everything(sock)
    sock.close()


def test_ipv6_too():
    from adapters.far_end.listening import listen

    with far_end_beside(host="::1") as beside:
        asked = http.client.HTTPConnection("::1", beside.port, timeout=10)
        asked.request("GET", "/")
        assert asked.getresponse().status == 200
        asked.close()
    both = listen(0)
    assert len({sock.getsockname()[1] for sock in both}) == 1
    for sock in both:
        sock.close()


def test_it_listens_at_an_address_with_its_zone(monkeypatch):
    """A link-local one is nobody's without it."""

    def known(address, port, **more):
        assert address == "fe80::1%wheel"
        return [(socket.AF_INET6, socket.SOCK_STREAM, 6, "", ("::1", port, 0, 1))]

    monkeypatch.setattr(socket, "getaddrinfo", known)
    (listener,) = listen(0, ["fe80::1%wheel"])
    with listener:
        assert listener.getsockname()[0] == "::1"


def test_the_port_is_the_one_that_is_agreed():
    assert DEFAULT_PORT == 47317
