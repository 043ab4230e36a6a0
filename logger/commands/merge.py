"""Take in another machine's log, which is only read: what its logger measured, and what was imported there.

Merging it again adds what is new and follows what was edited there. What is taken in cannot be taken out again, so make
a copy with 'linktrial backup' first. Config versions that have the same label and settings are the same here.
"""

from __future__ import annotations

import argparse
from collections.abc import Iterator
from typing import TYPE_CHECKING

from logger.commands import add_json_option, add_log_option, open_log
from logger.commands.saying import say_json

if TYPE_CHECKING:
    from logger.merging.merge import Merged


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="OTHERLOG", help="the other log, or a backup of it")
    parser.add_argument("--name", help="what its logger is called here (else the file's name)")
    add_log_option(parser)
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    import sys
    from dataclasses import asdict
    from pathlib import Path

    from tqdm import tqdm

    from adapters.clock import SystemClock
    from logger.merging.merge import merge
    from logger.printable import printable
    from logger.timeline import checked_name

    name = None if args.name is None else checked_name(args.name, "name")
    form = "{desc}: {percentage:3.0f} % |{bar}| {remaining} left"
    with (
        open_log(args, create=True) as log,
        tqdm(total=1, bar_format=form, leave=False, disable=not sys.stderr.isatty()) as bar,
    ):
        shown = ""

        def progress(what: str, n: int, of: int) -> None:
            nonlocal shown
            if what != shown:
                shown = what
                bar.set_description(what, refresh=False)
                bar.reset(total=of)
            bar.update(n - bar.n)

        done = merge(log, Path(args.file), now_utc_ms=SystemClock().utc_ms(), name=name, progress=progress)
    if args.json:
        return say_json(**asdict(done), n_new=done.n_new)
    print("\n".join(map(printable, _summary(done))))
    return 0


def _summary(done: Merged) -> Iterator[str]:
    from logger.wording import counted

    if not done.n_new:
        yield f"no new samples in {done.file}"
    for source in done.sources:
        if source.left_out:
            yield f"left out: {source.name} ({source.left_out})"
        else:
            yield f"{source.name}: {counted(source.n_samples, 'sample')}, {source.n_new:,} of them new"
            if source.n_probes or source.n_scans:
                came = f"{counted(source.n_probes, 'probe')} and {counted(source.n_scans, 'scan')}"
                yield f"{source.name}: {came} came or changed"
    if done.locations:
        yield f"{counted(len(done.locations), 'location')}: {', '.join(done.locations)}"
    same = [
        f"its {there} is {here}" + (" (new)" if here in done.new_versions else "")
        for there, here in done.versions.items()
    ]
    if same:
        yield f"versions: {', '.join(same)}"
