"""One module per command, and the options that commands share."""

from __future__ import annotations

import argparse
from collections.abc import Callable

from logger.log import Log, log_path
from logger.printable import printable

_SPECIAL_IN_DOUBLE_QUOTES = frozenset('"$`\\!%')


def add_log_option(parser: argparse.ArgumentParser, *, default: str | None = None) -> None:
    """``default``: argparse.SUPPRESS where a parser above may have been told already, here and below."""
    words = "the log (else LINKTRIAL_DB, else the platform's data folder)"
    parser.add_argument("--db", metavar="PATH", default=default, help=words)


def add_json_option(parser: argparse.ArgumentParser, *, default: bool | str = False) -> None:
    parser.add_argument("--json", action="store_true", default=default, help="answer for machines")


def open_log(args: argparse.Namespace, *, create: bool = False) -> Log:
    return Log.open(log_path(args.db), create=create)


def on_log(args: argparse.Namespace) -> str:
    """What goes behind a command that is handed out, so that it takes the log that this one was told: "" or
    ' --db "trial of spring.db"'. A path that cannot be shown as it is is left out."""
    db = args.db
    return "" if db is None or printable(db) != db else f" --db {for_shell(db)}"


def for_shell(text: str) -> str:
    """In double quotes, which more shells know, where nothing in ``text`` is special within."""
    import shlex

    return shlex.quote(text) if _SPECIAL_IN_DOUBLE_QUOTES & set(text) else f'"{text}"'


def number_of_setting(name: str) -> Callable[[str], float]:
    """What argparse is to make of a number that may stand behind that key of the settings file, too."""

    def parsed(text: str) -> float:
        from logger.settings import in_range, range_words

        try:
            number = float(text)
        except ValueError:
            number = float("nan")
        if not in_range(name, number):
            raise argparse.ArgumentTypeError(f"'{text}' is not {range_words(name)}")
        return number

    return parsed


def number_of_days(least: float, most: float) -> Callable[[str], float]:
    """What argparse is to make of a number of days from ``least`` to ``most``."""

    def parsed(text: str) -> float:
        try:
            days = float(text)
        except ValueError:
            days = float("nan")
        if not least <= days <= most:
            raise argparse.ArgumentTypeError(f"'{text}' is no number of days from {least:g} to {most:g}")
        return days

    return parsed
