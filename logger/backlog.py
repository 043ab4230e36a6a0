"""What is not in the log yet: waits for its commit, for room on the disk, for another program to end; goes into a new
log where the old one is damaged."""

from __future__ import annotations

import sqlite3
from collections.abc import Callable, Sequence
from typing import Protocol

from logger.errors import DamagedLog, LogBusy, LogError
from logger.log import BUSY_TIMEOUT_S, Log
from logger.recorder import Recorder
from logger.sample import Event, Sample
from logger.voice import Voice
from logger.wording import counted

KEPT_AT_MOST = 10_000  # samples, and events, held while the log cannot be written: tests/bench/backlog.py weighs them
AT_ONCE = 500  # samples a commit: what does not fit is found out at little cost, and what fits is kept
TRY_AGAIN_S = 1.0


class Writes(Protocol):
    """The part of Recorder that the backlog needs."""

    def record(self, samples: Sequence[Sample], events: Sequence[Event]) -> None: ...


class Backlog:
    """What is not in the log yet.

    Nothing stays longer than ``commit_s`` as long as the log can be written. While it cannot, the newest
    ``kept_at_most`` samples are kept; an event tells how many older ones were dropped. Another program's write is
    waited for without a word for as long as a command would wait.
    """

    def __init__(
        self, recorder: Writes, voice: Voice, *, commit_s: float, interval_s: float, kept_at_most: int = KEPT_AT_MOST
    ) -> None:
        self._recorder, self._voice = recorder, voice
        # By the next tick the oldest would be older than commit_s; ticks are late by less than half an interval.
        self._wait_s = commit_s - 1.5 * interval_s
        self._kept_at_most = kept_at_most
        self._samples: list[Sample] = []
        self._events: list[Event] = []
        self._since_s = 0.0  # when the oldest came
        self._again_at_s = float("-inf")
        self._failed_since_s: float | None = None
        self._complained = self._events_told = False
        self._n_dropped = 0
        self._dropped_from_ms = self._dropped_to_ms = 0

    def add(self, samples: Sequence[Sample], events: Sequence[Event], at_s: float) -> None:
        """``at_s``: the steady clock, here and below."""
        if not self._samples and not self._events:
            self._since_s = at_s
        self._samples += samples
        self._events += events
        self._drop_beyond_bound()

    def write_if_due(self, utc_ms: int, at_s: float) -> bool:
        """Commit if the oldest has waited long enough; says whether all is in the log."""
        if not self._samples and not self._events:
            return True
        if at_s < self._again_at_s or at_s - self._since_s < self._wait_s:
            return False
        return self.write(utc_ms, at_s)

    def write(self, utc_ms: int, at_s: float) -> bool:
        """Commit now, some at a time, the oldest first; says whether all could be."""
        n_written = 0
        while self._samples or self._events or self._n_dropped:
            samples, events = self._samples[:AT_ONCE], self._events[:AT_ONCE]
            if self._n_dropped:
                told = {"n": self._n_dropped, "from_utc_ms": self._dropped_from_ms, "to_utc_ms": self._dropped_to_ms}
                events = [*events, Event(utc_ms, "samples-dropped", dict(told))]
            try:
                self._recorder.record(samples, events)
            except (LogError, sqlite3.OperationalError) as error:
                self._failed(error, at_s)
                return False
            n_written += len(samples)
            del self._samples[:AT_ONCE], self._events[:AT_ONCE]
            self._n_dropped = 0
        if self._complained:
            self._voice.line(utc_ms, f"the log can be written again; kept: {counted(n_written, 'sample')}")
        self._failed_since_s, self._complained, self._events_told = None, False, False
        return True

    @property
    def n_waiting(self) -> int:
        """Samples that are not in the log."""
        return len(self._samples)

    def _failed(self, error: Exception, at_s: float) -> None:
        self._again_at_s = at_s + TRY_AGAIN_S
        if self._failed_since_s is None:
            self._failed_since_s = at_s
        waits = isinstance(error, LogBusy) and at_s - self._failed_since_s < BUSY_TIMEOUT_S
        if not self._complained and not waits:
            self._complained = True
            self._voice.complain(f"{error}; until then up to {self._kept_at_most:,} samples are kept")

    def _drop_beyond_bound(self) -> None:
        surplus = len(self._samples) - self._kept_at_most
        if surplus > 0:
            if not self._n_dropped:
                self._dropped_from_ms = self._samples[0].time_utc_ms
                self._voice.complain(
                    f"the log cannot be written, and {self._kept_at_most:,} samples wait: from now on the oldest are"
                    " dropped"
                )
            self._dropped_to_ms = self._samples[surplus - 1].time_utc_ms
            self._n_dropped += surplus
            del self._samples[:surplus]
        if len(self._events) > self._kept_at_most:
            if not self._events_told:
                self._events_told = True
                self._voice.complain(f"{self._kept_at_most:,} events wait, too: from now on the oldest are dropped")
            del self._events[: -self._kept_at_most]


class NewLogIfDamaged:
    """A recorder that goes on in a new log where its own is damaged, and says so."""

    def __init__(self, log: Log, recorder: Recorder, voice: Voice, interval_ms: int) -> None:
        self._log, self._recorder, self._voice, self._interval_ms = log, recorder, voice, interval_ms
        self.started: Event | None = None  # of this run: the new log is to know of it, too

    def set_pace(self, interval_ms: int, from_utc_ms: int) -> None:
        """As Recorder does."""
        self._write(lambda: self._recorder.set_pace(interval_ms, from_utc_ms), from_utc_ms)

    def record(self, samples: Sequence[Sample], events: Sequence[Event]) -> None:
        """As Recorder does."""
        times = [sample.time_utc_ms for sample in samples] + [event.time_utc_ms for event in events]
        self._write(lambda: self._recorder.record(samples, events), min(times, default=0))

    def _write(self, write: Callable[[], None], begins_ms: int) -> None:
        try:
            write()
            return
        except DamagedLog:
            with self._log.let_go():
                pass  # perhaps only what the connection remembers is damaged
        try:
            write()
        except DamagedLog as damage:
            from logger.damage import begin_anew

            self._voice.complain(begin_anew(self._log, damage, begins_ms))
            self._recorder.set_pace(self._interval_ms, begins_ms)
            if self.started is not None:
                self._recorder.record([], [self.started._replace(time_utc_ms=begins_ms)])
            write()
