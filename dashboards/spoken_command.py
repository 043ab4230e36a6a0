"""One command of linktrial with a name in it, as the owner may copy it into a shell."""

from __future__ import annotations

from logger.commands import for_shell
from logger.printable import printable


def spoken_command(verb: str, name: str, *, at: str | None = None, on_log: str = "") -> str | None:
    """ "linktrial at "kiln room" --at "2026-03-14 02:10"". A name that begins with a dash comes last, behind ``--``, so
    that it is not read as an option. None where the name cannot be shown as it is: the command that is seen would name
    something else. ``on_log``: of logger.commands."""
    if printable(name) != name:
        return None
    options = [] if at is None else ["--at", for_shell(at)]
    options += [on_log.strip()] if on_log else []
    words = [*options, "--", for_shell(name)] if name.startswith("-") else [for_shell(name), *options]
    return " ".join(["linktrial", verb, *words])
