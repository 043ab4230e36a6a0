"""Take samples that somebody else recorded: a CSV file with one sample a row.

Columns, in any order: time (ISO 8601, or seconds since 1970; UTC where no offset is given), location, placement,
version, band or frequency_mhz, rssi_dbm; and where known tx_rate_mbps, rx_rate_mbps, noise_dbm, connected (1 or 0).
An empty cell is unknown. "v3" or "3" is config version 3 of this log; any other version is found by its label, or
becomes a new one. The same placement of the same location is the same one in every file. A file with a bad row is
refused whole.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from typing import TYPE_CHECKING

from logger.commands import add_json_option, add_log_option, open_log

if TYPE_CHECKING:
    from logger.exchange.importing import Imported


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", help="the CSV file (UTF-8; comma, semicolon or tab)")
    parser.add_argument("--ignore-extra", action="store_true", help="leave columns out that linktrial does not know")
    add_log_option(parser)
    add_json_option(parser)


def run(args: argparse.Namespace) -> None:
    import json
    import sys
    from dataclasses import asdict
    from pathlib import Path

    from adapters.clock import SystemClock
    from logger.exchange.importing import import_recording
    from logger.times import local_zone_name

    zone = local_zone_name()
    with open_log(args, create=True) as log:
        done = import_recording(
            log,
            Path(args.file),
            now_utc_ms=SystemClock().utc_ms(),
            zone=zone,
            ignore_extra=args.ignore_extra,
            quiet=not sys.stderr.isatty(),
        )
    print(json.dumps(asdict(done)) if args.json else "\n".join(_summary(done, zone)))


def _summary(done: Imported, zone: str) -> Iterator[str]:
    from logger.printable import printable
    from logger.times import format_local
    from logger.wording import counted

    now = done.last_utc_ms  # the year is said where the recording spans two
    first, last = (format_local(moment, zone, now) for moment in (done.first_utc_ms, done.last_utc_ms))
    yield f"imported {counted(done.n_rows, 'sample')} from {done.file}, {first} to {last}"
    yield f"{counted(len(done.locations), 'location')}: {printable(', '.join(done.locations))}"
    yield f"{counted(done.n_placements, 'placement')}, {counted(done.n_periods, 'period')}"
    for name, number in done.versions.items():
        if name.lower() not in (str(number), f"v{number}"):
            yield f"version '{printable(name)}' is v{number}"
    if done.n_left_out:
        yield f"{counted(done.n_left_out, 'sample')} had a level or rate without a link; that was left out"
