"""A command that is suggested does what it says, whatever the owner's names are."""

from __future__ import annotations

import shlex
import subprocess
from importlib import import_module

import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards.spoken_command import spoken_command
from logger.console import COMMANDS, Parser
from logger.printable import printable

WHEN = "2026-03-14 02:10"
SHOWN = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=20).filter(lambda x: printable(x) == x)


def parsed(command: str):
    program, verb, *words = shlex.split(command)
    assert program == "linktrial"
    parser = Parser(prog=verb)
    import_module(COMMANDS[verb][0]).configure(parser)
    return parser.parse_args(words)


def test_a_plain_name_stands_in_double_quotes_before_the_options():
    assert spoken_command("at", "kiln room", at=WHEN) == f'linktrial at "kiln room" --at "{WHEN}"'
    assert spoken_command("at", "kiln") == 'linktrial at "kiln"'


def test_a_name_that_looks_like_an_option_comes_last():
    assert spoken_command("at", "--db=x", at=WHEN) == f'linktrial at --at "{WHEN}" -- "--db=x"'
    assert spoken_command("at", "--db=x") == 'linktrial at -- "--db=x"'


@pytest.mark.parametrize("name", ["kiln\N{RIGHT-TO-LEFT OVERRIDE}room", "kiln\x1b[2J", "kiln\nroom", "\ud800"])
def test_a_name_that_cannot_be_shown_as_it_is_has_no_command(name):
    assert spoken_command("at", name, at=WHEN) is None


@given(name=st.sampled_from(["--db=x", "-h", "--", "-"]) | SHOWN | SHOWN.map(lambda text: f"-{text}"))
@pytest.mark.parametrize("at", [None, WHEN])
def test_the_command_reads_back_as_the_name_and_the_time(at, name):
    args = parsed(spoken_command("at", name, at=at) or "")
    assert (args.location, args.when, args.db, args.same_placement) == (name, at, None, False)


@pytest.mark.parametrize("name", ["$(reboot)", "a `b` \\ c!", 'the "wheel"', "it's", "100 %", "a & b; c | d > e", "*"])
def test_a_shell_takes_the_name_as_it_is(name):
    words = spoken_command("at", name)
    said = subprocess.run(
        ["sh", "-c", f"linktrial() {{ printf '%s\\0' \"$@\"; }}; {words}"], capture_output=True, text=True, check=True
    )
    assert said.stdout.split("\0")[:-1] == ["at", name]
