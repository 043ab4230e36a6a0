"""Write the report: one HTML file that can be read offline, on a phone and in print. With --csv, its tables too."""

from __future__ import annotations

import argparse
from pathlib import Path

from adapters.clock import SystemClock
from logger.commands import add_json_option, add_log_option, open_log
from logger.commands.saying import say_json
from logger.log import Log
from logger.printable import printable
from logger.times import local_zone_name

DEFAULT_OUTPUT = "linktrial-report.html"


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--output", metavar="FILE.html", default=DEFAULT_OUTPUT, help="the file to write (%(default)s)")
    parser.add_argument("--csv", metavar="FOLDER", help="write the tables into this folder, too")
    add_json_option(parser)
    add_log_option(parser)


def run(args: argparse.Namespace) -> int:
    from dashboards.commands.progress import effects_bar
    from dashboards.comparison import judgement
    from dashboards.many_effects import all_cores
    from dashboards.report import find, write_html, write_tables
    from logger.settings import load_settings

    settings = load_settings()
    with open_log(args) as log, effects_bar() as tell:
        findings = find(
            log,
            now_utc_ms=SystemClock().utc_ms(),
            zone=zone_of(log),
            judged=judgement(settings),
            needed_rate_mbps=settings.needed_rate_mbps,
            needed_rate_for=settings.needed_rate_for,
            n_processes=all_cores(),
            progress=tell,
        )
    page = write_html(findings, Path(args.output).expanduser())
    tables = write_tables(findings, Path(args.csv).expanduser()) if args.csv is not None else []
    if args.json:
        return say_json(report=str(page), tables=[str(table) for table in tables])
    print(f"The report is in {printable(str(page))}; it holds BSSIDs and your places, and is readable by you alone")
    if tables:
        print(f"The tables are in {printable(', '.join(map(str, tables)))}")
    return 0


def zone_of(log: Log) -> str:
    """The zone that the log itself last was in, else this machine's: the day's cycle is that of the place."""
    row = log.db.execute(
        "SELECT time_zone FROM period JOIN source ON source.id = source_id"
        " ORDER BY kind = 'logger' DESC, started_at_utc_ms DESC LIMIT 1"
    ).fetchone()
    return row[0] if row else local_zone_name()
