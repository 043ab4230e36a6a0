"""The id of a sample: what goes in comes out, and order of ids is order of time."""

from __future__ import annotations

from hypothesis import given
from hypothesis import strategies as st

from logger.sample_id import LATEST_MS, ids_between, sample_id, time_of

PERIODS = st.integers(1, 131_071)
TIMES = st.integers(0, LATEST_MS)


@given(PERIODS, TIMES, st.integers(0, 15))
def test_period_and_time_come_out_in_python_and_in_the_log(period_id, time_ms, nth):
    an_id = sample_id(period_id, time_ms) + nth
    assert an_id < 1 << 63
    assert time_of(an_id) == time_ms
    assert an_id >> 46 == period_id
    assert an_id >> 4 & 4398046511103 == time_ms  # as logger/schema.sql has it


@given(PERIODS, TIMES, st.integers(-(1 << 62), 1 << 62), st.integers(-(1 << 62), 1 << 62))
def test_a_stretch_of_time_is_a_stretch_of_ids(period_id, time_ms, from_ms, to_ms):
    first, end = ids_between(period_id, from_ms, to_ms)
    assert (first <= sample_id(period_id, time_ms) < end) == (from_ms <= time_ms < to_ms)
    assert not first <= sample_id(period_id - 1, time_ms) < end
