"""A process beside the daemon: watched without waiting, ended for sure, and gentle to the machine where it may be."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from contextlib import suppress
from typing import IO

from adapters.clock import Clock

WORDS_READ = 2000  # bytes of a child's last words
LEAVE_S = 5.0  # to keep what it has done, when it is asked to end


class Child:
    """A process of its own group, so that all it starts can be ended with it."""

    def __init__(self, command: Sequence[str], clock: Clock, *, gives_way: bool = True) -> None:
        """``gives_way``: at the lowest priority, else at that of this process. Raises OSError where it cannot be
        started."""
        self._clock = clock
        self._started_s = clock.awake_s()
        self._asked_s: float | None = None
        self._errors: IO[bytes] = tempfile.TemporaryFile()  # noqa: SIM115  closed by end()
        try:
            self._process = subprocess.Popen(
                command,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.DEVNULL,
                stderr=self._errors,
                start_new_session=True,
            )
        except BaseException:
            self._errors.close()
            raise
        if gives_way:
            _give_way(self._process.pid)

    def poll(self) -> int | None:
        """Its exit code; None while it runs."""
        return self._process.poll()

    def lasted_s(self) -> float:
        """For how long, the machine being awake."""
        return self._clock.awake_s() - self._started_s

    def last_words(self) -> str:
        """The last line that it wrote to standard error."""
        end = self._errors.seek(0, os.SEEK_END)
        self._errors.seek(max(0, end - WORDS_READ))
        lines = self._errors.read().decode("utf-8", "replace").strip().splitlines()
        return lines[-1].removeprefix("linktrial: ") if lines else f"it ended with code {self._process.returncode}"

    def ask_to_end(self) -> float:
        """Ask it to end, with whatever it started; once. For how many seconds it has been asked."""
        if self._asked_s is None:
            self._asked_s = self._clock.awake_s()
            self._signal("SIGTERM")
        return self._clock.awake_s() - self._asked_s

    def end(self, leave_s: float = LEAVE_S) -> None:
        """Have it end, if it still runs: ask, wait for ``leave_s`` seconds at most, then kill. It holds nothing that
        SQLite cannot roll back."""
        if self._process.poll() is None and leave_s:
            self.ask_to_end()
            with suppress(subprocess.TimeoutExpired):
                self._process.wait(leave_s)
        if self._process.poll() is None:
            self._signal("SIGKILL")
            self._process.wait()
        self._errors.close()

    def _signal(self, name: str) -> None:
        """To its whole group, where there are groups."""
        with suppress(OSError):
            if hasattr(os, "killpg"):
                os.killpg(self._process.pid, getattr(signal, name))
            else:
                self._process.kill()  # Windows cannot ask


def _give_way(pid: int) -> None:
    """The lowest priority for a process, and on Linux the disk only when nobody else wants it."""
    import psutil  # late: a log without a trial needs none

    with suppress(psutil.Error, OSError):
        process = psutil.Process(pid)
        if sys.platform == "win32":
            process.nice(psutil.IDLE_PRIORITY_CLASS)
        else:
            process.nice(19)
        if sys.platform == "linux":
            process.ionice(psutil.IOPRIO_CLASS_IDLE)


def runs_on_battery() -> bool:
    """Whether the machine is unplugged; one that cannot tell is not."""
    import psutil

    sensors = getattr(psutil, "sensors_battery", None)
    try:
        battery = sensors() if sensors else None
    except (psutil.Error, OSError):
        return False
    return battery is not None and battery.power_plugged is False
