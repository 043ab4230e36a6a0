"""The journal's own protocol, for fields beside the words: events can then be asked for by kind and place.

One datagram per entry to journald's socket, https://systemd.io/JOURNAL_NATIVE_PROTOCOL: a line ``NAME=value`` per
field, or, for a value that holds a line feed, its name, its length in 64 bits and its bytes. So no value, whoever made
it up, can pass for another field.
"""

from __future__ import annotations

import os
import socket
import struct
from collections.abc import Mapping
from typing import TextIO

SOCKET = "/run/systemd/journal/socket"
WARNING, NOTICE, INFO = 4, 5, 6  # as in syslog(3)
_LENGTH = struct.Struct("<Q")


class Journal:
    """An open way to journald."""

    def __init__(self) -> None:
        """Raises OSError where there is none."""
        self._socket = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC)
        try:
            self._socket.settimeout(1.0)  # a journal that is stuck must not hold up the samples
            self._socket.connect(SOCKET)
        except BaseException:
            self._socket.close()
            raise

    def send(self, message: str, priority: int, fields: Mapping[str, str]) -> bool:
        """One entry; whether it was taken. ``fields``: names in capitals."""
        entry = {"MESSAGE": message, "PRIORITY": str(priority), "SYSLOG_IDENTIFIER": "linktrial", **fields}
        try:
            self._socket.send(encoded(entry))
        except OSError:  # journald restarts, or is gone
            return False
        return True

    def close(self) -> None:
        self._socket.close()


def encoded(fields: Mapping[str, str]) -> bytes:
    """The datagram of one entry."""
    parts: list[bytes] = []
    for name, text in fields.items():
        value = text.encode("utf-8", "backslashreplace")
        if b"\n" in value:
            parts += [name.encode("ascii"), b"\n", _LENGTH.pack(len(value)), value, b"\n"]
        else:
            parts += [name.encode("ascii"), b"=", value, b"\n"]
    return b"".join(parts)


def journal_behind(stream: TextIO | None, environ: Mapping[str, str] = os.environ) -> Journal | None:
    """The journal, if what is written to ``stream`` goes there: JOURNAL_STREAM names that file, systemd.exec(5). The
    variable alone does not say so: a terminal that the desktop started has it, too."""
    named = environ.get("JOURNAL_STREAM", "")
    if stream is None or not named or not hasattr(socket, "AF_UNIX"):
        return None
    try:
        behind = os.fstat(stream.fileno())
        return Journal() if named == f"{behind.st_dev}:{behind.st_ino}" else None
    except (OSError, ValueError):  # ValueError: a stream that is no file, or closed
        return None
