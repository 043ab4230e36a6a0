"""Two states of one log, as a backup and the log that went on are: which of them knows more. They are not merged."""

from __future__ import annotations

import sqlite3
from typing import NamedTuple

from logger.errors import MergeRefused
from logger.merging.other_log import OtherLog
from logger.sample_id import LATEST_MS
from logger.times import format_local, local_zone_name

_STATE = """
SELECT ifnull((SELECT max(last_utc_ms) FROM block), 0), ifnull((SELECT max(id) FROM edit), 0),
    ifnull((SELECT max(undone_at_utc_ms) FROM edit), 0), ifnull((SELECT max(id) FROM event), 0),
    ifnull((SELECT sum(n_samples) FROM block), 0)
"""


class _State(NamedTuple):
    """What tells an earlier state from a later one, the weightiest first."""

    newest_utc_ms: int  # of all samples, 0: there are none
    last_edit: int
    undone_at_utc_ms: int
    last_event: int
    n_samples: int


def refusal(db: sqlite3.Connection, other: OtherLog, now_utc_ms: int) -> MergeRefused:
    """To be raised: the other log has the number of this one. Which of the two knows more, and what to do."""
    here, there = _State(*db.execute(_STATE).fetchone()), _State(*other.one(_STATE) or ())
    if not all(type(value) is int for value in there) or not 0 <= there.newest_utc_ms <= LATEST_MS:
        return other.refuse("tells of a state that cannot be")
    if here == there:
        return MergeRefused(f"{other.name} is this log, or a copy of it; there is nothing to merge")
    zone = local_zone_name()
    newest_there, newest_here = (
        format_local(moment, zone, now_utc_ms) if moment else "none"
        for moment in (there.newest_utc_ms, here.newest_utc_ms)
    )
    if there > here:
        more, so = (
            "it",
            "to go on from it, copy it over this one as a backup is restored ('linktrial backup --help')",
        )
    else:
        more, so = "this log", "it stays as it is"
    return MergeRefused(
        f"{other.name} is another state of this very log, and {more} knows more (newest sample there: {newest_there},"
        f" here: {newest_here}); states of one log are not merged: {so}"
    )
