"""The daemon's probes: a child process takes each turn, at the daemon's own priority.

A child, for the tools of a probe are heavy and a transfer must not delay a sample. Not at the lowest priority, as the
review: a probe that waits for the processor measures the processor. ``tick`` is called often and never waits.
"""

from __future__ import annotations

import sys
from collections.abc import Sequence
from contextlib import suppress

from adapters.clock import Clock
from logger.child import LEAVE_S, Child
from logger.claim import Claim
from logger.errors import LogError, LogInUse
from logger.log import UNREADABLE, Log
from logger.printable import printable
from logger.probe_table import fail_lost_probes
from logger.probing.plan import phase_ms, turn_before
from logger.probing.standing import PURPOSE, log_number
from logger.voice import Voice

LATE_MS = 60_000  # a turn that was slept through, or passed by while another ran, is left out
LONGEST_S = 480.0  # a minute's transfers each way, latency, waits for a far end, and all of it again where it was busy
LOOK_AGAIN_S = 60.0


class Probes:
    """A probe every ``every_s`` seconds of the clock's grid; 0: none.

    ``options`` are for ``linktrial probe``, besides the log; ``command`` is what is run instead of it.
    """

    def __init__(
        self,
        log: Log,
        clock: Clock,
        voice: Voice,
        *,
        every_s: float,
        options: Sequence[str] = (),
        command: Sequence[str] = (),
    ) -> None:
        self._log, self._clock, self._voice = log, clock, voice
        self._every_ms = round(every_s * 1000)
        words = ["probe", "--scheduled", "--db", str(log.path.absolute()), *options]
        self._command = command or [sys.executable, "-P", "-m", "logger.console", *words]
        self._child: Child | None = None
        self._phase_ms: int | None = None  # of the grid; None: to be asked of the log
        self._turn_ms: int | None = None  # the last turn that was begun or left out; None: none yet
        self._begun_s = self._rests_until_s = float("-inf")
        self._lost = True  # whether a probe may stand in the log as running that does not: one of a daemon killed
        self._failing = False

    @property
    def running(self) -> bool:
        """Whether a turn was begun and has not ended; its row is in the log some seconds after its beginning."""
        return self._child is not None

    def tick(self) -> None:
        """Begin a turn, watch or end one. Raises nothing: what goes wrong here is complained of once and tried again,
        for logging must not end with it."""
        now_s = self._clock.elapsed_s()
        if not self._every_ms or now_s < self._rests_until_s:
            return
        try:
            self._tick(now_s)
        except Exception as error:
            self._rests_until_s = now_s + LOOK_AGAIN_S
            self._failed(f"{type(error).__name__}: {error}")

    def close(self) -> None:
        """End what is running: its row says so."""
        if self._child is not None:
            self._child.end()
            self._child = None
            self._lost = True
            with suppress(Exception):
                self._close_lost()

    def _tick(self, now_s: float) -> None:
        if self._child is not None:
            self._watch(self._child)
            return
        if self._lost:
            self._close_lost()
        if self._phase_ms is None:
            self._phase_ms = phase_ms(log_number(self._log.db), self._every_ms)
        turn_ms = turn_before(self._clock.utc_ms(), self._every_ms, self._phase_ms)
        if turn_ms == self._turn_ms:
            return
        first, self._turn_ms = self._turn_ms is None, turn_ms
        late = self._clock.utc_ms() - turn_ms > min(LATE_MS, self._every_ms / 2)
        again = now_s - self._begun_s < self._every_ms / 2000  # the clock was set back
        if first or late or again:
            return
        self._begun_s = now_s
        self._child = Child(self._command, self._clock, gives_way=False)
        self._lost = True

    def _watch(self, child: Child) -> None:
        code = child.poll()
        too_long = child.lasted_s() > LONGEST_S
        if code is None and not (too_long and child.ask_to_end() > LEAVE_S):
            return
        words = f"it took longer than {LONGEST_S / 60:g} min" if too_long else child.last_words()
        child.end(0)
        self._child = None
        self._close_lost()
        if code == 0:
            self._failing = False
        else:
            self._failed(words)

    def _close_lost(self) -> None:
        """A probe that stands as running, and none does, has failed."""
        try:
            with Claim.take(self._log.path, PURPOSE):
                fail_lost_probes(self._log, self._clock.utc_ms())
            self._lost = False
        except LogInUse:  # somebody probes by hand
            self._lost = False
        except (LogError, *UNREADABLE):  # busy or full: at the next turn
            self._rests_until_s = self._clock.elapsed_s() + LOOK_AGAIN_S

    def _failed(self, why: str) -> None:
        if not self._failing:
            self._failing = True
            self._voice.complain(f"a probe could not be taken ({printable(why)}); logging goes on, and the next is due")
