"""What the parts of this benchmark share: what was asked for, worlds on several cores, tables, and when a miss is one."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterable, Sequence
from concurrent.futures import ProcessPoolExecutor, as_completed
from dataclasses import dataclass
from pathlib import Path
from typing import TypeVar

import numpy as np
from scipy.stats import binom

Result = TypeVar("Result")

FALSE_FAILURE = 0.001  # the chance that --quick calls a right method wrong, of each of its checks


@dataclass(frozen=True)
class Wanted:
    """What was asked for on the command line."""

    worlds: int = 200
    seed: int = 1
    jobs: int = 2
    quick: bool = False
    families: tuple[str, ...] = ()
    raw: Path | None = None  # where every effect of coverage is kept

    def names(self, families: Iterable[str], quick: Sequence[str]) -> list[str]:
        """Of a part's families, those that were asked for; none of them: all, or those of its short form."""
        known = list(families)
        return [name for name in self.families if name in known] or list(quick if self.quick else known)

    def rng(self, *key: int) -> np.random.Generator:
        """The chance of one world; the number of jobs and the order of the worlds do not matter."""
        return np.random.default_rng([self.seed, *key])


def over(jobs: int, work: Callable[..., Result], asked: Sequence[tuple[object, ...]], name: str) -> list[Result]:
    """``work(*one)`` of each that is asked, in that order, by so many processes; progress on standard error."""
    results: dict[int, Result] = {}
    if jobs == 1:
        for k, one in enumerate(asked):
            results[k] = work(*one)
            _say(name, len(results), len(asked))
    else:
        with ProcessPoolExecutor(jobs) as pool:
            running = {pool.submit(work, *one): k for k, one in enumerate(asked)}
            for done in as_completed(running):
                results[running[done]] = done.result()
                _say(name, len(results), len(asked))
    return [results[k] for k in range(len(asked))]


def _say(name: str, done: int, of: int) -> None:
    if sys.stderr.isatty() or done == of:
        print(f"\r{name}: {done} of {of} worlds", end="\n" if done == of else "", file=sys.stderr, flush=True)


def head(*columns: str) -> None:
    """The first two lines of a table."""
    line(*columns)
    line(*("---" for _ in columns))


def line(*cells: object) -> None:
    """One line of a table; numbers to two places, what is not known as nothing."""
    print("|", " | ".join(_cell(cell) for cell in cells), "|", flush=True)


def _cell(cell: object) -> str:
    if cell is None:
        return ""
    return f"{cell:.2f}" if isinstance(cell, float) else str(cell)


def share(true: Iterable[bool]) -> str:
    """A share and, in brackets, its standard error; that of one miss where there was none."""
    seen = np.array(list(true), dtype=bool)
    if not len(seen):
        return ""
    p, n = float(seen.mean()), len(seen)
    spread = np.clip(p, 1 / (n + 1), n / (n + 1))
    return f"{p:.3f} ({np.sqrt(spread * (1 - spread) / n):.3f})"


def clearly_more(bad: int, of: int, allowed: float) -> bool:
    """Whether so many bad ones of ``of`` have a chance of less than FALSE_FAILURE at the share that is ``allowed``."""
    return bool(binom.sf(bad - 1, of, allowed) < FALSE_FAILURE)
