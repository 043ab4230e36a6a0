"""When samples are taken: on the clock's grid, on one thread, through APScheduler.

APScheduler's own BlockingScheduler will not do, for two reasons that its base class lets us mend. It sleeps
until the wall clock shows the next fire time, so a clock set back by a day silences it for a day. And its
sleep ends by a ``threading.Event``, which a signal handler must not set: the handler may interrupt the very
lines that hold the event's lock.
"""

from __future__ import annotations

import select
import signal
import socket
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager, suppress
from datetime import UTC, datetime, timedelta
from types import FrameType
from typing import Protocol

from apscheduler.executors.base import BaseExecutor
from apscheduler.job import Job
from apscheduler.schedulers.base import STATE_STOPPED, BaseScheduler
from apscheduler.triggers.base import BaseTrigger

EPOCH = datetime(1970, 1, 1, tzinfo=UTC)
CLOCK_SLACK_S = 1.0  # set back by less, the clock is waited for, lest a point of the grid come twice
LONGEST_WAIT_S = 10.0  # waits do not count time asleep: look at the wall clock again this soon after a resume


class GridTrigger(BaseTrigger):  # type: ignore[misc]  # APScheduler has no types
    """Fires whenever UTC is a multiple of ``interval_ms``: every 5 s means :00, :05, :10.

    Fire times that lie in the past are passed over (a laptop that slept for a night missed thousands), and
    each is computed from the grid, so lateness never adds up.
    """

    __slots__ = ("interval_ms",)

    def __init__(self, interval_ms: int) -> None:
        self.interval_ms = interval_ms

    def get_next_fire_time(self, previous_fire_time: datetime | None, now: datetime) -> datetime:
        """The first point of the grid after both ``now`` and the previous fire time."""
        after = now if previous_fire_time is None else max(now, previous_fire_time)
        after_ms = (after - EPOCH) // timedelta(milliseconds=1)
        return EPOCH + timedelta(milliseconds=(after_ms // self.interval_ms + 1) * self.interval_ms)


class SameThreadExecutor(BaseExecutor):  # type: ignore[misc]
    """Runs a job where the scheduler runs, so that SQLite's handle stays on its thread.

    APScheduler swallows whatever a job raises; here the scheduler stops and ``run`` raises it again: an
    error that the job does not handle is a fault of the program, and a logger that only looks alive is worse
    than one that ends.
    """

    def _do_submit_job(self, job: Job, run_times: Sequence[datetime]) -> None:
        try:
            job.func(*job.args, **job.kwargs)
        except BaseException as error:
            self._scheduler.fail(error)
        self._run_job_success(job.id, [])


class Ear(Protocol):
    """Something else that the loop waits for. ``hear`` is called when there is something to read; -1 for ``fileno``:
    it is closed."""

    def fileno(self) -> int: ...

    def hear(self) -> None: ...


class OneThreadScheduler(BaseScheduler):  # type: ignore[misc]
    """Calls ``job`` at every point of the grid until ``stop``, and ``each_turn`` whenever the loop has turned: after
    each job, and every LONGEST_WAIT_S between jobs that are farther apart. Hears ``ear`` in between."""

    def __init__(
        self,
        job: Callable[[], None],
        interval_ms: int,
        *,
        each_turn: Callable[[], None] = lambda: None,
        ear: Ear | None = None,
    ) -> None:
        super().__init__(
            timezone=UTC,
            executors={"default": SameThreadExecutor()},
            job_defaults={"coalesce": True, "max_instances": 1, "misfire_grace_time": None},
        )
        self._interval_s = interval_ms / 1000
        self._each_turn = each_turn
        self._ear = ear
        self._error: BaseException | None = None
        self._stopping = False
        self._bell, self._bell_rope = socket.socketpair()
        self._bell_rope.setblocking(False)
        self._grid_job = self.add_job(job, GridTrigger(interval_ms))

    def run(self) -> None:
        """Blocks until ``stop``. Raises what the job raised."""
        self.start()
        try:
            while not self._stopping:
                wait_s = self._process_jobs()
                self._each_turn()
                if wait_s > self._interval_s + CLOCK_SLACK_S:  # beyond the next point: the clock was set back
                    now = datetime.now(UTC)
                    self._grid_job.modify(next_run_time=self._grid_job.trigger.get_next_fire_time(None, now))
                    continue
                waited: list[socket.socket | Ear] = [self._bell, *self._ears()]
                heard = select.select(waited, [], [], min(wait_s, LONGEST_WAIT_S))[0]
                if self._bell in heard:
                    self._bell.recv(64)
                if self._ear is not None and self._ear in heard:
                    self._ear.hear()
        finally:
            if self.state != STATE_STOPPED:
                self.shutdown()
            self._bell.close()
            self._bell_rope.close()
        if self._error is not None:
            raise self._error

    def _ears(self) -> list[Ear]:
        return [self._ear] if self._ear is not None and self._ear.fileno() >= 0 else []

    def stop(self) -> None:
        """End ``run`` after the job that is running, if any. May be called from a signal handler."""
        self._stopping = True
        self.wakeup()

    def fail(self, error: BaseException) -> None:
        self._error = error
        self.stop()

    def shutdown(self, wait: bool = True) -> None:
        """Part of APScheduler's contract; ``stop`` is the way to end ``run``."""
        super().shutdown(wait)

    def wakeup(self) -> None:
        """Cut the wait of ``run`` short."""
        with suppress(OSError):  # rung often enough already, or the run is over
            self._bell_rope.send(b"\0")


@contextmanager
def stopping_on_signals(stop: Callable[[], None]) -> Iterator[None]:
    """Calls ``stop`` when the user or the system asks the program to end, or the terminal is closed. A signal that was
    ignored from the start stays so: ``nohup`` asks for that."""
    known = [name for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    names = [name for name in known if signal.getsignal(getattr(signal, name)) is not signal.SIG_IGN]

    def asked_to_end(number: int, frame: FrameType | None) -> None:
        stop()

    before = {name: signal.signal(getattr(signal, name), asked_to_end) for name in names}
    try:
        yield
    finally:
        for name, handler in before.items():
            signal.signal(getattr(signal, name), handler)
