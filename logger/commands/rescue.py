"""Save what can be read of a damaged log into a new one. The damaged file is only read. Blocks are folded anew from
their samples; where only blocks are left they are kept. What was lost is said."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from typing import TYPE_CHECKING

from logger.commands import add_json_option

if TYPE_CHECKING:
    from logger.rescuing.rescue import Rescued

SILENCES_SHOWN = 5  # the longest; --json has all
_CALLED = {  # the tables, for people
    "sample": "samples",
    "block": "blocks",
    "period": "periods",
    "event": "events",
    "location": "locations",
    "placement": "placements",
    "config_version": "config versions",
    "edit": "edits of the timeline",
    "source": "recorders (this machine's, other machines', imports)",
    "link": "links",
    "rate": "rates",
    "pace": "the pace of sampling",
    "zone": "changes of the time zone",
    "pass": "times that the clock was set back",
    "pruned": "the times before which samples were given up",
    "finding": "findings told",
    "identity": "the log's own number",
    "alias_key": "the secret of aliases",
    "probe": "probes",
    "transfer": "transfers of probes",
    "latency": "rounds of latency",
    "watched": "the networks that are watched",
    "radio": "radios that scans heard",
    "scan": "scans",
    "sighting": "sightings of radios",
    "visit": "what scans found on channels",
    "counterpart": "what merged logs' rows are called here",
}


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("damaged", metavar="DAMAGED", help="the damaged log; its -wal file, if any, beside it")
    parser.add_argument("--into", metavar="NEW", help="the new log (else DAMAGED.rescued)")
    add_json_option(parser)


def run(args: argparse.Namespace) -> None:
    import json
    import sys
    from dataclasses import asdict
    from pathlib import Path

    from tqdm import tqdm

    from adapters.clock import SystemClock
    from logger.claim import holder
    from logger.errors import LogInUse
    from logger.rescuing.rescue import rescue

    damaged = Path(args.damaged).expanduser()
    into = Path(args.into).expanduser() if args.into else damaged.with_name(f"{damaged.name}.rescued")
    if damaged.exists() and holder(damaged) is not None:
        raise LogInUse(f"a daemon is logging into {damaged}; stop it first")
    now_utc_ms = SystemClock().utc_ms()
    form = "{desc}: {percentage:3.0f} % |{bar}| {remaining} left"
    with tqdm(total=1, bar_format=form, leave=False, disable=not sys.stderr.isatty()) as bar:

        def progress(what: str, n_done: int, n_all: int) -> None:
            if n_done < bar.n:  # the next thing
                bar.reset(n_all)
            bar.total = n_all
            bar.set_description(what, refresh=False)
            bar.update(min(n_done, n_all) - bar.n)

        done = rescue(damaged, into, now_utc_ms=now_utc_ms, progress=progress)
    if args.json:
        print(json.dumps({"damaged": str(damaged), "into": str(into), "whole": done.whole, **asdict(done)}))
    else:
        print("\n".join(_words(done, str(into), now_utc_ms)))


def _words(done: Rescued, into: str, now_utc_ms: int) -> Iterator[str]:
    from logger.printable import printable
    from logger.times import local_zone_name
    from logger.wording import counted

    zone = local_zone_name()
    yield f"saved into {printable(into)}:"
    n_saved = done.tables["sample"].n_saved
    of = f" of at least {done.n_samples_told:,} that there were" if done.n_samples_told > n_saved else ""
    yield f"  {counted(n_saved, 'sample')}{of}"
    for table in ("block", "period", "event"):
        yield f"  {counted(done.tables[table].n_saved, table)}"
    if done.whole:
        yield "nothing was lost"
        return
    yield "lost or in doubt:"
    yield from _of_samples(done, zone, now_utc_ms)
    for table, saved in done.tables.items():
        losses = []
        if saved.n_pages_lost:
            losses.append(counted(saved.n_pages_lost, "page"))
        if saved.n_rows_refused:
            losses.append(f"{counted(saved.n_rows_refused, 'row')} without sense")
        if saved.n_rows_stray:
            losses.append(f"{counted(saved.n_rows_stray, 'row')} saved from pages that nothing led to any more")
        if losses:
            yield f"  of {_CALLED.get(table, table)}: {', '.join(losses)}"
    for span in done.lost:
        within = _span(span.from_utc_ms, span.to_utc_ms, zone, now_utc_ms)
        yield f"  {counted(span.n, 'sample')} of period {span.period_id}, within {within}"
    if done.n_blocks_without_samples:
        n = counted(done.n_blocks_without_samples, "block")
        yield f"  {n} kept whose samples are gone; an edit of the timeline that cuts there drops them"
    if done.n_blocks_changed:
        yield f"  {counted(done.n_blocks_changed, 'block')} said something else than the samples that are left"
    for words in done.stand_ins:
        yield f"  stood in for: {words}"


def _of_samples(done: Rescued, zone: str, now_utc_ms: int) -> Iterator[str]:
    """How much may be lost in all, where neither samples nor blocks are left to tell."""
    from logger.times import format_duration, format_local
    from logger.wording import counted

    n_told = done.n_samples_told - done.tables["sample"].n_saved
    if n_told:
        yield f"  {counted(n_told, 'sample')} at least, as the blocks that came back tell"
    if done.silences:
        lasted_s = sum(span.to_utc_ms - span.from_utc_ms for span in done.silences) / 1000
        n_room = sum(span.n_room for span in done.silences)
        spans = counted(len(done.silences), "span")
        yield (
            f"  no samples came back of {format_duration(lasted_s)} ({spans}) beside pages that were lost; at the pace"
            f" set then, up to {n_room:,} were taken there:"
        )
        longest = sorted(done.silences, key=lambda span: span.from_utc_ms - span.to_utc_ms)[:SILENCES_SHOWN]
        for span in sorted(longest, key=lambda span: (span.source_id, span.from_utc_ms)):
            yield f"    {_span(span.from_utc_ms, span.to_utc_ms, zone, now_utc_ms)}"
        if len(done.silences) > SILENCES_SHOWN:
            yield f"    and {len(done.silences) - SILENCES_SHOWN:,} shorter"
    newest = done.newest
    if newest and newest.known_utc_ms is not None and newest.known_utc_ms > (newest.sample_utc_ms or 0):
        known = format_local(newest.known_utc_ms, zone, now_utc_ms)
        if newest.sample_utc_ms is None:
            yield f"  every sample of this machine; the newest moment known is of {newest.known_by}: {known}"
        else:
            later = format_duration((newest.known_utc_ms - newest.sample_utc_ms) / 1000)
            last = format_local(newest.sample_utc_ms, zone, now_utc_ms)
            yield f"  the last sample saved is of {last}; {newest.known_by} is known of {known}, {later} later"


def _span(from_utc_ms: int, to_utc_ms: int, zone: str, now_utc_ms: int) -> str:
    from logger.times import format_local

    return f"{format_local(from_utc_ms, zone, now_utc_ms)} to {format_local(to_utc_ms, zone, now_utc_ms)}"
