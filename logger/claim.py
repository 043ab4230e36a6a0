"""One daemon per log: a lock that the system takes back when its holder ends, however it ends.

The lock lies on a file of its own beside the log (``linktrial.db.daemon``), not on the log: SQLite's own
locks live there, and on POSIX they are lost when any other handle of that file is closed. The file stays
when the daemon ends; removing it would let two daemons each hold a lock on a different file of the same
name.
"""

from __future__ import annotations

import os
import sys
import time
from pathlib import Path
from types import TracebackType

from logger.errors import LogError, LogInUse

PATIENCE_S = 0.25  # a look by `linktrial status` holds the lock for microseconds
_PID_DIGITS = 20

if sys.platform == "win32":
    import msvcrt

    _FAR = 1 << 30  # Windows bars others from reading a locked byte, so one beyond the pid is locked

    def _lock(handle: int) -> bool:
        os.lseek(handle, _FAR, os.SEEK_SET)
        try:
            msvcrt.locking(handle, msvcrt.LK_NBLCK, 1)
        except OSError:
            return False
        return True

else:
    import fcntl

    def _lock(handle: int) -> bool:
        try:
            fcntl.flock(handle, fcntl.LOCK_EX | fcntl.LOCK_NB)
        except BlockingIOError:
            return False
        return True


class Claim:
    """The right to log into one log, held until ``release`` or the end of the process."""

    def __init__(self, handle: int) -> None:
        self._handle = handle

    @classmethod
    def take(cls, log: Path, purpose: str = "daemon") -> Claim:
        """Claim ``log`` for a daemon, or for a ``merge``. Raises LogInUse, naming the holder's process id, where
        another holds it for that already."""
        path = _claim_path(log, purpose)
        try:
            handle = os.open(path, os.O_RDWR | os.O_CREAT | getattr(os, "O_CLOEXEC", 0), 0o600)
        except OSError as error:
            raise LogError(f"{path} cannot be written: {error.strerror}; check the folder and your rights") from error
        deadline_s = time.monotonic() + PATIENCE_S
        while not _lock(handle):
            if time.monotonic() > deadline_s:
                pid = _read_pid(handle)
                os.close(handle)
                who = f"process {pid}" if pid else "another process"
                if purpose != "daemon":
                    raise LogInUse(f"{who} does a {purpose} into {log} already; let it end first")
                raise LogInUse(f"{who} is logging into {log} already; stop it first, or say --db with another file")
            time.sleep(0.02)
        os.ftruncate(handle, 0)
        os.lseek(handle, 0, os.SEEK_SET)
        os.write(handle, f"{os.getpid()}\n".encode())
        return cls(handle)

    def release(self) -> None:
        """Give the claim back; may be called twice."""
        if self._handle >= 0:
            os.ftruncate(self._handle, 0)
            os.close(self._handle)
            self._handle = -1

    def __enter__(self) -> Claim:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.release()


def holder(log: Path) -> int | None:
    """Process id of the daemon that logs into ``log``; 0 where it cannot be told; None where there is
    none."""
    try:
        handle = os.open(_claim_path(log), os.O_RDWR)
    except OSError:
        return None
    try:
        return None if _lock(handle) else _read_pid(handle) or 0
    finally:
        os.close(handle)


def _claim_path(log: Path, purpose: str = "daemon") -> Path:
    real = log.resolve()  # two names of one log are one log
    return real.with_name(real.name + f".{purpose}")


def _read_pid(handle: int) -> int | None:
    os.lseek(handle, 0, os.SEEK_SET)
    words = os.read(handle, _PID_DIGITS).split()
    return int(words[0]) if words and words[0].isdigit() else None
