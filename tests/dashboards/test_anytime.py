"""The boundary for looking early: its chance of a false finding against Brownian motion, and its shape."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards.analysis.anytime import PLANNED_BOUND, SINGLE_LOOK, widened, widening


def crossing_chance(until: float, step: float = 0.01) -> float:
    """The chance that Brownian motion looked at continuously ever leaves the boundary up to information ``until``.

    Up to 1 by the reflection series for two level barriers; beyond it z = B(t)/sqrt(t) is a stationary
    Ornstein-Uhlenbeck process in ln t, whose density is carried on over a grid, the barrier drawn in by .5826
    standard deviations of a step for the crossings between steps (Siegmund, Sequential Analysis, 1985, ch. 10).
    """
    z, width = np.linspace(-8, 8, 801, retstep=True)
    reflections = np.arange(-20, 21)[:, None]
    waves = (-1.0) ** np.abs(reflections) * np.exp(-0.5 * (z - 2 * reflections * PLANNED_BOUND) ** 2)
    alive = np.where(np.abs(z) < PLANNED_BOUND, waves.sum(axis=0) / np.sqrt(2 * np.pi), 0.0)
    keep, sd = np.exp(-step / 2), np.sqrt(1 - np.exp(-step))
    move = np.exp(-0.5 * ((z[:, None] - keep * z[None, :]) / sd) ** 2)
    move /= move.sum(axis=0)
    for log_t in np.arange(step, np.log(until), step):
        alive = move @ alive
        alive[np.abs(z) >= SINGLE_LOOK * widening(np.exp(log_t)) - 0.5826 * sd] = 0.0
    return float(1 - alive.sum() * width)


def test_up_to_the_plan_the_chance_of_a_false_finding_is_that_of_the_reflection_principle() -> None:
    assert crossing_chance(1.0) == pytest.approx(0.0328, abs=0.0005)  # 4 (1 - Phi(2.40)), to first order


def test_for_ever_the_chance_of_a_false_finding_is_below_5_percent() -> None:
    assert crossing_chance(1000.0) == pytest.approx(0.049, abs=0.001)


def test_random_walks_looked_at_a_thousand_times_cross_as_seldom() -> None:
    rng = np.random.default_rng(1)
    n, runs = 1000, 4000
    t = np.arange(1, n + 1) * 3.0 / n
    walk = np.cumsum(rng.standard_normal((runs, n)), axis=1) * np.sqrt(3.0 / n)
    bound = np.array([SINGLE_LOOK * widening(share) for share in t])
    crossed = np.mean((np.abs(walk) / np.sqrt(t) > bound).any(axis=1))
    assert 0.03 < crossed < 0.05 + 3 * np.sqrt(0.05 * 0.95 / runs)


@given(st.floats(1e-3, 1e3), st.floats(1e-3, 1e3))
def test_more_information_never_widens_the_interval(one: float, other: float) -> None:
    less, more = sorted((one, other))
    assert widening(more) / np.sqrt(more) <= widening(less) / np.sqrt(less) * (1 + 1e-12)


@given(st.floats(-50, 50), st.floats(0, 20), st.floats(0, 20), st.floats(0.01, 20))
def test_the_anytime_interval_holds_that_of_a_single_look(e: float, below: float, above: float, share: float) -> None:
    low, high = widened(e, e - below, e + above, share)
    assert low <= e - below + 1e-9
    assert high >= e + above - 1e-9


def test_the_price_at_the_end_of_the_plan_is_22_percent() -> None:
    assert widening(1.0) == pytest.approx(1.2245, abs=1e-3)


@pytest.mark.parametrize("share", [0.0, -1.0, float("nan")])
def test_a_share_that_cannot_be_is_refused(share: float) -> None:
    with pytest.raises(ValueError, match="cannot be"):
        widening(share)
