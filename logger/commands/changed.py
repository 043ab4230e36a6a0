"""The router was changed: a new config version starts. Settings not named stay as they were. Disconnect the router
from the mains before you open it, never let it transmit without its antenna, and keep radiated power (EIRP) within
your country's limit."""

from __future__ import annotations

import argparse

from logger.commands import add_json_option, add_log_option, on_log, open_log
from logger.commands.saying import add_when_option, checked_notes, say_json, timeline_of, when_ms
from logger.printable import printable
from logger.router_settings import BANDS, difference, eirp_dbm, parse_settings


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("label", help='what was done, as in "longer antennas"')
    parser.add_argument(
        "--set",
        dest="settings",
        metavar="KEY=VALUE",
        action="append",
        default=[],
        help="a structured setting, as in antenna.5.gain_dbi=5; an empty value takes it away; may be repeated",
    )
    parser.add_argument("--notes", default="", help="anything else worth keeping")
    add_when_option(parser)
    add_json_option(parser)
    add_log_option(parser)


def run(args: argparse.Namespace) -> int:
    settings, notes = parse_settings(args.settings), checked_notes(args.notes)
    with open_log(args, create=True) as log:
        timeline = timeline_of(log)
        moment = when_ms(args, timeline)
        before = timeline.version_at(moment)
        version, period = timeline.changed(args.label, moment, settings, notes)
        eirp = {band: power for band in BANDS if (power := eirp_dbm(version.settings, band)) is not None}
        if args.json:
            return say_json(
                config_version=f"v{version.number}",
                label=version.label,
                settings=version.settings,
                eirp_dbm=eirp,
                period=period.id,
                started_at_utc_ms=period.started_at_utc_ms,
            )
        print(f"v{version.number} '{printable(version.label)}' since {timeline.local(period.started_at_utc_ms)}")
        if following := timeline.next_version_after(period):
            ended_ms, number = following
            print(f"  until {timeline.local(ended_ms)}, when v{number} began; the settings of v{number} stay as said")
        for phrase in difference(before.settings if before else {}, version.settings):
            print(f"  {printable(phrase)}")
        for band, power in eirp.items():
            if before and power == eirp_dbm(before.settings, band):
                continue
            print(f"  EIRP on {band} GHz: {power:g} dBm; your national regulator says what is lawful")
        number = before.number if before else 1
        print(f"to see what it did: linktrial compare v{number} v{version.number}{on_log(args)}")
    return 0
