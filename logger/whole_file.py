"""Writes a file whole or not at all, for its owner's eyes alone."""

from __future__ import annotations

import os
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path
from tempfile import mkstemp
from typing import TextIO

from logger.errors import LogError


@contextmanager
def whole_file(path: Path) -> Iterator[TextIO]:
    """A text file (UTF-8, mode 0600: BSSIDs and places are personal data) that appears under its name when it is
    complete, in place of what was there. What is no plain file, such as /dev/stdout, is written as it goes.

    Raises LogError where it cannot be written.
    """
    try:
        if path.exists() and not path.is_file() and not path.is_dir():
            with path.open("w", encoding="utf-8", newline="") as out:
                yield out
            return
        whole = Path(os.path.realpath(path))  # a link stays one
        descriptor, part = mkstemp(dir=whole.parent, prefix=".linktrial-", suffix=".part")
        try:
            with open(descriptor, "w", encoding="utf-8", newline="") as out:
                yield out
                out.flush()
                os.fsync(descriptor)  # else a power cut could leave the new name on an empty file
            os.replace(part, whole)
        except BaseException:
            with suppress(OSError):
                os.unlink(part)
            raise
    except OSError as error:
        raise LogError(f"{path} cannot be written: {error.strerror or error}; say another file") from error
