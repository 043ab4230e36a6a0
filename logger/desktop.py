"""The desktop's own notification, where there is a desktop to show one."""

from __future__ import annotations

import os
import shutil
import subprocess
from collections import deque
from collections.abc import Mapping
from contextlib import suppress

from adapters.clock import Clock

TITLE = "linktrial"
PATIENCE_S = 20.0  # a desktop that does not answer
WAITING_AT_MOST = 8  # notifications; of more the newest


class Desktop:
    """Hands words to ``notify-send`` and never waits. Whatever goes wrong there is silent: the journal has the words
    too."""

    def __init__(self, clock: Clock, environ: Mapping[str, str] = os.environ) -> None:
        self._clock = clock
        self._environ = environ
        self._waiting: deque[str] = deque(maxlen=WAITING_AT_MOST)
        self._sending: subprocess.Popen[bytes] | None = None
        self._since_s = 0.0

    def tell(self, words: str) -> None:
        """Show ``words``, once those before them have arrived; nothing where no session is there or no program for
        it."""
        if self._program():
            self._waiting.append(words)
            self.tick()

    def tick(self) -> None:
        """Look whether the words have arrived, give up on them after a while, and send the next."""
        if self._sending is not None:
            if self._sending.poll() is None and self._clock.awake_s() - self._since_s <= PATIENCE_S:
                return
            self._give_up()
        if self._waiting:
            self._send(self._waiting.popleft())

    def close(self) -> None:
        """Leave no process behind."""
        self._waiting.clear()
        self._give_up()

    def _program(self) -> str | None:
        if not self._environ.get("DBUS_SESSION_BUS_ADDRESS"):
            return None
        return shutil.which("notify-send", path=self._environ.get("PATH"))

    def _send(self, words: str) -> None:
        quiet = subprocess.DEVNULL
        if program := self._program():
            with suppress(OSError):
                self._sending = subprocess.Popen(
                    [program, f"--app-name={TITLE}", "--", TITLE, _as_plain_text(words)],
                    stdin=quiet,
                    stdout=quiet,
                    stderr=quiet,
                    env=dict(self._environ),
                )
                self._since_s = self._clock.awake_s()

    def _give_up(self) -> None:
        if self._sending is not None:
            self._sending.kill()
            self._sending.wait()
            self._sending = None


def _as_plain_text(words: str) -> str:
    """A notification's body may hold markup (Desktop Notifications Specification 1.2), and notify-send reads
    backslashes in it as C does."""
    for sign, plain in (("\\", "\\\\"), ("&", "&amp;"), ("<", "&lt;"), (">", "&gt;")):
        words = words.replace(sign, plain)
    return words
