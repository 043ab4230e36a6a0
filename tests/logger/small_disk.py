"""A disk that is soon full: a real file system of a few megabytes."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from tests.needs import find_program, require_programs, under_ci

CHUNK = 4096


@contextmanager
def small_disk(place: Path, n_bytes: int) -> Iterator[Path]:
    """A file system of that size, there for as long as it is needed. Needs root on Linux: else the calling test is
    skipped, or fails under CI."""
    require_programs("mount", "umount")
    if os.geteuid() != 0:
        reason = "needs root, to mount a small disk"
        pytest.fail(reason, pytrace=False) if under_ci() else pytest.skip(reason)
    place.mkdir()
    words = [find_program("mount"), "-t", "tmpfs", "-o", f"size={n_bytes}", "tmpfs", str(place)]
    mounted = subprocess.run(words, capture_output=True, text=True, check=False)
    if mounted.returncode:  # in a container root may not: no program that is missing, so no failure under CI
        pytest.skip(f"needs a kernel that lets root mount a small disk: {mounted.stderr.strip()}")
    try:
        yield place
    finally:
        subprocess.run([find_program("umount"), "-l", str(place)], check=True)


def fill_up(disk: Path, leaving: int = 0) -> Path:
    """Fill it, but for so many bytes; returns the file to take away when there shall be room again."""
    ballast = disk / "ballast"
    with ballast.open("ab", buffering=0) as file:
        try:
            while True:
                file.write(bytes(CHUNK))
        except OSError:
            pass
        file.truncate(max(0, file.tell() // CHUNK * CHUNK - leaving))
    return ballast
