"""What effects are told of: how each metric is called, read from blocks and judged. Loads nothing, so that a command
line may ask for the names."""

from __future__ import annotations

from dataclasses import dataclass

# From the most robust to the fastest rate of one stream (6.5 to 65 Mbit/s: 3.3 octaves) a receiver needs
# 18 dB more (-82 to -64 dBm: IEEE 802.11-2020, table 19-23), so one dB is worth 0.18 octaves.
OCTAVES_PER_DB = 0.18

# Where a signal arrives over many paths, the chance that a frame fails falls as one over its mean signal-to-noise
# ratio (diversity of order one: Tse & Viswanath, Fundamentals of Wireless Communication, 2005, section 3.1): half as
# many for each 3 dB. A sender that slows down in time sees less than that, an interfered one more.
RETRY_OCTAVES_PER_DB = 0.33


@dataclass(frozen=True)
class Metric:
    """``quantum`` and ``per_db`` (what one dB of level is worth, the scale of all priors) are in the unit of
    the column, ``default_margin`` in that of the effect."""

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

    @property
    def no_difference(self) -> float:
        return 1.0 if self.unit == "ratio" else 0.0


# Intervals of stays as short as this still hold (family m4 of tests/bench/verdict), and are wide.
LEVEL_S = 60.0
OUTAGE_S = 6 * 3600.0  # outages are rare: of less time nothing is learnt but that there was hardly any
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
}  # fmt: skip
