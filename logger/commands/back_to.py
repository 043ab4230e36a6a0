"""The router is back in an earlier config version. Going back on purpose is what tells a change apart from
the drift of the day."""

from __future__ import annotations

import argparse

from logger.commands import add_json_option, add_log_option, open_log
from logger.commands.saying import add_when_option, say_json, timeline_of, when_ms
from logger.printable import printable


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("version", help="the config version, as v1, 1 or its label")
    add_when_option(parser)
    add_json_option(parser)
    add_log_option(parser)


def run(args: argparse.Namespace) -> int:
    with open_log(args) as log:
        timeline = timeline_of(log)
        version = timeline.find_version(args.version)
        period = timeline.back_to(version.number, when_ms(args, timeline))
        if args.json:
            return say_json(
                config_version=f"v{version.number}",
                label=version.label,
                period=period.id,
                started_at_utc_ms=period.started_at_utc_ms,
            )
        print(
            f"back to v{version.number} '{printable(version.label)}' since {timeline.local(period.started_at_utc_ms)}"
        )
    return 0
