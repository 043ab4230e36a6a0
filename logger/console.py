"""The program ``linktrial``: finds the verb, loads that one module, runs it.

Each command's module is loaded by its name when it is called, so that ``linktrial at bench`` never imports
pandas and the daemon never pays for plotly. A command module has two functions: ``configure(parser)`` adds its
arguments, ``run(args)`` does the work and returns the exit code (None for 0). Exit codes: 0 done, 1 it could
not, 2 wrong usage.
"""

from __future__ import annotations

import argparse
import os
import sys
from importlib import import_module
from typing import Any, NoReturn

from logger.printable import printable

COMMANDS = {
    "demo": ("dashboards.commands.demo", "a whole trial on the simulated radio, weeks in seconds, and its report"),
    "log": ("logger.commands.log", "take samples until stopped"),
    "at": ("logger.commands.at", "the laptop now stands here"),
    "changed": ("logger.commands.changed", "the router was changed: a new config version starts"),
    "back-to": ("logger.commands.back_to", "the router is back in an earlier version"),
    "timeline": ("logger.commands.timeline", "periods, versions and events; amend, split, join, undo"),
    "probe": ("logger.commands.probe", "test what the link carries now; pair with a far end"),
    "status": ("logger.commands.status", "is it logging, what did it last read, how far is the running trial"),
    "watch": ("logger.commands.watch", "hear all radios of a network, on all bands, from this spot"),
    "review": ("dashboards.commands.review", "judge the running trial now; 'linktrial log' does so every hour"),
    "compare": ("dashboards.commands.compare", "what one version did against another, with intervals"),
    "plan": ("dashboards.commands.plan", "how long, and in which order, to see a difference of D dB here"),
    "channels": ("dashboards.commands.channels", "who else is on the air, and would another channel be better"),
    "report": ("dashboards.commands.report", "the report, as one HTML file"),
    "export": ("logger.commands.export", "write the samples or the tables as CSV"),
    "import": ("logger.commands.import_", "take samples that somebody else recorded"),
    "rescue": ("logger.commands.rescue", "save what can be read of a damaged log into a new one"),
    "merge": ("logger.commands.merge", "take in another machine's log"),
    "backup": ("logger.commands.backup", "a copy of the log in one file, while it is logged into"),
    "service": ("logger.commands.service", "let the system run 'linktrial log': install, uninstall, show"),
    "far-end": ("logger.commands.far_end", "the other end for transfers, on a wired machine"),
    "check": ("logger.commands.check", "what this machine, card and driver can measure"),
}


class _Help(argparse.HelpFormatter):
    """As wide as the terminal. argparse would import shutil, with three compressors, to learn how wide that is, and do
    so for every command."""

    def __init__(self, prog: str) -> None:
        try:
            width = int(os.environ.get("COLUMNS", 0)) or os.get_terminal_size().columns
        except (OSError, ValueError):
            width = 80
        super().__init__(prog, width=max(width, 40) - 2)


class Parser(argparse.ArgumentParser):
    """Says what is wrong in one line, and how to learn more."""

    def __init__(self, *args: Any, **choices: Any) -> None:
        super().__init__(*args, **{"formatter_class": _Help, **choices})

    def error(self, message: str) -> NoReturn:
        print(f"{self.prog}: {printable(message)}; try '{self.prog} --help'", file=sys.stderr)
        raise SystemExit(2)


def main(argv: list[str] | None = None) -> int:
    """Run one command line and return its exit code."""
    words = list(sys.argv[1:] if argv is None else argv)
    if not words or words[0] in ("-h", "--help", "help"):
        print(overview())
        return 0 if words else 2
    if words[0] == "--version":
        from importlib.metadata import version

        print(f"linktrial {version('linktrial')}")
        return 0
    before = _take_log_option(words)  # `linktrial --db PATH status` is as good as `linktrial status --db PATH`
    verb = words.pop(0) if words else ""
    words = before + words
    if verb not in COMMANDS:
        from difflib import get_close_matches

        near = get_close_matches(verb, COMMANDS, 1)
        hint = f"did you mean '{near[0]}'?" if near else "try 'linktrial --help'"
        print(f"linktrial: there is no command '{printable(verb)}'; {hint}", file=sys.stderr)
        return 2
    module_name, summary = COMMANDS[verb]
    command = import_module(module_name)
    parser = Parser(prog=f"linktrial {verb}", description=command.__doc__ or summary)
    command.configure(parser)
    try:
        args = parser.parse_args(words)
    except SystemExit as stop:
        return int(stop.code or 0)
    return _run(command, args)


def _take_log_option(words: list[str]) -> list[str]:
    if words[0] == "--db":
        taken, words[:2] = words[:2], []
        return taken
    return [words.pop(0)] if words[0].startswith("--db=") else []


def _run(command: object, args: argparse.Namespace) -> int:
    import sqlite3

    from adapters.errors import AdapterError
    from logger.errors import LogError

    if hasattr(sys.stdout, "reconfigure"):  # what this terminal cannot show does not stop the answer
        sys.stdout.reconfigure(errors="backslashreplace")
    try:
        return command.run(args) or 0  # type: ignore[attr-defined]
    except (LogError, AdapterError) as error:
        print(f"linktrial: {printable(str(error))}", file=sys.stderr)
        return 1
    except sqlite3.DatabaseError as error:
        print(f"linktrial: {printable(_unread(error, args))}", file=sys.stderr)
        return 1
    except BrokenPipeError:  # the reader of our output went away, as in `linktrial timeline | head`
        sys.stderr.close()
        return 1
    except KeyboardInterrupt:
        return 130


def _unread(error: Exception, args: argparse.Namespace) -> str:
    """What to say of a log that SQLite could not read, in the words of those that open one."""
    from logger.errors import LogError
    from logger.log import explained, log_path

    try:
        with explained(log_path(getattr(args, "db", None))):
            raise error
    except LogError as ours:
        return str(ours)
    except Exception:
        return f"the log cannot be read ({error}); is the disk full?"


def overview() -> str:
    """The list of commands."""
    width = max(map(len, COMMANDS))
    lines = [f"    {verb:<{width}}  {summary}" for verb, (_, summary) in COMMANDS.items()]
    return "\n".join(
        ["usage: linktrial COMMAND ...", "", "What did each change at the router do to the Wi-Fi here?", "", *lines, ""]
        + ["'linktrial COMMAND --help' tells more."]
    )


if __name__ == "__main__":
    sys.exit(main())
