"""Values of another log, each checked for its kind, range and length before anybody uses it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Any
from zoneinfo import ZoneInfo

from logger.errors import TagError
from logger.merging.other_log import OtherLog
from logger.printable import printable, quoted
from logger.sample_id import LATEST_MS
from logger.timeline import checked_name

MOST_NAMES = 300_000  # rows of a table of names
LARGEST = 1 << 45  # of a count: a block may sum up 65,535 of them
LEVEL = (-200.0, 100.0)  # dBm
BSSID = re.compile(r"[0-9a-f]{2}(:[0-9a-f]{2}){5}|radio-[a-z2-7]{8}")


class OtherValues:
    """Checked reading. Everything raises MergeRefused for what cannot be."""

    def __init__(self, other: OtherLog) -> None:
        self.other = other

    def _few(self, sql: str, values: tuple[object, ...] = (), most: int = MOST_NAMES) -> Iterator[tuple[Any, ...]]:
        for n, row in enumerate(self.other.rows(sql, values)):
            if n >= most:
                raise self.other.refuse("has more rows than a log can have")
            yield row

    def refuse(self, what: str, value: object) -> Exception:
        return self.other.refuse(f"holds what cannot be: {what} ({quoted(ascii(value)[:200])})")

    def _int(self, value: object, low: int, high: int, what: str) -> int:
        if type(value) is not int or not low <= value <= high:
            raise self.refuse(what, value)
        return value

    def _or_none(self, value: object, low: int, high: int, what: str) -> int | None:
        return None if value is None else self._int(value, low, high, what)

    def _time(self, value: object, what: str) -> int:
        return self._int(value, 0, LATEST_MS, what)

    def _real(self, value: object, low: float, high: float, what: str) -> float:
        if type(value) is not float or not low <= value <= high:
            raise self.refuse(what, value)
        return value

    def _real_or_none(self, value: object, low: float, high: float, what: str) -> float | None:
        return None if value is None else self._real(value, low, high, what)

    def _text(self, value: object, longest: int, what: str) -> str:
        if not isinstance(value, str) or len(value) > longest:
            raise self.refuse(what, value if isinstance(value, int | float | None) else f"{len(str(value))} characters")
        return value

    def _blob(self, value: object, longest: int, what: str) -> bytes:
        if not isinstance(value, bytes) or len(value) > longest:
            raise self.refuse(what, type(value).__name__)
        return value

    def _name(self, value: object, what: str) -> str:
        text = self._text(value, 1000, f"the name of a {what}")
        try:
            return checked_name(text, what)
        except TagError as error:
            raise self.refuse(f"the name of a {what}", text) from error

    def _zone(self, value: object) -> str:
        text = self._text(value, 64, "a time zone")
        try:
            ZoneInfo(text)
        except (OSError, ValueError, KeyError) as error:
            raise self.refuse("a time zone", text) from error
        return text

    def _words(self, value: object, what: str) -> str:
        """A short text of the other program's, harmless."""
        return printable(self._text(value, 2000, what))

    def _one_of(self, value: object, words: frozenset[str], what: str) -> str:
        if not (isinstance(value, str) and value in words):
            raise self.refuse(what, value if isinstance(value, int | float | None) else ascii(value)[:60])
        return value
