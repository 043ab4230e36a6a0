"""Many effects at once: the same as one by one, whatever becomes of the workers."""

from __future__ import annotations

import multiprocessing
import os
import pickle
import pty
import signal
import subprocess
import sys
import termios
import time
from pathlib import Path

import psutil
import pytest

from dashboards import many_effects
from dashboards.comparison import Asked, judge
from dashboards.frames import load_blocks
from dashboards.many_effects import PAYS_FROM, all_cores, judge_many
from logger.log import Log
from tests.dashboards.kiln_log import make_kiln_log

QUICK = [
    Asked(1, 2, "kiln room", "5", metric, 5.0, float(washout_s), False, False)
    for metric in ("outage", "drop-outs")
    for washout_s in range(PAYS_FROM)
]  # enough of them that two processes pay


class Dies(Asked):
    """Asked for, it ends the worker that takes it out of its parcel; here it is an effect as any other."""

    def __reduce__(self):
        return _die_but_here, (os.getpid(), *(getattr(self, name) for name in Asked.__dataclass_fields__))


def _die_but_here(parent, *told):
    if os.getpid() != parent:
        os._exit(1)
    return Asked(*told)


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    return make_kiln_log(tmp_path_factory.mktemp("many") / "kiln.db")


@pytest.fixture(scope="module")
def blocks(path):
    with Log.open(path) as log:
        return load_blocks(log)


def test_two_processes_find_what_one_does(blocks):
    before = dict(os.environ)
    alone = dict(judge_many(QUICK, blocks))
    assert list(alone) == QUICK
    assert dict(judge_many(QUICK, blocks, 2)) == alone
    assert not multiprocessing.active_children()
    assert dict(os.environ) == before


def test_few_effects_are_not_worth_a_process(blocks, monkeypatch):
    monkeypatch.setattr(many_effects, "_workers", None)
    assert len(list(judge_many(QUICK[:PAYS_FROM], blocks, 64))) == PAYS_FROM


def test_what_a_worker_that_died_had_is_done_here(blocks):
    deadly = [Dies(*(getattr(one, name) for name in Asked.__dataclass_fields__)) for one in QUICK]
    assert pickle.loads(pickle.dumps(deadly[0])) == QUICK[0]
    found = list(judge_many(deadly, blocks, 2))
    assert sorted(one.washout_s for one, _ in found) == sorted(one.washout_s for one in QUICK)
    assert all(effect == judge(one, blocks) for one, effect in found[-2:])
    assert not multiprocessing.active_children()


def test_when_it_is_broken_off_the_workers_are_gone(blocks):
    many = judge_many(QUICK, blocks, 2)
    next(many)
    assert multiprocessing.active_children()
    many.close()
    assert not multiprocessing.active_children()


def test_what_the_estimator_refuses_is_said_as_it_is_here(blocks):
    refused = [Asked(1, 2, "kiln room", "5", "outage", -1.0, 120.0, False, False)] * (2 * PAYS_FROM)
    with pytest.raises(ValueError, match="a margin of"):
        list(judge_many(refused, blocks, 2))
    assert not multiprocessing.active_children()


def test_there_is_at_least_one_core():
    assert 1 <= all_cores() <= (os.cpu_count() or 1)


# --- from the command line ---


@pytest.fixture
def two_bands(tmp_path):
    """A log whose one comparison is of twice as many effects: it has both versions on both bands."""
    path = make_kiln_log(tmp_path / "kiln.db")
    with Log.open(path) as log, log.transaction() as db:
        link = db.execute("SELECT id FROM link WHERE band = '2.4'").fetchone()[0]
        db.execute("UPDATE block SET link_id = ? WHERE link_id > 0 AND started_at_utc_ms / 3600000 % 3 = 0", (link,))
    return path


PROGRAMS = {
    "the module": [sys.executable, "-m", "logger.console"],
    "the script": [str(Path(sys.executable).with_name("linktrial"))],
}


@pytest.mark.parametrize("program", PROGRAMS.values(), ids=PROGRAMS)
def test_on_a_terminal_it_says_how_many_are_done_of_how_many(two_bands, program):
    """And it works as the module and as the script: a worker finds its way in from either."""
    words = [*program, "compare", "v1", "v2", "--db", str(two_bands), "--json"]
    shown, terminal = _terminal()
    with subprocess.Popen(words, stdout=subprocess.PIPE, stderr=terminal) as child:
        os.close(terminal)
        answer, _ = child.communicate(timeout=120)
    text = _all_of(shown)
    assert child.returncode == 0
    assert answer.count(b'"metric"') == 12
    assert "working out the effects 0 / 12 " in text
    assert "working out the effects 12 / 12 " in text
    assert "Traceback" not in text
    assert "Warning" not in text
    again = subprocess.run(words, capture_output=True, check=True)
    assert (again.stdout, again.stderr) == (answer, b"")


def test_control_c_ends_it_at_once(two_bands):
    words = [*PROGRAMS["the module"], "compare", "v1", "v2", "--db", str(two_bands)]
    shown, terminal = _terminal()
    with subprocess.Popen(words, stderr=terminal, start_new_session=True) as child:
        os.close(terminal)
        text = ""
        while " 1 / 12 " not in text:
            text += os.read(shown, 1000).decode()
        began_s = time.monotonic()
        os.killpg(child.pid, signal.SIGINT)  # as a terminal does: all of its processes
        assert child.wait(timeout=60) == 130
        assert time.monotonic() - began_s < 5
    assert "Traceback" not in text + _all_of(shown)


def test_a_program_that_is_killed_leaves_no_worker_behind(two_bands):
    words = [*PROGRAMS["the module"], "compare", "v1", "v2", "--db", str(two_bands)]
    shown, terminal = _terminal()
    with subprocess.Popen(words, stdout=subprocess.DEVNULL, stderr=terminal) as child:
        os.close(terminal)
        text = ""
        while " 2 / 12 " not in text:
            text += os.read(shown, 1000).decode()
        workers = psutil.Process(child.pid).children()
        child.kill()
    os.close(shown)
    assert workers
    assert not psutil.wait_procs(workers, timeout=30)[1]


def _terminal() -> tuple[int, int]:
    """What is shown on it, and the terminal."""
    shown, terminal = pty.openpty()
    termios.tcsetwinsize(terminal, (24, 100))
    return shown, terminal


def _all_of(terminal: int) -> str:
    text = b""
    try:
        while piece := os.read(terminal, 1000):
            text += piece
    except OSError:  # nobody holds its other end any more
        pass
    os.close(terminal)
    return text.decode("utf-8", "replace")
