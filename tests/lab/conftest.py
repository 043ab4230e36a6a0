"""Boots the lab once, beside the other tests: the guest runs while they do, and the lab's own tests come last."""

from __future__ import annotations

import os
import platform
import signal
import subprocess
import sys
import tempfile
from collections.abc import Iterator
from contextlib import closing
from dataclasses import dataclass
from pathlib import Path

import pytest
from boot import PROGRAMS
from needs import lacking, under_ci
from trip import Trip


@dataclass
class Guest:
    """The process that boots, and the folder that its results go to."""

    process: subprocess.Popen[str]
    folder: tempfile.TemporaryDirectory[str]


GUEST = pytest.StashKey[Guest]()


def why_not() -> str | None:
    """One line that says why the lab cannot boot here, None if it can."""
    if platform.machine() != "x86_64":
        return f"the lab boots an x86_64 kernel on this machine's own files, which are for {platform.machine()}"
    return lacking(*PROGRAMS)


def pytest_itemcollected(item: pytest.Item) -> None:
    """Mark all that is in this folder; skip by mark, which the summary folds into one line."""
    item.add_marker("lab")
    reason = why_not()
    if reason and not under_ci():
        item.add_marker(pytest.mark.skip(reason=reason))


@pytest.hookimpl(trylast=True)
def pytest_collection_modifyitems(items: list[pytest.Item]) -> None:
    items.sort(key=lambda item: item.get_closest_marker("lab") is not None)


def pytest_collection_finish(session: pytest.Session) -> None:
    wanted = any(item.get_closest_marker("lab") for item in session.items)
    if not wanted or session.config.option.collectonly or why_not():
        return
    folder = tempfile.TemporaryDirectory(prefix="linktrial-lab-")
    process = subprocess.Popen(
        [sys.executable, Path(__file__).with_name("boot.py"), "--results", f"{folder.name}/results"],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.STDOUT,
        text=True,
        start_new_session=True,  # so that qemu can be ended with it
    )
    session.config.stash[GUEST] = Guest(process, folder)


def pytest_unconfigure(config: pytest.Config) -> None:
    guest = config.stash.get(GUEST, None)
    if guest is None:
        return
    if guest.process.poll() is None:
        os.killpg(guest.process.pid, signal.SIGTERM)
    guest.process.wait()
    guest.folder.cleanup()


@pytest.fixture(scope="session")
def trip(pytestconfig: pytest.Config) -> Iterator[Trip]:
    """What the guest carried out."""
    if reason := why_not():
        pytest.fail(reason, pytrace=False)
    guest = pytestconfig.stash[GUEST]
    said, _ = guest.process.communicate()
    if guest.process.returncode:
        pytest.fail(said, pytrace=False)
    with closing(Trip(Path(guest.folder.name, "results"))) as trip:
        yield trip
