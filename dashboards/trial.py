"""Plays the pottery's three weeks into a log: the simulated radio is sampled, and the tags are said as an owner would.

The samples pass through the same sampler, recorder and timeline as a real link's; probes and scans are logged beside
them (dashboards/trial_beside.py).
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import partial
from zoneinfo import ZoneInfo

from adapters.simulated import SimulatedClock, SimulatedRadio, pottery
from dashboards.trial_beside import Beside
from logger.log import Log
from logger.recorder import Recorder
from logger.sample import Event, Sample
from logger.sampler import Sampler
from logger.timeline import Timeline

COMMIT_EVERY = 120  # ticks


@dataclass(frozen=True, slots=True)
class Played:
    """What was put into the log."""

    n_samples: int
    n_events: int
    n_probes: int
    n_scans: int
    started_at_utc_ms: int
    ended_at_utc_ms: int
    time_zone: str


def play_pottery(
    log: Log,
    *,
    seed: int,
    days: float = pottery.DAYS,
    interval_s: float = 30.0,
    time_zone: str | None = None,
    progress: Callable[[float], object] = lambda day: None,
) -> Played:
    """Fill an empty log with the first ``days`` of the pottery, one sample every ``interval_s``.

    ``time_zone``: IANA name of the pottery's zone, else this machine's. ``progress`` is told the days played, often.
    """
    clock = SimulatedClock(0)
    timeline = Timeline(log, clock, time_zone)
    zone = ZoneInfo(timeline.time_zone)
    start_utc_ms = pottery.start_utc_ms(zone)
    clock.set_wall(start_utc_ms)
    scene = pottery.scene(start_utc_ms)
    radio = SimulatedRadio(scene, clock, seed=seed, zone=zone)
    timeline.at(pottery.STAYS[0][1])
    timeline.amend_version(1, settings=pottery.VERSIONS[1].settings)
    beside = Beside(log, clock, scene, seed=seed, zone=zone)
    player = _Player(log, clock, Sampler(radio, clock, interval_s), interval_s, beside, progress)

    end_s = days * 86_400
    for at_s, happen in _happenings(timeline, clock):
        if at_s >= end_s:
            break
        player.run_until(at_s)
        happen()
    player.run_until(end_s)
    counts = (player.n_samples, player.n_events, beside.n_probes, beside.n_scans)
    return Played(*counts, start_utc_ms, clock.utc_ms(), timeline.time_zone)


def _happenings(timeline: Timeline, clock: SimulatedClock) -> list[tuple[float, Callable[[], object]]]:
    """What is said or done at the pottery after the start, with seconds from there, in order."""
    happenings: list[tuple[float, Callable[[], object]]] = []
    for hour, location in pottery.STAYS[1:]:
        happenings.append((hour * 3600, partial(timeline.at, location)))
    known = {1}
    for hour, number in pottery.ROUTER_CHANGES[1:]:
        version = pottery.VERSIONS[number]
        if number in known:
            say: Callable[[], object] = partial(timeline.back_to, number)
        else:
            say = partial(timeline.changed, version.label, settings=version.settings, notes=version.notes)
        happenings.append((hour * 3600, say))
        known.add(number)
    for hour, hours in pottery.SLEEPS:
        happenings.append((hour * 3600, partial(clock.suspend, hours * 3600)))
    return sorted(happenings, key=lambda happening: happening[0])


class _Player:
    """Ticks the sampler on its grid and hands the rows over in batches."""

    def __init__(
        self,
        log: Log,
        clock: SimulatedClock,
        sampler: Sampler,
        interval_s: float,
        beside: Beside,
        progress: Callable[[float], object],
    ) -> None:
        self._clock = clock
        self._sampler = sampler
        self._interval_s = interval_s
        self._beside = beside
        self._progress = progress
        self._recorder = Recorder(log)
        self._recorder.set_pace(round(interval_s * 1000), clock.utc_ms())
        self._samples: list[Sample] = []
        self._events: list[Event] = []
        self._n_ticks = 0
        self.n_samples = 0
        self.n_events = 0

    def run_until(self, end_s: float) -> None:
        """Take every sample due before ``end_s``, commit, and be at ``end_s``, awake."""
        clock = self._clock
        while (due_s := self._next_due_s()) < end_s:
            clock.advance(due_s - clock.elapsed_s())
            samples, events = self._sampler.tick()
            self._samples += samples
            self._events += events
            for sample in samples:
                self._beside.after(sample, self._interval_s)
            self._n_ticks = round(due_s / self._interval_s) + 1
            if len(self._samples) >= COMMIT_EVERY:
                self._commit()
        self._commit()
        clock.advance(max(end_s - clock.elapsed_s(), 0.0))

    def _next_due_s(self) -> float:
        """The next tick on the grid; those that were slept through are not made up for."""
        while self._n_ticks * self._interval_s < self._clock.elapsed_s():
            self._n_ticks += 1
        return self._n_ticks * self._interval_s

    def _commit(self) -> None:
        self._recorder.record(self._samples, self._events)
        self._beside.commit()
        self.n_samples += len(self._samples)
        self.n_events += len(self._events)
        self._samples.clear()
        self._events.clear()
        self._progress(self._clock.elapsed_s() / 86_400)
