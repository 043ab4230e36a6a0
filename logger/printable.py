"""Other people's text on a terminal: on one line, and without what could move the cursor, hide or reorder."""

from __future__ import annotations


def printable(text: str) -> str:
    """``text`` with every such character as ``\\xNN``, its bytes in UTF-8. The joiner that holds an emoji together may
    stay."""
    return "".join(
        c
        if c.isprintable() or c == "\N{ZERO WIDTH JOINER}"
        else "".join(f"\\x{b:02x}" for b in c.encode("utf-8", "surrogatepass"))
        for c in text
    )


def quoted(text: str) -> str:
    """``text`` in quotation marks and short enough for a line."""
    return repr(text if len(text) <= 60 else text[:57] + "...")
