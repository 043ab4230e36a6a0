"""The laptop now stands at this location. Moving it by a few centimetres changes RSSI by several dB, so each
setting-down is a new placement; say --same-placement if it was not moved."""

from __future__ import annotations

import argparse

from logger.commands import add_json_option, add_log_option, on_log, open_log
from logger.commands.saying import add_when_option, say_json, timeline_of, when_ms
from logger.printable import printable


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("location", help='where, as in "wheel by the window"')
    parser.add_argument("--same-placement", action="store_true", help="it was not moved since it last stood here")
    add_when_option(parser)
    add_json_option(parser)
    add_log_option(parser)


def run(args: argparse.Namespace) -> int:
    with open_log(args, create=True) as log:
        timeline = timeline_of(log)
        known = timeline.locations()
        period = timeline.at(args.location, when_ms(args, timeline), same_placement=args.same_placement)
        if args.json:
            return say_json(
                location=period.location,
                placement=period.placement,
                config_version=f"v{period.config_version}",
                period=period.id,
                started_at_utc_ms=period.started_at_utc_ms,
            )
        placement = f"'{printable(period.location)}', placement {printable(period.placement)}"
        print(f"at {placement}, since {timeline.local(period.started_at_utc_ms)}")
        if known and period.location not in known:
            from difflib import get_close_matches

            if near := get_close_matches(period.location, known, 1, 0.75):
                print(f"a new location; if you meant '{printable(near[0])}': linktrial timeline undo{on_log(args)}")
    return 0
