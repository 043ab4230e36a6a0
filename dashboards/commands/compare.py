"""What did one config version do against another? Says it per location and band, with intervals. A version is v2, 2 or
its label."""

from __future__ import annotations

import argparse
import sys
from dataclasses import replace
from shutil import get_terminal_size
from typing import TYPE_CHECKING

from dashboards.analysis.metrics import METRICS
from logger.commands import add_json_option, add_log_option, number_of_setting, open_log
from logger.log import Log
from logger.printable import printable_json
from logger.router_settings import BANDS

if TYPE_CHECKING:
    import pandas as pd

    from dashboards.beside_frames import Beside


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("a", metavar="vA", help="the version to compare with")
    parser.add_argument("b", metavar="vB", help="the version to judge")
    parser.add_argument("--location", metavar="L", help="this location only (else all that have both versions)")
    parser.add_argument("--band", choices=BANDS, help="this band only, in GHz")
    parser.add_argument("--metric", choices=METRICS, help="this metric only (else all that were recorded)")
    parser.add_argument(
        "--washout",
        metavar="SECONDS",
        type=number_of_setting("washout_s"),
        help="leave out so much after every change (else as the settings say, and nothing of an imported recording)",
    )
    add_json_option(parser)
    add_log_option(parser)


def run(args: argparse.Namespace) -> int:
    from adapters.clock import SystemClock
    from dashboards.answers import Answers
    from dashboards.comparison import NothingToCompare, judgement, location_called
    from dashboards.effect_json import comparison_json
    from dashboards.remembered import Remembered
    from logger.one_moment import one_moment
    from logger.settings import load_settings
    from logger.tags import find_version, read_locations, read_versions

    judged = judgement(load_settings())
    if args.washout is not None:
        judged = replace(judged, washout_s=args.washout, imported_washout_s=args.washout)
    with open_log(args) as log:
        with one_moment(log):
            versions = read_versions(log.db)
            a, b = (find_version(versions, word).number for word in (args.a, args.b))
            if a == b:
                raise NothingToCompare(f"v{a} cannot be compared with itself; say two versions")
            location = None if args.location is None else location_called(args.location, read_locations(log.db))
            remembered = Remembered(
                Answers(log),
                [(a, b)],
                settings={version.number: version.settings for version in versions},
                location=location,
                band=args.band,
                metrics=tuple(METRICS) if args.metric is None else (args.metric,),
                judged=judged,
            )
            blocks, beside = (None, None) if remembered.complete else _all(log)
        if blocks is not None:
            from dashboards.commands.progress import effects_bar
            from dashboards.many_effects import all_cores

            with effects_bar() as tell:
                now_ms = SystemClock().utc_ms()
                remembered.work_out(blocks, now_utc_ms=now_ms, beside=beside, n_processes=all_cores(), progress=tell)
        effects = remembered.effects(a, b)
        if not effects:
            from dashboards.comparison import nothing_in_common

            raise NothingToCompare(nothing_in_common(_all(log)[0], a, b, location, args.band))
    if args.json:
        print(printable_json(comparison_json(a, b, effects)))
        return 0
    from dashboards.comparison_words import comparison_text

    width = get_terminal_size().columns if sys.stdout.isatty() else 0
    print(comparison_text(a, b, {version.number: version.label for version in versions}, effects, width))
    return 0


def _all(log: Log) -> tuple[pd.DataFrame, Beside]:
    from dashboards.beside_frames import load_beside  # pandas, and a second; not for what is remembered
    from dashboards.frames import load_blocks

    return load_blocks(log), load_beside(log)
