"""SQLite's file format (https://www.sqlite.org/fileformat2.html): its numbers, its rows, its write-ahead log. Pure."""

from __future__ import annotations

import struct
from typing import Any

PAGE_SIZE = 4096  # of a log, and where a file's own word makes no sense
_INTEGER_BYTES = (0, 1, 2, 3, 4, 6, 8)  # by serial type
_WAL_HEADER, _FRAME_HEADER = 32, 24


def committed_frames(wal: bytes, page_size: int) -> dict[int, int]:
    """Where the newest committed content of each page begins in a write-ahead log; empty where it has none. SQLite
    stops at the first frame that is damaged; here such a frame costs itself alone, see ``commits_beyond_damage``."""
    sound, beyond = _transactions(wal, page_size)
    for frames in beyond:
        sound |= frames
    return sound


def commits_beyond_damage(wal: bytes, page_size: int) -> int:
    """How many commits SQLite would not see, for a frame before them is damaged. What the machine was writing when it
    stopped is none: that is one commit at most, for each is on the disk before the next begins."""
    return len(_transactions(wal, page_size)[1])


def _transactions(wal: bytes, page_size: int) -> tuple[dict[int, int], list[dict[int, int]]]:
    """The frames that SQLite sees, and those of each commit beyond: where each page begins, by its number. The sum that
    a frame ends with is that which the next begins with, so frames after a damaged one can be trusted, too."""
    if len(wal) < _WAL_HEADER:
        return {}, []
    magic, _, size, _, *salts = struct.unpack_from(">6I", wal)
    if magic & ~1 != 0x377F0682 or size != page_size:
        return {}, []
    order = ">" if magic & 1 else "<"
    sums = _checksum(wal[:24], (0, 0), order)
    if sums != struct.unpack_from(">2I", wal, 24):
        return {}, []
    sound: dict[int, int] = {}
    beyond: list[dict[int, int]] = []
    waiting: dict[int, int] = {}
    damaged = False
    for at in range(_WAL_HEADER, len(wal) - _FRAME_HEADER - page_size + 1, _FRAME_HEADER + page_size):
        number, n_after_commit, *rest = struct.unpack_from(">6I", wal, at)
        if rest[:2] == salts or not damaged:  # else it is of an earlier log in the same file
            sums = _checksum(wal[at : at + 8], sums, order)
            sums = _checksum(wal[at + _FRAME_HEADER : at + _FRAME_HEADER + page_size], sums, order)
        if rest[:2] != salts or tuple(rest[2:]) != sums or not number:
            damaged, sums = True, (rest[2], rest[3])
            continue
        waiting[number] = at + _FRAME_HEADER
        if n_after_commit:
            if damaged:
                beyond.append(waiting)
            else:
                sound |= waiting
            waiting = {}
    return sound, beyond if len(beyond) > 1 else []


def _checksum(data: bytes, sums: tuple[int, int], order: str) -> tuple[int, int]:
    one, other = sums
    for first, second in struct.iter_unpack(f"{order}2I", data):
        one = one + first + other & 0xFFFFFFFF
        other = other + second + one & 0xFFFFFFFF
    return one, other


def varint_at(data: bytes, at: int) -> tuple[int, int]:
    """The number that begins there, and where it ends."""
    value = data[at]
    if value < 0x80:
        return value, at + 1
    value &= 0x7F
    for where in range(at + 1, at + 8):
        byte = data[where]
        value = value << 7 | byte & 0x7F
        if byte < 0x80:
            return value, where + 1
    return value << 8 | data[at + 8], at + 9


def values_of(payload: bytes) -> list[Any]:
    """The values of one row. Raises ValueError where they do not fill it exactly."""
    head_end, at = varint_at(payload, 0)
    body = head_end
    values: list[Any] = []
    while at < head_end:
        kind = payload[at]
        at += 1
        if kind >= 0x80:
            kind, at = varint_at(payload, at - 1)
        if kind == 0:
            values.append(None)
        elif kind <= 6:
            size = _INTEGER_BYTES[kind]
            values.append(int.from_bytes(payload[body : body + size], "big", signed=True))
            body += size
        elif kind == 7:
            values.append(struct.unpack_from(">d", payload, body)[0])
            body += 8
        elif kind <= 9:
            values.append(kind - 8)
        elif kind >= 12:
            size = kind - 12 >> 1
            chunk = payload[body : body + size]
            values.append(chunk.decode() if kind & 1 else chunk)
            body += size
        else:
            raise ValueError("no such kind of value")
    if at != head_end or body != len(payload):
        raise ValueError("the values do not fill the row")
    return values
