"""What a service is to run, and what has to be written and said for it: plain data, the same for all platforms."""

from __future__ import annotations

import os
import sys
from dataclasses import dataclass
from pathlib import Path, PurePath

from logger.errors import LogError

NAME = "linktrial"
DESCRIPTION = "Logs the Wi-Fi link of this laptop (linktrial)"
WRITTEN_BY = "Written by 'linktrial service install'; 'linktrial service uninstall' takes it away again."
RESTART_S = 20  # after a failure, and longer each time up to RESTART_AT_MOST_S where the system can
RESTART_AT_MOST_S = 600
STOP_S = 30  # to write what is left
NICE = 5


@dataclass(frozen=True, slots=True)
class Owner:
    """Who measures: the log and the service's process are theirs. Unknown numbers are None (Windows has none)."""

    name: str
    home: Path
    user_id: int | None = None
    group_id: int | None = None


@dataclass(frozen=True, slots=True)
class Job:
    """What the service runs."""

    program: tuple[str, ...]  # an absolute path first
    log: Path | None  # None: where linktrial looks by itself
    settings: Path | None  # None: likewise
    owner: Owner
    read: tuple[Path, ...] = ()  # where the program itself lies

    @property
    def words(self) -> tuple[str, ...]:
        return (*self.program, "log", *(("--db", str(self.log)) if self.log else ()))

    @property
    def environment(self) -> dict[str, str]:
        return {"LINKTRIAL_SETTINGS": str(self.settings)} if self.settings else {}


@dataclass(frozen=True, slots=True)
class Step:
    """A command of the system's own service manager."""

    words: tuple[str, ...]
    may_fail: bool = False  # it undoes what may not be there


@dataclass(frozen=True, slots=True)
class Plan:
    """One file, and the commands that make the system know it and forget it."""

    platform: str
    scope: str  # "user" or "system"
    file: PurePath
    content: bytes
    job: Job
    install: tuple[Step, ...]  # once the file is there
    uninstall: tuple[Step, ...]  # while it is still there
    forget: tuple[Step, ...]  # once it is gone
    status: str  # shows whether it runs
    said: str  # shows what it says
    note: str = ""  # what the owner may want to know besides
    shown: str = ""  # the content as text, where the file is no UTF-8

    @property
    def text(self) -> str:
        return self.shown or self.content.decode("utf-8")


def running_program() -> tuple[str, ...]:
    """The program that runs now, as an absolute command that needs no PATH."""
    here = Path(sys.executable)
    beside = here.with_name("linktrial")
    if sys.platform != "win32" and beside.is_file() and os.access(beside, os.X_OK):
        return (str(beside.absolute()),)
    windowless = here.with_name("pythonw.exe")  # else a black window stands there for weeks
    return (str((windowless if windowless.is_file() else here).absolute()), "-P", "-m", "logger.console")


def program_folders() -> tuple[Path, ...]:
    """What must be readable for the program to run: its environment, the Python under it, its own source."""
    own = Path(__file__).resolve().parents[2]
    return tuple(sorted({Path(sys.prefix).absolute(), Path(sys.base_prefix).absolute(), own}))


def owner_of_this(name: str | None = None, *, by_sudo: bool = False) -> Owner:
    """The owner named, else who runs this; ``by_sudo``: else who called sudo. Raises LogError for nobody known."""
    if sys.platform == "win32":
        return Owner(os.environ.get("USERNAME", ""), Path.home())
    import pwd

    asked = name or (os.environ.get("SUDO_USER") if by_sudo and os.geteuid() == 0 else None)
    try:
        entry = pwd.getpwnam(asked) if asked else pwd.getpwuid(os.geteuid())
    except KeyError:
        raise LogError(f"there is no user {asked or os.geteuid()} here; say --owner with another") from None
    return Owner(entry.pw_name, Path(entry.pw_dir), entry.pw_uid, entry.pw_gid)
