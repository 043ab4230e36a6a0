"""The daemon for a month, in a month's own time: its memory, files, threads and processor time, tenth by tenth.

    python tests/bench/soak.py                # 30 days at a sample every 1.5 s: more than a million ticks, about a minute
    python tests/bench/soak.py --days 1       # a short form; the tests run a shorter one
    python tests/bench/soak.py --traced       # what Python itself holds, too; it takes more memory and four times as long

It is ``linktrial log`` itself, loop, jobs and all, on the simulated radio (the libraries for a real one are loaded, too);
only the clock is wound on by hand instead of
waited for. Meanwhile the laptop sleeps at night, roams, loses its link and its card, its adapter fails, somebody sets
the clock, and the owner moves it about and changes the router, each through a process of its own, as commands
are. The router's network is watched: the card scans every five minutes and hears six neighbours. The log lies in memory (/dev/shm) where there is such a place, for a month of commits would else wait hours for
a disk.

Asked is: at most 45 MB resident at the end, and no growth after the first fifth, in which SQLite's page cache
fills; no more files and threads than at the start; a write-ahead log that SQLite's own checkpoints keep small. Ends with
1 where that is missed. The slope, with its error, is for a reader to judge.
"""

from __future__ import annotations

import argparse
import gc
import json
import os
import subprocess
import sys
import tempfile
import time
import tracemalloc
from collections.abc import Callable
from contextlib import suppress
from dataclasses import replace
from functools import partial
from importlib import import_module
from pathlib import Path
from random import Random
from typing import NamedTuple

from adapters.contract import AdapterError, HeardRadio, InterfaceGone, LinkEvent, LinkReading
from adapters.simulated import pottery
from adapters.simulated.clock import SimulatedClock
from adapters.simulated.radio import SimulatedRadio
from adapters.simulated.scene import RouterChange, Scene, Stay

ROOM_MB = 45.0
GROWTH_MB = 1.0  # after the first fifth; SQLite's page cache may still be filling in a short form
WAL_ROOM_KB = 2 * 4096.0  # SQLite folds it back every 1,000 pages of 4 KB
DAY_S = 86_400.0
SLEEPS_H = 8.0
TAGS_A_DAY, TROUBLES_A_DAY, CLOCK_SETS_A_DAY = 3, 2, 0.5
START_MS = 1_790_000_000_000


class Look(NamedTuple):
    """The process after so many ticks."""

    n_ticks: int
    simulated_days: float
    resident_mb: float
    n_files: int
    n_threads: int
    wal_kb: float
    log_mb: float
    cpu_ms_per_tick: float  # since the look before; the simulated radio's own included
    python_mb: float  # what Python's own allocator holds; 0 where that is not traced


class TroubledRadio(SimulatedRadio):
    """A simulated radio whose card vanishes, or whose driver refuses, for as long as ``trouble`` says."""

    trouble: Callable[[str], Exception] | None = None

    def read(self) -> LinkReading:
        if self.trouble is not None:
            raise self.trouble("wlan0 does not answer")  # each time anew: one raised again grows by its traceback
        return super().read()

    def events(self) -> list[LinkEvent]:
        return [] if self.trouble is not None else super().events()

    def heard(self) -> list[HeardRadio]:
        if self.trouble is not None:
            raise self.trouble("wlan0 does not answer")
        return super().heard()

    def begin_scan(self) -> None:
        if self.trouble is not None:
            raise self.trouble("wlan0 does not answer")
        super().begin_scan()


