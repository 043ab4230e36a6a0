"""Save what can be read of a damaged log into a new one. The damaged file is only read. Blocks are folded anew from
their samples; where only blocks are left they are kept. What was lost is said."""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from typing import TYPE_CHECKING

from logger.commands import add_json_option

if TYPE_CHECKING:
    from logger.rescuing.rescue import Rescued


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
    from logger.times import format_local, local_zone_name
    from logger.wording import counted

    zone = local_zone_name()
    yield f"saved into {printable(into)}:"
    for table in ("sample", "block", "period", "event"):
        yield f"  {counted(done.tables[table].n_saved, table)}"
    if done.whole:
        yield "nothing was lost"
        return
    yield "lost or in doubt:"
    for table, saved in done.tables.items():
        losses = []
        if saved.n_pages_lost:
            losses.append(counted(saved.n_pages_lost, "page"))
        if saved.n_rows_refused:
            losses.append(f"{counted(saved.n_rows_refused, 'row')} without sense")
        if saved.n_rows_stray:
            losses.append(f"{counted(saved.n_rows_stray, 'row')} saved from pages that nothing led to any more")
        if losses:
            yield f"  of {table.replace('_', ' ')}s: {', '.join(losses)}"
    for span in done.lost:
        first, last = (format_local(moment, zone, now_utc_ms) for moment in (span.from_utc_ms, span.to_utc_ms))
        yield f"  {counted(span.n, 'sample')} of period {span.period_id}, within {first} to {last}"
    if done.n_blocks_without_samples:
        n = counted(done.n_blocks_without_samples, "block")
        yield f"  {n} kept whose samples are gone; an edit of the timeline that cuts there drops them"
    if done.n_blocks_changed:
        yield f"  {counted(done.n_blocks_changed, 'block')} said something else than the samples that are left"
    for words in done.stand_ins:
        yield f"  stood in for: {words}"
