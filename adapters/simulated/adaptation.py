"""Which rate a pair of radios settles on at a given signal-to-noise ratio."""

from __future__ import annotations

from bisect import bisect_right
from functools import cache
from math import log2

from adapters.contract import BitRate, PhyMode
from adapters.ieee80211 import phy_rate_mbps

# Minimum receiver sensitivity for 20 MHz by modulation and coding, dBm (IEEE Std 802.11-2020 table 21-25 for MCS 0
# to 9, 802.11ax-2021 for 10 and 11). Less the noise that the standard allows a receiver in 20 MHz (thermal noise of
# -101 dBm, noise figure 10 dB, margin 5 dB), it is the ratio that each needs.
SENSITIVITY_DBM = (-82, -79, -77, -74, -70, -66, -65, -64, -59, -57, -54, -52)
ALLOWED_NOISE_DBM = -101 + 10 + 5
STREAM_COST_DB = 3.0  # per doubling: each stream has half of the power
STREAMS = 2
BEST_MCS: dict[PhyMode, int] = {"HT": 7, "VHT": 9, "HE": 11}
GUARD_INTERVAL_NS: dict[PhyMode, int] = {"HT": 400, "VHT": 400, "HE": 800}


def required_snr_db(mcs: int, streams: int) -> float:
    """The least signal-to-noise ratio over the channel's width, dB; ``mcs`` counts within one stream."""
    return SENSITIVITY_DBM[mcs] - ALLOWED_NOISE_DBM + STREAM_COST_DB * log2(streams)


def best_rate(snr_db: float, phy_mode: PhyMode, width_mhz: int) -> BitRate:
    """The fastest rate whose demand ``snr_db`` meets; the least demanding one when it meets none.

    ``snr_db`` is taken over the whole width, so that at one received power a wider channel runs at a lower MCS.
    Raises ValueError where the mode has no such width.
    """
    demands_db, rates = _ladder(phy_mode, width_mhz)
    return rates[max(bisect_right(demands_db, snr_db) - 1, 0)]


@cache
def _ladder(phy_mode: PhyMode, width_mhz: int) -> tuple[list[float], list[BitRate]]:
    """Rates in order of what they demand, without those that a less demanding one outruns."""
    demands_db: list[float] = []
    rates: list[BitRate] = []
    fastest_mbps = 0.0
    pairs = [(mcs, streams) for mcs in range(BEST_MCS[phy_mode] + 1) for streams in range(1, STREAMS + 1)]
    for mcs, streams in sorted(pairs, key=lambda pair: required_snr_db(*pair)):
        rate = _bit_rate(phy_mode, mcs, streams, width_mhz)
        if rate.mbps is not None and rate.mbps > fastest_mbps:
            fastest_mbps = rate.mbps
            demands_db.append(required_snr_db(mcs, streams))
            rates.append(rate)
    return demands_db, rates


def _bit_rate(phy_mode: PhyMode, mcs: int, streams: int, width_mhz: int) -> BitRate:
    shown_mcs = mcs + 8 * (streams - 1) if phy_mode == "HT" else mcs
    gi_ns = GUARD_INTERVAL_NS[phy_mode]
    mbps = phy_rate_mbps(phy_mode, shown_mcs, streams=streams, width_mhz=width_mhz, guard_interval_ns=gi_ns)
    if mbps is None:
        raise ValueError(f"{phy_mode} has no channels of {width_mhz} MHz")
    return BitRate(round(mbps, 1), phy_mode, shown_mcs, streams, width_mhz, gi_ns)  # systems tell 0.1 Mbit/s
