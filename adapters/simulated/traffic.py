"""The counters of one association, and what makes them grow: people at work, and a channel shared with others.

There is no standard for any of this; the figures are plain ones that look like a small workshop.
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp
from random import Random

from adapters.simulated.scene import Band

WORK_H = (8.5, 18.0)  # local hours in which somebody uses the laptop
DOWNLOAD_BYTES_PER_S = {True: 60_000.0, False: 1_500.0}  # by whether somebody does, in the mean
UPLOAD_SHARE = 0.12
BURSTINESS = 0.3  # shape of the gamma distribution of each step's traffic
GOODPUT_SHARE = 0.6  # of the link's rate that data can fill
RX_PACKET_BYTES = 1100.0
TX_PACKET_BYTES = 420.0
FRAME_OVERHEAD_BYTES = 36.0
BEACONS_PER_S = 1 / 0.1024
CHATTER_PER_S = 0.6  # small packets that are always sent
LEAST_RETRIES, MOST_RETRIES = 0.04, 0.45  # share of packets sent again, far above and far below the middle
RETRY_MIDDLE_SNR_DB, RETRY_SLOPE_DB = 12.0, 3.0
RETRY_LIMIT = 4
NEIGHBOURS_BUSY_SHARE: dict[Band, tuple[float, float]] = {"2.4": (0.22, 0.15), "5": (0.05, 0.05)}  # always, and by day


@dataclass(slots=True)
class Counters:
    """Totals that begin again with each association; kept as fractions, told as whole numbers."""

    rx_packets: float = 0.0
    tx_packets: float = 0.0
    rx_bytes: float = 0.0
    tx_bytes: float = 0.0
    tx_retries: float = 0.0
    tx_failed: float = 0.0
    beacon_losses: float = 0.0


class Traffic:
    """What goes over the interface, and how busy its channels are, by local hour."""

    def __init__(self, random: Random) -> None:
        self._random = random
        self.interface_rx_bytes = 0.0
        self.interface_tx_bytes = 0.0
        self.channel_active_ms: dict[int, float] = {}
        self.channel_busy_ms: dict[int, float] = {}

    def grow(
        self,
        counters: Counters,
        seconds: float,
        hour: float,
        snr_db: float,
        mbps: float,
        band: Band,
        frequency_mhz: int,
    ) -> None:
        """Add ``seconds`` of an awake laptop on one link at one signal-to-noise ratio."""
        at_work = WORK_H[0] <= hour < WORK_H[1]
        burst = self._random.gammavariate(BURSTINESS, 1 / BURSTINESS)
        room_bytes = mbps * 125_000 * GOODPUT_SHARE * seconds
        rx_bytes = min(DOWNLOAD_BYTES_PER_S[at_work] * burst * seconds, room_bytes)
        tx_bytes = min(rx_bytes * UPLOAD_SHARE + CHATTER_PER_S * seconds * 80, room_bytes)
        self.interface_rx_bytes += rx_bytes
        self.interface_tx_bytes += tx_bytes

        rx_packets = rx_bytes / RX_PACKET_BYTES + BEACONS_PER_S * seconds  # as drivers count
        tx_packets = tx_bytes / TX_PACKET_BYTES + CHATTER_PER_S * seconds
        again = retry_share(snr_db)
        counters.rx_packets += rx_packets
        counters.tx_packets += tx_packets
        counters.rx_bytes += rx_bytes + rx_packets * FRAME_OVERHEAD_BYTES
        counters.tx_bytes += tx_bytes + tx_packets * FRAME_OVERHEAD_BYTES
        counters.tx_retries += tx_packets * again * self._random.uniform(0.6, 1.4)
        counters.tx_failed += tx_packets * again**RETRY_LIMIT
        counters.beacon_losses += beacon_losses_per_s(snr_db) * seconds

        always, by_day = NEIGHBOURS_BUSY_SHARE[band]
        own = min((rx_bytes + tx_bytes) / (room_bytes or 1.0), 0.5)
        busy_share = min((always + by_day * at_work) * self._random.uniform(0.7, 1.3) + own, 1.0)
        self.channel_active_ms[frequency_mhz] = self.channel_active_ms.get(frequency_mhz, 0.0) + seconds * 1000
        self.channel_busy_ms[frequency_mhz] = self.channel_busy_ms.get(frequency_mhz, 0.0) + seconds * 1000 * busy_share


def retry_share(snr_db: float) -> float:
    """Share of packets that have to be sent again: a logistic that falls as the signal-to-noise ratio rises."""
    steepness = min((snr_db - RETRY_MIDDLE_SNR_DB) / RETRY_SLOPE_DB, 60.0)
    return LEAST_RETRIES + (MOST_RETRIES - LEAST_RETRIES) / (1 + exp(steepness))


def beacon_losses_per_s(snr_db: float) -> float:
    """Runs of missed beacons, a second: one in fifty seconds at 8 dB, e times fewer for each 3 dB above."""
    return min(0.02 * exp(-max(snr_db - 8, -12) / 3), 1.0)
