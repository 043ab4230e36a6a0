"""What the daemon tells the service manager that started it: that it is ready, how it stands, that it is alive, that
it ends.

systemd's protocol, sd_notify(3): lines in one datagram to the socket that NOTIFY_SOCKET names. Where nobody listens
nothing is said, and nothing that goes wrong here ends logging.
"""

from __future__ import annotations

import os
import socket
from collections.abc import Callable, MutableMapping
from contextlib import suppress

from adapters.clock import Clock
from logger.printable import printable

TELL_EVERY_S = 60.0
TOLD_AT_MOST = 400  # characters of one status


class Supervisor:
    """The service manager, if there is one. It is told by ``alive`` at every turn of the daemon's loop: a reading that
    hangs holds the loop, so the watchdog's time runs out; a long interval does not, for the loop turns without it."""

    def __init__(self, clock: Clock, environ: MutableMapping[str, str] = os.environ) -> None:
        """Takes what is meant for this process out of ``environ``: what the daemon starts has nothing to say there."""
        self._clock = clock
        self._address = _address(environ.pop("NOTIFY_SOCKET", ""))
        watchdog_s = _watchdog_s(environ.pop("WATCHDOG_USEC", ""), environ.pop("WATCHDOG_PID", ""))
        self._lines = ["WATCHDOG=1"] if watchdog_s else []
        self._every_s = min(watchdog_s / 4, TELL_EVERY_S) if watchdog_s else TELL_EVERY_S
        self._again_s = float("-inf")

    @property
    def there(self) -> bool:
        """Whether somebody listens."""
        return self._address is not None

    def ready(self, standing: str) -> None:
        """Samples are taken from now on."""
        self._tell("READY=1", *self._lines, _status(standing))

    def alive(self, standing: Callable[[], str]) -> None:
        """The loop has turned. Sends at most four signs of life in the watchdog's time; ``standing`` is asked for words
        then."""
        if self._address is None or (now_s := self._clock.awake_s()) < self._again_s:
            return
        self._again_s = now_s + self._every_s
        self._tell(*self._lines, _status(standing()))

    def stopping(self) -> None:
        """What is left is written, then the process ends."""
        self._tell("STOPPING=1")

    def _tell(self, *lines: str) -> None:
        if self._address is None:
            return
        with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM | socket.SOCK_CLOEXEC) as line:
            line.settimeout(1.0)  # a manager that does not read must not hold up the samples
            line.sendto("\n".join(lines).encode("utf-8", "replace"), self._address)


def _address(named: str) -> str | None:
    """Of the socket: a path, or an abstract name that is written with @; None for none and for other kinds."""
    if not hasattr(socket, "AF_UNIX") or not named.startswith(("/", "@")):
        return None
    return "\0" + named[1:] if named.startswith("@") else named


def _watchdog_s(microseconds: str, pid: str) -> float | None:
    """The time after which a silent process is taken for dead, sd_watchdog_enabled(3); None where nobody waits."""
    if not microseconds.isdecimal() or pid not in ("", str(os.getpid())):
        return None
    return int(microseconds) / 1e6 or None


def _status(standing: str) -> str:
    return "STATUS=" + printable(" ".join(standing.split()))[:TOLD_AT_MOST]
