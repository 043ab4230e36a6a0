"""Test what the link carries, now: timed transfers and latency, over the wireless interface, into the log.

The other side is a far end ('linktrial far-end' on a wired machine) that this laptop is paired with, or any file of a
web server of yours. Without one, latency to the gateway is measured. 'linktrial log' does so by itself every half hour.
"""

from __future__ import annotations

import argparse
import signal
import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from types import FrameType
from typing import TYPE_CHECKING

from logger.commands import add_json_option, add_log_option, open_log
from logger.commands.saying import say_json
from logger.errors import LogError
from logger.printable import printable

if TYPE_CHECKING:
    from adapters.contract import Adapter

NO_TOKEN = "no token was given; 'linktrial far-end --show-token' prints it, on the machine where it runs"


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--url", help="a file of a web server of yours, in place of a far end")
    parser.add_argument("--interface", metavar="NAME", help="the wireless interface (else the one that is found)")
    parser.add_argument("--anyway", action="store_true", help="also while the link is in use, or is metered")
    what = parser.add_mutually_exclusive_group()
    what.add_argument(
        "--pair",
        nargs="?",
        const="",
        metavar="ADDRESS",
        help="pair with a far end, there or found in this network; its token is asked for, or read from standard input",
    )
    what.add_argument("--forget", action="store_true", help="forget the far end paired with, and its token")
    parser.add_argument("--scheduled", action="store_true", help=argparse.SUPPRESS)  # as the daemon asks for it
    parser.add_argument("--simulated", type=int, metavar="SEED", help=argparse.SUPPRESS)  # a link to read
    add_json_option(parser)
    add_log_option(parser)


def run(args: argparse.Namespace) -> int:
    if args.forget:
        return _forget(args)
    if args.pair is not None:
        return _pair(args)
    return _probe(args)


def _probe(args: argparse.Namespace) -> int:
    from contextlib import closing

    from adapters.clock import SystemClock
    from logger.probing.instruments import OwnInstruments
    from logger.probing.pairing import target_of
    from logger.probing.standing import probe_json, probe_lines, summary
    from logger.probing.turn import Asked, take_turn
    from logger.settings import load_settings
    from logger.times import local_zone_name

    settings = load_settings()
    target = target_of(settings, args.url)
    with (
        _told_to_end() as should_stop,
        closing(_adapter(args, args.interface or settings.interface or None)) as adapter,
        open_log(
            args, create=not args.scheduled
        ) as log,  # a log that was moved from under the daemon is not begun anew
    ):
        over = args.interface or adapter.interface
        if not (args.json or args.scheduled):
            whom = f"to {printable(target.label)}" if target else "to the gateway alone, for no far end is paired with"
            print(f"probes over {printable(over)}, {whom}", flush=True)
        probe = take_turn(
            log,
            settings,
            adapter,
            target,
            OwnInstruments(),
            SystemClock(),
            zone=local_zone_name(),
            asked=Asked(scheduled=args.scheduled, anyway=args.anyway),
            interface=over,
            should_stop=should_stop,
        )
        if target is not None and target.is_far_end and probe.outcome == "failed" and not probe.far_end:
            _look_elsewhere(args, over)
    if args.json:
        say_json(**probe_json(probe))
    elif not args.scheduled:
        print("".join(f"{line}\n" for line in probe_lines(probe)), end="")
    if probe.outcome == "done" or args.scheduled:
        return 0
    of_ours = probe.outcome == "stepped-aside" and probe.ended_at_utc_ms == probe.started_at_utc_ms
    hint = "; say --anyway to probe all the same" if of_ours and not args.anyway else ""
    raise LogError(f"{summary(probe)}{hint}")


def _look_elsewhere(args: argparse.Namespace, interface: str) -> None:
    """A far end that is not where it was has perhaps been given another address."""
    from logger.probing.meeting import met_elsewhere

    again = met_elsewhere(interface)
    if again and not (args.json or args.scheduled):
        print(f"'{printable(again.name)}' is at {printable(again.address)} now; the next probe speaks to it there")


def _adapter(args: argparse.Namespace, interface: str | None) -> Adapter:
    if args.simulated is None:
        from adapters import open_adapter
        from adapters.errors import NoWirelessInterface

        try:
            return open_adapter(interface)
        except NoWirelessInterface as error:
            why = "a probe goes over a wireless interface, for the log says which radio it was"
            raise NoWirelessInterface(f"{why}; {error}") from error
    from adapters.clock import SystemClock
    from adapters.simulated.pottery import scene
    from adapters.simulated.radio import SimulatedRadio

    clock = SystemClock()
    return SimulatedRadio(scene(clock.utc_ms()), clock, seed=args.simulated)


@contextmanager
def _told_to_end() -> Iterator[Callable[[], bool]]:
    """Whether somebody has asked this to end, so that it can say so in the log."""
    told = []

    def asked(number: int, frame: FrameType | None) -> None:
        told.append(number)

    names = [getattr(signal, name) for name in ("SIGINT", "SIGTERM", "SIGHUP") if hasattr(signal, name)]
    before = {name: signal.signal(name, asked) for name in names}
    try:
        yield lambda: bool(told)
    finally:
        for name, handler in before.items():
            signal.signal(name, handler)


def _pair(args: argparse.Namespace) -> int:
    from adapters.probing.finding import find_far_ends
    from adapters.probing.way import read_routes
    from logger.probing.meeting import met_anyhow, the_only_one
    from logger.probing.pairing import keep_pairing

    said = args.interface
    probed = said or _wireless(args)
    if args.pair:
        places, token = [args.pair], _token(args.pair)
    else:
        found = the_only_one(find_far_ends())
        places, token = found.places(read_routes(), probed or ""), _token(found.name)
    paired, over = met_anyhow(probed, places, token, or_else=said is None)
    path = keep_pairing(paired)
    if args.json:
        return say_json(address=paired.address, name=paired.name, interface=over, file=str(path))
    print(f"paired with '{printable(paired.name)}' at {printable(paired.address)}, over {printable(over)}")
    hint = "'linktrial probe' tests the link now"
    if over != probed:
        hint = "probes will go over the wireless interface alone"
    print(f"its token is in {printable(str(path))}, for your eyes alone; {hint}")
    return 0


def _wireless(args: argparse.Namespace) -> str | None:
    """The interface that probes will go over; None where there is none now, for pairing needs none."""
    from contextlib import closing

    from adapters.errors import AdapterError
    from logger.settings import load_settings

    try:
        with closing(_adapter(args, load_settings().interface or None)) as adapter:
            return adapter.interface
    except AdapterError:
        return None


def _token(far_end: str) -> str:
    """From the keyboard, unseen, or from standard input: a command line can be read by every user of a machine."""
    if sys.stdin is not None and sys.stdin.isatty():
        from getpass import getpass

        token = getpass(f"token of the far end '{printable(far_end)}': ", stream=None)
    else:
        token = sys.stdin.readline(1000) if sys.stdin is not None else ""
    if not token.strip():
        raise LogError(NO_TOKEN)
    return token.strip()


def _forget(args: argparse.Namespace) -> int:
    from logger.probing.pairing import forget_pairing, pairing_path

    there = forget_pairing()
    if args.json:
        return say_json(forgotten=there, file=str(pairing_path()))
    print("forgotten; probes test the gateway alone" if there else "no far end was paired with")
    return 0
