"""A body in chunks (RFC 9112, 7.1) whose bytes are counted and thrown away, in place, at the speed of large reads."""

from __future__ import annotations

import re

_HEAD = re.compile(rb"([0-9a-fA-F]{1,15})[ \t]*(?:;.*)?\r\n", re.S)
_MOST_LINE_BYTES = 1000
_MOST_TRAILER_BYTES = 16_384


class ChunksBroken(ValueError):
    """What came is not in chunks."""


class Chunks:
    """How far such a body has come."""

    def __init__(self) -> None:
        self.over = False
        self._left = 0  # of the chunk
        self._behind = False  # a chunk, where a line's end has to follow
        self._trailer_bytes: int | None = None  # once the last chunk has come
        self._line = bytearray()

    def take(self, data: bytes | bytearray, end: int) -> tuple[int, int]:
        """Bytes of payload in ``data[:end]``, and where in it the body ends (``end`` if it goes on). Raises
        ChunksBroken."""
        payload, at = 0, 0
        while at < end and not self.over:
            if self._left:
                took = min(self._left, end - at)
                self._left -= took
                payload += took
                at += took
                continue
            found = data.find(b"\n", at, end)
            stop = found + 1 if found >= 0 else end
            self._line += data[at : min(stop, at + _MOST_LINE_BYTES + 1)]
            at = stop
            if len(self._line) > _MOST_LINE_BYTES:
                raise ChunksBroken("a line without an end")
            if found >= 0:
                self._take_line(bytes(self._line))
                self._line.clear()
        return payload, at

    def _take_line(self, line: bytes) -> None:
        if self._trailer_bytes is not None:
            self._trailer_bytes += len(line)
            self.over = line == b"\r\n"
            if self._trailer_bytes > _MOST_TRAILER_BYTES:
                raise ChunksBroken("trailers without an end")
        elif self._behind:
            self._behind = False
            if line != b"\r\n":
                raise ChunksBroken("a chunk of another length than it said")
        else:
            head = _HEAD.fullmatch(line)
            if head is None:
                raise ChunksBroken("a chunk without a length")
            self._left = int(head[1], 16)
            self._behind = self._left > 0
            self._trailer_bytes = None if self._left else 0
