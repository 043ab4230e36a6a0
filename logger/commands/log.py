"""Take samples until stopped.

Samples lie on the clock's grid: every 5 s means :00, :05, :10. Where the laptop stands and what changed at
the router is said with 'linktrial at' and 'linktrial changed' while this runs.
"""

from __future__ import annotations

import argparse
import sys

from adapters.boot import boot_identity
from adapters.clock import Clock, SystemClock, share_wake_ups
from adapters.contract import Adapter
from logger.commands import add_log_option, number_of_setting
from logger.errors import LogError
from logger.log import log_path
from logger.settings import Settings, load_settings, settings_path, settings_text

# How late the system may wake us. (Half an interval late, and the sample is left out.)
LATE_BY, LATE_AT_MOST_S = 0.05, 1.0  # of an interval


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--interval",
        type=number_of_setting("interval_s"),
        metavar="SECONDS",
        help="between samples: 0.1 to 3600 (else 5)",
    )
    parser.add_argument("--interface", metavar="NAME", help="the wireless interface (else the one that is found)")
    parser.add_argument("--simulated", type=int, metavar="SEED", help="a simulated radio instead of a card; needs --db")
    parser.add_argument("--show-settings", action="store_true", help="print the settings in force as a settings file")
    add_log_option(parser)


def run(args: argparse.Namespace) -> int:
    settings = load_settings()
    if args.show_settings:
        print(f"# {settings_path()}\n\n{settings_text(settings)}", end="")
        return 0
    if args.simulated is not None and not args.db:
        raise LogError("a simulated radio has no business in your own log; say --db with another file")
    return _log(args, settings, SystemClock())


def _log(args: argparse.Namespace, settings: Settings, clock: Clock) -> int:
    import faulthandler
    from contextlib import closing, nullcontext
    from importlib.metadata import version

    from adapters.sleep_signal import SleepSignal
    from logger.daemon import Daemon
    from logger.damage import opened_for_logging
    from logger.desktop import Desktop
    from logger.probing.job import Probes
    from logger.pruning import Pruner
    from logger.review import Reviews
    from logger.sampler import Sampler
    from logger.schedule import LONGEST_WAIT_S, OneThreadScheduler, stopping_on_signals
    from logger.sightings.job import Sightings
    from logger.supervisor import Supervisor
    from logger.voice import Voice

    interval_s = settings.interval_s if args.interval is None else args.interval
    interval_ms = round(interval_s * 1000)
    supervisor = Supervisor(clock)
    if supervisor.there:
        faulthandler.enable()  # where it hung, in the journal, when the watchdog ends it
    with (
        closing(_open_adapter(args, settings, clock)) as adapter,
        opened_for_logging(log_path(args.db), clock) as (log, said),
        closing(Voice(sys.stdout, sys.stderr)) as voice,
    ):
        if said:
            voice.complain(said)
        sightings = Sightings(log, adapter, clock, voice, every_s=settings.watch_every_s)
        sampler = Sampler(adapter, clock, interval_ms / 1000, [sightings])
        daemon = Daemon(log, sampler, clock, voice, interval_ms=interval_ms, commit_s=settings.commit_s)
        pruner = Pruner(log, clock, keep_days=settings.keep_samples_days)
        reviews = Reviews(log, clock, voice, Desktop(clock), every_s=settings.review_every_s)
        probe_every_s, options = _probes_asked_for(args, settings, adapter)
        probes = Probes(log, clock, voice, every_s=probe_every_s, options=options)

        def begin() -> bool:
            name, boot = adapter.interface, boot_identity()
            return daemon.begin(version=version("linktrial"), adapter=adapter.name, interface=name, boot=boot)

        def tick() -> None:
            if not (daemon.begun or begin()):
                return
            if daemon.tick():
                pruner.tick()
            sightings.tick(may_ask=not probes.running)
            reviews.tick()

        def turn() -> None:
            if daemon.begun and interval_s > LONGEST_WAIT_S:  # what a scan has heard is kept for half a minute
                sampler.take_in_events()
                sightings.tick(may_ask=not probes.running)
            if daemon.begun and not sightings.scanning:  # a scan would be measured, too
                probes.tick()
            supervisor.alive(daemon.standing)

        bedtime = SleepSignal.open(lambda begins: daemon.sleep(begins=begins))
        scheduler = OneThreadScheduler(tick, interval_ms, each_turn=turn, ear=bedtime)
        with stopping_on_signals(scheduler.stop), closing(bedtime) if bedtime else nullcontext():
            begin()
            supervisor.ready(f"logs {adapter.interface} every {interval_s:g} s")
            share_wake_ups(min(LATE_BY * interval_s, LATE_AT_MOST_S))
            try:
                scheduler.run()
            finally:
                share_wake_ups(0)
                supervisor.stopping()
                reviews.close()
                probes.close()
                written = not daemon.begun or daemon.end()
        return 0 if written else 1


def _probes_asked_for(args: argparse.Namespace, settings: Settings, adapter: Adapter) -> tuple[float, list[str]]:
    """How often, and the options of each. A simulated radio carries nothing: it is probed only where somebody says whom
    to speak to."""
    options = ["--interface", args.interface or adapter.interface]
    if args.simulated is None:
        return settings.probe_every_s, options
    return settings.probe_every_s if settings.probe_far_end else 0.0, [*options, "--simulated", str(args.simulated)]


def _open_adapter(args: argparse.Namespace, settings: Settings, clock: Clock) -> Adapter:
    if args.simulated is not None:
        return _simulated_radio(clock, args.simulated)
    from adapters import open_adapter

    return open_adapter(args.interface or settings.interface or None)


def _simulated_radio(clock: Clock, seed: int) -> Adapter:
    """The pottery of the demo, from its first day on, in real time."""
    from adapters.simulated.pottery import scene
    from adapters.simulated.radio import SimulatedRadio

    return SimulatedRadio(scene(clock.utc_ms()), clock, seed=seed)
