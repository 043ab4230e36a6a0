"""When the card may be asked to listen on all its channels: seldom, and not at its owner's cost.

A scan takes a second or a few, in which the card is away from its own channel by turns: what the owner sends waits. So
none is begun

- before ``every_s`` have passed since the last one that heard what is watched, whoever asked for that;
- without a link, and until one has stood for ``SETTLED_S``: whoever rejoins needs the card;
- while a probe measures the link (the job looks);
- while the owner moves more than ``BUSY_MBPS`` (a voice call does). A quiet moment is waited for, over at most
  ``TURNS_LET_GO`` turns: then one scan is asked for all the same, so that a laptop which is busy all day hears, too.
"""

from __future__ import annotations

from adapters.contract import LinkReading

SETTLED_S = 15.0
BUSY_MBPS = 0.15  # both directions together; a voice call over IP takes .16, an idle laptop some hundredths
MEASURED_OVER_S = 10.0  # at least
TURNS_LET_GO = 6


class ScanPace:
    """``every_s`` as the settings have it. Times are those of a steady clock."""

    def __init__(self, every_s: float) -> None:
        self._every_s = every_s
        self._due_s = float("-inf")
        self._waiting_since_s: float | None = None  # for a quiet moment
        self._linked_since_s: float | None = None
        self._counted: tuple[float, int] | None = None
        self.busy = False

    def see(self, reading: LinkReading | None, now_s: float) -> None:
        """A reading, or None where the interface could not be read."""
        if reading is None or not reading.connected:
            self._linked_since_s = self._counted = None
            self.busy = False
            return
        if self._linked_since_s is None:
            self._linked_since_s = now_s
        self._count(reading, now_s)

    def _count(self, reading: LinkReading, now_s: float) -> None:
        received, sent = reading.interface_rx_bytes_total, reading.interface_tx_bytes_total
        if received is None or sent is None:  # a system that does not tell
            self._counted, self.busy = None, False
            return
        if self._counted is None or self._counted[1] > received + sent:
            self._counted = (now_s, received + sent)
        elif now_s - self._counted[0] >= MEASURED_OVER_S:
            moved = received + sent - self._counted[1]
            self.busy = 8e-6 * moved / (now_s - self._counted[0]) > BUSY_MBPS
            self._counted = (now_s, received + sent)

    def link_changed(self, now_s: float) -> None:
        """It was lost, or is another one."""
        self._linked_since_s = now_s

    def may_begin(self, now_s: float) -> bool:
        """Whether now is the moment, as far as link and traffic go."""
        if now_s < self._due_s:
            return False
        if self._linked_since_s is None or now_s - self._linked_since_s < SETTLED_S:
            return False
        if not self.busy:
            return True
        if self._waiting_since_s is None:
            self._waiting_since_s = now_s
        return now_s - self._waiting_since_s >= TURNS_LET_GO * self._every_s

    def scanned(self, now_s: float) -> None:
        """A scan has heard what is watched, or one was asked for."""
        self._due_s, self._waiting_since_s = now_s + self._every_s, None

    def put_off(self, now_s: float, seconds: float) -> None:
        """It could not be; try again so much later."""
        self._due_s = now_s + min(seconds, self._every_s)

    def hurry(self) -> None:
        """Something new is watched."""
        self._due_s = float("-inf")
