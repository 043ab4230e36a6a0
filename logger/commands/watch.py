"""Hear all radios of a network, on all bands, from where the laptop is: each is one more before and after.

With a name or an address the network or the radio is watched from now on; without, it is shown what is watched, when
each radio was heard last, and at what level. A name is said as 'linktrial status' prints it; \\xNN is a byte."""

from __future__ import annotations

import argparse
import sys

from adapters.clock import SystemClock
from logger.claim import holder
from logger.commands import add_json_option, add_log_option, for_shell, on_log, open_log
from logger.commands.saying import say_json
from logger.log import Log
from logger.printable import printable
from logger.settings import load_settings
from logger.sightings.shown import name_words, radio_lines, watched_json, watched_radios
from logger.sightings.watched import (
    Name,
    last_heard,
    name_of,
    nearest_heard,
    read_watched,
    scans_since,
    stop_watching,
    watch,
)
from logger.times import format_local, local_zone_name
from logger.wording import counted

HOUR_MS, DAY_MS = 3_600_000, 86_400_000


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "name", nargs="?", type=_name, metavar="SSID|BSSID", help='a network, as in "pottery", or one radio\'s address'
    )
    parser.add_argument("--stop", action="store_true", help="watch that no longer; what was heard of it stays")
    add_json_option(parser)
    add_log_option(parser)


def run(args: argparse.Namespace) -> int:
    if args.stop and args.name is None:
        print("linktrial watch: say which to stop; try 'linktrial watch --help'", file=sys.stderr)
        return 2
    with open_log(args, create=args.name is not None and not args.stop) as log:
        now_ms = SystemClock().utc_ms()
        if args.stop:
            stop_watching(log, args.name)
            return (
                say_json(stopped=str(args.name)) if args.json else _say(f"{name_words(args.name)} is watched no longer")
            )
        if args.name is not None:
            new = watch(log, args.name, now_ms)
            return _answer_new(log, args, new, now_ms)
        return _answer_all(log, args, now_ms)


def _name(word: str) -> Name:
    try:
        return name_of(word)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from error


def _answer_new(log: Log, args: argparse.Namespace, new: bool, now_ms: int) -> int:
    [watched] = [each for each in read_watched(log.db) if each.name == args.name]
    radios = last_heard(log.db, [args.name])[args.name]
    if args.json:
        return say_json(new=new, logging=holder(log.path) is not None, **watched_json(watched, radios))
    print(f"{name_words(args.name)} is watched{' from now on' if new else ' already'}")
    for line in radio_lines(radios, now_ms):
        print(f"  {line}")
    if not radios:
        near = nearest_heard(log.db, args.name)
        hint = "it is looked for from now on" if near is None else f"{name_words(near)} was heard"
        print(f"  no scan has heard it yet; {hint}")
        if args.name.like_an_address:
            print("  that is a network's name; the address of a radio has six pairs of digits: 02:00:00:00:00:05")
        if near is not None or args.name.like_an_address:
            print(f"  if that was not meant: {_typed('--stop', args.name, on_log(args))}")
        if near is not None:
            print(f"  and then: {_typed('', near, on_log(args))}")
    _hint(log)
    return 0


def _answer_all(log: Log, args: argparse.Namespace, now_ms: int) -> int:
    all_watched = watched_radios(log.db)
    n_active, n_others = scans_since(log.db, now_ms - DAY_MS)
    if args.json:
        return say_json(
            logging=holder(log.path) is not None,
            scans_last_day={"active": n_active, "of_others": n_others},
            watched=[watched_json(watched, radios) for watched, radios in all_watched],
        )
    if not all_watched:
        print('nothing is watched; linktrial watch "NETWORK" hears all its radios, whichever the laptop is on')
    zone = local_zone_name()
    for watched, radios in all_watched:
        print(f"{name_words(watched.name)}, since {format_local(watched.since_utc_ms, zone, now_ms)}")
        for line in radio_lines(radios, now_ms):
            print(f"  {line}")
        if not radios:
            print("  not heard by any scan of late" if n_active + n_others else "  no scan has heard it yet")
    print(
        f"in the last 24 h: {counted(n_active, 'scan')} that linktrial asked for,"
        f" {counted(n_others, 'look')} at what other programs' scans had heard"
    )
    if n_others and not n_active and any(now_ms - watched.since_utc_ms > HOUR_MS for watched, _ in all_watched):
        print("linktrial has not scanned itself, perhaps because it may not; see 'Both bands' in the README")
    _hint(log)
    return 0


def _typed(option: str, name: Name, on_log: str) -> str:
    """The command as it can be typed."""
    return f"linktrial watch {option}{' ' if option else ''}{printable(for_shell(str(name)))}{on_log}"


def _hint(log: Log) -> None:
    if not load_settings().watch_every_s:
        print("nothing is heard while the settings say watch_every_s = 0")
    elif holder(log.path) is None:
        print("not logging; 'linktrial log' starts it, and only then are radios heard")


def _say(words: str) -> int:
    print(words)
    return 0
