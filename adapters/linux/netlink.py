"""Generic netlink: messages and attributes as bytes, and a conversation with one family of the kernel.

The upper half is pure: framing as in linux/netlink.h and linux/genetlink.h, in the machine's byte order.
The lower half talks. pyroute2 makes and binds the sockets; sending and receiving go straight to them, because
its own request path runs an event loop per message (0.27 ms of CPU for one question, against 0.02 ms), and
its decoding of nl80211 loses what we need (signs, chain indices, later attributes).
"""

from __future__ import annotations

import errno
import os
import struct
import sys
from collections.abc import Callable, Iterator
from typing import Literal, NamedTuple, Protocol

from adapters.errors import AdapterError

NLM_F_REQUEST = 0x1
NLM_F_ACK = 0x4
NLM_F_DUMP_INTR = 0x10  # the kernel's list changed while it was told
NLM_F_DUMP = 0x300
NLMSG_ERROR = 2
NLMSG_DONE = 3
NLMSG_MIN_TYPE = 16  # below are netlink's own messages
NLA_TYPE_MASK = 0x3FFF  # the two top bits say "nested" and "network byte order"
SOL_NETLINK = 270
NETLINK_ADD_MEMBERSHIP = 1

GENL_ID_CTRL = 16
CTRL_CMD_GETFAMILY = 3
CTRL_ATTR_FAMILY_ID = 1
CTRL_ATTR_FAMILY_NAME = 2
CTRL_ATTR_MCAST_GROUPS = 7
CTRL_ATTR_MCAST_GRP_NAME = 1
CTRL_ATTR_MCAST_GRP_ID = 2

_MESSAGE = struct.Struct("=IHHII")  # struct nlmsghdr: length, type, flags, sequence, port
_COMMAND = struct.Struct("=BBxx")  # struct genlmsghdr: command, version
_ATTRIBUTE = struct.Struct("=HH")  # struct nlattr: length, type
_NATIVE: Literal["little", "big"] = sys.byteorder


class DecodeError(AdapterError):
    """Bytes from the kernel that do not hold what they should."""

    def __init__(self, what: str) -> None:
        super().__init__(f"the kernel's answer cannot be read ({what}); a later linktrial may know it")


class Refused(AdapterError):
    """The kernel answered with an error number (``code``, as in errno.h)."""

    def __init__(self, code: int) -> None:
        super().__init__(f"the kernel refused ({errno.errorcode.get(code, code)}: {os.strerror(code)})")
        self.code = code


class Message(NamedTuple):
    """One netlink message; ``body`` is what follows the header."""

    kind: int
    flags: int
    sequence: int
    body: bytes


class Attributes(dict[int, bytes]):
    """The attributes of one message or nest, by number. Each getter gives None for an absent one and raises
    DecodeError for one of the wrong size."""

    def __init__(self, data: bytes) -> None:
        super().__init__(walk(data))

    def number(self, kind: int, size: int, *, signed: bool = False) -> int | None:
        value = self.get(kind)
        if value is None:
            return None
        if len(value) != size:
            raise DecodeError(f"attribute {kind} has {len(value)} bytes, not {size}")
        return int.from_bytes(value, _NATIVE, signed=signed)

    def u8(self, kind: int) -> int | None:
        return self.number(kind, 1)

    def s8(self, kind: int) -> int | None:
        return self.number(kind, 1, signed=True)

    def u16(self, kind: int) -> int | None:
        return self.number(kind, 2)

    def u32(self, kind: int) -> int | None:
        return self.number(kind, 4)

    def s32(self, kind: int) -> int | None:
        return self.number(kind, 4, signed=True)

    def u64(self, kind: int) -> int | None:
        return self.number(kind, 8)

    def mac(self, kind: int) -> str | None:
        """A hardware address, lower case with colons."""
        value = self.get(kind)
        if value is not None and len(value) != 6:
            raise DecodeError(f"attribute {kind} has {len(value)} bytes, not the 6 of an address")
        return None if value is None else value.hex(":")

    def text(self, kind: int) -> str | None:
        """A name given by the kernel, NUL-terminated."""
        value = self.get(kind)
        return None if value is None else value.split(b"\0")[0].decode("utf-8", "backslashreplace")

    def nest(self, kind: int) -> Attributes | None:
        value = self.get(kind)
        return None if value is None else Attributes(value)

    def nests(self, kind: int) -> list[Attributes]:
        """The members of a list of nests."""
        return [Attributes(value) for _, value in walk(self.get(kind, b""))]


