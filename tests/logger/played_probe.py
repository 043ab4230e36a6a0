"""Instruments and an adapter that a test plays, for probes."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from adapters.contract import LinkEvent, LinkReading
from adapters.probing.results import Latency, Transfer, Turn
from adapters.probing.target import far_end_target
from adapters.simulated.clock import SimulatedClock
from logger.log import Log
from logger.probe_table import Probe
from logger.probing.turn import Asked, take_turn
from logger.settings import Settings
from tests.logger.conftest import START_MS

OFFICE = far_end_target("192.168.1.5", "a-token-that-nobody-knows")
LINK = LinkReading("wlan0", True, b"Pottery", "02:00:00:00:00:05", 5180, 80, associated_at_boottime_ns=7, rssi_dbm=-60)
IDLE = Latency("gateway", "idle", "icmp", 20, 1, 2.5, 4.0, 1.75)
DOWN = Transfer("down", 4, START_MS + 3000, 2500, 60_000_000, 2000, 50_000_000, 3.5, None, "receiver")
UP = Transfer("up", 1, START_MS + 6000, 2500, 30_000_000, None, None, 4.5, 12, "acknowledged", "it never got beyond")


class PlayedLink:
    """An adapter whose readings and events a test sets."""

    name, interface = "played", "wlan0"

    def __init__(self) -> None:
        self.now = LINK
        self.told: list[LinkEvent] = []

    def read(self) -> LinkReading:
        return self.now

    def events(self) -> list[LinkEvent]:
        told, self.told = self.told, []
        return told

    def close(self) -> None:
        pass


class Played:
    """A laptop, its link, its far end and its log; ``meanwhile`` is called while there is traffic."""

    def __init__(self, log: Log, **settings: float) -> None:
        self.log = log
        self.clock = SimulatedClock(START_MS)
        self.adapter = PlayedLink()
        self.settings = Settings(**settings)
        self.battery = self.is_metered = False
        self.user: str | None = None
        self.transfers, self.latencies = (DOWN, UP), (IDLE,)
        self.outcome, self.words = "done", ""
        self.meanwhile: Callable[[], object] = lambda: None
        self.stop = False
        self.busy_for_s: float | None = None
        self.waited_s: list[float] = []
        self.asked: list[tuple[str, str, int | None]] = []  # the interface, whom, bytes at most

    def probe(self, target=OFFICE, **asked: bool) -> Probe:
        return take_turn(
            self.log, self.settings, self.adapter, target, self, self.clock, zone="UTC", asked=Asked(**asked),
            should_stop=lambda: self.stop,
        )  # fmt: skip

    # What adapters/probing does on a real machine.

    def on_battery(self) -> bool:
        return self.battery

    def metered(self, interface: str) -> bool | None:
        return self.is_metered

    def in_use(self, interface: str, link_rate_mbps: float | None) -> str | None:
        return self.user

    def run(self, interface, target, limits, clock, should_stop) -> Turn:
        whom = target.label if target else ""
        self.asked.append((interface, whom, limits.max_bytes))
        turn = self._turn(whom)
        return turn if target else replace(turn, transfers=())

    def wait(self, seconds, should_stop) -> None:
        self.waited_s.append(seconds)
        self.clock.advance(seconds)

    def _turn(self, far_end: str) -> Turn:
        began_ms = self.clock.utc_ms()
        self.clock.advance(15)
        self.meanwhile()
        found = self.transfers, self.latencies, self.busy_for_s
        return Turn(began_ms, self.clock.utc_ms(), far_end, self.outcome, self.words, *found)
