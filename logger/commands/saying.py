"""What the tagging commands share: when, on which timeline, and how to answer."""

from __future__ import annotations

import argparse

from adapters.clock import SystemClock
from logger.errors import TagError
from logger.log import Log
from logger.printable import printable, printable_json, quoted
from logger.timeline import Timeline
from logger.times import parse_when

NOTES_LENGTH = 2000


def add_when_option(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--at", dest="when", metavar="WHEN", help="when: '20 min ago', '14:05', ISO 8601 (else now)")


def timeline_of(log: Log) -> Timeline:
    return Timeline(log, SystemClock())


def when_ms(args: argparse.Namespace, timeline: Timeline) -> int | None:
    """The moment meant, in UTC milliseconds; None for now."""
    return None if args.when is None else parse_when(args.when, SystemClock().utc_ms(), timeline.time_zone)


def checked_notes(text: str | None) -> str:
    """Notes as they may stand in the log: up to 2000 printable characters; none for None. Raises TagError."""
    notes = (text or "").strip()
    if len(notes) > NOTES_LENGTH:
        raise TagError(f"notes take up to {NOTES_LENGTH} characters, not {len(notes)}")
    if printable(notes) != notes:
        raise TagError(f"notes are one line of printable characters; {quoted(notes)} has others")
    return notes


def say_json(**answer: object) -> int:
    print(printable_json(answer))
    return 0
