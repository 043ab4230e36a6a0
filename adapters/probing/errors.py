"""Why a probe could not be; each message is one line. What the other side said may stand in it: show it escaped."""

from __future__ import annotations

from typing import TYPE_CHECKING

from adapters.errors import AdapterError

if TYPE_CHECKING:
    from adapters.probing.results import Transfer


class ProbeFailed(AdapterError):
    """Something that was to be measured was not. ``moved``: the transfer that broke off, for its bytes went over the
    link."""

    moved: Transfer | None = None


class WayAstray(ProbeFailed):
    """What is to be measured would not go over the interface."""


class FarEndBusy(ProbeFailed):
    """The far end wants to be left alone for now."""

    def __init__(self, message: str, retry_after_s: float | None = None) -> None:
        super().__init__(message)
        self.retry_after_s = retry_after_s


class Stopped(ProbeFailed):
    """We were asked to stop."""
