"""Play a whole trial on the simulated radio: three weeks at a small pottery, its router in five config versions, in
seconds. Leaves a log and its report, and says what was planted beside what was found."""

from __future__ import annotations

import argparse
import os
import sqlite3
import sys
import time
from collections.abc import Callable, Iterator
from contextlib import closing, contextmanager
from pathlib import Path
from typing import TYPE_CHECKING

from adapters.simulated import pottery
from logger.claim import holder
from logger.commands import number_of_days
from logger.errors import LogError, LogInUse
from logger.log import APPLICATION_ID, Log
from logger.times import format_duration, format_local

if TYPE_CHECKING:
    from dashboards.report import Findings
    from dashboards.trial import Played

DEMO_SOURCE = "simulated pottery"  # stands in the log as the one who recorded it: how a demo log is known again
REPORT_MARK = b"\n<!-- linktrial demo -->\n"  # at its end, for the same purpose
INTERVAL_S = 30.0
QUICK_INTERVAL_S = 120.0
PLAYING_SHARE = 0.2  # of the time that the demo takes, for the progress bar


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--db", metavar="PATH", default="linktrial-demo.db", help="the log to make (%(default)s)")
    parser.add_argument(
        "--output", metavar="PATH", default="linktrial-demo.html", help="the report to write (%(default)s)"
    )
    parser.add_argument("--seed", type=int, default=1, metavar="N", help="another seed, another luck (%(default)s)")
    parser.add_argument(
        "--days",
        type=number_of_days(0.05, 366),
        default=pottery.DAYS,
        metavar="N",
        help="play the first N days only (%(default)s)",
    )
    parser.add_argument(
        "--quick", action="store_true", help=f"one sample every {QUICK_INTERVAL_S:g} s instead of {INTERVAL_S:g}"
    )


def run(args: argparse.Namespace) -> int:
    path, output = Path(args.db).expanduser(), Path(args.output).expanduser()
    _make_room(path, output)
    import sqlite_utils  # noqa: F401  loaded first, so that the log is migrated without another process

    from dashboards.comparison import judgement
    from dashboards.many_effects import all_cores
    from dashboards.report import find, write_html
    from dashboards.trial import play_pottery
    from logger.settings import DEFAULTS

    began_s = time.monotonic()
    with _progress() as tell, Log.open(path) as log:
        with log.transaction() as db:
            db.execute("UPDATE source SET name = ? WHERE id = 1", (DEMO_SOURCE,))
        log.db.execute("PRAGMA synchronous = OFF")  # a demo that a power cut spoils is simply made again
        played = play_pottery(
            log,
            seed=args.seed,
            days=args.days,
            interval_s=QUICK_INTERVAL_S if args.quick else INTERVAL_S,
            progress=lambda day: tell(PLAYING_SHARE * day / args.days),
        )
        findings = find(
            log,
            now_utc_ms=played.ended_at_utc_ms,
            zone=played.time_zone,
            judged=judgement(DEFAULTS),  # as compare and report do: they find these effects remembered
            n_processes=all_cores(),
            progress=lambda done, expected: tell(PLAYING_SHARE + (1 - PLAYING_SHARE) * done / max(expected, 1)),
        )
        write_html(findings, output)
    with output.open("ab") as file:
        file.write(REPORT_MARK)
    print(_story(played, findings, args.days, time.monotonic() - began_s))
    print(_next_steps(path, output, comparable=bool(findings.changes)))
    return 0


# --- files ---


def _make_room(path: Path, output: Path) -> None:
    """Take an earlier demo away. Raises LogError before touching anything that is not a demo's."""
    if path.resolve() == output.resolve():
        raise LogError(f"{path} cannot be both the log and the report; say --db and --output apart")
    if path.exists() and not _is_demo_log(path):
        raise LogError(f"{path} is there already and is no demo's log; say --db with another file")
    if path.exists() and _has_later_edits(path):
        raise LogError(f"{path} holds tags of your own by now; move it away, or say --db with another file")
    if holder(path) is not None:
        raise LogInUse(f"a daemon is logging into {path}; stop it first, or say --db with another file")
    if output.exists() and not _is_demo_report(output):
        raise LogError(f"{output} is there already and is no demo's report; say --output with another file")
    for parent in {path.parent, output.parent}:
        if not parent.is_dir():
            raise LogError(f"there is no folder {parent}; make it first, or say another --db and --output")
    for suffix in ("", "-wal", "-shm"):
        path.with_name(path.name + suffix).unlink(missing_ok=True)


