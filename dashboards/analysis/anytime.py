"""Looking at a running trial as often as one likes, without raising the rate of false findings.

As hours come in, the estimate of an effect moves like Brownian motion in information, the inverse of its
variance (Scharfstein, Tsiatis & Robins, JASA 92 (1997) 1342). A trial is planned; t is the information had,
as a share of that at the end of the plan. |z| may cross

    c / sqrt(t)             up to the plan: the boundary of O'Brien & Fleming, Biometrics 35 (1979) 549,
    sqrt(c^2 + k ln t)      beyond it: for ever, so that a trial may run on.

With c = 2.40 and k = 5 Brownian motion ever crosses with a chance of .033 before t = 1 and .016 after it,
.049 in all, whatever the number of looks. The interval never grows with information, since k < c^2. The price
is a factor of 1.22 in width at the plan's end; a rule that stops there could do with 1.14 (c = 2.24), a
sequence that needs no plan costs 1.55.
"""

from __future__ import annotations

import numpy as np

PLANNED_BOUND = 2.40  # c, for 95 %
GROWTH_BEYOND = 5.0  # k
SINGLE_LOOK = 1.959964  # the 97.5 % point of a normal distribution
LEAST_SHARE = 1e-4


def widening(share: float) -> float:
    """By how much an interval of 95 % must be wider than that of a single look, at least 1.

    ``share``: information had over that at the end of the plan, above 0; above 1 once the plan is done.
    """
    if not share > 0:
        raise ValueError(f"a share of information of {share:g} cannot be")
    t = max(share, LEAST_SHARE)
    z = PLANNED_BOUND / np.sqrt(t) if t < 1 else np.sqrt(PLANNED_BOUND**2 + GROWTH_BEYOND * np.log(t))
    return float(z) / SINGLE_LOOK


def bound(share: float) -> float:
    """What |z| must pass for a finding at that share of the planned information."""
    return SINGLE_LOOK * widening(share)


def widened(estimate: float, low: float, high: float, share: float) -> tuple[float, float]:
    """The ends of the anytime interval, each end moved away from the estimate; on the scale where the estimate is
    symmetric (log2 for ratios)."""
    factor = widening(share)
    return estimate - factor * (estimate - low), estimate + factor * (high - estimate)