def walk(data: bytes) -> Iterator[tuple[int, bytes]]:
    """The (number, payload) pairs of a run of attributes. Raises DecodeError where one does not fit."""
    offset, end = 0, len(data)
    while offset < end:
        if end - offset < 4:
            raise DecodeError("an attribute is cut short")
        length, kind = _ATTRIBUTE.unpack_from(data, offset)
        if length < 4 or offset + length > end:
            raise DecodeError(f"an attribute claims {length} of {end - offset} bytes")
        yield kind & NLA_TYPE_MASK, data[offset + 4 : offset + length]
        offset += length + 3 & ~3


def attribute(kind: int, payload: bytes) -> bytes:
    """One attribute, padded."""
    return _ATTRIBUTE.pack(4 + len(payload), kind) + payload + bytes(-len(payload) % 4)


def messages(datagram: bytes) -> Iterator[Message]:
    """The messages of one datagram. Raises DecodeError where one does not fit."""
    offset, end = 0, len(datagram)
    while offset < end:
        if end - offset < _MESSAGE.size:
            raise DecodeError("a message is cut short")
        length, kind, flags, sequence, _ = _MESSAGE.unpack_from(datagram, offset)
        if length < _MESSAGE.size or offset + length > end:
            raise DecodeError(f"a message claims {length} of {end - offset} bytes")
        yield Message(kind, flags, sequence, datagram[offset + _MESSAGE.size : offset + length])
        offset += length + 3 & ~3


def command_of(message: Message) -> tuple[int, bytes]:
    """The command of a generic netlink message, and its run of attributes."""
    if len(message.body) < _COMMAND.size:
        raise DecodeError("a message has no command")
    return message.body[0], message.body[_COMMAND.size :]


def refusal_in(message: Message) -> Refused | None:
    """The error that a message carries. The end of a list may carry one, too."""
    if message.kind not in (NLMSG_ERROR, NLMSG_DONE):
        return None
    if len(message.body) < 4:
        if message.kind == NLMSG_DONE:
            return None
        raise DecodeError("an error without its number")
    code = int.from_bytes(message.body[:4], _NATIVE, signed=True)
    return Refused(-code) if code < 0 else None


# ---- talking

ANSWER_S = 2.0  # the kernel answers within the call that asks; waiting longer means a lost answer
_LARGEST = 32768  # the kernel makes no larger datagram
_TRIES = 3


class Wire(Protocol):
    """What is used of a netlink socket. ``recv`` raises TimeoutError when nothing comes in time, or
    BlockingIOError at once where that time is 0."""

    def send(self, data: bytes, /) -> int: ...

    def recv(self, size: int, /) -> bytes: ...

    def setsockopt(self, level: int, option: int, value: int, /) -> None: ...

    def close(self) -> None: ...


def open_wire(wait_s: float) -> Wire:
    """A bound generic netlink socket of pyroute2 that waits ``wait_s`` for a datagram. Raises OSError where
    the system gives none."""
    from pyroute2.netlink.nlsocket import NetlinkSocket

    wire: Wire = NetlinkSocket()
    try:
        wire.bind()  # type: ignore[attr-defined]
    except KeyError as error:  # what pyroute2 says when every port was refused
        wire.close()
        raise OSError(errno.EADDRNOTAVAIL, "no netlink port can be had") from error
    wire.asyncore.settimeout(wait_s)  # type: ignore[attr-defined]
    return wire


