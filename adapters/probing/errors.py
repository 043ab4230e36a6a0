"""Why a probe could not be; each message is one line. What the other side said may stand in it: show it escaped."""

from __future__ import annotations

from adapters.errors import AdapterError


class ProbeFailed(AdapterError):
    """Something that was to be measured was not."""


class WayAstray(ProbeFailed):
    """What is to be measured would not go over the interface."""


class FarEndBusy(ProbeFailed):
    """The far end wants to be left alone for now."""

    def __init__(self, message: str, retry_after_s: float | None = None) -> None:
        super().__init__(message)
        self.retry_after_s = retry_after_s


class Stopped(ProbeFailed):
    """We were asked to stop."""
