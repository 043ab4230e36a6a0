"""Write the report: one HTML file that can be read offline, on a phone and in print. With --csv, its tables too. With
--share, for other eyes: addresses of radios and names of networks are replaced by aliases, the same ones in every
report and export of this log."""

from __future__ import annotations

import argparse
from pathlib import Path

from adapters.clock import SystemClock
from logger.commands import add_json_option, add_log_option, open_log
from logger.commands.saying import say_json
from logger.errors import LogError
from logger.log import Log
from logger.printable import printable
from logger.times import local_zone_name

DEFAULT_OUTPUT = "linktrial-report.html"
SHARED_OUTPUT = "linktrial-report-to-share.html"  # never mistaken for the other
_MARK = b"<title>What each change at the router did</title>"  # by which a report is known again


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--output", metavar="FILE.html", help=f"the file to write ({DEFAULT_OUTPUT})")
    parser.add_argument("--csv", metavar="FOLDER", help="write the tables into this folder, too")
    parser.add_argument("--share", action="store_true", help="aliases instead of BSSIDs and network names")
    add_json_option(parser)
    add_log_option(parser)


def run(args: argparse.Namespace) -> int:
    from dashboards.commands.progress import effects_bar
    from dashboards.comparison import judgement
    from dashboards.many_effects import all_cores
    from dashboards.report import find, make_folder, write_html, write_tables
    from dashboards.sharing import as_shared
    from logger.aliases import WORDS_STAY, Aliases
    from logger.settings import load_settings

    output = Path(args.output or (SHARED_OUTPUT if args.share else DEFAULT_OUTPUT)).expanduser()
    _spare_others(output)
    settings = load_settings()
    folder = None if args.csv is None else Path(args.csv).expanduser()
    with open_log(args) as log, effects_bar() as tell:
        if folder is not None:
            make_folder(folder)  # or fail before anything is worked out, let alone written
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
        if args.share:
            findings = as_shared(findings, Aliases.of(log))
    page = write_html(findings, output)
    tables = [] if folder is None else write_tables(findings, folder)
    if args.json:
        return say_json(report=str(page), tables=[str(table) for table in tables], shared=args.share)
    holds = WORDS_STAY if args.share else "it names your places, and is readable by you alone"
    print(f"The report is in {printable(str(page))}; {holds}")
    if tables:
        print(f"The tables are in {printable(', '.join(map(str, tables)))}")
    return 0


def _spare_others(output: Path) -> None:
    """Raises LogError for a file that is there and is no report, before anything is worked out."""
    try:
        if not output.is_file():
            return
        with output.open("rb") as file:
            ours = _MARK in file.read(4096)
    except OSError:
        ours = False
    if not ours:
        raise LogError(f"{output} is there already and is no report of linktrial; say --output with another file")


def zone_of(log: Log) -> str:
    """The zone that the log itself last was in, else this machine's: the day's cycle is that of the place."""
    row = log.db.execute(
        "SELECT time_zone FROM (SELECT source_id, started_at_utc_ms AS from_utc_ms, 0 AS found, time_zone FROM period"
        " UNION ALL SELECT source_id, from_utc_ms, 1, time_zone FROM zone) JOIN source ON source.id = source_id"
        " ORDER BY source_id = 1 DESC, kind = 'logger' DESC, from_utc_ms DESC, found DESC LIMIT 1"
    ).fetchone()
    return row[0] if row else local_zone_name()
