"""The running trial is judged by itself while the daemon logs: by a child process, and what is new is told once.

The child (``linktrial review``) takes pandas and some seconds of a processor; the daemon must pay for neither. So it
runs beside, at the lowest priority, and leaves its findings in the log, where the daemon reads them.
"""

from __future__ import annotations

import sqlite3
import sys
from collections.abc import Callable, Sequence

from adapters.clock import Clock
from logger.child import LEAVE_S, Child, runs_on_battery
from logger.desktop import Desktop
from logger.errors import LogError
from logger.findings import PROGRESS, UNEXPLAINED, KeptFinding, mark_said, read_findings, unsaid_news
from logger.log import Log
from logger.printable import printable
from logger.running_trial import running_trial
from logger.voice import Voice

SETTLE_S = 60.0  # after the start: the machine may have just booted
LOOK_AGAIN_S = 60.0  # for a battery that is charged again, for a log that can be written again
LONGEST_S = 600.0
AHEAD_S = 60.0  # of an hour: so that a report of a long log need not begin with minutes of work
BATTERY_FACTOR = 4.0
NOTIFIED_AT_MOST = 4  # sentences in one notification


class Reviews:
    """One review every ``every_s`` seconds (0: none at all) while there is a trial to judge. ``tick`` is called often
    and never waits.

    ``command`` is what is run, ``linktrial review`` on this log unless told otherwise; ``on_battery`` says whether the
    machine is unplugged.
    """

    def __init__(
        self,
        log: Log,
        clock: Clock,
        voice: Voice,
        desktop: Desktop,
        *,
        every_s: float,
        command: Sequence[str] = (),
        on_battery: Callable[[], bool] = runs_on_battery,
    ) -> None:
        self._log, self._clock, self._voice, self._desktop = log, clock, voice, desktop
        self._every_s = every_s
        path = str(log.path.absolute())
        words = ["review", "--json", "--ahead", f"{AHEAD_S:g}", "--db", path]
        self._command = command or [sys.executable, "-P", "-m", "logger.console", *words]
        self._on_battery = on_battery
        self._child: Child | None = None
        self._failing = self._broken = False
        self._rests_until_s = float("-inf")
        self._said: set[tuple[int, int]] = set()  # told, whether or not the log could be told so
        now_s = clock.elapsed_s()
        self._last_s = now_s - self._unreviewed_s()
        self._look_s = max(now_s + min(SETTLE_S, every_s), self._last_s + every_s)
        self._news_s = now_s  # when to look for what is to be told: at the start what another daemon left

    def tick(self) -> None:
        """Begin, watch or end a review; tell what is new. Raises nothing: whatever goes wrong here is complained of
        once and tried again later, for logging must not end with it. A log that is damaged ends it where samples are
        written."""
        now_s = self._clock.elapsed_s()
        if not self._every_s or now_s < self._rests_until_s:
            return
        try:
            self._tick(now_s)
        except Exception as error:
            self._rests_until_s = now_s + LOOK_AGAIN_S
            if not self._broken:
                self._broken = True
                words = f"{type(error).__name__}: {error}"
                self._voice.complain(f"reviews of the running trial do not work ({printable(words)}); logging goes on")

    def _tick(self, now_s: float) -> None:
        if self._child is not None:
            self._watch(self._child, now_s)
        elif now_s >= self._look_s:
            self._begin_if_needed(now_s)
        if now_s >= self._news_s:
            self._news_s = float("inf") if self._tell_news() else now_s + LOOK_AGAIN_S
        self._desktop.tick()

    def close(self) -> None:
        """End what is running."""
        if self._child is not None:
            self._child.end()
            self._child = None
        self._desktop.close()

    def _unreviewed_s(self) -> float:
        """For how long the running trial has been without a review, as the log knows it; 0 where there is none."""
        now_ms = self._clock.utc_ms()
        try:
            if running_trial(self._log.db, now_ms) is None:
                return 0.0
            found = read_findings(self._log.db, PROGRESS)
        except sqlite3.OperationalError:  # busy: an hour from now is soon enough
            return 0.0
        return max(0.0, (now_ms - found[-1].found_at_utc_ms) / 1000) if found else self._every_s

    def _begin_if_needed(self, now_s: float) -> None:
        try:
            runs = running_trial(self._log.db, self._clock.utc_ms()) is not None
            if runs and now_s - self._last_s < BATTERY_FACTOR * self._every_s and self._on_battery():
                self._look_s = now_s + min(self._every_s, LOOK_AGAIN_S)
                return
            self._last_s, self._look_s = now_s, now_s + self._every_s
            if runs:
                self._child = Child(self._command, self._clock)
        except sqlite3.OperationalError:  # busy
            self._look_s = now_s + min(self._every_s, LOOK_AGAIN_S)
        except OSError as error:
            self._failed(str(error))

    def _watch(self, child: Child, now_s: float) -> None:
        code = child.poll()
        too_long = child.lasted_s() > LONGEST_S
        if code is None and not (too_long and child.ask_to_end() > LEAVE_S):
            self._news_s = min(self._news_s, now_s + LOOK_AGAIN_S)  # it may work ahead, once the trial is judged
            return
        words = f"it took longer than {LONGEST_S / 60:g} min" if too_long else child.last_words()
        child.end(0)
        self._child = None
        if code == 0:
            self._failing, self._news_s = False, now_s
        else:
            self._failed(words)

    def _failed(self, why: str) -> None:
        if not self._failing:
            self._failing = True
            words = f"the running trial could not be judged ({printable(why)}); logging goes on"
            self._voice.complain(f"{words}, and 'linktrial review' tries again")

    def _tell_news(self) -> bool:
        """Say what was not said yet; whether the log now knows that it was."""
        try:
            news = unsaid_news(self._log.db)
            fresh = [finding for finding in news if (finding.id, finding.found_at_utc_ms) not in self._said]
            self._say(fresh)
            self._said.update((finding.id, finding.found_at_utc_ms) for finding in fresh)
            if news:
                with self._log.transaction() as db:
                    mark_said(db, news, self._clock.utc_ms())
        except (LogError, sqlite3.OperationalError):
            return False
        self._said.clear()
        return True

    def _say(self, findings: Sequence[KeptFinding]) -> None:
        sentences = [_sentence(finding) for finding in findings]
        for sentence in sentences:
            self._voice.line(self._clock.utc_ms(), sentence)
        if len(sentences) > NOTIFIED_AT_MOST:
            more = len(sentences) - NOTIFIED_AT_MOST + 1
            sentences[NOTIFIED_AT_MOST - 1 :] = [f"And {more} more; see 'linktrial status'."]
        if sentences:
            self._desktop.tell("\n".join(sentences))


def _sentence(finding: KeptFinding) -> str:
    words = printable(finding.words)
    tagged = finding.kind == UNEXPLAINED and finding.detail.get("command")
    return f"{words} 'linktrial timeline' says how to tag it." if tagged else words
