"""Many effects at once, on all cores where that pays.

This process works along with its workers: one that takes a second to load scipy keeps nobody waiting.
"""

from __future__ import annotations

import multiprocessing
import os
import signal
import threading
from collections import deque
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from typing import TYPE_CHECKING, Protocol

from dashboards.comparison import Asked, judge, rows_of_effect

if TYPE_CHECKING:
    from concurrent.futures import Future

    import pandas as pd

    from dashboards.analysis.effect_value import Effect
    from dashboards.beside_frames import Beside

PAYS_FROM = 6  # effects for each process: fewer are done before a worker has loaded what it needs
AHEAD = 2  # effects that a worker has been handed, so that it need not wait for the next
MOST_PROCESSES = 8  # each takes 150 MB


class Submit(Protocol):
    """Hands an effect to a worker. Raises BrokenExecutor where there is none left."""

    def __call__(self, asked: Asked, blocks: pd.DataFrame, beside: Beside | None) -> Future[Effect]: ...


def all_cores() -> int:
    """How many this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def judge_many(
    asked: Sequence[Asked], blocks: pd.DataFrame, n_processes: int = 1, beside: Beside | None = None
) -> Iterator[tuple[Asked, Effect]]:
    """The effects, each as soon as it is known. At most ``n_processes`` work at them, this one included; where they are
    few, fewer do. More than one asks of a program that its main module may be imported again.

    A worker that dies is no loss: what it had is done here. When the iterator is closed, workers end at once.
    """
    n_workers = min(n_processes, MOST_PROCESSES, len(asked) // PAYS_FROM) - 1
    waiting = deque(asked)
    if n_workers > 0:
        with _workers(n_workers) as submit:
            yield from _shared(waiting, blocks, beside, submit, AHEAD * n_workers)
    while waiting:
        one = waiting.popleft()
        yield one, judge(one, blocks, beside)


def _shared(
    waiting: deque[Asked], blocks: pd.DataFrame, beside: Beside | None, submit: Submit, most_handed: int
) -> Iterator[tuple[Asked, Effect]]:
    """Until all are done, or the workers are gone and what they had waits again."""
    from concurrent.futures import FIRST_COMPLETED, BrokenExecutor, wait

    handed: dict[Future[Effect], Asked] = {}
    try:
        while waiting or handed:
            while waiting and len(handed) < most_handed:
                handed[submit(waiting[0], blocks, beside)] = waiting[0]
                waiting.popleft()
            if waiting:
                one = waiting.pop()
                yield one, judge(one, blocks, beside)
            else:
                wait(handed, return_when=FIRST_COMPLETED)
            for future in [future for future in handed if future.done()]:
                effect = future.result()
                yield handed.pop(future), effect
    except BrokenExecutor:
        waiting.extend(handed.values())


@contextmanager
def _workers(n: int) -> Iterator[Submit]:
    """Fresh processes, for one that is forked from threads may hang; each with one thread of linear algebra. They leave
    with the context, whatever they are at."""
    from concurrent.futures import BrokenExecutor, ProcessPoolExecutor

    others = set(multiprocessing.active_children())
    threads = os.environ.get("OPENBLAS_NUM_THREADS")
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    executor = ProcessPoolExecutor(
        n, mp_context=multiprocessing.get_context("spawn"), initializer=_leave_with_the_parent
    )

    def submit(asked: Asked, blocks: pd.DataFrame, beside: Beside | None) -> Future[Effect]:
        try:
            rows = rows_of_effect(asked, blocks, beside)
            return executor.submit(
                judge, asked, rows, None if beside is None else beside._replace(probes=rows, sightings=rows)
            )
        except OSError as error:  # no room for another process
            raise BrokenExecutor from error

    try:
        yield submit
    except BaseException:
        for worker in set(multiprocessing.active_children()) - others:
            worker.terminate()
        raise
    finally:
        executor.shutdown(cancel_futures=True)
        if threads is None:
            del os.environ["OPENBLAS_NUM_THREADS"]
        else:
            os.environ["OPENBLAS_NUM_THREADS"] = threads


def _leave_with_the_parent() -> None:
    """Ctrl-C reaches the workers, too: they go without a word. When the parent is ended in another way, they notice."""
    signal.signal(signal.SIGINT, signal.SIG_DFL)
    threading.Thread(target=_until_alone, daemon=True).start()


def _until_alone() -> None:
    parent = multiprocessing.parent_process()
    if parent is not None:
        parent.join()
    os._exit(1)
