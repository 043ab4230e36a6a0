"""Latency: its arithmetic against numpy, a round with a played target, echo messages, and real ones on loopback."""

from __future__ import annotations

import json
import os
import socket
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from needs import require_programs

from adapters.probing.echoes import ConnectEcho, _took_ms
from adapters.probing.icmp import checksum, echo_request, read_echo_reply
from adapters.probing.latency import TIMEOUT_S, Asked, RoundBeside, run_round, summary
from adapters.probing.way import Way

ROOT = Path(__file__).parents[2]


def test_by_hand():
    """Twenty answers of 1 to 20 ms: the 95 % point lies .05 of the way from the 19th to the 20th."""
    found = summary("gateway", "idle", "icmp", [float(n) for n in range(20, 0, -1)], 22)
    assert (found.n_sent, found.n_lost) == (22, 2)
    assert found.median_ms == 10.5
    assert found.p95_ms == pytest.approx(19.05)
    assert found.jitter_ms == pytest.approx(18.05)  # RFC 5481, 4.2: above the minimum of 1 ms


@given(st.lists(st.floats(0.001, 1000), min_size=1, max_size=100))
def test_as_numpy_has_it(times):
    found = summary("far-end", "down", "icmp", times, len(times))
    assert found.median_ms == pytest.approx(np.median(times))
    assert found.p95_ms == pytest.approx(np.percentile(times, 95))
    assert found.jitter_ms == pytest.approx(np.percentile(np.array(times) - min(times), 95), abs=1e-9)
    assert found.n_lost == 0


def test_where_nothing_came_back_the_times_are_unknown():
    found = summary("gateway", "up", "tcp-connect", [], 7)
    assert (found.n_lost, found.median_ms, found.p95_ms, found.jitter_ms) == (7, None, None, None)


class PlayedEcho:
    """Answers each request as it is told to: a list of (after so many seconds, took so many ms)."""

    method = "icmp"

    def __init__(self, *plan):
        self._plan, self._due, self.sent = plan, [], []

    def send(self):
        number = len(self.sent)
        self.sent.append(time.monotonic())
        told = self._plan[number] if number < len(self._plan) else [(0, 1.0)]
        if told is OSError:
            raise OSError("the network is unreachable")
        self._due += [(time.monotonic() + after_s, number, took_ms) for after_s, took_ms in told]
        return number

    def waits_for(self):
        return [], []

    def answers(self):
        now_s = time.monotonic()
        due = [one for one in self._due if one[0] <= now_s]
        self._due = [one for one in self._due if one[0] > now_s]
        return [(number, took_ms) for _, number, took_ms in due]

    def close(self): ...


def asked_times(echo, count):
    asked = Asked("gateway", echo)
    run_round([asked], lambda: asked.n_sent >= count)
    return asked.latency("idle")


def test_the_first_exchange_is_thrown_away():
    found = asked_times(PlayedEcho([(0, 900.0)], [(0, 2.0)], [(0, 4.0)]), 3)
    assert (found.n_sent, found.n_lost, found.median_ms, found.p95_ms) == (2, 0, 3.0, pytest.approx(3.9))


def test_what_is_lost_first_does_not_count_either():
    assert asked_times(PlayedEcho([], [(0, 2.0)], [(0, 4.0)]), 3).n_lost == 0


def test_no_answer_a_late_one_and_one_that_was_not_even_sent_are_lost():
    late = TIMEOUT_S * 1000 + 1
    found = asked_times(PlayedEcho([(0, 1.0)], [], [(0.1, late)], OSError, [(0, 5.0)]), 5)
    assert (found.n_sent, found.n_lost, found.median_ms) == (4, 3, 5.0)


def test_an_answer_that_comes_twice_counts_once():
    found = asked_times(PlayedEcho([(0, 1.0)], [(0, 2.0), (0, 2.5)], [(0, 4.0), (0.01, 9.0)]), 3)
    assert (found.n_sent, found.n_lost, found.median_ms) == (2, 0, 3.0)


def test_requests_do_not_wait_for_answers():
    """A stall of .4 s is met by as many requests as any other .4 s."""
    echo = PlayedEcho(*[[(0.4, 400.0)]] * 30)
    asked = Asked("gateway", echo)
    begun_s = time.monotonic()
    run_round([asked], lambda: time.monotonic() - begun_s > 1.0)
    assert 10 <= asked.n_sent <= 21  # one every 50 ms, on a busy machine fewer
    assert asked.latency("idle").n_lost == 0


def test_a_round_of_one_request_tells_nothing():
    assert asked_times(PlayedEcho(), 1) is None


def test_a_round_beside_ends_with_what_it_is_beside():
    asked = Asked("far-end", PlayedEcho())
    with RoundBeside([asked]) as beside, beside.load():
        time.sleep(0.5)
    sent = asked.n_sent
    time.sleep(0.15)
    assert asked.n_sent == sent >= 2
    assert asked.latency("down").load == "down"


def test_while_the_link_is_not_loaded_nothing_is_asked():
    """Before a transfer, between two, and after: a round would tell half of an idle link's latency as the loaded one's."""
    asked = Asked("far-end", PlayedEcho(*[[(0, 1.0)]] * 100))
    counts = []
    with RoundBeside([asked]) as beside:
        for _ in range(2):
            time.sleep(0.2)
            counts.append(asked.n_sent)
            with beside.load():
                time.sleep(0.5)
            time.sleep(0.1)  # one that was under way
            counts.append(asked.n_sent)
    counts.append(asked.n_sent)
    idle, loaded = [counts[0], counts[2] - counts[1], counts[4] - counts[3]], [counts[1], counts[3] - counts[2]]
    assert idle == [0, 0, 0]
    assert min(loaded) >= 2


