"""Other people's text on a terminal: on one line, and without what could move the cursor, hide or reorder."""

from __future__ import annotations

import json
import re
from unicodedata import category

_JOINER = "\N{ZERO WIDTH JOINER}"
_VARIATIONS = "\N{VARIATION SELECTOR-15}\N{VARIATION SELECTOR-16}"
_KEYCAP = "\N{COMBINING ENCLOSING KEYCAP}"
# Default_Ignorable_Code_Point of Unicode, as far as str.isprintable lets it pass: no font draws these.
_UNSEEN = re.compile(
    "[\u034f\u115f\u1160\u17b4\u17b5\u180b-\u180f\u2065\u3164\ufe00-\ufe0f\uffa0\ufff0-\ufff8\U000e0000-\U000e0fff]"
)


def printable(text: str) -> str:
    """``text`` with every such character as ``\\xNN``, its bytes in UTF-8. What holds an emoji together may stay."""
    if text.isprintable() and not _UNSEEN.search(text):
        return text
    return "".join(
        c if _shows(text, at, c) else "".join(f"\\x{byte:02x}" for byte in c.encode("utf-8", "surrogatepass"))
        for at, c in enumerate(text)
    )


def printable_json(value: object) -> str:
    """``value`` as JSON on one line, every such character in its strings as ``\\uNNNN``."""
    text = json.dumps(value, ensure_ascii=False, allow_nan=False)
    if text.isprintable() and not _UNSEEN.search(text):
        return text
    return "".join(c if _shows(text, at, c) else json.dumps(c)[1:-1] for at, c in enumerate(text))


def quoted(text: str) -> str:
    """``text`` in quotation marks and short enough for a line."""
    return repr(text if len(text) <= 60 else text[:57] + "...")


def _shows(text: str, at: int, c: str) -> bool:
    before, after = text[at - 1] if at else " ", text[at + 1 : at + 2] or " "
    if c == _JOINER:
        return (before in _VARIATIONS or category(before) in ("So", "Sk")) and category(after) == "So"
    if c in _VARIATIONS:
        return after == _KEYCAP or category(before) in ("So", "Sm", "Po")
    return c.isprintable() and not _UNSEEN.match(c)
