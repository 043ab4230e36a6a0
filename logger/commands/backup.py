"""Copy the log, as it stands at this moment, into one file; logging goes on meanwhile.

To restore it: stop the logger, take the log's -wal and -shm files away where there are any, copy the file over the log,
start the logger.
"""

from __future__ import annotations

import argparse

from logger.commands import add_json_option, add_log_option, open_log
from logger.commands.saying import say_json


def configure(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("file", metavar="FILE", help="where to write the copy")
    parser.add_argument("--overwrite", action="store_true", help="replace the file, where it is there")
    add_log_option(parser)
    add_json_option(parser)


def run(args: argparse.Namespace) -> int:
    import sys
    from dataclasses import asdict
    from pathlib import Path

    from tqdm import tqdm

    from logger.backup import back_up
    from logger.printable import printable
    from logger.wording import counted

    form = "{desc}: {percentage:3.0f} % |{bar}| {remaining} left"
    with (
        open_log(args) as log,
        tqdm(total=1, desc="copying", bar_format=form, leave=False, disable=not sys.stderr.isatty()) as bar,
    ):

        def progress(n: int, of: int) -> None:
            bar.total = of
            bar.update(n - bar.n)

        done = back_up(log, Path(args.file), overwrite=args.overwrite, progress=progress)
    if args.json:
        return say_json(**asdict(done))
    print(printable(f"{done.file}: {counted(done.n_samples, 'sample')}, {done.n_bytes / 1e6:,.1f} MB, looked through"))
    return 0
