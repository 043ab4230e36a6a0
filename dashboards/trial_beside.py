"""What the demo's trial logs beside its samples: probes of what the link carries, and scans of who is on the air.

Both have chances of their own, and scans a card of their own in the same world: with or without them, the same seed
gives the same samples.
"""

from __future__ import annotations

from random import Random
from zoneinfo import ZoneInfo

from adapters.contract import ChannelVisit, HeardRadio
from adapters.probing.link_use import MOST_QUIET_BYTES_PER_S
from adapters.simulated import Scene, SimulatedClock, SimulatedRadio
from adapters.simulated.carrying import Carrier, carried
from adapters.simulated.ears import SCAN_S
from logger.log import Log
from logger.probe_table import begin_probe, end_probe, stepped_aside
from logger.probing.turn import latency_rows, transfer_rows
from logger.sample import Sample
from logger.sighting_table import write_scan
from logger.sightings.watched import Name, watch

PROBE_EVERY_S = 1800.0
PROBE_AT_S = 600.0  # the first one
SCAN_EVERY_S = 300.0
EVERYONE_EVERY = 6  # every so many scans, all that is heard is told
FAR_END = "office computer"
LOOKED_MS = 1500  # so long a probe looks whether the link is in use, before it begins


class Beside:
    """Told of every sample; writes what is due."""

    def __init__(self, log: Log, clock: SimulatedClock, scene: Scene, *, seed: int, zone: ZoneInfo) -> None:
        self._log, self._clock, self._scene = log, clock, scene
        self._random = Random(f"{seed}/probes")
        self._own_clock = SimulatedClock(clock.utc_ms())
        self._card = SimulatedRadio(scene, self._own_clock, seed=seed, zone=zone)
        self._probe_due_s, self._scan_due_s = PROBE_AT_S, 0.0
        self.n_scans = self.n_probes = 0  # probes that were done
        self._carrier: Carrier | None = None
        self._looks: list[tuple[int, list[HeardRadio], list[ChannelVisit], bool]] = []  # time, ..., everyone
        watch(log, Name(scene.ssid, None), clock.utc_ms())

    def after(self, sample: Sample, interval_s: float) -> None:
        """Do what is due after a sample; what was slept through is not made up for."""
        now_s = self._clock.elapsed_s()
        if sample.rx_rate is not None and sample.tx_rate is not None and sample.link is not None:
            rates = sample.rx_rate.mbps or 1.0, sample.tx_rate.mbps or 1.0
            self._carrier = Carrier(*rates, (sample.busy_permille or 0) / 1000)
        if sample.link is None:
            self._carrier = None
        if now_s >= self._scan_due_s:
            self._scan_due_s = now_s - now_s % SCAN_EVERY_S + SCAN_EVERY_S
            self._scan(now_s)
        if now_s >= self._probe_due_s:
            self._probe_due_s = now_s - (now_s - PROBE_AT_S) % PROBE_EVERY_S + PROBE_EVERY_S
            self._probe(sample, interval_s)

    def commit(self) -> None:
        """Write the looks that wait."""
        if self._looks:
            with self._log.transaction() as db:
                for at_ms, heard, visits, everyone in self._looks:
                    write_scan(db, at_ms, heard, visits, active=True, everyone=everyone)
            self._looks.clear()

    def _probe(self, sample: Sample, interval_s: float) -> None:
        log, at_ms = self._log, self._clock.utc_ms() + LOOKED_MS
        used = ((sample.rx_bytes or 0) + (sample.tx_bytes or 0)) / interval_s
        if used > MOST_QUIET_BYTES_PER_S:
            stepped_aside(log, at_ms, f"the link is in use: {used * 8 / 1e6:.2g} Mbit/s", far_end=FAR_END)
            return
        probe_id = begin_probe(log, at_ms, far_end=FAR_END)
        if self._carrier is None or sample.link is None:
            end_probe(log, probe_id, at_ms, "failed", words="there is no link")
            return
        router = [change.state for change in self._scene.changes if change.at_utc_ms <= at_ms][-1]
        self.n_probes += 1
        turn = carried(router, self._carrier, at_ms, FAR_END, self._random)
        end_probe(
            log,
            probe_id,
            turn.ended_at_utc_ms,
            "done",
            link=sample.link,
            transfers=transfer_rows(turn),
            latencies=latency_rows(turn),
        )

    def _scan(self, now_s: float) -> None:
        asleep_s = _asleep_s(self._clock) - _asleep_s(self._own_clock)
        if asleep_s > 0:
            self._own_clock.suspend(asleep_s)
        self._own_clock.advance(max(now_s - SCAN_S - self._own_clock.elapsed_s(), 0.0))
        self._card.begin_scan()
        self._own_clock.advance(SCAN_S)
        everyone = self.n_scans % EVERYONE_EVERY == 0
        self.n_scans += 1
        heard = [radio for radio in self._card.heard() if everyone or radio.ssid == self._scene.ssid]
        visits = self._card.visits() if everyone else []
        self._card.events()
        self._looks.append((self._clock.utc_ms(), heard, visits, everyone))


def _asleep_s(clock: SimulatedClock) -> float:
    return clock.elapsed_s() - clock.awake_s()
