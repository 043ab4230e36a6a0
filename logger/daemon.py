"""The logger at work: a sample at each tick, commits in batches, patience with a full disk."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Sequence
from contextlib import suppress
from typing import Protocol

from adapters.clock import Clock
from logger.errors import LogError
from logger.log import Log
from logger.printable import printable
from logger.recorder import Recorder
from logger.sample import Event, Sample
from logger.sampler import Sampler
from logger.tags import Period, period_at
from logger.voice import Voice
from logger.wording import counted, event_words, reading_words

KEPT_AT_MOST = 10_000  # samples, and events, held while the log cannot be written: a few megabytes
TRY_AGAIN_S = 1.0
SUMMARY_EVERY_S = 3600.0
TAGS_EVERY_S = 1.0  # the live line follows what other commands tag


class Writes(Protocol):
    """The part of Recorder that the backlog needs."""

    def record(self, samples: Sequence[Sample], events: Sequence[Event]) -> None: ...


class Backlog:
    """What is not in the log yet.

    Nothing stays longer than ``commit_s`` as long as the log can be written. While it cannot, the newest
    ``kept_at_most`` samples are kept; an event tells how many older ones were dropped.
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
        self._failing = False
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
        """Commit now; says whether it could."""
        events = list(self._events)
        if self._n_dropped:
            told = {"n": self._n_dropped, "from_utc_ms": self._dropped_from_ms, "to_utc_ms": self._dropped_to_ms}
            events.append(Event(utc_ms, "samples-dropped", dict(told)))
        try:
            self._recorder.record(self._samples, events)
        except (LogError, sqlite3.OperationalError) as error:
            if not self._failing:
                self._failing = True
                self._voice.complain(f"{error}; until then up to {self._kept_at_most} samples are kept")
            self._again_at_s = at_s + TRY_AGAIN_S
            return False
        if self._failing:
            self._voice.line(utc_ms, f"the log can be written again; kept: {counted(len(self._samples), 'sample')}")
        self._samples, self._events = [], []
        self._failing, self._n_dropped = False, 0
        return True

    def _drop_beyond_bound(self) -> None:
        surplus = len(self._samples) - self._kept_at_most
        if surplus > 0:
            if not self._n_dropped:
                self._dropped_from_ms = self._samples[0].time_utc_ms
            self._dropped_to_ms = self._samples[surplus - 1].time_utc_ms
            self._n_dropped += surplus
            del self._samples[:surplus]
        del self._events[: -self._kept_at_most]


class Daemon:
    """One logger on one log. ``begin``, then ``tick`` at each point of the clock's grid, then ``end``."""

    def __init__(
        self, log: Log, sampler: Sampler, clock: Clock, voice: Voice, *, interval_ms: int, commit_s: float = 10.0
    ) -> None:
        self._log, self._sampler, self._clock, self._voice = log, sampler, clock, voice
        self._interval_ms = interval_ms
        interval_s = interval_ms / 1000
        self._recorder = Recorder(log)
        self._backlog = Backlog(self._recorder, voice, commit_s=commit_s, interval_s=interval_s)
        self._n_samples = self._n_without_link = self._n_events = 0
        self._summary_at_s = clock.elapsed_s() + SUMMARY_EVERY_S
        self._period: Period | None = None
        self._tags_read_s = float("-inf")
        self._last_event = ""

    def begin(self, *, version: str, adapter: str, interface: str) -> None:
        """Open the log's new stretch. Raises LogError where the log cannot be written: then there is no
        point."""
        now_ms, interval_s = self._clock.utc_ms(), self._interval_ms / 1000
        started = {"version": version, "interval_s": interval_s, "adapter": adapter, "interface": interface}
        self._recorder.set_pace(self._interval_ms, now_ms)
        self._recorder.record([], [Event(now_ms, "logger-started", dict(started))])
        # A command that edits the timeline holds the log for a moment: let samples wait, and not the tick.
        self._log.db.execute(f"PRAGMA busy_timeout = {min(1000, self._interval_ms // 4)}")
        self._voice.line(
            now_ms,
            f"linktrial {version} logs {printable(interface)} ({adapter}) every {interval_s:g} s into {self._log.path}",
        )

    def tick(self) -> bool:
        """One sample, if this moment is nearer to its point of the grid than to the next; says whether all that was
        measured is in the log."""
        at_s = self._clock.elapsed_s()
        if self._clock.utc_ms() % self._interval_ms <= self._interval_ms / 2:
            samples, events = self._sampler.tick()
            self._backlog.add(samples, events, at_s)
            self._tell(samples, events, at_s)
        return self._backlog.write_if_due(self._clock.utc_ms(), at_s)

    def end(self) -> bool:
        """Write what is left and the event that logging ended; says whether it could."""
        now_ms, at_s = self._clock.utc_ms(), self._clock.elapsed_s()
        self._backlog.add([], [Event(now_ms, "logger-stopped", {"n_samples": self._n_samples})], at_s)
        written = self._backlog.write(now_ms, at_s)
        if written:
            self._voice.line(now_ms, f"stopped after {counted(self._n_samples, 'sample')}")
        return written

    def standing(self) -> str:
        """What has been logged since the start, in words."""
        return (
            f"so far {counted(self._n_samples, 'sample')}, {self._n_without_link:,} of them without a link,"
            f" and {counted(self._n_events, 'event')}"
        )

    def _tell(self, samples: Sequence[Sample], events: Sequence[Event], at_s: float) -> None:
        self._n_samples += len(samples)
        self._n_without_link += sum(sample.link is None for sample in samples)
        self._n_events += len(events)
        for event in events:
            self._last_event = event_words(event.kind, event.detail)
            fields = self._fields(event, at_s) if self._voice.takes_fields else None
            self._voice.event(event.time_utc_ms, self._last_event, fields)
        if samples and self._voice.live:
            self._voice.now(self._live_words(samples[-1], at_s), at_s)
        if at_s >= self._summary_at_s:
            self._summary_at_s = at_s + SUMMARY_EVERY_S
            if not self._voice.live:
                self._voice.line(self._clock.utc_ms(), self.standing())

    def _fields(self, event: Event, at_s: float) -> dict[str, str]:
        """For the journal; the README names them."""
        fields = {
            "LINKTRIAL_EVENT": event.kind,
            "LINKTRIAL_TIME_UTC_MS": str(event.time_utc_ms),
            "LINKTRIAL_DETAIL": json.dumps(event.detail),
        }
        if period := self._period_now(at_s):
            fields["LINKTRIAL_LOCATION"] = period.location
            fields["LINKTRIAL_CONFIG_VERSION"] = f"v{period.config_version}"
        return fields

    def _live_words(self, sample: Sample, at_s: float) -> str:
        link, period = sample.link, self._period_now(at_s)
        tags = f"v{period.config_version}, {printable(period.location)}" if period else ""
        ssid, band = (link.ssid, link.band) if link else (None, None)
        reading = reading_words(link is not None, ssid, band, sample.rssi_dbm, sample.tx_rate)
        last = f" | last: {self._last_event}" if self._last_event else ""
        return f"{tags} | {reading} | {counted(self._n_samples, 'sample')}{last}"

    def _period_now(self, at_s: float) -> Period | None:
        """The period in force, as it was read at most TAGS_EVERY_S ago."""
        if at_s - self._tags_read_s >= TAGS_EVERY_S:
            self._tags_read_s = at_s
            with suppress(sqlite3.OperationalError):  # busy: what was known is shown
                self._period = period_at(self._log.db, self._clock.utc_ms())
        return self._period
