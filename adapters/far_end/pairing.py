"""The pairing token: made once by chance, kept in a file that its owner alone can read."""

from __future__ import annotations

import os
import re
import secrets
from contextlib import suppress
from pathlib import Path
from tempfile import mkstemp

from adapters.errors import AdapterError

# Crockford's base 32: no letter is taken for a digit. 24 of them are 120 bits.
_LETTERS = "0123456789abcdefghjkmnpqrstvwxyz"
_TOKEN = re.compile(r"[\x21-\x7e]{16,200}")


def token_path() -> Path:
    """Where the far end of this machine keeps its token."""
    from platformdirs import user_config_path

    return user_config_path("linktrial", appauthor=False) / "far-end-token"


def new_token() -> str:
    return "-".join("".join(secrets.choice(_LETTERS) for _ in range(6)) for _ in range(4))


def read_token(path: Path) -> str | None:
    """The token in that file, None where there is no file. Raises AdapterError for a file that others may read or that
    holds no token."""
    try:
        with path.open(encoding="ascii", errors="replace") as file:
            mode = os.fstat(file.fileno()).st_mode
            token = file.read(1000).strip()
    except FileNotFoundError:
        return None
    except OSError as error:
        raise AdapterError(f"the token in {path} cannot be read: {error.strerror}") from error
    if os.name == "posix" and mode & 0o077:
        raise AdapterError(f"others may read the token in {path}; make a new one with --new-token")
    if not _TOKEN.fullmatch(token):
        raise AdapterError(f"{path} holds no token; make a new one with --new-token")
    return token


def keep_token(path: Path, token: str) -> None:
    """Write it there, whole or not at all, with mode 0600. Raises AdapterError."""
    part = ""
    try:
        path.parent.mkdir(mode=0o700, parents=True, exist_ok=True)
        descriptor, part = mkstemp(dir=path.parent, prefix=".far-end-")
        with open(descriptor, "w", encoding="ascii") as file:
            file.write(token + "\n")
            file.flush()
            os.fsync(file.fileno())
        os.replace(part, path)
    except OSError as error:
        with suppress(OSError):
            os.unlink(part)
        raise AdapterError(f"the token cannot be kept in {path}: {error.strerror}; say --token-file") from error
