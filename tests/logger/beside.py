"""Reviews as the daemon has them, with a clock set by hand and a child that runs what a test tells it to."""

from __future__ import annotations

import io
import sys
import time
from collections.abc import Callable

from adapters.simulated.clock import SimulatedClock
from logger.desktop import Desktop
from logger.findings import VERDICT, Finding
from logger.log import Log
from logger.review import Reviews
from logger.timeline import Timeline
from logger.voice import Voice
from tests.logger.conftest import START_MS

HOUR_S = 3600.0


class Beside:
    """Reviews on a real log with a clock set by hand, and a child that runs ``program`` and notes that it did."""

    def __init__(self, log: Log, *, every_s: float = HOUR_S, program: str = "", environ: dict[str, str] | None = None):
        self.log = log
        self.clock = SimulatedClock(START_MS)
        self.out, self.err = io.StringIO(), io.StringIO()
        self.unplugged = False
        self.runs = log.path.with_name("runs")
        note = f"open({str(self.runs)!r}, 'a').write('x')\n"
        self.reviews = Reviews(
            log,
            self.clock,
            Voice(self.out, self.err),
            Desktop(self.clock, environ or {}),
            every_s=every_s,
            command=[sys.executable, "-S", "-c", note + program, str(log.path)],
            on_battery=lambda: self.unplugged,
        )

    def ticks(self, seconds: float, step_s: float = 60.0) -> None:
        """So many seconds go by, children ending at once."""
        for _ in range(round(seconds / step_s)):
            self.reviews.tick()
            until(lambda: self.reviews._child is None or self.reviews._child.poll() is not None)
            self.reviews.tick()
            self.clock.advance(step_s)

    @property
    def n_runs(self) -> int:
        return len(self.runs.read_text()) if self.runs.exists() else 0

    @property
    def said(self) -> list[str]:
        return [line.split(" ", 1)[1] for line in self.out.getvalue().splitlines()]


def until(come: Callable[[], bool], seconds: float = 20.0) -> None:
    deadline_s = time.monotonic() + seconds
    while not come():
        assert time.monotonic() < deadline_s, "it did not come"
        time.sleep(0.01)


def a_finding(words: str, verdict: str = "better", metric: str = "rssi") -> Finding:
    return Finding(VERDICT, f'[1, 2, 1, "5", "{metric}"]', words, {"verdict": verdict})


def begin_trial(log: Log) -> Log:
    """A change at the router, the day before."""
    clock = SimulatedClock(START_MS - 86_400_000)
    timeline = Timeline(log, clock, "Europe/Berlin")
    timeline.at("kiln room")
    clock.advance(HOUR_S)
    timeline.changed("longer antennas")
    return log
