"""Judge the running trial now: the config version in force against the one before it, where the laptop stands. While
'linktrial log' runs it does so by itself every hour."""

from __future__ import annotations

import argparse
import json

from logger.commands import add_json_option, add_log_option, open_log


def configure(parser: argparse.ArgumentParser) -> None:
    add_json_option(parser)
    add_log_option(parser)


def run(args: argparse.Namespace) -> int:
    from adapters.clock import SystemClock
    from dashboards.comparison import judgement
    from dashboards.review import review
    from logger.findings import PROGRESS
    from logger.settings import load_settings

    with open_log(args) as log:
        found = review(log, judgement(load_settings()), SystemClock().utc_ms())
    if args.json:
        shown = [{"kind": one.kind, "words": one.words, **one.detail} for one in found]
        print(json.dumps({"findings": shown}, ensure_ascii=False, allow_nan=False))
        return 0
    if not any(one.kind == PROGRESS for one in found):
        print("no trial is running: no change at the router is in the log yet; say one with: linktrial changed LABEL")
    for one in found:
        print(one.words)
    return 0
