"""What did one config version do against another? Says it per location and band, with intervals. A version is v2, 2 or
its label."""

from __future__ import annotations

import argparse
import json

from dashboards.analysis.metrics import METRICS
from logger.commands import add_json_option, add_log_option, open_log
from logger.router_settings import BANDS


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("a", metavar="vA", help="the version to compare with")
    parser.add_argument("b", metavar="vB", help="the version to judge")
    parser.add_argument("--location", metavar="L", help="this location only (else all that have both versions)")
    parser.add_argument("--band", choices=BANDS, help="this band only, in GHz")
    parser.add_argument("--metric", choices=METRICS, help="this metric only (else all that were recorded)")
    add_json_option(parser)
    add_log_option(parser)


def run(args: argparse.Namespace) -> int:
    from dashboards.comparison import (
        NothingToCompare,
        compare_versions,
        comparison_json,
        find_location,
        judgement,
        nothing_in_common,
        settings_of,
    )
    from dashboards.frames import load_blocks, load_periods, load_versions
    from logger.one_moment import one_moment
    from logger.settings import load_settings
    from logger.tags import find_version, read_versions

    with open_log(args) as log, one_moment(log):
        versions = load_versions(log)
        known = read_versions(log.db)
        a, b = (find_version(known, word).number for word in (args.a, args.b))
        if a == b:
            raise NothingToCompare(f"v{a} cannot be compared with itself; say two versions")
        location = None if args.location is None else find_location(load_periods(log), args.location)
        blocks = load_blocks(log)
    metrics = tuple(METRICS) if args.metric is None else (args.metric,)
    effects = compare_versions(
        blocks,
        a,
        b,
        location=location,
        band=args.band,
        metrics=metrics,
        judged=judgement(load_settings()),
        settings=settings_of(versions),
    )
    if not effects:
        raise NothingToCompare(nothing_in_common(blocks, a, b, location, args.band))
    if args.json:
        print(json.dumps(comparison_json(a, b, effects), ensure_ascii=False, allow_nan=False))
        return 0
    from dashboards.sentences import comparison_text

    labels = dict(zip(versions["version"], versions["label"], strict=True))
    print(comparison_text(a, b, labels, effects))
    return 0
