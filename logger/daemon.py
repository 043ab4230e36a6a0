"""The logger at work: a sample at each tick, commits in batches, patience with a full disk."""

from __future__ import annotations

import json
from collections.abc import Callable, Sequence
from contextlib import suppress

from adapters.clock import Clock
from logger.backlog import Backlog, NewLogIfDamaged
from logger.last_run import since_the_last_run
from logger.log import BUSY_TIMEOUT_S, UNREADABLE, Log
from logger.printable import printable
from logger.recorder import Recorder
from logger.sample import Event, Sample
from logger.sample_id import LATEST_MS
from logger.sampler import Sampler
from logger.tags import Period, period_at
from logger.times import local_zone_name
from logger.voice import Voice
from logger.wording import counted, event_words, reading_words
from logger.zone_watch import ZoneWatch

EARLIEST_MS = 1_735_689_600_000  # 2025-01-01: linktrial is younger, and a clock that shows less is not set
SUMMARY_EVERY_S = 3600.0
LOOK_EVERY_S = 60.0  # at the log's files
TAGS_EVERY_S = 1.0  # the live line follows what other commands tag
PAGES_KEPT_KB = 512  # of the log, in memory
WAL_AT_MOST_BYTES = 64_000_000  # a day of readings every second that somebody keeps SQLite from putting in their place


