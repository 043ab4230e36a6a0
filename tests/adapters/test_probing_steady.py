"""Where a transfer's steady part begins: on ramps made by formula, with every kind of noise, and on rules by hand."""

from __future__ import annotations

import math
import random
import re
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.probing.steady import bytes_until, steady_part, summed

SEGMENT = 1448


def ramp(rtt_s, rate, seconds, noise=0.0, memory=0.0, seed=0):
    """Running totals every .1 s of TCP's slow start up to ``rate`` bytes a second: ten segments in the first round trip,
    doubled in each. ``noise`` is the standard deviation of the logarithm of what the link carries in a tick."""
    rng, totals, count, share = random.Random(seed), [(0.0, 0)], 0.0, 1.0
    level = rng.gauss(0, 1)
    for millisecond in range(round(seconds * 1000)):
        t = millisecond / 1000
        if millisecond % 100 == 0:
            level = memory * level + math.sqrt(1 - memory**2) * rng.gauss(0, 1)
            share = math.exp(noise * level)
        grown = 10 * SEGMENT * 2 ** min(t / rtt_s, 60) / rtt_s if t > rtt_s else 0.0
        count += min(grown, rate * share) / 1000
        if millisecond % 100 == 99:
            totals.append(((millisecond + 1) / 1000, round(count)))
    return totals


def slow_start_s(rtt_s, rate):
    """When the ramp reaches its rate, by the formula it is made with."""
    return rtt_s * max(1.0, math.log2(rate * rtt_s / (10 * SEGMENT)))


@pytest.mark.parametrize("rtt_s", [0.002, 0.01, 0.03, 0.1, 0.2, 0.3])
@pytest.mark.parametrize("mbps", [2, 20, 200, 2000])
def test_slow_start_is_left_out_and_no_more_than_that(rtt_s, mbps):
    rate = mbps * 1e6 / 8
    steady = steady_part(ramp(rtt_s, rate, 6))
    assert steady.bytes / steady.duration_s == pytest.approx(rate, rel=0.01)
    assert steady.from_s == pytest.approx(max(0.5, slow_start_s(rtt_s, rate)), abs=0.35)


@pytest.mark.parametrize("memory", [0.0, 0.8, 0.95])
@pytest.mark.parametrize("rtt_s", [0.005, 0.1])
@pytest.mark.parametrize(("noise", "spread", "most_untold"), [(0.2, 0.03, 4), (0.4, 0.06, 12)])
def test_a_link_that_wavers_is_told_without_bias(rtt_s, memory, noise, spread, most_untold):
    """Against the mean from when slow start is over by the formula on."""
    errors, untold = [], 0
    for seed in range(200):
        totals = ramp(rtt_s, 25e6, 2.5, noise, memory, seed)
        begun_s = max(0.5, slow_start_s(rtt_s, 25e6))
        truth = (totals[-1][1] - bytes_until(totals, begun_s)) / (totals[-1][0] - begun_s)
        steady = steady_part(totals)
        if steady.bytes is None:
            untold += 1
        else:
            errors.append(steady.bytes / steady.duration_s / truth - 1)
    assert untold <= most_untold
    assert abs(np.mean(errors)) < 0.01
    assert np.std(errors) < spread


def test_with_slow_start_in_it_the_rate_would_be_too_low():
    """So that the rule is needed at all."""
    totals = ramp(0.1, 125e6, 2.5)
    assert totals[-1][1] / 2.5 < 0.7 * 125e6


@pytest.mark.parametrize(
    ("totals", "words"),
    [
        ([], "too short"),
        ([(0.0, 0)], "too short"),
        (ramp(0.01, 1e6, 1.4), "too short"),
        (ramp(0.3, 125e6, 2.5), "settled"),
        ([(n / 10, round(1000 * 2 ** (n / 6))) for n in range(26)], "growing|settled"),
        ([(n / 10, 0) for n in range(26)], "nothing"),
    ],
)
def test_what_does_not_tell_a_rate_says_why(totals, words):
    steady = steady_part(totals)
    assert (steady.from_s, steady.duration_s, steady.bytes) == (None, None, None)
    assert re.search(words, steady.words)


def test_a_stall_of_the_link_is_part_of_its_goodput():
    totals = [(n / 10, 1000 * min(n, 10) + 1000 * max(0, n - 15)) for n in range(31)]
    steady = steady_part(totals)
    assert steady.from_s == 0.5
    assert steady.bytes == 2500 * 8
    assert steady.duration_s == 2.5


def test_what_came_after_the_end_does_not_count():
    totals = [(n / 10, 1000 * n) for n in range(51)]
    assert steady_part(totals, until_s=2.5).bytes == 20_000


def test_linear_growth_belongs_to_the_equilibrium():
    """Congestion avoidance: one segment a round trip."""
    totals = [(n / 10, round(1000 * n + 5 * n * n)) for n in range(51)]
    assert steady_part(totals).bytes is not None


@given(st.lists(st.tuples(st.integers(1, 400), st.integers(0, 10**9)), max_size=60))
def test_any_totals_give_a_part_of_them_or_none(steps):
    totals = [(0.0, 0)]
    for ms, count in steps:
        totals.append((totals[-1][0] + ms / 1000, totals[-1][1] + count))
    steady = steady_part(totals)
    if steady.bytes is None:
        assert steady.words
    else:
        assert steady.from_s >= 0.5
        assert steady.duration_s >= 1 - 1e-9
        assert 0 <= steady.bytes <= totals[-1][1]


@given(
    st.lists(
        st.tuples(st.floats(0, 0.2), st.lists(st.integers(0, 1000), min_size=1, max_size=30)), min_size=1, max_size=4
    )
)
def test_streams_add_up_as_numpy_has_it(streams):
    made = []
    for begun_s, counts in streams:
        sums = np.cumsum(counts)
        made.append((begun_s, [(0.0, 0)] + [((n + 1) / 10, int(count)) for n, count in enumerate(sums)]))
    together = summed(made)
    for t, count in together:
        expected = sum(
            np.interp(t - begun_s, [one for one, _ in totals], [one for _, one in totals]) for begun_s, totals in made
        )
        assert count == pytest.approx(expected, abs=1)
    assert all(t0 < t1 and b0 <= b1 for (t0, b0), (t1, b1) in pairwise(together))
    assert together[-1][0] == pytest.approx(min(begun + totals[-1][0] for begun, totals in made), abs=0.011)
