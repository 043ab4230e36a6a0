"""Time under a needed rate, against the samples themselves, exact binomial intervals and hand computation."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import beta

from dashboards.analysis.histograms import merge_histograms
from dashboards.analysis.lasting.under_rate import SECONDS_A_LOOK, share_interval, shares_under, under_rate
from logger.blocks import rate_step
from tests.dashboards.test_trend import blobs


def counts_of(rates_mbps: list[float]) -> np.ndarray:
    return merge_histograms(blobs([rate_step(rate) for rate in rates_mbps]), np.array([0]), 1)


@given(st.lists(st.floats(0.5, 2000), min_size=1, max_size=60), st.floats(0.6, 1900))
def test_the_true_share_lies_between_the_bin_counted_out_and_counted_in(rates, needed):
    least, interpolated, most = (float(share[0]) for share in shares_under(counts_of(rates), needed))
    assert least - 1e-9 <= np.mean(np.array(rates) < needed) <= most + 1e-9
    assert least <= interpolated <= most


def test_rates_spread_evenly_over_the_bin_are_shared_out_as_they_are():
    rates = 2 ** np.random.default_rng(1).uniform(2, 3, 40_000)
    _, interpolated, _ = shares_under(counts_of(rates.tolist()), 5.0)
    assert float(interpolated[0]) == pytest.approx(np.log2(5) - 2, abs=0.01)


def test_a_rate_that_no_radio_has_is_over_or_under_everything():
    counts = counts_of([6.0, 54.0, 300.0])
    assert [float(share[0]) for share in shares_under(counts, 1e5)] == [1, 1, 1]
    assert [float(share[0]) for share in shares_under(counts, 1e-5)] == [0, 0, 0]


def test_never_under_in_nine_days_has_the_exact_binomial_end_of_so_many_looks():
    low, high = share_interval(np.zeros(9 * 144), np.full(9 * 144, 600.0), 0.95)
    assert low == 0
    assert high == pytest.approx(1 - 0.025 ** (1 / (9 * 86_400 / SECONDS_A_LOOK)))
    assert share_interval(np.ones(100), np.full(100, 6000.0), 0.95)[1] == 1


def test_independent_looks_have_at_most_the_binomial_interval_of_as_many():
    under = (np.random.default_rng(2).random(9 * 12) < 0.3).astype(float)
    low, high = share_interval(under, np.full(len(under), SECONDS_A_LOOK), 0.95)
    n, x = len(under), under.sum()
    exact = beta.ppf(0.025, x, n - x + 1), beta.ppf(0.975, x + 1, n - x)
    assert low <= exact[0] + 1e-9
    assert high >= exact[1] - 1e-9
    assert high - low < 2.5 * (exact[1] - exact[0])


def test_the_same_share_in_one_long_spell_tells_less_than_in_many_short_ones():
    n = 9 * 144
    spell, scattered = (np.arange(n) < n // 10).astype(float), (np.arange(n) % 10 == 0).astype(float)
    one, many = (share_interval(under, np.full(n, 600.0), 0.95) for under in (spell, scattered))
    assert one[1] - one[0] > 3 * (many[1] - many[0])


def test_over_and_under_mirror_each_other():
    under = (np.random.default_rng(3).random(1000) < 0.2).astype(float)
    seconds = np.full(1000, 600.0)
    low, high = share_interval(under, seconds, 0.95)
    assert share_interval(1 - under, seconds, 0.95) == pytest.approx((1 - high, 1 - low))


def rate_blocks(rates: list[float], covered_s: float = 7200.0, **columns: object) -> pd.DataFrame:
    """Blocks with one rate each, one after the other; 0: no link, nan: no rate told."""
    frame = pd.DataFrame(
        {
            "connected": [rate != 0 for rate in rates], "covered_s": covered_s,
            "mean_utc_ms": (np.arange(len(rates)) + 0.5) * 1000 * covered_s,
            "tx_rate_histogram": blobs(*[[] if not rate > 0 else [rate_step(rate)] * 9 for rate in rates]),
            "rx_rate_histogram": blobs(*[[]] * len(rates)),
        }
    )  # fmt: skip
    return frame.assign(**columns)


def test_time_without_a_link_is_under_any_rate_and_time_without_word_of_it_counts_for_nothing():
    rates = [300.0] * 40 + [1.0] * 4 + [0.0] * 6 + [float("nan")] * 50
    found = under_rate(rate_blocks(rates), 5.0, "tx")
    assert found.share.estimate == pytest.approx(10 / 50)
    assert found.share.low < 0.2 < found.share.high
    assert under_rate(rate_blocks(rates), 5.0, "rx") is None


def test_blocks_count_by_the_time_they_stand_for():
    blocks = rate_blocks([300.0, 1.0] * 50, covered_s=np.array([10_800.0, 3600.0] * 50))
    assert under_rate(blocks, 5.0, "tx").share.estimate == pytest.approx(0.25)


def test_the_bin_that_holds_the_rate_is_within_the_interval_whole():
    at_the_rate = under_rate(rate_blocks([5.0] * 50), 5.0, "tx")
    assert (at_the_rate.share.low, at_the_rate.share.high) == (0, 1)


def test_less_than_three_days_tell_nothing():
    assert under_rate(rate_blocks([300.0] * 35), 5.0, "tx") is None
    assert under_rate(rate_blocks([300.0] * 36), 5.0, "tx") is not None
