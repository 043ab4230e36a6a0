"""Who may come, how many, how much, how fast: bounded for a client and in all, and said with a time to come back."""

from __future__ import annotations

import asyncio
import http.client
import json
import socket
import time
from ipaddress import ip_network
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.far_end.claim import LONGEST_S, Turn
from adapters.far_end.limits import Allowance, Bucket, Buckets, Limits, Room
from adapters.far_end.listening import listen
from adapters.far_end.peers import Peers, plain_address
from adapters.far_end.server import FarEnd
from adapters.far_end.wire import Tally
from tests.adapters.far_end_beside import TOKEN, everything, far_end_beside, paired, soon


class Steady:
    def __init__(self) -> None:
        self.s = 0.0

    def __call__(self) -> float:
        return self.s


class Guest:
    def __init__(self, client, paired=False):
        self.client, self.paired, self.out = client, paired, False

    def turn_out(self):
        self.out = True


@pytest.mark.parametrize(
    "address",
    [
        "127.0.0.1",
        "127.9.9.9",
        "::1",
        "10.255.255.255",
        "172.16.0.1",
        "172.31.255.255",
        "192.168.0.1",
        "169.254.1.1",
        "fe80::1",
        "fd12::1",
        "fc00::1",
    ],
)
def test_this_machine_and_private_networks_may_come(address):
    assert Peers().may_come(address)


@pytest.mark.parametrize(
    "address",
    [
        "8.8.8.8",
        "172.15.255.255",
        "172.32.0.1",
        "192.167.255.255",
        "11.0.0.0",
        "100.64.0.1",
        "0.0.0.0",
        "2001:db8::1",
        "2600::1",
        "fec0::1",
        "::",
        "x",
    ],
)
def test_the_rest_of_the_world_may_not_unless_the_owner_says_so(address):
    assert not Peers().may_come(address)
    if address != "x":
        opened = Peers([ip_network("::/0" if ":" in address else "0.0.0.0/0")])
        assert opened.may_come(address)


def test_an_address_is_seen_through_its_dressing():
    assert plain_address("fe80::1%eth0") == "fe80::1"
    assert plain_address("::ffff:8.8.8.8") == "8.8.8.8"
    assert not Peers().may_come(plain_address("::ffff:8.8.8.8"))


def test_who_may_not_come_gets_not_one_byte():
    with far_end_beside(peers=_Nobody()) as beside:
        sock = beside.connect()
        assert everything(sock) == b""
        sock.close()
        assert soon(lambda: beside.kinds() == ["refused"])


class _Nobody(Peers):
    """As a peer from outside finds it; a test has no such address."""

    def may_come(self, address: str) -> bool:
        return False


def test_among_strangers_the_newest_comes_in_and_the_greediest_address_gives_way():
    room = Room(Limits(connections=4, connections_per_client=3))
    greedy = [Guest("10.0.0.66") for _ in range(3)]
    other, newcomer = Guest("10.0.0.7"), Guest("10.0.0.8")
    assert all(room.enter(guest) for guest in [*greedy, other, newcomer])
    assert [guest.out for guest in (*greedy, other, newcomer)] == [True, False, False, False, False]
    assert len(room) == 4


def test_who_knows_the_token_is_never_turned_out():
    room = Room(Limits(connections=3, connections_per_client=2))
    known = [Guest("10.0.0.7", True), Guest("10.0.0.7", True), Guest("10.0.0.8", True)]
    assert all(room.enter(guest) for guest in known)
    assert not room.enter(Guest("10.0.0.7"))
    assert not room.enter(Guest("10.0.0.66"))
    assert not any(guest.out for guest in known)
    room.leave(known[2])
    assert room.enter(Guest("10.0.0.66"))
    room.leave(known[2])
    assert len(room) == 3, "to leave twice is to leave once"


@given(st.lists(st.tuples(st.integers(0, 5), st.booleans(), st.booleans()), max_size=80))
def test_a_room_never_holds_more_than_it_may(comings):
    room = Room(Limits(connections=6, connections_per_client=3))
    inside: list[Guest] = []
    for client, is_paired, leaves in comings:
        if leaves and inside:
            room.leave(inside.pop(client % len(inside)))
            continue
        guest = Guest(str(client), is_paired)
        if room.enter(guest):
            inside.append(guest)
        inside = [one for one in inside if not one.out]
        assert len(room) == len(inside) <= 6
        assert all(sum(one.client == name for one in inside) <= 3 for name in "012345")
        assert not any(one.out and one.paired for one in inside)


