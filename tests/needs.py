"""What some tests need of the machine beyond Python, and what happens where it is missing.

A plain laptop passes the suite without a browser or an emulator: tests that need one are then skipped, and
the last lines of the run say which and what to install. Where the environment variable CI is set, a missing
program is a failure, so that no green run there has left anything out.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest

PACKAGES = Path(__file__).with_name("system-packages")


def find_program(name: str) -> str | None:
    """Where the program (or, given an absolute path, the file) is, or None. System folders, which an ordinary
    user's PATH often leaves out, are searched too."""
    if name.startswith("/"):
        return name if os.path.exists(name) else None
    return shutil.which(name, path=f"{os.environ.get('PATH', '')}:/usr/local/sbin:/usr/sbin:/sbin")


def lacking(*names: str) -> str | None:
    """One line that says which of the programs this machine lacks and what to install; None if it has all."""
    missing = [name for name in names if find_program(name) is None]
    if not missing:
        return None
    packages = sorted(package for package, gives in system_packages().items() if gives & set(missing))
    remedy = f"apt-get install {' '.join(packages)}" if packages else "this is for Debian"
    return f"needs {', '.join(missing)}: {remedy}"


def require_programs(*names: str) -> None:
    """Skip the calling test, or fail it under CI, unless every program is there."""
    reason = lacking(*names)
    if reason and under_ci():
        pytest.fail(reason, pytrace=False)
    if reason:
        pytest.skip(reason)


def under_ci() -> bool:
    """Whether nothing may be left out."""
    return bool(os.environ.get("CI"))


def system_packages() -> dict[str, set[str]]:
    """Debian package -> the programs and files that the tests use of it, from tests/system-packages."""
    lines = (line.split("#")[0].split() for line in PACKAGES.read_text(encoding="utf-8").splitlines())
    return {words[0]: set(words[1:]) for words in lines if words}
