"""For what share of the time the link rate was under one that is needed.

Blocks keep rates in bins of 1/8 octave; the bin that holds the needed rate is shared out as if its samples lay evenly
in it. How far that may be off is the bin's own share, and the interval takes it in: its low end counts the whole bin
as fast enough, its high end as too slow. Time without a link is under any rate. Time in which no frame told the rate
counts for nothing.

Neighbouring samples say the same thing over and over, so a binomial interval on samples is far too narrow. The time is
cut into equal parts; how the parts differ, and whether neighbours go together, says how many independent looks the
record is worth, and the exact binomial interval of so many looks is taken, with Student's t for the normal: Korn &
Graubard, Survey Methodology 24 (1998) 193. Not more than one look in two hours is granted: where all or nothing was too
slow, nothing else tells the memory. Three days of noise with a memory of a day are too few, and hold .7 to .85
(tests/bench/stability_coverage.py).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import log2
from typing import Literal

import numpy as np
import pandas as pd
from scipy.special import betaincinv, stdtrit

from dashboards.analysis.histograms import CELLS, merge_histograms
from dashboards.analysis.lasting.interval import Interval

Direction = Literal["tx", "rx"]

STEPS_PER_OCTAVE = 8  # of the rate histograms, see logger/blocks.py
LEAST_S = 3 * 86_400.0  # of time with a known rate: in less, neither day nor memory is known
PARTS = (8, 16, 32)
SECONDS_A_LOOK = 7200.0  # an assumption: no spell under the rate lasts for much longer


@dataclass(frozen=True)
class UnderRate:
    """Share of the time (0 to 1) under ``rate_mbps`` in one direction, "tx" from and "rx" to the laptop."""

    direction: Direction
    rate_mbps: float
    share: Interval


def under_rate(
    blocks: pd.DataFrame, rate_mbps: float, direction: Direction, *, confidence: float = 0.95
) -> UnderRate | None:
    """From the blocks of one location, band and version, with and without link; None under ``LEAST_S``."""
    histogram = blocks[f"{direction}_rate_histogram"]
    linked = blocks["connected"].to_numpy()
    told = linked & (histogram.map(len).to_numpy() > 0)
    if not told.any():
        return None
    lost = blocks[~linked]
    order = np.argsort(np.concatenate([blocks.loc[told, "mean_utc_ms"], lost["mean_utc_ms"]]), kind="stable")
    seconds = np.concatenate([blocks.loc[told, "covered_s"], lost["covered_s"]])[order]
    if seconds.sum() < LEAST_S:
        return None
    counts = merge_histograms(histogram[told], np.arange(told.sum()), int(told.sum()))
    shares = [np.concatenate([share, np.ones(len(lost))])[order] for share in shares_under(counts, rate_mbps)]
    least, estimate, most = ((share * seconds).sum() / seconds.sum() for share in shares)
    low = share_interval(shares[0], seconds, confidence)[0]
    high = share_interval(shares[2], seconds, confidence)[1]
    return UnderRate(direction, rate_mbps, Interval(float(estimate), min(low, float(least)), max(high, float(most))))


def shares_under(counts: np.ndarray, rate_mbps: float) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Of each row of ``merge_histograms`` the least share under the rate, the interpolated one, and the most."""
    place = STEPS_PER_OCTAVE * log2(rate_mbps)
    step = int(np.clip(np.floor(place + 0.5), -CELLS / 2, CELLS / 2 - 1))
    cell = step + CELLS // 2
    total = np.maximum(counts.sum(axis=1), 1)
    below, inside = counts[:, :cell].sum(axis=1), counts[:, cell]
    part = min(max(place + 0.5 - step, 0.0), 1.0)
    return below / total, (below + part * inside) / total, (below + inside) / total


def share_interval(share: np.ndarray, seconds: np.ndarray, confidence: float) -> tuple[float, float]:
    """Of the long-run share, from the ``share`` of stretches in order of time that last ``seconds``."""
    total_s = float(seconds.sum())
    mean = float((share * seconds).sum() / total_s)
    tail = (1 - confidence) / 2
    looks = total_s / SECONDS_A_LOOK
    reached = np.cumsum(seconds)
    of_share = np.cumsum(share * seconds)
    for parts in PARTS:
        ends = np.interp(np.linspace(0, total_s, parts + 1), np.insert(reached, 0, 0.0), np.insert(of_share, 0, 0.0))
        means = np.diff(ends) * parts / total_s
        variance = float(np.var(means, ddof=1)) / parts
        if variance > 0:
            rest = means - mean
            together = min(max(0.0, float(rest[1:] @ rest[:-1] / (rest @ rest)) + 1 / parts), 0.9)
            variance *= (1 + together) / (1 - together)
            normal_over_t = float(stdtrit(1e9, 1 - tail) / stdtrit(parts - 1, 1 - tail))
            looks = min(looks, mean * (1 - mean) / variance * normal_over_t**2)
    x = mean * looks
    low = float(betaincinv(x, looks - x + 1, tail)) if mean > 0 else 0.0
    high = float(betaincinv(x + 1, looks - x, 1 - tail)) if mean < 1 else 1.0
    return low, high
