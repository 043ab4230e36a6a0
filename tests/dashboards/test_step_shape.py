"""Steps by generalised least squares, against least squares on whitened data, and their properties."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from dashboards.analysis.unexplained.slot_noise import LAGS, SlotNoise, ou_covariance
from dashboards.analysis.unexplained.step_shape import StepShape, step_column

NOISE = SlotNoise(0.4 * ou_covariance(3600.0, LAGS) + 0.2 * ou_covariance(1e6, LAGS), day_sd=0.5)


def by_whitening(covariance: np.ndarray, mean: np.ndarray, columns: list[np.ndarray]) -> tuple[float, float]:
    """Estimate over standard error, and estimate, of the last column."""
    factor = np.linalg.cholesky(covariance)
    x, y = np.linalg.solve(factor, np.column_stack(columns)), np.linalg.solve(factor, mean)
    beta, *_ = np.linalg.lstsq(x, y)
    sd = np.sqrt(np.linalg.inv(x.T @ x)[-1, -1])
    return float(beta[-1] / sd), float(beta[-1])


@st.composite
def windows(draw):
    """Slots with gaps, means, and steps already known."""
    slot = np.cumsum(draw(st.lists(st.sampled_from([1, 1, 1, 1, 2, 50]), min_size=8, max_size=20)))
    mean = np.array(draw(st.lists(st.floats(-90, -30), min_size=len(slot), max_size=len(slot))))
    known = draw(st.sampled_from([[], [6], [7], [4, 11]]))
    return slot, mean, known


@given(windows(), st.integers(1, 14), st.integers(1, 14))
def test_estimates_are_those_of_least_squares_on_whitened_means(window, place, other):
    slot, mean, known = window
    n = len(slot)
    shape = StepShape.of(NOISE.between(slot), known)
    fixed = [np.ones(n), *(step_column(n, one) for one in known)]
    statistic, change = shape.steps(mean)
    if all(abs(place - one) > 2 for one in known):
        expected = by_whitening(NOISE.between(slot), mean, [*fixed, step_column(n, place)])
        assert [statistic[place], change[place]] == pytest.approx(expected, rel=1e-5, abs=1e-5)
    leave, back = sorted((place, other))
    if back - leave > 2 and all(abs(one - each) > 2 for one in known for each in (leave, back)):
        stay = step_column(n, leave) - step_column(n, back)
        expected = by_whitening(NOISE.between(slot), mean, [*fixed, stay])
        assert shape.stay(mean, leave, back) == pytest.approx((abs(expected[0]), expected[1]), rel=1e-5, abs=1e-5)


@given(windows())
def test_the_table_of_stays_is_that_of_single_ones(window):
    slot, mean, known = window
    shape = StepShape.of(NOISE.between(slot), known)
    table = shape.stays(mean, np.array([1, 2]))
    for row, leave in enumerate((1, 2)):
        for back in range(leave + 2, len(slot)):
            if all(abs(one - 2 * each) > 2 for one in known for each in (leave, back)):
                assert table[row, back] == pytest.approx(shape.stay(mean, 2 * leave, 2 * back)[0], rel=1e-4, abs=1e-4)


@given(windows(), st.floats(-40, 40))
def test_a_shifted_level_changes_nothing_and_a_turned_sign_turns_the_change(window, shift):
    slot, mean, known = window
    shape = StepShape.of(NOISE.between(slot), known)
    statistic, change = shape.steps(mean)
    assert shape.steps(mean + shift)[1] == pytest.approx(change, abs=1e-5)
    assert shape.steps(-mean)[0] == pytest.approx(-statistic, abs=1e-5)


def test_at_a_known_step_nothing_more_can_be_told():
    slot = np.arange(12)
    shape = StepShape.of(NOISE.between(slot), [10])
    statistic, change = shape.steps(np.where(slot >= 5, 4.0, 0.0))
    assert [statistic[10], change[10]] == [0.0, 0.0]
    assert np.abs(statistic).max() == pytest.approx(0.0, abs=1e-6)


def test_repeated_slots_are_refused():
    with pytest.raises(np.linalg.LinAlgError, match="repeated"):
        StepShape.of(np.ones((3, 3)) - 2 * np.eye(3), [])
