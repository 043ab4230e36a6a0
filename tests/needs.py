"""What some tests need of the machine beyond Python, and what happens where it is missing.

A plain laptop passes the suite without a browser or an emulator: tests that need one are then skipped, and
the last lines of the run say which and what to install. Where the environment variable CI is set, a missing
program is a failure, so that no green run there has left anything out.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import NoReturn

import pytest

PACKAGES = Path(__file__).with_name("system-packages")


def find_program(name: str) -> str | None:
    """Where the program (or, given an absolute path, the file) is, or None. System folders, which an ordinary
    user's PATH often leaves out, are searched too."""
    if name.startswith("/"):
        return name if os.path.exists(name) else None
    return shutil.which(name, path=f"{os.environ.get('PATH', '')}:/usr/local/sbin:/usr/sbin:/sbin")


def require_programs(*names: str) -> None:
    """Skip the calling test, or fail it under CI, unless every program is there."""
    missing = [name for name in names if find_program(name) is None]
    if missing:
        packages = sorted({package for package, gives in system_packages().items() if gives & set(missing)})
        wanted = f"apt-get install {' '.join(packages)}" if packages else "install it"
        lack(f"needs {', '.join(missing)}: {wanted}")


def lack(reason: str) -> NoReturn:
    """Say that this machine lacks something: a failure under CI, elsewhere a skip that the summary shows."""
    if os.environ.get("CI"):
        pytest.fail(reason, pytrace=False)
    pytest.skip(reason)


def system_packages() -> dict[str, set[str]]:
    """Debian package -> the programs and files that the tests use of it, from tests/system-packages."""
    lines = (line.split("#")[0].split() for line in PACKAGES.read_text(encoding="utf-8").splitlines())
    return {words[0]: set(words[1:]) for words in lines if words}
