"""How long, and in which order, to see a difference of D dB here: from this link's own noise, with the times of day to
switch the router and what to say then. For rates D is a ratio, such as 1.3; for how busy the channel is, points of a
hundred."""

from __future__ import annotations

import argparse
import re
from collections.abc import Sequence
from typing import Any

from logger.commands import add_json_option, add_log_option, number_of_days, on_log, open_log
from logger.errors import LogError
from logger.printable import printable_json, quoted
from logger.router_settings import BANDS

DEFAULT_DIFFERENCE = {"rssi": 3.0, "tx-rate": 1.5, "rx-rate": 1.5, "busy-share": 10.0}  # 3 dB are worth a factor of 1.5
MOST_DB, MOST_RATIO, MOST_POINTS = 40.0, 100.0, 100.0


class _Difference(argparse.Action):
    """ "2", "2dB", "2 dB", "x1.3"."""

    def __call__(self, parser: Any, namespace: Any, values: str | Sequence[Any] | None, option: Any = None) -> None:
        text = " ".join(values or ())
        if not text:  # none was said
            namespace.difference = None
            return
        match = re.fullmatch(r"(?:x ?)?(\d+(?:\.\d*)?|\.\d+) ?(?:db)?", text, re.I)
        if not match:
            raise argparse.ArgumentError(
                None, f"{quoted(text)} is no difference; say it like '2 dB', or '1.3' for rates"
            )
        namespace.difference = float(match[1])


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "difference",
        metavar="D",
        nargs="*",
        action=_Difference,
        help="the difference to be seen, in dB (3), as a ratio of rates (1.5), or in points of busy-share (10)",
    )
    parser.add_argument("--location", metavar="L", help="there (else where the laptop now stands)")
    parser.add_argument("--band", choices=BANDS, help="this band, in GHz (else the one that it is on most)")
    parser.add_argument(
        "--metric", choices=DEFAULT_DIFFERENCE, default="rssi", help="a difference in what (%(default)s)"
    )
    parser.add_argument(
        "--placements", type=int, choices=range(1, 5), metavar="N", help="set the laptop down N times, 1 to 4"
    )
    parser.add_argument(
        "--days", type=number_of_days(1, 366), default=14.0, metavar="N", help="the longest trial (%(default)g)"
    )
    add_json_option(parser)
    add_log_option(parser)


def run(args: argparse.Namespace) -> int:
    asked = DEFAULT_DIFFERENCE[args.metric] if args.difference is None else args.difference
    difference = _checked(asked, args.metric)
    from adapters.clock import SystemClock
    from dashboards.comparison import judgement
    from dashboards.planning import Wish, plan_json, plan_trial
    from logger.settings import load_settings

    settings = load_settings()
    judged = judgement(settings)
    now_ms = SystemClock().utc_ms()
    with open_log(args) as log:
        planned = plan_trial(
            log,
            Wish(args.metric, difference, args.days, args.placements),
            now_ms,
            margin=judged.margins[args.metric],
            washout_s=judged.washout_s,
            location=args.location,
            band=args.band,
            interval_s=settings.interval_s,
            on_log=on_log(args),
        )
    if args.json:
        print(printable_json(plan_json(planned)))
        return 0
    from dashboards.plan_words import plan_text

    print(plan_text(planned, now_ms))
    return 0


def _checked(difference: float, metric: str) -> float:
    """Raises LogError for what no trial is planned for."""
    if metric == "rssi":
        if not 0 < difference <= MOST_DB:
            raise LogError(f"a difference of {difference:g} dB cannot be planned for; say 0.1 to {MOST_DB:g}")
        return difference
    if metric == "busy-share":
        if not 0 < difference <= MOST_POINTS:
            raise LogError(f"a difference of {difference:g} points cannot be planned for; say 0.1 to {MOST_POINTS:g}")
        return difference
    ratio = 1 / difference if 0 < difference < 1 else difference
    if not 1 < ratio <= MOST_RATIO:
        raise LogError(f"a ratio of {difference:g} cannot be planned for; say one such as 1.3, up to {MOST_RATIO:g}")
    return ratio