class Daemon:
    """One logger on one log. ``begin``, then ``tick`` at each point of the clock's grid, then ``end``."""

    def __init__(
        self,
        log: Log,
        sampler: Sampler,
        clock: Clock,
        voice: Voice,
        *,
        interval_ms: int,
        commit_s: float = 10.0,
        local_zone: Callable[[], str] = local_zone_name,
    ) -> None:
        self._log, self._sampler, self._clock, self._voice = log, sampler, clock, voice
        self._interval_ms = interval_ms
        interval_s = interval_ms / 1000
        self._recorder = NewLogIfDamaged(log, Recorder(log), voice, interval_ms)
        self._backlog = Backlog(self._recorder, voice, commit_s=commit_s, interval_s=interval_s)
        self._zones = ZoneWatch(log, clock, local_zone)
        self.begun = False
        self._wal_told = self._moved_told = self._clock_told = False
        self._look_at_s = clock.elapsed_s() + LOOK_EVERY_S
        self._n_samples = self._n_without_link = self._n_events = 0
        self._summary_at_s = clock.elapsed_s() + SUMMARY_EVERY_S
        self._period: Period | None = None
        self._tags_read_s = float("-inf")
        self._last_event = ""

    def begin(self, *, version: str, adapter: str, interface: str, boot: str | None = None) -> bool:
        """Open the log's new stretch, and close the last run's where it did not. ``boot``: the identity of this boot.
        Raises LogError where the log cannot be written: then there is no point. False, with a word at the first time,
        while the wall clock is not set: a machine whose battery is empty wakes up in 1970."""
        now_ms, interval_s = self._clock.utc_ms(), self._interval_ms / 1000
        if not EARLIEST_MS <= now_ms <= LATEST_MS:
            self._complain_of_the_clock()
            return False
        started = {"version": version, "interval_s": interval_s, "adapter": adapter, "interface": interface}
        found_out = since_the_last_run(self._log.db, now_ms, boot)
        self._recorder.set_pace(self._interval_ms, now_ms)
        found_out.append(Event(now_ms, "logger-started", started | ({"boot": boot} if boot else {})))
        self._recorder.record([], found_out + self._zones.look())
        self._recorder.started = found_out[-1]
        # A command that edits the timeline holds the log for a moment: let samples wait, and not the tick.
        self._log.db.execute(f"PRAGMA busy_timeout = {min(1000, self._interval_ms // 4)}")
        # Commits touch few pages. More of them fill up for weeks, and leave holes in memory whenever they are let go.
        self._log.db.execute(f"PRAGMA cache_size = -{PAGES_KEPT_KB}")
        self._voice.line(
            now_ms,
            f"linktrial {version} logs {printable(interface)} ({adapter}) every {interval_s:g} s into {self._log.path}",
            self._fields(found_out[-1], self._clock.elapsed_s()),
        )
        self.begun, self._clock_told = True, False
        return True

    def tick(self) -> bool:
        """One sample, if this moment is nearer to its point of the grid than to the next; says whether all that was
        measured is in the log."""
        at_s = self._clock.elapsed_s()
        if self._clock.utc_ms() % self._interval_ms <= self._interval_ms / 2:
            samples, events = self._sampler.tick()
            samples = self._with_a_time_to_keep(samples)
            with suppress(*UNREADABLE):  # busy or damaged: a minute later will do
                events += self._zones.look()
            self._backlog.add(samples, events, at_s)
            self._tell(samples, events, at_s)
        return self._backlog.write_if_due(self._clock.utc_ms(), at_s)

    def sleep(self, *, begins: bool) -> None:
        """The system says that it goes to sleep, or that it woke: what waits goes into the log before."""
        self._sampler.told_of_sleep(begins=begins)
        if begins:
            self._backlog.write(self._clock.utc_ms(), self._clock.elapsed_s())

    def end(self) -> bool:
        """Write what is left and the event that logging ended; says whether it could."""
        now_ms, at_s = self._clock.utc_ms(), self._clock.elapsed_s()
        stopped = Event(now_ms, "logger-stopped", {"n_samples": self._n_samples})
        self._backlog.add([], [stopped], at_s)
        self._log.db.execute(f"PRAGMA busy_timeout = {BUSY_TIMEOUT_S * 1000:.0f}")  # no tick waits any more
        written = self._backlog.write(now_ms, at_s)
        if written:
            self._voice.line(now_ms, f"stopped after {counted(self._n_samples, 'sample')}", self._fields(stopped, at_s))
        else:
            n = counted(self._backlog.n_waiting, "sample")
            self._voice.complain(f"{n} that waited could not be written to {self._log.path} at the end")
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
            self._voice.event(event.time_utc_ms, self._last_event, self._fields(event, at_s))
        if samples and self._voice.live:
            self._voice.now(self._live_words(samples[-1], at_s), at_s)
        if at_s >= self._summary_at_s:
            self._summary_at_s = at_s + SUMMARY_EVERY_S
            if not self._voice.live:
                self._voice.line(self._clock.utc_ms(), self.standing())
        if at_s >= self._look_at_s:
            self._look_at_s = at_s + LOOK_EVERY_S
            self._complain_of_a_long_reader()
            self._complain_of_a_log_that_was_moved()

    def _with_a_time_to_keep(self, samples: list[Sample]) -> list[Sample]:
        """Not those of a clock that is not set, or set to where no log reaches; said once."""
        kept = [sample for sample in samples if EARLIEST_MS <= sample.time_utc_ms <= LATEST_MS]
        if kept == samples:
            self._clock_told = self._clock_told and not samples
        else:
            self._complain_of_the_clock()
        return kept

    def _complain_of_the_clock(self) -> None:
        if not self._clock_told:
            self._clock_told = True
            self._voice.complain("the wall clock is before 2025 or after 2109: no sample is kept until it is set right")

    def _complain_of_a_log_that_was_moved(self) -> None:
        """Once: samples follow the open file to wherever it is, or nowhere."""
        if self._log.is_in_place():
            self._moved_told = False
        elif not self._moved_told:
            self._moved_told = True
            self._voice.complain(
                f"{self._log.path} was moved, replaced or deleted while it is logged into; samples go into that file"
                " as before: stop this logger, put that file back beside its -wal file, and start again"
            )

    def _complain_of_a_long_reader(self) -> None:
        """Once: what is logged stays in the ``-wal`` file while another program reads on in one transaction."""
        n_bytes = self._log.wal_bytes()
        if n_bytes <= WAL_AT_MOST_BYTES:
            self._wal_told = False
        elif not self._wal_told:
            self._wal_told = True
            self._voice.complain(
                f"{self._log.path}-wal has grown to {n_bytes // 1_000_000} MB, because another program has been reading"
                " the log in one transaction for long; nothing is lost, but end that program"
            )

    def _fields(self, event: Event, at_s: float) -> dict[str, str] | None:
        """For the journal, where the words go there; the README names them."""
        if not self._voice.takes_fields:
            return None
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
            with suppress(*UNREADABLE):  # busy or damaged: what was known is shown
                self._period = period_at(self._log.db, self._clock.utc_ms())
        return self._period
