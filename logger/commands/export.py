"""Write samples as CSV, in the columns that import reads; or the log's tables (--tables).

Times are UTC. A text that a spreadsheet would run as a formula gets an apostrophe in front; import takes it off again.
With --share addresses of radios and names of networks are replaced by aliases, the same ones in every report and export
of this log.
"""

from __future__ import annotations

import argparse

from logger.commands import add_json_option, add_log_option, open_log
from logger.log import Log


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--output", metavar="FILE", default="-", help="where to write the samples (else standard output)"
    )
    parser.add_argument("--location", metavar="LOCATION", help="only the samples of this location")
    parser.add_argument("--from", dest="begin", metavar="WHEN", help="only since then: 'Mon 9:30', '3 days ago', ...")
    parser.add_argument("--to", dest="end", metavar="WHEN", help="only until then")
    parser.add_argument(
        "--tables",
        metavar="FOLDER",
        help="write blocks, probes, sightings, periods, versions and events there instead of the samples",
    )
    parser.add_argument("--share", action="store_true", help="aliases instead of BSSIDs and network names")
    add_log_option(parser)
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    import json
    import sys
    from pathlib import Path

    from adapters.clock import SystemClock
    from logger.aliases import WORDS_STAY
    from logger.exchange.exporting import export_samples, export_tables
    from logger.printable import printable
    from logger.times import format_local, local_zone_name, parse_when
    from logger.whole_file import whole_file

    only = (args.location, args.begin, args.end)
    if args.tables and (only != (None, None, None) or args.output != "-"):
        print("linktrial export: --tables writes whole tables; leave the other choices out", file=sys.stderr)
        return 2
    if args.json and args.output == "-" and not args.tables:
        print("linktrial export: --json tells what was written; say --output FILE with it", file=sys.stderr)
        return 2
    now, zone = SystemClock().utc_ms(), local_zone_name()
    begin, end = (None if text is None else parse_when(text, now, zone) for text in (args.begin, args.end))
    if begin is not None and end is not None and begin >= end:
        told = f"{format_local(begin, zone, now)} is not before {format_local(end, zone, now)}"
        print(f"linktrial export: {told}; say --from with the earlier time", file=sys.stderr)
        return 2
    with open_log(args) as log:
        if args.tables:
            files = [str(path) for path in export_tables(log, Path(args.tables), share=args.share)]
            print(json.dumps({"files": files, "shared": args.share}) if args.json else "\n".join(map(printable, files)))
            if args.share and not args.json:
                print(f"To share: {WORDS_STAY}")
            return 0
        _say_what_is_gone(log, begin)
        choice = {"location": args.location, "from_utc_ms": begin, "to_utc_ms": end, "share": args.share}
        if args.output == "-":
            if hasattr(sys.stdout, "reconfigure"):
                sys.stdout.reconfigure(encoding="utf-8", newline="")
            export_samples(log, sys.stdout, **choice)
            if args.share:
                print(f"linktrial export: {WORDS_STAY}", file=sys.stderr)
            return 0
        with whole_file(Path(args.output)) as out:
            n_samples = export_samples(log, out, **choice)
        done = {"file": args.output, "n_samples": n_samples, "shared": args.share}
        print(json.dumps(done) if args.json else f"wrote {n_samples:,} samples to {printable(args.output)}")
        if args.share and not args.json:
            print(f"To share: {WORDS_STAY}")
    return 0


def _say_what_is_gone(log: Log, begin_utc_ms: int | None) -> None:
    """Samples that were pruned are missed where they were asked for."""
    import sys

    from logger.exchange.columns import format_time
    from logger.pruning import horizons

    gone = [before_ms for before_ms in horizons(log.db).values() if begin_utc_ms is None or begin_utc_ms < before_ms]
    if gone:
        print(
            f"linktrial export: samples before {format_time(max(gone))} were given up to keep the log small (setting"
            " keep_samples_days); 'linktrial export --tables FOLDER' has their blocks",
            file=sys.stderr,
        )
