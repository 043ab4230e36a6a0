"""Builds netlink bytes, and plays the kernel that sends them. Shares no code with what it tests."""

from __future__ import annotations

import errno
import os
import struct
import tomllib
from collections import deque
from collections.abc import Callable
from pathlib import Path

FAMILY = 31
GROUPS = {"mlme": 7, "scan": 4}
CAPTURES = Path(__file__).parent / "captures"


def tlv(kind: int, payload: bytes = b"", flags: int = 0) -> bytes:
    padding = b"\0" * ((4 - len(payload) % 4) % 4)
    return struct.pack("HH", len(payload) + 4, kind | flags) + payload + padding


def nest(kind: int, *members: bytes) -> bytes:
    return tlv(kind, b"".join(members), flags=0x8000)


def u8(kind: int, value: int) -> bytes:
    return tlv(kind, struct.pack("B", value))


def s8(kind: int, value: int) -> bytes:
    return tlv(kind, struct.pack("b", value))


def u16(kind: int, value: int) -> bytes:
    return tlv(kind, struct.pack("H", value))


def u32(kind: int, value: int) -> bytes:
    return tlv(kind, struct.pack("I", value))


def s32(kind: int, value: int) -> bytes:
    return tlv(kind, struct.pack("i", value))


def u64(kind: int, value: int) -> bytes:
    return tlv(kind, struct.pack("Q", value))


def mac(kind: int, address: str) -> bytes:
    return tlv(kind, bytes.fromhex(address.replace(":", "")))


def capture(name: str, file: str = "mac80211_hwsim.toml") -> bytes:
    with (CAPTURES / file).open("rb") as stream:
        return bytes.fromhex(tomllib.load(stream)[name]["hex"])


def message(kind: int, sequence: int, body: bytes, flags: int = 0) -> bytes:
    return struct.pack("IHHII", 16 + len(body), kind, flags, sequence, 4711) + body


def generic(command: int, attributes: bytes) -> bytes:
    return struct.pack("BBH", command, 1, 0) + attributes


def error(code: int, sequence: int) -> bytes:
    return message(2, sequence, struct.pack("i", -code) + bytes(16))


def done(sequence: int, code: int = 0) -> bytes:
    return message(3, sequence, struct.pack("i", -code), flags=2)


Answer = list[bytes] | int | None | Callable[[bytes], "Answer"]


class FakeKernel:
    """Answers each command with what the test puts in ``answers``: a list of attribute runs, an error number,
    None (says nothing), or a function of the request's attributes that gives one of these.

    ``mangle`` may change the datagrams of an answer, which come one per ``recv`` as from a kernel.
    """

    def __init__(self, answers: dict[int, Answer] | None = None, family: int | None = FAMILY) -> None:
        self.answers = answers or {}
        self.family = family
        self.about_the_family: bytes | None = None  # a captured answer to GETFAMILY
        self.asked: list[tuple[int, bool, bytes]] = []  # command, whether a dump, attributes
        self.groups = GROUPS
        self.joined: set[int] = set()
        self.wires: list[FakeWire] = []
        self.mangle: Callable[[list[bytes], int], list[bytes]] = lambda datagrams, sequence: datagrams

    def open_wire(self, wait_s: float) -> FakeWire:
        wire = FakeWire(self, wait_s)
        self.wires.append(wire)
        return wire

    def tell(self, command: int, attributes: bytes) -> None:
        """Multicast an event."""
        for wire in self.wires:
            if wire.listens:
                wire.inbox.append(message(self.family or FAMILY, 0, generic(command, attributes)))

    def respond(self, request: bytes) -> list[bytes]:
        length, kind, flags, sequence, _ = struct.unpack_from("IHHII", request)
        assert length == len(request)
        command, attributes = request[16], request[20:]
        dump = flags & 0x300 == 0x300
        if kind == 16:
            return self._about_the_family(sequence)
        if kind != self.family:
            return [error(errno.ENOENT, sequence)]
        self.asked.append((command, dump, attributes))
        answer = self.answers.get(command, errno.EOPNOTSUPP)
        while callable(answer):
            answer = answer(attributes)
        if answer is None:
            return []
        if isinstance(answer, int):
            return [done(sequence, answer)] if dump else [error(answer, sequence)]
        if flags & 0x4:  # it is to be done, and no more than taken note of
            return [error(0, sequence)]
        datagrams = [message(kind, sequence, generic(command, each), 2 if dump else 0) for each in answer]
        if dump:
            datagrams.append(done(sequence))
        return self.mangle(datagrams, sequence)

    def _about_the_family(self, sequence: int) -> list[bytes]:
        if self.family is None:
            return [error(errno.ENOENT, sequence)]
        if self.about_the_family is not None:
            return [message(16, sequence, generic(1, self.about_the_family))]
        groups = (
            nest(number, tlv(1, name.encode() + b"\0"), u32(2, group))
            for number, (name, group) in enumerate(self.groups.items(), 1)
        )
        about = tlv(2, b"nl80211\0") + u16(1, self.family) + nest(7, *groups)
        return [message(16, sequence, generic(1, about))]

    @property
    def commands(self) -> list[int]:
        return [command for command, _, _ in self.asked]


class FakeWire:
    def __init__(self, kernel: FakeKernel, wait_s: float) -> None:
        self.kernel, self.wait_s = kernel, wait_s
        self.inbox: deque[bytes | OSError] = deque()
        self.listens = self.closed = False

    def send(self, data: bytes) -> int:
        if self.closed:
            raise OSError(errno.EBADF, os.strerror(errno.EBADF))
        self.inbox.extend(self.kernel.respond(data))
        return len(data)

    def recv(self, size: int) -> bytes:
        if not self.inbox:
            raise BlockingIOError if self.wait_s == 0 else TimeoutError
        datagram = self.inbox.popleft()
        if isinstance(datagram, OSError):
            raise datagram
        assert len(datagram) <= size
        return datagram

    def setsockopt(self, level: int, option: int, value: int) -> None:
        assert (level, option) == (270, 1)
        self.kernel.joined.add(value)
        self.listens = True

    def close(self) -> None:
        self.closed = True
