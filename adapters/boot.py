"""Which boot of the machine this is, so that a restart can be told from a program that ended without a word.

An identity is a short text for comparing, and for nothing else: on Linux a digest of the kernel's own boot id
(/proc/sys/kernel/random/boot_id, proc(5)), elsewhere the time of the boot, which a clock that is corrected moves a
little.
"""

from __future__ import annotations

import hashlib
from pathlib import Path

_SAME_WITHIN_S = 120.0  # psutil works the time of the boot out from the wall clock on some systems
_BOOT_ID = Path("/proc/sys/kernel/random/boot_id")


def boot_identity(boot_id: Path = _BOOT_ID) -> str | None:
    """The identity of this boot, None where the system tells nothing."""
    try:
        told = boot_id.read_text("ascii").strip()
    except (OSError, UnicodeDecodeError):
        told = ""
    if told:
        return "id " + hashlib.sha256(f"linktrial boot {told}".encode()).hexdigest()[:16]
    import psutil

    try:
        return f"at {psutil.boot_time():.0f}"
    except (OSError, RuntimeError, psutil.Error):
        return None


def same_boot(one: str | None, other: str | None) -> bool | None:
    """Whether two identities are of one boot; None where that cannot be told."""
    if not one or not other or one[:3] != other[:3]:
        return None
    if one.startswith("at "):
        try:
            return abs(float(one[3:]) - float(other[3:])) <= _SAME_WITHIN_S
        except ValueError:
            return None
    return one == other