def month(days: float) -> Scene:
    """The pottery's three weeks, again and again."""
    changes: list[RouterChange] = []
    stays: list[Stay] = []
    for turn in range(1 + int(days // pottery.DAYS)):
        once = pottery.scene(START_MS + round(turn * pottery.DAYS * DAY_S * 1000))
        changes += once.changes
        stays += once.stays
    return replace(once, changes=tuple(changes), stays=tuple(stays), obstacles=())


class Winder:
    """In the place of the scheduler: winds the clock on to each point of the grid instead of waiting for it, and lets
    happen meanwhile what a month brings."""

    def __init__(self, clock: SimulatedClock, radio: TroubledRadio, log: Path, days: float, seed: int) -> None:
        self._clock, self._radio, self._log, self._days = clock, radio, log, days
        self._dice = Random(seed)
        self._owner: subprocess.Popen[str] | None = None
        self.looks: list[Look] = []

    def __call__(
        self, job: Callable[[], None], interval_ms: int, *, each_turn: Callable[[], None], **_: object
    ) -> Winder:
        self._job, self._interval_ms, self._each_turn = job, interval_ms, each_turn
        return self

    def stop(self) -> None:
        raise SystemExit("the soak was asked to end")

    def run(self) -> None:
        """All the days; a look at the process at the start and after each tenth."""
        clock, interval_s = self._clock, self._interval_ms / 1000
        n_ticks, since = 0, time.process_time()
        happenings = self._happenings()
        look_at = [self._days * DAY_S * tenth / 10 for tenth in range(11)]
        look_at[0] = min(600.0, look_at[1] / 10)  # once all that is loaded late has been loaded
        n_before = 0
        self._owner_says("at", pottery.WHEEL)
        self._owner_says("watch", "pottery")
        while look_at:
            if happenings and clock.elapsed_s() >= happenings[-1][0]:
                happenings.pop()[1]()
            clock.advance(interval_s - clock.utc_ms() % self._interval_ms / 1000)
            self._job()
            self._each_turn()
            n_ticks += 1
            if clock.elapsed_s() >= look_at[0]:
                look_at.pop(0)
                spent = time.process_time() - since
                self.looks.append(self._look(n_ticks, 1000 * spent / (n_ticks - n_before)))
                n_before, since = n_ticks, time.process_time()
        self._owner_goes()

    def _happenings(self) -> list[tuple[float, Callable[[], None]]]:
        """(second, what), the soonest last."""
        dice, whole_s = self._dice, self._days * DAY_S
        told = [
            (day * DAY_S + 14 * 3600.0, lambda: self._clock.suspend(SLEEPS_H * 3600)) for day in range(int(self._days))
        ]

        def add(per_day: float, what: Callable[[], None]) -> None:
            told.extend((dice.uniform(0, whole_s), what) for _ in range(round(per_day * self._days)))

        add(TAGS_A_DAY, lambda: self._owner_says("at", dice.choice((pottery.WHEEL, pottery.KILN))))
        add(TAGS_A_DAY, lambda: self._owner_says("changed", f"try {dice.random():.3f}"))
        for trouble in (InterfaceGone, AdapterError):
            for _ in range(round(TROUBLES_A_DAY * self._days)):
                begins_s = dice.uniform(0, whole_s)
                told.append((begins_s, partial(self._fail, trouble)))
                told.append((begins_s + dice.uniform(10, 3600), partial(self._fail, None)))
        add(
            CLOCK_SETS_A_DAY,
            lambda: self._clock.set_wall(self._clock.utc_ms() + dice.choice((-90_000, 3_000, 3_600_000))),
        )
        return sorted(told, key=lambda happening: happening[0], reverse=True)

    def _owner_says(self, verb: str, words: str) -> None:
        """In a process of its own, as every command is."""
        if self._owner is None:
            command = [sys.executable, "-P", __file__, "--owner", str(self._log)]
            self._owner = subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
        assert self._owner.stdin
        assert self._owner.stdout
        print(json.dumps([self._clock.utc_ms(), verb, words]), file=self._owner.stdin, flush=True)
        if not self._owner.stdout.readline():
            raise SystemExit("the owner's process ended")

    def _owner_goes(self) -> None:
        if self._owner is not None:
            self._owner.communicate()

    def _fail(self, how: Callable[[str], Exception] | None) -> None:
        self._radio.trouble = how

    def _look(self, n_ticks: int, cpu_ms: float) -> Look:
        if tracemalloc.is_tracing():
            gc.collect()  # what waits for collection is no growth
        status = dict(line.split(":", 1) for line in Path("/proc/self/status").read_text().splitlines())
        wal = Path(f"{self._log}-wal")
        return Look(
            n_ticks,
            self._clock.elapsed_s() / DAY_S,
            int(status["VmRSS"].split()[0]) / 1024,
            len(os.listdir("/proc/self/fd")),
            int(status["Threads"]),
            wal.stat().st_size / 1024 if wal.exists() else 0.0,
            self._log.stat().st_size / 2**20,
            cpu_ms,
            tracemalloc.get_traced_memory()[0] / 2**20,
        )


def load_what_a_card_needs() -> None:
    """The libraries that a daemon on a real card has in memory, so that their room is counted too."""
    from adapters.linux.netlink import Family

    with suppress(OSError, AdapterError):
        Family("nl80211").close()
    for name in (
        "jeepney",
        "jeepney.io.blocking",
        "adapters.linux.adapter",
        "adapters.elements",
        "adapters.linux.scan_request",
    ):
        with suppress(ImportError):
            import_module(name)


def soak(days: float, interval_s: float, folder: Path, seed: int = 11) -> list[Look]:
    """A daemon in this process for so many simulated days; the looks at it. ``folder`` is for the log."""
    import logger.schedule
    from logger.commands import log as command
    from logger.settings import Settings

    load_what_a_card_needs()
    clock = SimulatedClock(START_MS)
    path = folder / "soak.db"
    radio = TroubledRadio(month(days), clock, seed=seed)
    winder = Winder(clock, radio, path, days, seed)
    args = argparse.Namespace(db=str(path), interval=interval_s, interface=None, simulated=seed)
    kept = logger.schedule.OneThreadScheduler, command._open_adapter
    logger.schedule.OneThreadScheduler, command._open_adapter = winder, lambda *_: radio
    try:
        if command._log(args, Settings(review_every_s=0), clock):
            raise SystemExit("the daemon could not write its log")
    finally:
        logger.schedule.OneThreadScheduler, command._open_adapter = kept
    return winder.looks


def owner(log: Path) -> None:
    """Says on the log what is asked for on standard input: lines of [UTC ms, verb, words]."""
    from logger.errors import LogError
    from logger.log import Log
    from logger.sightings.watched import name_of, watch
    from logger.timeline import Timeline

    for line in sys.stdin:
        now_ms, verb, words = json.loads(line)
        with Log.open(log) as here:
            try:
                if verb == "watch":
                    watch(here, name_of(words), now_ms)
                else:
                    getattr(Timeline(here, SimulatedClock(now_ms), "UTC"), verb)(words)
                print("done", flush=True)
            except LogError as error:  # a tag is refused while the clock is set back
                print(error, flush=True)


def slope(looks: list[Look]) -> tuple[float, float]:
    """MB a million ticks by least squares, and its standard error."""
    n = len(looks)
    xs, ys = [look.n_ticks / 1e6 for look in looks], [look.resident_mb for look in looks]
    mean_x, mean_y = sum(xs) / n, sum(ys) / n
    sxx = sum((x - mean_x) ** 2 for x in xs)
    rise = sum((x - mean_x) * (y - mean_y) for x, y in zip(xs, ys, strict=True)) / sxx
    left = sum((y - mean_y - rise * (x - mean_x)) ** 2 for x, y in zip(xs, ys, strict=True))
    return rise, (left / (n - 2) / sxx) ** 0.5


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--days", type=float, default=30.0)
    parser.add_argument("--interval", type=float, default=1.5, metavar="SECONDS")
    parser.add_argument("--folder", type=Path, help="for the log, else one in memory")
    parser.add_argument("--traced", action="store_true")
    parser.add_argument("--owner", type=Path, metavar="LOG", help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.owner:
        owner(args.owner)
        return
    if args.traced:
        tracemalloc.start()
    shm = Path("/dev/shm")
    with tempfile.TemporaryDirectory(dir=args.folder or (shm if shm.is_dir() else None)) as folder:
        looks = soak(args.days, args.interval, Path(folder))
    print("    ticks    days  resident MB  files  threads  WAL KB  log MB  CPU ms a tick", file=sys.stderr)
    for look in looks:
        print(
            f"{look.n_ticks:9,} {look.simulated_days:7.2f} {look.resident_mb:12.2f} {look.n_files:6} {look.n_threads:8}"
            f" {look.wal_kb:7.0f} {look.log_mb:7.1f} {look.cpu_ms_per_tick:14.3f}"
            + (f"  Python {look.python_mb:.3f} MB" if args.traced else ""),
            file=sys.stderr,
        )
    rise, error = slope(looks[2:])
    last = looks[-1]
    print(f"resident at the end {last.resident_mb:.1f} MB (aim: {ROOM_MB:g})", file=sys.stderr)
    print(
        f"slope over the last eight tenths {rise:+.3f} MB a million ticks, standard error {error:.3f}", file=sys.stderr
    )
    missed = [
        *(["memory"] if last.resident_mb > ROOM_MB and not args.traced else []),
        *(["no growth"] if last.resident_mb - looks[2].resident_mb > GROWTH_MB else []),
        *(["files"] if last.n_files > looks[0].n_files else []),
        *(["threads"] if last.n_threads > looks[0].n_threads else []),
        *(["write-ahead log"] if last.wal_kb > WAL_ROOM_KB else []),
    ]
    if missed:
        raise SystemExit(f"missed: {', '.join(missed)}")


if __name__ == "__main__":
    main()
