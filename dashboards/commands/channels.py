"""Who else is on the air, on which channels and how much, over the logged days; and whether another channel would be
better, where that can be told. It tells what full scans heard (see 'linktrial watch'); nothing is sent."""

from __future__ import annotations

import argparse
from typing import TYPE_CHECKING

from logger.commands import add_json_option, add_log_option, number_of_days, on_log, open_log
from logger.errors import LogError
from logger.router_settings import BANDS

if TYPE_CHECKING:
    from adapters.contract import RegulatoryDomain

DAY_MS = 86_400_000


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--band", choices=BANDS, help="this band only, in GHz")
    parser.add_argument("--location", metavar="L", help="as heard at this location only")
    parser.add_argument(
        "--days", type=number_of_days(0.01, 3660), metavar="N", help="the last N days only (else all that were logged)"
    )
    add_json_option(parser)
    add_log_option(parser)


def run(args: argparse.Namespace) -> int:
    from adapters.clock import SystemClock
    from dashboards.air.find import find_air
    from dashboards.air.words import air_json, air_text
    from dashboards.commands.report import zone_of
    from logger.commands.saying import say_json
    from logger.log import OWN_SOURCE
    from logger.printable import quoted
    from logger.tags import read_locations

    regulatory, no_rules = _regulatory()
    now_ms = SystemClock().utc_ms()
    with open_log(args) as log:
        known = read_locations(log.db)
        if args.location is not None and args.location not in known:
            there = ", ".join(map(quoted, known[:20])) or "none yet"
            raise LogError(f"there is no location {quoted(args.location)} in the log; there are: {there}")
        newest_ms = log.db.execute("SELECT max(time_utc_ms) FROM scan WHERE everyone").fetchone()[0]
        if newest_ms is None:
            if log.db.execute("SELECT 1 FROM period WHERE source_id = ?", (OWN_SOURCE,)).fetchone() is None:
                raise LogError(
                    "no scan of all channels is in this log: what was imported are samples; 'linktrial log' takes scans"
                    " as it goes, on a machine of its own"
                )
            raise LogError("no scan of all channels is in the log yet; 'linktrial log' takes them as it goes")
        since_ms = 0 if args.days is None else newest_ms - round(args.days * DAY_MS)
        air = find_air(
            log,
            zone=zone_of(log),
            location=args.location,
            band=args.band,
            since_utc_ms=since_ms,
            regulatory=regulatory,
            no_rules=no_rules,
        )
    if args.json:
        return say_json(**air_json(air, on_log(args)))
    print(air_text(air, now_ms, on_log(args)))
    return 0


def _regulatory() -> tuple[RegulatoryDomain | None, str]:
    """The rules in force on this machine, where it has a card and tells; and why not, with what to do."""
    from adapters import open_adapter
    from adapters.errors import AdapterError
    from logger.settings import load_settings

    try:
        adapter = open_adapter(load_settings().interface or None)
        try:
            domain = adapter.regulatory()
        finally:
            adapter.close()
    except AdapterError as error:
        return None, f"{error}; ask on a machine with a wireless card in the country of the router"
    return domain, "this system tells none; 'linktrial check' says what it does tell"
