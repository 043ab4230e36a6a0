"""The bar while effects are worked out: on any terminal, also on one that tells no size; and a timeline that ended."""

from __future__ import annotations

import os
import pty
import sys

from logger.console import main
from tests.dashboards.beside_log import make_beside_log

PROGRAM = """
from dashboards.commands.progress import effects_bar
with effects_bar() as tell:
    tell(0, 3)
    tell(2, 3)
"""


def test_a_terminal_without_a_size_is_shown_the_bar():
    child, terminal = pty.fork()
    if child == 0:
        os.environ.pop("COLUMNS", None)
        os.execv(sys.executable, [sys.executable, "-c", PROGRAM])
    shown = b""
    while True:
        try:
            some = os.read(terminal, 4096)
        except OSError:  # the child has gone
            break
        if not some:
            break
        shown += some
    os.waitpid(child, 0)
    os.close(terminal)
    assert b"working out the effects 2 / 3" in shown


def test_a_period_that_nobody_logged_in_for_long_is_told_up_to_its_last_sample(tmp_path, capsys):
    path = make_beside_log(tmp_path / "pottery.db", hours=2)  # in 2026, by a clock of its own
    assert main(["timeline", "--db", str(path)]) == 0
    said = capsys.readouterr().out
    assert "open since (1 h 59 min)" in said or "open since (2 h)" in said
    assert "now (" not in said