@given(st.lists(st.tuples(st.floats(0, 20), st.floats(0, 100)), max_size=40))
def test_from_a_bucket_comes_no_more_than_its_size_and_what_flowed_in(takings):
    bucket, now_s, taken = Bucket(50, 2, 0), 0.0, 0.0
    for passes_s, wanted in takings:
        now_s += passes_s
        if bucket.level(now_s) >= wanted:
            bucket.take(wanted, now_s)
            taken += wanted
    assert taken <= 50 + 2 * now_s + 1e-6


def test_buckets_of_many_clients_are_forgotten_in_the_end():
    buckets = Buckets(1, 1)
    for number in range(5000):
        buckets.of(str(number), 0)
    assert len(buckets._of) == 1024


def test_a_days_bytes_for_a_client_and_in_all():
    clock = Steady()
    allowance = Allowance(Limits(daily_bytes_per_client=86_400e3, daily_bytes=2 * 86_400e3), clock)
    assert allowance.spend("a", 1000) == 0
    assert allowance.spend("a", 86_400_000) < 0
    assert allowance.refusal_s("b") == 0
    waits_s = allowance.refusal_s("a")
    assert waits_s == pytest.approx(1 + 864), "a hundredth of the day's bytes must be there again"
    clock.s += waits_s
    assert allowance.refusal_s("a") == 0
    allowance.spend("b", 80_000_000)
    allowance.spend("c", 80_000_000)
    assert allowance.refusal_s("d") > 0


def test_a_rate_is_kept_by_waiting():
    clock = Steady()
    allowance = Allowance(Limits(rate_per_client_mbps=8, daily_bytes=0, daily_bytes_per_client=0), clock)
    for _ in range(100):
        clock.s += allowance.spend("a", 100_000)
    assert 100 * 100_000 / clock.s == pytest.approx(1e6, rel=0.02)
    assert allowance.refusal_s("a") == 0


def test_nobody_has_the_link_for_longer_than_the_longest():
    clock = Steady()
    turn = Turn(clock)
    assert turn.take("a", 1e9) == 0
    assert turn.take("b", 1) == pytest.approx(LONGEST_S)
    clock.s += LONGEST_S
    assert turn.take("b", 1) == 0
    assert not turn.give_back("a")


def bytes_that_come(answer):
    """Until the far end ends it."""
    came = 0
    try:
        while part := answer.read(1 << 20):
            came += len(part)
    except (OSError, http.client.IncompleteRead):
        pass
    return came


def test_spent_bytes_are_said_with_a_time_to_come_back_and_end_what_runs():
    with far_end_beside(limits=Limits(daily_bytes_per_client=2e6)) as beside, paired(beside) as client:
        answer = client.open("GET", "/bytes?count=1")
        answer.read()
        answer = client.open("GET", "/bytes?count=50000000")
        assert bytes_that_come(answer) < 20_000_000
        client.close()
        refused, content = client.ask("GET", "/bytes?count=5")
        assert refused.status == 429
        assert int(refused.headers["Retry-After"]) > 60
        assert "spent" in json.loads(content)["error"]
        client.close()
        assert client.ask("PUT", "/bytes", b"clay")[0].status == 429
        assert [one.detail.get("ended") for one in beside.told if one.kind == "transfer"] == ["budget"]


@pytest.mark.parametrize("per_client", [True, False], ids=["a client", "in all"])
def test_a_rate_that_is_asked_for_is_kept_down_and_up(per_client):
    limits = Limits(rate_per_client_mbps=80) if per_client else Limits(rate_mbps=80)
    with far_end_beside(limits=limits) as beside, paired(beside) as client:
        client.ask("GET", "/bytes?count=500000")  # what may come at once
        begun_s = time.monotonic()
        client.ask("GET", "/bytes?count=4000000")
        down_mbps = 32 / (time.monotonic() - begun_s)
        seconds = json.loads(client.ask("PUT", "/bytes", b"c" * 8_000_000)[1])["seconds"]
    assert 10 < down_mbps < 140, "the last piece is not waited for"
    assert seconds > 0.5


