"""A bar on the terminal for effects that are being worked out."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from shutil import get_terminal_size


@contextmanager
def effects_bar() -> Iterator[Callable[[int, int], object]]:
    """Gives a function that is told how many effects are done, of how many; it draws a bar on a terminal, and nothing
    elsewhere."""
    from tqdm import tqdm

    bar_format = "working out the effects {n_fmt} / {total_fmt} |{bar}| {elapsed}"
    size = get_terminal_size()  # a terminal that tells none would be shown nothing
    with tqdm(
        total=0,
        bar_format=bar_format,
        disable=not sys.stderr.isatty(),
        leave=False,
        ncols=size.columns - 1,
        nrows=size.lines,
    ) as bar:

        def tell(done: int, expected: int) -> None:
            bar.total = expected
            bar.update(done - bar.n)
            bar.refresh()

        yield tell