def _is_demo_log(path: Path) -> bool:
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as db:
            if db.execute("PRAGMA application_id").fetchone()[0] != APPLICATION_ID:
                return False
            found = db.execute("SELECT name FROM source WHERE id = 1").fetchone()
            return found is not None and found[0] == DEMO_SOURCE
    except sqlite3.Error:
        return False


def _has_later_edits(path: Path) -> bool:
    """Whether anybody tagged since the demo was played, or took one of its tags back."""
    try:
        with closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as db:
            played_to_ms = "(SELECT max(last_utc_ms) FROM block)"
            later = f"made_at_utc_ms > {played_to_ms} OR undone_at_utc_ms > {played_to_ms}"
            return db.execute(f"SELECT 1 FROM edit WHERE {later} LIMIT 1").fetchone() is not None
    except sqlite3.Error:
        return False


def _is_demo_report(output: Path) -> bool:
    try:
        with output.open("rb") as file:
            file.seek(-min(len(REPORT_MARK), output.stat().st_size), os.SEEK_END)
            return file.read() == REPORT_MARK
    except OSError:
        return False


# --- words ---


@contextmanager
def _progress() -> Iterator[Callable[[float], None]]:
    """Gives a function that is told the share done; it draws a bar on a terminal and nothing elsewhere."""
    from tqdm import tqdm

    with tqdm(
        total=1.0,
        desc="three weeks at the pottery",
        bar_format="{desc} {percentage:3.0f}% |{bar}| {elapsed}",
        disable=not sys.stderr.isatty(),
        leave=False,
    ) as bar:

        def tell(share: float) -> None:
            bar.update(share - bar.n)

        yield tell


def _story(played: Played, findings: Findings, days: float, took_s: float) -> str:
    """What was planted, and what was found, change by change."""
    from dashboards.sentences import MINUS, located_sentence

    lines = [
        f"{format_duration(days * 86_400)} at a small pottery, played in {took_s:.0f} s: {played.n_samples:,} samples,"
        f" {played.n_probes:,} probes, {played.n_scans:,} scans."
    ]
    n_held = n_shown = 0
    for change, effects in findings.changes:
        lines += ["", f"v{change.version} '{pottery.VERSIONS[change.version].label}' after v{change.before}"]
        for located in effects:
            effect = located.effect
            truth = pottery.planted_effect(effect.metric, located.location, located.band, located.a, located.b)
            if truth is None or effect.low is None or effect.high is None:
                continue
            n_shown += 1
            n_held += effect.low <= truth <= effect.high
            lines.append(f"  planted {_planted(truth, effect.unit):>11}   {located_sentence(located)}")
    if n_shown:
        lines += ["", f"{n_held} of {n_shown} intervals hold what was planted; 19 of 20 should in the long run."]
    if n_shown:
        lines.append(
            "Each is of one metric by itself. The report allows for their number (Holm's rule): it may say 'cannot be"
            " told yet' where one is better or worse here."
        )
    if days * 24 > pottery.UNTAGGED_HOUR:
        at_utc_ms = played.started_at_utc_ms + round(pottery.UNTAGGED_HOUR * 3_600_000)
        when = format_local(at_utc_ms, played.time_zone)
        loss_db = pottery.UNTAGGED_LOSS_DB["5"]
        lines.append(f"Nobody wrote down what stands in the way of the {pottery.KILN} since {when}: -{loss_db:g} dB.")
    return "\n".join(lines).replace(MINUS, "-")  # not every terminal has a true minus


def _planted(truth: float, unit: str) -> str:
    """ "+5 dB", "1.4 times"."""
    if unit == "ratio":
        return f"{truth:.2g} times"
    return f"{truth:+.0f} {unit}" if truth else f"0 {unit}"


def _next_steps(path: Path, output: Path, *, comparable: bool) -> str:
    from shlex import quote

    db = f"--db {quote(str(path))}"
    compare = [f"compare v1 v2 --metric tx-rate {db}"] if comparable else []
    tries = [f"timeline {db}", *compare, f"channels {db}", f"report {db}"]
    return "\n".join(
        ["", f"log      {path}", f"report   {output}", "", "Try next:", *(f"  linktrial {t}" for t in tries)]
    )
