"""How many of a hundred requests were lost under two versions, and how sure the difference is.

Most probes lose nothing, and what is lost comes in clumps: within a probe, and in hours that are worse than others. So
it is judged as drop-outs are (outage_effect): lossy probes one after another are an episode, their lost requests its
size; episodes are a Poisson process over the requests sent, over-dispersed between stretches of ``CELL_H`` hours, with
Jeffreys' prior. So nothing lost of a thousand leaves a finite interval, not 0 +- 0. The difference is in percentage
points: a ratio of two counts that are nearly none would have no end. With each lossy probe an episode of its own the
interval held .83 where one hour in ten loses ten times as much for 3 h (part "probes" of tests/bench/verdict).
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from dashboards.analysis.outage_effect import OutageRecord, dropout_difference

CELL_H = 6.0
# Squared, of the rates of such stretches; an assumption: one hour in ten that loses ten times as much. What is seen
# takes its place within a day or two.
CELLS_VARIATION = 2.0
MOST_LOSSY = 0.5  # of the probes
HUNDRED = 100.0


def loss_record(probes: pd.DataFrame) -> OutageRecord:
    """From one version's probes, columns started_at_utc_ms, sent and lost: hundreds of requests sent by stretch of
    ``CELL_H`` hours in place of days watched, and of each probe that lost some its stretch and its number."""
    probes = probes[probes["sent"] > 0]
    cell = (probes["started_at_utc_ms"] // int(CELL_H * 3_600_000)).to_numpy()
    cells, index = np.unique(cell, return_inverse=True)
    lost = probes["lost"].to_numpy(dtype="float64")
    sent = np.bincount(index, weights=probes["sent"].to_numpy(dtype="float64"), minlength=len(cells)) / HUNDRED
    some = lost > 0
    # Lossy probes one after another are one clump, within a cell; where most lose some, there are no clumps to be seen.
    begins = np.diff(some.astype(int), prepend=0) > 0 if some.mean() < MOST_LOSSY else some
    begins |= some & (np.diff(index, prepend=-1) > 0)
    clump = np.cumsum(begins)[some] - 1
    sizes = np.bincount(clump, weights=lost[some])
    return OutageRecord(sent, index[begins], np.zeros(len(sizes)), sizes)


def loss_difference(a: OutageRecord, b: OutageRecord, confidence: float, seed: int) -> tuple[float, float, float]:
    """Percentage points, B - A: estimate and interval. Records as loss_record gives them."""
    sent, lost = (
        np.concatenate(parts) for parts in zip(*((r.watched_days, r.episode_dropouts) for r in (a, b)), strict=True)
    )
    share = max(lost.sum() / (HUNDRED * sent.sum()), 1e-9)
    variation = min(CELLS_VARIATION, max(1 / share - 1, 0.0))  # what never exceeds 1 varies by no more about its mean
    a_cell = sent.mean()  # rates are per hundred, and vary from cell to cell
    found = dropout_difference(a, b, confidence, seed, days_variation=float(variation * a_cell))
    estimate, low, high = (min(max(value, -HUNDRED), HUNDRED) for value in found)
    return estimate, low, high
