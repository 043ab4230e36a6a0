"""Tags that a property test says one after the other."""

from __future__ import annotations

from logger.timeline import Timeline


def say_tag(timeline: Timeline, what: str, number: int, when_ms: int) -> bool:
    """Whether it was one of those that are said here. Raises TagError where the timeline refuses it."""
    match what:
        case "at":
            timeline.at(f"spot {number}", when_ms)
        case "changed":
            timeline.changed(f"label {number}", when_ms)
        case "split":
            timeline.split(when_ms)
        case "join":
            timeline.join(number)
        case "starts":
            timeline.amend_period(number, started_ms=when_ms)
        case "undo":
            timeline.undo()
        case _:
            return False
    return True
