"""Judge the running trial now: the config version in force against the one before it, where the laptop stands. While
'linktrial log' runs it does so by itself every hour."""

from __future__ import annotations

import argparse
import signal
from collections.abc import Iterator
from contextlib import contextmanager
from types import FrameType
from typing import TYPE_CHECKING, NoReturn

from logger.commands import add_json_option, add_log_option, open_log
from logger.printable import printable, printable_json

if TYPE_CHECKING:
    from logger.findings import Finding
    from logger.log import Log

TRIES = 3  # while the owner edits the timeline


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--ahead",
        type=float,
        default=0.0,
        metavar="SECONDS",
        help="then work for so long, at most, at what the report will ask for (else not at all)",
    )
    add_json_option(parser)
    add_log_option(parser)


def run(args: argparse.Namespace) -> int:
    from logger.findings import PROGRESS

    with _leaving_when_asked(), open_log(args) as log:
        found = _reviewed(log)
        if args.ahead > 0:
            _work_ahead(log, args.ahead)
    if args.json:
        shown = [{"kind": one.kind, "words": one.words, **one.detail} for one in found]
        print(printable_json({"findings": shown}))
        return 0
    if not any(one.kind == PROGRESS for one in found):
        print("no trial is running: no change at the router is in the log yet; say one with: linktrial changed LABEL")
    for one in found:
        print(printable(one.words))
    return 0


def _reviewed(log: Log) -> list[Finding]:
    """What was judged before an edit of the timeline is judged again, most of it from memory."""
    from adapters.clock import SystemClock
    from dashboards.comparison import judgement
    from dashboards.review import Overtaken, review
    from logger.settings import load_settings

    judged = judgement(load_settings())
    for _ in range(TRIES - 1):
        try:
            return review(log, judged, SystemClock().utc_ms())
        except Overtaken:
            continue
    return review(log, judged, SystemClock().utc_ms())


def _work_ahead(log: Log, within_s: float) -> None:
    from adapters.clock import SystemClock
    from dashboards.comparison import judgement
    from dashboards.report import prepare
    from logger.settings import load_settings

    prepare(log, now_utc_ms=SystemClock().utc_ms(), judged=judgement(load_settings()), within_s=within_s)


@contextmanager
def _leaving_when_asked() -> Iterator[None]:
    """The daemon asks a review that takes too long to end, before it kills it: what was worked out is to be kept."""

    def leave(number: int, frame: FrameType | None) -> NoReturn:
        signal.signal(number, signal.SIG_IGN)  # asked again while it keeps them, it goes on
        raise SystemExit(128 + number)

    before = signal.signal(signal.SIGTERM, leave)
    try:
        yield
    finally:
        signal.signal(signal.SIGTERM, before)
