"""Notices that the laptop travels: that its local zone is another than it was."""

from __future__ import annotations

import os
import time
from collections.abc import Callable

from adapters.clock import Clock
from logger.log import OWN_SOURCE, Log
from logger.sample import Event
from logger.times import local_zone_name
from logger.zones import zone_at

LOOK_EVERY_S = 60.0


class ZoneWatch:
    """Notices that the laptop is in another zone: at the start, and at most once a minute from then on."""

    def __init__(self, log: Log, clock: Clock, local_zone: Callable[[], str] = local_zone_name) -> None:
        self._log, self._clock, self._local_zone = log, clock, local_zone
        self._known: str | None = None
        self._look_at_s = float("-inf")

    def look(self) -> list[Event]:
        """The event of a new zone, if there is one; it takes effect in the log when it is recorded."""
        at_s = self._clock.elapsed_s()
        if at_s < self._look_at_s:
            return []
        self._look_at_s = at_s + LOOK_EVERY_S
        now_ms, found = self._clock.utc_ms(), self._local_zone()
        known = self._known or zone_at(self._log.db, OWN_SOURCE, now_ms)
        if known is not None:
            self._known = found
        if known is None or known == found:
            return []
        if hasattr(time, "tzset") and "TZ" not in os.environ:
            time.tzset()  # what the daemon says is stamped with local time
        return [Event(now_ms, "time-zone-changed", {"from": known, "to": found})]
