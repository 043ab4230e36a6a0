"""What the kernel tells of a connection, from bytes and from a real one."""

from __future__ import annotations

import socket
import struct
import sys
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.probing.tcp_info import decode_tcp_info, tcp_info, unacknowledged_bytes

# struct tcp_info of linux/tcp.h, field by field, up to delivery_rate (Linux 4.9): eight bytes, then 24 words, then the
# long ones. Each value tells its field apart.
WORDS = {"rtt": 15, "rttvar": 16, "snd_cwnd": 18, "rcv_rtt": 21, "total_retrans": 23}
VALUES = {name: 1000 * (number + 1) for number, name in enumerate(WORDS)}


def struct_tcp_info(**changed):
    values = VALUES | changed
    words = [0] * 24
    for name, at in WORDS.items():
        words[at] = values[name]
    data = bytes(8) + struct.pack("=24I", *words)
    data += struct.pack("=4Q", 0, 0, values.get("bytes_acked", 70_000), 80_000)  # pacing_rate, max_pacing_rate, ...
    data += struct.pack("=6I", 1, 2, 3, values.get("min_rtt", 900), 5, 6)  # segs_out, segs_in, notsent, min_rtt, ...
    return data + struct.pack("=Q", values.get("delivery_rate", 12_500_000))


def test_every_field_is_read_from_its_place():
    info = decode_tcp_info(struct_tcp_info())
    assert info.rtt_ms == 1.0
    assert info.rtt_variation_ms == 2.0
    assert info.congestion_window == 3000
    assert info.receiver_rtt_ms == 4.0
    assert info.total_retransmits == 5000
    assert (info.bytes_acked, info.bytes_received) == (70_000, 80_000)
    assert info.min_rtt_ms == 0.9
    assert info.delivery_rate_bytes_per_s == 12_500_000


@pytest.mark.parametrize(
    ("length", "known", "unknown"),
    [
        (104, "total_retransmits", "bytes_acked"),  # Linux 2.6 to 3.14
        (136, "bytes_received", "min_rtt_ms"),  # 4.1
        (160, "min_rtt_ms", "delivery_rate_bytes_per_s"),  # 4.6
        (168, "delivery_rate_bytes_per_s", None),  # 4.9
    ],
)
def test_an_older_kernel_gives_less(length, known, unknown):
    info = decode_tcp_info(struct_tcp_info()[:length])
    assert getattr(info, known) is not None
    assert unknown is None or getattr(info, unknown) is None


def test_what_a_newer_kernel_adds_is_left_alone():
    assert decode_tcp_info(struct_tcp_info() + b"\xff" * 300) == decode_tcp_info(struct_tcp_info())


def test_not_measured_is_unknown():
    info = decode_tcp_info(struct_tcp_info(rtt=0, min_rtt=0xFFFFFFFF, delivery_rate=0))
    assert (info.rtt_ms, info.min_rtt_ms, info.delivery_rate_bytes_per_s) == (None, None, None)


@given(st.binary(max_size=400))
def test_any_bytes_are_decoded(data):
    decode_tcp_info(data)


@pytest.fixture
def pair():
    with socket.create_server(("127.0.0.1", 0)) as listener, socket.create_connection(listener.getsockname()) as ours:
        theirs, _ = listener.accept()
        with theirs:
            yield ours, theirs


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells")
def test_of_a_real_connection(pair):
    ours, theirs = pair
    ours.sendall(b"clay" * 1000)
    assert len(theirs.recv(4000, socket.MSG_WAITALL)) == 4000
    info = tcp_info(ours)
    assert 0 < info.rtt_ms < 1000
    assert info.total_retransmits == 0
    assert info.bytes_acked in (4000, 4001)  # the SYN may count


@pytest.mark.skipif(sys.platform != "linux", reason="only Linux tells")
def test_what_was_not_acknowledged_is_not_counted_as_sent(pair):
    ours, theirs = pair
    ours.setblocking(False)
    handed = 0
    try:
        while True:
            handed += ours.send(bytes(1 << 16))
    except BlockingIOError:
        pass
    waiting = unacknowledged_bytes(ours)
    assert 0 < waiting < handed
    theirs.settimeout(10)
    read = 0
    while read < handed:
        read += len(theirs.recv(1 << 20))
    ends_s = time.monotonic() + 5
    while unacknowledged_bytes(ours) and time.monotonic() < ends_s:
        time.sleep(0.01)
    assert unacknowledged_bytes(ours) == 0
    assert tcp_info(ours).bytes_acked in (handed, handed + 1)


def test_a_closed_connection_tells_nothing(pair):
    pair[0].close()
    assert tcp_info(pair[0]) is None
    assert unacknowledged_bytes(pair[0]) is None
