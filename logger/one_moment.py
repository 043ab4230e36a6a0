"""Several reads of the log as if at once."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager

from logger.log import Log


@contextmanager
def one_moment(log: Log) -> Iterator[None]:
    """Reads inside see one state of the log, whatever the daemon writes meanwhile. May be nested. Not for long: what
    the daemon writes meanwhile stays in the log's ``-wal`` file, which grows."""
    if log.db.in_transaction:
        yield
        return
    log.db.execute("BEGIN")
    try:
        yield
    finally:
        log.db.execute("ROLLBACK")
