"""The timeline as a list of marks, and the edits of it. Pure: no clock, no log.

A mark says which placement and which config version hold from a moment on, until the next mark. Marks are in order
of time; the last one holds still. Every edit takes a list and gives a new one, or raises TagError.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import NamedTuple

from logger.errors import TagError


class Mark(NamedTuple):
    """From ``started_at_utc_ms`` on. ``period_id`` is None for a mark that is not in the log yet."""

    period_id: int | None
    started_at_utc_ms: int
    placement_id: int
    config_version: int
    time_zone: str


Marks = list[Mark]


def index_at(marks: Sequence[Mark], time_ms: int) -> int:
    """Which mark holds at that time. Raises TagError for a time before the first."""
    for index in range(len(marks) - 1, -1, -1):
        if marks[index].started_at_utc_ms <= time_ms:
            return index
    raise TagError("that is before the log began")


def cut(marks: Sequence[Mark], time_ms: int, time_zone: str) -> Marks:
    """Let a mark begin at that time, with the tags that hold there."""
    index = index_at(marks, time_ms)
    if marks[index].started_at_utc_ms == time_ms:
        return list(marks)
    later = marks[index]._replace(period_id=None, started_at_utc_ms=time_ms, time_zone=time_zone)
    return [*marks[: index + 1], later, *marks[index + 1 :]]


def place(marks: Sequence[Mark], time_ms: int, placement_id: int, time_zone: str) -> Marks:
    """The laptop stood at that placement from then on, until it was next moved."""
    return _from(marks, time_ms, time_zone, lambda mark: mark.placement_id, placement_id=placement_id)


def configure(marks: Sequence[Mark], time_ms: int, config_version: int, time_zone: str) -> Marks:
    """The router was in that version from then on, until it was next changed."""
    return _from(marks, time_ms, time_zone, lambda mark: mark.config_version, config_version=config_version)


def move_start(marks: Sequence[Mark], index: int, time_ms: int) -> Marks:
    """The period began at another time; its neighbour before it gives way. Raises TagError past a neighbour."""
    if index == 0:
        if len(marks) > 1 and time_ms >= marks[1].started_at_utc_ms:
            raise TagError("a period cannot begin after the one that follows it")
    else:
        if time_ms <= marks[index - 1].started_at_utc_ms:
            raise TagError("a period cannot begin before the one in front of it; join them instead")
        if index + 1 < len(marks) and time_ms >= marks[index + 1].started_at_utc_ms:
            raise TagError("a period cannot begin after the one that follows it")
    return [*marks[:index], marks[index]._replace(started_at_utc_ms=time_ms), *marks[index + 1 :]]


def retag(marks: Sequence[Mark], index: int, placement_id: int | None, config_version: int | None) -> Marks:
    """Other tags for one period."""
    mark = marks[index]
    tagged = mark._replace(
        placement_id=mark.placement_id if placement_id is None else placement_id,
        config_version=mark.config_version if config_version is None else config_version,
    )
    return [*marks[:index], tagged, *marks[index + 1 :]]


def join(marks: Sequence[Mark], index: int) -> Marks:
    """One period out of this one and the one before it, with the tags of the earlier."""
    if index == 0:
        raise TagError("the first period has none before it to be joined to")
    return [*marks[:index], *marks[index + 1 :]]


def _from(marks: Sequence[Mark], time_ms: int, time_zone: str, tag: Callable[[Mark], int], **new: int) -> Marks:
    """Give the mark at ``time_ms``, and those after it that carry on its tag, a new one."""
    edited = cut(marks, time_ms, time_zone)
    index = index_at(edited, time_ms)
    old = tag(edited[index])
    while index < len(edited) and tag(edited[index]) == old:
        edited[index] = edited[index]._replace(**new)  # type: ignore[arg-type]
        index += 1
    return edited