class Family:
    """A conversation with one generic netlink family. One socket asks, a second one listens for events, so
    that a flood of events cannot drown an answer.

    A family goes with the kernel module that it belongs to, and comes back with it under another number: the
    conversation then goes on with that one, in the groups that were joined."""

    def __init__(self, name: str, open_wire: Callable[[float], Wire] = open_wire) -> None:
        """Raises Refused with ENOENT where the kernel has no such family, OSError where it gives no
        sockets."""
        self._open_wire = open_wire
        self._asking = open_wire(ANSWER_S)
        self._listening: Wire | None = None
        self._sequence = 0
        self._name = name
        self._joined: tuple[str, ...] = ()
        try:
            self._learn()
        except BaseException:
            self.close()
            raise

    def _learn(self) -> None:
        wanted = attribute(CTRL_ATTR_FAMILY_NAME, self._name.encode() + b"\0")
        about = Attributes(self._exchange(GENL_ID_CTRL, CTRL_CMD_GETFAMILY, wanted, 0)[0])
        identity = about.u16(CTRL_ATTR_FAMILY_ID)
        if identity is None:
            raise DecodeError(f"the family {self._name} has no number")
        self._identity = identity
        self._groups = {
            group.text(CTRL_ATTR_MCAST_GRP_NAME): group.u32(CTRL_ATTR_MCAST_GRP_ID)
            for group in about.nests(CTRL_ATTR_MCAST_GROUPS)
        }

    def ask(self, command: int, attributes: bytes = b"") -> bytes:
        """The attributes of the one answer. Raises Refused (ENOENT also where the kernel has the family no more),
        DecodeError, or AdapterError after ANSWER_S."""
        return self._converse(command, attributes, 0)[0]

    def order(self, command: int, attributes: bytes = b"") -> None:
        """Have the kernel do something that has no answer but that it was taken. Raises as ``ask`` does."""
        self._converse(command, attributes, NLM_F_ACK)

    def dump(self, command: int, attributes: bytes = b"") -> list[bytes]:
        """The attributes of every answer to a dump; it is repeated when the list changed meanwhile."""
        return self._converse(command, attributes, NLM_F_DUMP)

    def _converse(self, command: int, attributes: bytes, flags: int) -> list[bytes]:
        try:
            return self._exchange(self._identity, command, attributes, flags)
        except Refused as refusal:
            if refusal.code != errno.ENOENT or not self._is_another_now():
                raise
        return self._exchange(self._identity, command, attributes, flags)

    def _is_another_now(self) -> bool:
        before = self._identity
        self._learn()
        if self._identity == before:
            return False  # it is something else that there is none of
        self._join()
        return True

    def listen(self, *groups: str) -> None:
        """Join the named multicast groups, as far as the kernel has them."""
        self._listening = self._open_wire(0)
        self._joined = groups
        self._join()

    def _join(self) -> None:
        for group in self._joined:
            number = self._groups.get(group)
            if number is not None and self._listening is not None:
                self._listening.setsockopt(SOL_NETLINK, NETLINK_ADD_MEMBERSHIP, number)

    def heard(self) -> list[tuple[int, bytes]]:
        """Command and attributes of every event that waits, oldest first. Never waits itself."""
        if self._listening is None:
            return []
        out: list[tuple[int, bytes]] = []
        while True:
            try:
                datagram = self._listening.recv(_LARGEST)
            except BlockingIOError:
                return out
            except OSError as error:
                if error.errno != errno.ENOBUFS:  # ENOBUFS: some were lost; what is left is still worth having
                    raise AdapterError(f"events cannot be read ({error.strerror})") from error
                continue
            out += (command_of(message) for message in messages(datagram) if message.kind == self._identity)

    def close(self) -> None:
        for wire in (self._asking, self._listening):
            if wire is not None:
                wire.close()
        self._listening = None

    def _exchange(self, kind: int, command: int, attributes: bytes, flags: int) -> list[bytes]:
        for _ in range(_TRIES):
            self._sequence = (self._sequence + 1) & 0xFFFFFFFF
            body = _COMMAND.pack(command, 1) + attributes
            header = _MESSAGE.pack(_MESSAGE.size + len(body), kind, NLM_F_REQUEST | flags, self._sequence, 0)
            try:
                self._asking.send(header + body)
                answers, whole = self._answers(flags)
            except TimeoutError:
                raise AdapterError(
                    f"the kernel gave no answer within {ANSWER_S:.0f} s; the driver may hang (see 'dmesg')"
                ) from None
            except OSError as error:
                raise AdapterError(f"the kernel cannot be asked ({error.strerror})") from error
            if whole:
                break
        return answers  # if it kept changing: each entry is right even so

    def _answers(self, flags: int) -> tuple[list[bytes], bool]:
        """The attributes of each answer, and whether they are of one piece."""
        answers: list[bytes] = []
        whole = True
        while True:
            for message in messages(self._asking.recv(_LARGEST)):
                if message.sequence != self._sequence:
                    continue  # a late answer to a question given up
                if message.flags & NLM_F_DUMP_INTR:
                    whole = False
                refusal = refusal_in(message)
                if refusal is not None:
                    raise refusal
                if message.kind == NLMSG_DONE or (message.kind == NLMSG_ERROR and flags & NLM_F_ACK):
                    return answers, whole
                if message.kind >= NLMSG_MIN_TYPE:
                    answers.append(command_of(message)[1])
                    if not flags:
                        return answers, whole
