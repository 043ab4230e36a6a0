"""What the daemon says while it runs: one live line on a terminal, entries with fields in the journal, plain lines
anywhere else."""

from __future__ import annotations

import os
import shutil
import time
from collections.abc import Mapping
from io import TextIOWrapper
from typing import TextIO

from logger.journal import INFO, NOTICE, WARNING, journal_behind
from logger.printable import printable

LIVE_EVERY_S = 0.25
LINES_PER_MINUTE = 20  # of events; an interface that flaps must not fill the journal


class Voice:
    """Writes to ``out``; complaints go to ``err``. A reader that goes away (a closed terminal, ``| head``)
    silences it and stops nothing, nor does one that never was (None: a program without a console on Windows)."""

    def __init__(self, out: TextIO | None, err: TextIO | None) -> None:
        self._out, self._err = out, err
        for stream in (out, err):
            if isinstance(stream, TextIOWrapper):
                stream.reconfigure(errors="backslashreplace")  # a place may be named in another script
        self._gone: list[TextIO] = []
        self.live = out is not None and out.isatty()
        self._journal = journal_behind(out, os.environ)
        self._stamped = self._journal is None  # the journal has its own times
        self._drawn_s = float("-inf")
        self._live_shown = False
        self._minute = -1
        self._lines_in_minute = 0

    @property
    def takes_fields(self) -> bool:
        """Whether fields beside the words are kept."""
        return self._journal is not None

    def line(self, utc_ms: int, words: str, fields: Mapping[str, str] | None = None) -> None:
        """One plain line, or one entry of the journal with fields."""
        words = printable(words)
        if self._journal is not None and self._journal.send(words, NOTICE if fields else INFO, fields or {}):
            return
        stamp = time.strftime("%H:%M:%S ", time.localtime(utc_ms / 1000)) if self._stamped else ""
        self._write(self._out, f"{self._clear()}{stamp}{words}\n")

    def event(self, utc_ms: int, words: str, fields: Mapping[str, str] | None = None) -> None:
        """One line, as above, unless there were too many within its minute."""
        minute = utc_ms // 60_000
        if minute != self._minute:
            if self._lines_in_minute > LINES_PER_MINUTE:
                self.line(utc_ms, f"{self._lines_in_minute - LINES_PER_MINUTE} more events were logged")
            self._minute, self._lines_in_minute = minute, 0
        self._lines_in_minute += 1
        if self._lines_in_minute <= LINES_PER_MINUTE:
            self.line(utc_ms, words, fields)

    def write(self, text: str) -> None:
        """One line as it is, for a program."""
        self._write(self._out, f"{text}\n")

    def now(self, words: str, at_s: float) -> None:
        """The live line, redrawn in place; ``at_s`` is any steady clock."""
        if not self.live or at_s - self._drawn_s < LIVE_EVERY_S:
            return
        self._drawn_s = at_s
        columns = shutil.get_terminal_size().columns
        self._write(self._out, self._clear() + printable(words)[: columns - 1])
        self._live_shown = True

    def complain(self, words: str) -> None:
        """One line on standard error, or a warning in the journal."""
        words = printable(words)
        if self._journal is not None and self._journal.send(words, WARNING, {}):
            return
        self._write(self._out, self._clear())
        self._write(self._err, f"linktrial: {words}\n")

    def close(self) -> None:
        self._write(self._out, self._clear())
        if self._journal is not None:
            self._journal.close()

    def _clear(self) -> str:
        shown, self._live_shown = self._live_shown, False
        return "\r\x1b[K" if shown else ""

    def _write(self, stream: TextIO | None, text: str) -> None:
        if stream is None or stream in self._gone:
            return
        try:
            stream.write(text)
            stream.flush()
        except (OSError, ValueError):  # ValueError: the stream was closed
            self._gone.append(stream)
