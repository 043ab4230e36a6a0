"""Echo requests and replies as bytes: ICMP (RFC 792) and ICMPv6 (RFC 4443, 4.1 and 4.2)."""

from __future__ import annotations

import struct

_HEAD = struct.Struct("!BBHHH")  # type, code, checksum, identifier, sequence number
_REQUEST = {4: 8, 6: 128}
_REPLY = {4: 0, 6: 129}
_IPV4_LEAST = 20  # bytes of its header, which some systems put in front


def echo_request(version: int, sequence: int, payload: bytes) -> bytes:
    """For IP of that version. The identifier is left to the system, which sets it to the socket's own."""
    blank = _HEAD.pack(_REQUEST[version], 0, 0, 0, sequence & 0xFFFF) + payload
    return blank[:2] + struct.pack("!H", checksum(blank)) + blank[4:]  # ICMPv6's is set by the system


def read_echo_reply(version: int, data: bytes) -> tuple[int, bytes] | None:
    """Sequence number and payload of a reply; None for anything else."""
    if version == 4 and data[:1] and data[0] >> 4 == 4:
        data = data[max(_IPV4_LEAST, (data[0] & 0xF) * 4) :]
    if len(data) < _HEAD.size:
        return None
    kind, code, _, _, sequence = _HEAD.unpack_from(data)
    return (sequence, data[_HEAD.size :]) if (kind, code) == (_REPLY[version], 0) else None


def checksum(data: bytes) -> int:
    """The internet's (RFC 1071): the ones' complement of the ones' complement sum of 16-bit words."""
    padded = data + b"\0" * (len(data) % 2)
    total: int = sum(struct.unpack(f"!{len(padded) // 2}H", padded))
    while total >> 16:
        total = (total & 0xFFFF) + (total >> 16)
    return ~total & 0xFFFF