def test_a_transfer_ends_when_its_time_is_up():
    with far_end_beside(limits=Limits(transfer_s=0.5)) as beside, paired(beside) as client:
        client.open("GET", "/bytes?count=1").read()
        answer = client.open("GET", "/bytes?count=1000000000000")
        begun_s = time.monotonic()
        assert bytes_that_come(answer) > 100_000
        assert 0.3 < time.monotonic() - begun_s < 5
        client.close()

        def slowly():
            for _ in range(10):
                yield b"c"
                time.sleep(0.1)

        answer, content = client.ask("PUT", "/bytes", slowly(), **{"Content-Length": "20"})
        assert answer.status == 408
        assert 1 <= json.loads(content)["bytes"] < 20, "what came is told"


def test_more_connections_than_one_client_may_have():
    with far_end_beside(limits=Limits(connections_per_client=3)) as beside:
        with paired(beside) as one, paired(beside) as two, paired(beside) as three:
            for client in (one, two, three):
                client.ask("GET", "/bytes?count=1")
            sock = beside.connect()
            got = everything(sock)
            sock.close()
            assert b" 503 " in got
            assert b"Retry-After: 5" in got
            other = beside.connect("127.0.0.2")
            other.sendall(b"GET / HTTP/1.1\r\nHost: w\r\nConnection: close\r\n\r\n")
            assert b" 200 " in everything(other)
            other.close()
        assert {"by": "connections"} in [one.detail for one in beside.told]


def test_strangers_who_ask_too_often_are_told_when_to_come_back_and_the_paired_client_is_not():
    limits = Limits(stranger_requests_per_s=1)
    with far_end_beside(limits=limits) as beside, paired(beside) as client:
        client.ask("GET", "/bytes?count=1")
        sock = beside.connect()
        sock.sendall(b"GET / HTTP/1.1\r\nHost: w\r\n\r\n" * 5)
        got = everything(sock)
        sock.close()
        assert b" 429 " in got
        assert b"Retry-After: 1" in got
        for _ in range(5):
            assert client.open("GET", "/bytes?count=1").read(), "at the same address"


def test_however_many_challenges_were_asked_for_the_address_is_served_again_soon():
    clock = Steady()
    with far_end_beside(limits=Limits(stranger_requests_per_s=20), steady_s=clock) as beside:
        for _ in range(150):
            sock = beside.connect()
            sock.sendall(b"GET /bytes?count=1 HTTP/1.1\r\nHost: w\r\nConnection: close\r\n\r\n")
            assert everything(sock).startswith(b"HTTP/1.1 401 "), "a paired client may be at that address"
            sock.close()
        clock.s += 1
        sock = beside.connect()
        sock.sendall(b"GET / HTTP/1.1\r\nHost: w\r\nConnection: close\r\n\r\n")
        assert everything(sock).startswith(b"HTTP/1.1 200 ")
        sock.close()


def test_a_flood_of_those_who_may_not_come_leaves_the_others_their_turns():
    """Between any two that are sent away, whoever else is served gets on."""
    order = []

    async def others():
        while True:
            order.append("served")
            await asyncio.sleep(0)

    async def flood():
        far_end = FarEnd(TOKEN, name="w", version="0", peers=_Nobody(), tell=lambda one: order.append(one.kind))
        beside = asyncio.ensure_future(others())
        serving = asyncio.ensure_future(far_end.serve(listeners))
        while order.count("refused") < len(waiting):
            await asyncio.sleep(0)
        for task in (beside, serving):
            task.cancel()
        await asyncio.gather(beside, serving, return_exceptions=True)

    listeners = listen(0, ["127.0.0.1"])
    waiting = [socket.create_connection(listeners[0].getsockname()) for _ in range(30)]
    try:
        asyncio.run(asyncio.wait_for(flood(), 20))
    finally:
        for sock in [*waiting, *listeners]:
            sock.close()
    assert ("refused", "refused") not in pairwise(order)


@given(st.lists(st.tuples(st.integers(0, 250), st.integers(1, 10**9)), max_size=40), st.integers(0, 3))
def test_what_had_come_by_when_is_told_once_a_moment_and_up_to_the_end(comings, rest_ms):
    """However soon after the last look the end comes: within its millisecond, too."""
    now_ms = [0]
    tally = Tally(lambda: now_ms[0] / 1000)
    for pause_ms, amount in comings:
        now_ms[0] += pause_ms
        tally.add(amount)
    now_ms[0] += rest_ms
    tally.close()
    assert all(one[0] < other[0] and one[1] < other[1] for one, other in pairwise(tally.received))
    assert not comings or tally.received[-1][1] == sum(amount for _, amount in comings)
