"""What effects are told of: how each metric is called, read from blocks and judged. Loads nothing, so that a command
line may ask for the names."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

# From the most robust to the fastest rate of one stream (6.5 to 65 Mbit/s: 3.3 octaves) a receiver needs
# 18 dB more (-82 to -64 dBm: IEEE 802.11-2020, table 19-23), so one dB is worth 0.18 octaves.
OCTAVES_PER_DB = 0.18

# Where a signal arrives over many paths, the chance that a frame fails falls as one over its mean signal-to-noise
# ratio (diversity of order one: Tse & Viswanath, Fundamentals of Wireless Communication, 2005, section 3.1): half as
# many for each 3 dB. A sender that slows down in time sees less than that, an interfered one more.
RETRY_OCTAVES_PER_DB = 0.33

# A transfer's rate follows the link rate, so it is worth as much. From probe to probe it differs by a tenth to a third,
# which are 0.8 to 2.3 dB on that scale. The time of an answer is made of waiting for the channel and of frames sent
# again, and differs by a fifth to a half: 1 to 2 dB, where a dB is worth as much as of retries.
LATENCY_OCTAVES_PER_DB = 0.33

# Neighbours' use of a channel swings by some 5 to 15 percentage points over a day, a level by 1 to 3 dB.
BUSY_POINTS_PER_DB = 5.0


@dataclass(frozen=True)
class Metric:
    """``quantum`` and ``per_db`` (what one dB of level is worth, the scale of all priors) are in the unit of
    the column, ``default_margin`` in that of the effect. ``rests_on``: which rows it is judged from; probes and
    sightings are shaped like blocks (dashboards/beside_frames.py)."""

    words: str
    unit: str
    default_margin: float
    least_covered_s: float  # of each version, for an interval
    higher_is_better: bool = True
    name: str = ""  # of the block columns; none: counted in episodes without a link
    mean: str = ""
    quantum: float = 0.0
    per_db: float = 1.0
    seldom_told: bool = False  # many drivers never tell it: where neither version has it, there is nothing to say
    rests_on: Literal["blocks", "probes", "sightings"] = "blocks"
    least_n: int = 2  # blocks or probes of each version, for an interval
    few: int = 0  # of fewer than that a warning says that they are few
    parts: int = 200  # far from a change, at most this part of the covered time is one number: the cost is their cube

    @property
    def no_difference(self) -> float:
        return 1.0 if self.unit == "ratio" else 0.0


# Intervals of stays as short as this still hold (family m4 of tests/bench/verdict), and are wide.
LEVEL_S = 60.0
OUTAGE_S = 6 * 3600.0  # outages are rare: of less time nothing is learnt but that there was hardly any
# With fewer probes their own scatter is hardly known; part "probes" of tests/bench/verdict holds from here on.
LEAST_PROBES = 6
FEW_PROBES = 24  # half a day of one each 30 min
LEAST_SIGHTINGS = 6
# The scatter of probes and the hours of a neighbour leave little in finer blocks: intervals are no wider.
SPARSE_PARTS = 80
METRICS = {
    "rssi": Metric("RSSI", "dB", 1.0, LEVEL_S, name="rssi", mean="rssi_mean_dbm", quantum=1.0),
    "tx-rate": Metric(
        "tx rate", "ratio", 1.10, LEVEL_S, name="tx_rate", mean="tx_rate_mean_log2", per_db=OCTAVES_PER_DB
    ),
    "rx-rate": Metric(
        "rx rate", "ratio", 1.10, LEVEL_S, name="rx_rate", mean="rx_rate_mean_log2", per_db=OCTAVES_PER_DB
    ),
    "outage": Metric("outage", "min/day", 5.0, OUTAGE_S, higher_is_better=False),
    "drop-outs": Metric("drop-out rate", "1/day", 1.0, OUTAGE_S, higher_is_better=False),
    # Of four frames in ten sent again, a quarter more costs 7 % of the time on air: less than the margin of rates.
    "retry-share": Metric(
        "retry share", "ratio", 1.25, LEVEL_S, higher_is_better=False, name="retry", mean="retry_mean_log2",
        per_db=RETRY_OCTAVES_PER_DB, seldom_told=True,
    ),
    "noise": Metric(
        "noise", "dB", 1.0, LEVEL_S, higher_is_better=False, name="noise", mean="noise_mean_dbm", quantum=1.0,
        seldom_told=True,
    ),
    # A fifth more or less is felt neither in a call nor in a download.
    "transfer-down": Metric(
        "transfer down", "ratio", 1.20, 0.0, name="down", mean="down_mean_log2", per_db=OCTAVES_PER_DB,
        seldom_told=True, rests_on="probes", least_n=LEAST_PROBES, few=FEW_PROBES,
        parts=SPARSE_PARTS,
    ),
    "transfer-up": Metric(
        "transfer up", "ratio", 1.20, 0.0, name="up", mean="up_mean_log2", per_db=OCTAVES_PER_DB,
        seldom_told=True, rests_on="probes", least_n=LEAST_PROBES, few=FEW_PROBES,
        parts=SPARSE_PARTS,
    ),
    "latency-idle": Metric(
        "idle latency", "ratio", 1.25, 0.0, higher_is_better=False, name="idle", mean="idle_mean_log2",
        per_db=LATENCY_OCTAVES_PER_DB, seldom_told=True, rests_on="probes", least_n=LEAST_PROBES, few=FEW_PROBES,
        parts=SPARSE_PARTS,
    ),
    "latency-loaded": Metric(
        "latency under load", "ratio", 1.25, 0.0, higher_is_better=False, name="loaded", mean="loaded_mean_log2",
        per_db=LATENCY_OCTAVES_PER_DB, seldom_told=True, rests_on="probes", least_n=LEAST_PROBES, few=FEW_PROBES,
        parts=SPARSE_PARTS,
    ),
    # Speech begins to suffer from about one lost packet in a hundred.
    "loss": Metric(
        "loss", "points", 0.5, 0.0, higher_is_better=False, name="loss", mean="loss_mean",
        seldom_told=True, rests_on="probes", least_n=LEAST_PROBES, few=FEW_PROBES,
        parts=SPARSE_PARTS,
    ),
    "busy-share": Metric(
        "busy share", "points", 5.0, LEVEL_S, higher_is_better=False, name="busy", mean="busy_mean",
        per_db=BUSY_POINTS_PER_DB, seldom_told=True, parts=SPARSE_PARTS,
    ),
    "sighting": Metric(
        "RSSI from scans", "dB", 1.0, 0.0, name="rssi", mean="rssi_mean_dbm", quantum=1.0,
        seldom_told=True, rests_on="sightings", least_n=LEAST_SIGHTINGS, few=FEW_PROBES,
        parts=SPARSE_PARTS,
    ),
}  # fmt: skip