def test_the_checksum_of_the_standard():
    """RFC 1071, 3: the words 0001, f203, f4f5, f6f7 sum up to ddf2."""
    assert checksum(bytes.fromhex("0001f203f4f5f6f7")) == ~0xDDF2 & 0xFFFF


@given(st.binary(max_size=200))
def test_whoever_checks_a_message_finds_its_checksum_right(payload):
    """RFC 1071, 1 (3): the sum over all, the checksum included, is all ones."""
    assert checksum(echo_request(4, 7, payload + b"x" * (len(payload) % 2))) == 0


@pytest.mark.parametrize(("version", "request_type", "reply_type"), [(4, 8, 0), (6, 128, 129)])
def test_a_reply_is_told_from_what_else_comes(version, request_type, reply_type):
    request = echo_request(version, 0x1234, b"clay")
    assert request[:2] == bytes([request_type, 0])
    assert read_echo_reply(version, request) is None
    reply = bytes([reply_type]) + request[1:]
    assert read_echo_reply(version, reply) == (0x1234, b"clay")
    assert read_echo_reply(version, reply[:7]) is None


def test_an_ip_header_in_front_is_passed_over():
    """As macOS has it; here with four bytes of options."""
    reply = b"\0" + echo_request(4, 5, b"clay")[1:]
    assert read_echo_reply(4, bytes([0x46]) + bytes(23) + reply) == (5, b"clay")


@given(st.sampled_from([4, 6]), st.binary(max_size=100))
def test_no_bytes_break_the_reader(version, data):
    read_echo_reply(version, data)


@pytest.mark.parametrize(
    ("stamp_after_ms", "expected_ms"),
    [(3.0, 3.0), (None, 10.0), (-5.0, 10.0), (50.0, 10.0)],  # no stamp, and two of a clock that was set meanwhile
)
def test_the_kernels_stamp_is_taken_where_it_can_be(stamp_after_ms, expected_ms):
    stamp_ns = None if stamp_after_ms is None else 10**18 + round(stamp_after_ms * 1e6)
    assert _took_ms(100.0, 10**18, 100.010, stamp_ns) == pytest.approx(expected_ms)


@pytest.fixture
def listener():
    with socket.create_server(("127.0.0.1", 0)) as listening:
        yield listening.getsockname()[1]


def closed_port():
    with socket.create_server(("127.0.0.1", 0)) as listening:
        return listening.getsockname()[1]


@pytest.mark.parametrize("refused", [False, True], ids=["taken", "refused"])
def test_a_connection_and_its_refusal_are_answers(listener, refused):
    echo = ConnectEcho(Way("lo"), socket.AF_INET, ("127.0.0.1", 0), closed_port() if refused else listener)
    found = asked_times(echo, 6)
    echo.close()
    assert (found.method, found.n_sent, found.n_lost) == ("tcp-connect", 5, 0)
    assert 0 < found.median_ms < 500


@pytest.mark.skipif(sys.platform != "linux", reason="a listener that stops taking is Linux's way")
def test_a_connection_that_nobody_takes_is_lost():
    with socket.socket() as full:
        full.bind(("127.0.0.1", 0))
        full.listen(0)
        with socket.create_connection(full.getsockname()):
            echo = ConnectEcho(Way("lo"), socket.AF_INET, ("127.0.0.1", 0), full.getsockname()[1])
            found = asked_times(echo, 5)
            echo.close()
    assert found.n_lost >= 3


ECHO_ON_LOOPBACK = """
import json, socket, sys
from adapters.probing.echoes import find_echo
from adapters.probing.latency import Asked, run_round
from adapters.probing.way import Way
found = []
for family, address in ((socket.AF_INET, ("127.0.0.1", 0)), (socket.AF_INET6, ("::1", 0, 0, 0))):
    echo = find_echo(Way("lo"), family, address, (9,))
    asked = Asked("gateway", echo)
    run_round([asked], lambda: asked.n_sent >= 11)
    latency = asked.latency("idle")
    found.append([latency.method, latency.n_sent, latency.n_lost, latency.median_ms])
print(json.dumps(found))
"""


@pytest.mark.skipif(sys.platform != "linux", reason="namespaces are Linux's")
@pytest.mark.parametrize(("groups", "method"), [("0 0", "icmp"), ("1 0", "tcp-connect")])
def test_echo_requests_where_the_system_lets_everybody_else_connections(groups, method):
    """In a network of its own, whose kernel answers both, over IPv4 and IPv6."""
    require_programs("unshare", "ip")
    user = [] if os.geteuid() == 0 else ["--map-root-user"]
    prepare = f"ip link set lo up && echo {groups} > /proc/sys/net/ipv4/ping_group_range"
    done = subprocess.run(
        ["unshare", *user, "--net", "sh", "-c", f'{prepare} && exec "$0" -c "$1"', sys.executable, ECHO_ON_LOOPBACK],
        cwd=ROOT, capture_output=True, text=True, timeout=60,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr
    told = json.loads(done.stdout)
    assert [one[:3] for one in told] == [[method, 10, 0], [method, 10, 0]]
    assert all(0 < median_ms < 500 for *_, median_ms in told)
