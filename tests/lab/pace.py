"""The pace of the guest's time.

Time there is counted in instructions and jumps to the next timer whenever every process sleeps. That makes
minutes of logging pass in seconds. But it would jump as well while a process waits for a file of the host, which
takes real time, and timers would then run out that never should. So a busy process of the lowest priority, started
by init.sh, holds time to the pace of the instructions; ``let_go`` stops it where nobody will wait for a file.
"""

from __future__ import annotations

import os
import signal
import time
from collections.abc import Iterator
from contextlib import contextmanager


class Pace:
    """The busy process that holds time back."""

    def __init__(self) -> None:
        self._pid = int(os.environ["PACE_PID"])

    @contextmanager
    def let_go(self) -> Iterator[None]:
        """Let time jump."""
        os.kill(self._pid, signal.SIGSTOP)
        try:
            yield
        finally:
            os.kill(self._pid, signal.SIGCONT)

    def let_pass(self, seconds: float) -> None:
        """Sleep, and let time jump."""
        with self.let_go():
            time.sleep(seconds)
