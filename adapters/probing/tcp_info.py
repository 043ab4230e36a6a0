"""What the kernel knows of a TCP connection: Linux's TCP_INFO (struct tcp_info of linux/tcp.h) and SIOCOUTQ.

The struct has only ever grown at its end, and the kernel gives as much of it as it has: what a shorter one lacks is
None.
"""

from __future__ import annotations

import socket
import struct
import sys
from dataclasses import dataclass

_LONGEST = 512  # bytes; the kernel writes what it has
_NOT_MEASURED = 0xFFFFFFFF  # as tcpi_min_rtt has it before there was an answer
# Offsets in bytes. The struct is laid out alike on all machines but for the byte order.
_U32 = {"rtt": 68, "rttvar": 72, "cwnd": 80, "receiver_rtt": 92, "total_retrans": 100, "min_rtt": 148}
_U64 = {"bytes_acked": 120, "bytes_received": 128, "delivery_rate": 160}


@dataclass(frozen=True, slots=True)
class TcpInfo:
    """Of one connection, at one moment. Unknown is None."""

    rtt_ms: float | None = None  # smoothed round-trip time of what we sent
    rtt_variation_ms: float | None = None
    min_rtt_ms: float | None = None
    receiver_rtt_ms: float | None = None  # the kernel's estimate from what we received
    congestion_window: int | None = None  # segments
    total_retransmits: int | None = None  # segments, since the connection began
    bytes_acked: int | None = None  # of what we sent, the SYN counted as one (as the kernel does)
    bytes_received: int | None = None
    delivery_rate_bytes_per_s: int | None = None


def decode_tcp_info(data: bytes) -> TcpInfo:
    """From the bytes of struct tcp_info, in this machine's byte order, of any length."""

    def word(name: str) -> int | None:
        return struct.unpack_from("=I", data, _U32[name])[0] if len(data) >= _U32[name] + 4 else None

    def long(name: str) -> int | None:
        return struct.unpack_from("=Q", data, _U64[name])[0] if len(data) >= _U64[name] + 8 else None

    def time_ms(name: str) -> float | None:
        microseconds = word(name)
        return None if microseconds in (None, 0, _NOT_MEASURED) else microseconds / 1000

    return TcpInfo(
        rtt_ms=time_ms("rtt"),
        rtt_variation_ms=time_ms("rttvar"),
        min_rtt_ms=time_ms("min_rtt"),
        receiver_rtt_ms=time_ms("receiver_rtt"),
        congestion_window=word("cwnd"),
        total_retransmits=word("total_retrans"),
        bytes_acked=long("bytes_acked"),
        bytes_received=long("bytes_received"),
        delivery_rate_bytes_per_s=long("delivery_rate") or None,
    )


def tcp_info(connection: socket.socket) -> TcpInfo | None:
    """Of this connection; None where the system does not tell."""
    if sys.platform != "linux":
        return None
    try:
        return decode_tcp_info(connection.getsockopt(socket.IPPROTO_TCP, socket.TCP_INFO, _LONGEST))
    except OSError:
        return None


def unacknowledged_bytes(connection: socket.socket) -> int | None:
    """How much of what was handed to the socket the other side has not confirmed yet; None where that is not told."""
    try:
        if sys.platform == "linux":
            import fcntl
            import termios

            held = fcntl.ioctl(connection.fileno(), termios.TIOCOUTQ, b"\0\0\0\0")  # SIOCOUTQ, tcp(7)
            return int(struct.unpack("=i", held)[0])
        if sys.platform == "darwin":
            return connection.getsockopt(socket.SOL_SOCKET, 0x1024)  # SO_NWRITE
    except (OSError, ValueError):  # closed
        return None
    return None
