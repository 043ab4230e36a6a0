"""The far end that this owner paired with: its address and its token, in a file for the owner's eyes alone.

The token stands there and nowhere else: not in the log, which is handed on, and not on a command line, which every user
of the machine can read.
"""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import NamedTuple

from adapters.probing.target import NoTarget, Target, far_end_target, url_target
from logger.errors import LogError, SettingsError
from logger.settings import Settings, settings_path

LONGEST_BYTES = 10_000  # of the file


class Paired(NamedTuple):
    """A far end and the right to use it."""

    address: str
    name: str  # as it calls itself
    token: str

    def __repr__(self) -> str:
        """Without the token, which no traceback may show."""
        return f"Paired({self.address!r}, {self.name!r})"


def pairing_path(settings: Path | None = None) -> Path:
    """Beside the settings, in force or as told."""
    return (settings or settings_path()).with_name("far-end.json")


def read_pairing(path: Path | None = None) -> Paired | None:
    """The far end paired with; None where there is none. Raises LogError for a file that makes no sense."""
    path = pairing_path() if path is None else path
    try:
        if os.name == "posix" and path.stat().st_mode & 0o077:
            path.chmod(0o600)
        with path.open("rb") as file:
            known = json.loads(file.read(LONGEST_BYTES))
        paired = Paired(known["address"], known["name"], known["token"])
        if not all(isinstance(value, str) for value in paired) or not paired.token.isascii() or not paired.token:
            raise TypeError
        far_end_target(paired.address, paired.token)
    except FileNotFoundError:
        return None
    except OSError as error:
        raise LogError(f"{path} cannot be read: {error.strerror}") from error
    except (ValueError, KeyError, TypeError, RecursionError, NoTarget):
        raise LogError(f"{path} makes no sense; 'linktrial probe --pair' writes it anew") from None
    return paired


def keep_pairing(paired: Paired, path: Path | None = None) -> Path:
    """Write it down, in place of another; returns where to. Raises LogError."""
    from logger.whole_file import whole_file  # late: 'status' writes nothing, and is to answer at once

    path = pairing_path() if path is None else path
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
    except OSError as error:
        raise LogError(f"{path.parent} cannot be made: {error.strerror}") from error
    with whole_file(path) as out:
        json.dump(paired._asdict(), out)
        out.write("\n")
    return path


def forget_pairing(path: Path | None = None) -> bool:
    """Whether there was one. Raises LogError."""
    path = pairing_path() if path is None else path
    try:
        path.unlink()
    except FileNotFoundError:
        return False
    except OSError as error:
        raise LogError(f"{path} cannot be removed: {error.strerror}") from error
    return True


def target_of(settings: Settings, url: str | None = None) -> Target | None:
    """Whom to speak to: the ``url`` asked for, else what the settings name, else the far end paired with; None where
    that is nobody. Raises LogError where the file or the settings make no sense, NoTarget for a bad ``url``."""
    if url:
        return url_target(url)
    named = settings.probe_far_end.strip()
    try:
        if "://" in named:
            return url_target(named)
        paired = read_pairing()
        if named and paired is None:
            raise SettingsError(f"'probe_far_end' names {named!a}; pair with it first: 'linktrial probe --pair'")
        return far_end_target(named or paired.address, paired.token) if paired else None
    except NoTarget as error:
        raise SettingsError(f"'probe_far_end': {error}") from error
