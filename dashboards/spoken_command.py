"""One command of linktrial with a name in it, as the owner may copy it into a shell."""

from __future__ import annotations

import shlex

from logger.printable import printable

_SPECIAL_IN_DOUBLE_QUOTES = frozenset('"$`\\!%')


def spoken_command(verb: str, name: str, *, at: str | None = None) -> str | None:
    """ "linktrial at "kiln room" --at "2026-03-14 02:10"". A name that begins with a dash comes last, behind ``--``, so
    that it is not read as an option. None where the name cannot be shown as it is: the command that is seen would name
    something else."""
    if printable(name) != name:
        return None
    options = [] if at is None else ["--at", _quoted(at)]
    words = [*options, "--", _quoted(name)] if name.startswith("-") else [_quoted(name), *options]
    return " ".join(["linktrial", verb, *words])


def _quoted(text: str) -> str:
    """For a shell: in double quotes, which more of them know, where nothing in ``text`` is special within."""
    return shlex.quote(text) if _SPECIAL_IN_DOUBLE_QUOTES & set(text) else f'"{text}"'
