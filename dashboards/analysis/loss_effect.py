"""How many of a hundred requests were lost under two versions, and how sure the difference is.

Most probes lose nothing, and what is lost comes in clumps: within a probe, and in hours that are worse than others. So
it is judged as drop-outs are (outage_effect): a probe that lost some is an episode, its number of lost requests the
size; episodes are a Poisson process over the requests sent, over-dispersed between stretches of ``CELL_H`` hours, with
Jeffreys' prior. So nothing lost of a thousand leaves a finite interval, not 0 +- 0. The difference is in percentage
points: a ratio of two counts that are nearly none would have no end.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from dashboards.analysis.outage_effect import OutageRecord

CELL_H = 6.0
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
    return OutageRecord(sent, index[some], np.zeros(int(some.sum())), lost[some])
