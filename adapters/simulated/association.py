"""One association of the simulated laptop: what it is to, what its levels are made of, and the counters that restart
with it."""

from __future__ import annotations

from dataclasses import dataclass, field
from math import inf

from adapters.simulated.scene import Band, BandState
from adapters.simulated.traffic import Counters


@dataclass(slots=True)
class Association:
    """``since`` and ``counted_to`` in seconds of the two steady clocks; what was read last stays until the next."""

    band: Band
    since_elapsed_s: float
    since_awake_s: float
    counted_to_awake_s: float
    radio: BandState
    frequency_mhz: int
    down_dbm: float = 0.0  # at the laptop, without what passes
    up_dbm: float = 0.0  # the same at the router
    wider_noise_db: float = 0.0  # noise over the channel's width above that in 20 MHz
    snr_db: float = 30.0  # as last read
    mbps: float = 100.0
    passing_db: float = 0.0
    noise_dbm: int | None = None
    read_s: float = -inf
    counters: Counters = field(default_factory=Counters)
