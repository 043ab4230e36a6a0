"""The Allan deviation, against published values, a second implementation and closed forms."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import chi2

from dashboards.analysis.lasting.allan import (
    LEAST_FILLED,
    allan_interval,
    allan_points,
    least_edf,
    overlapping_differences,
    ten_minute_means,
)

MINUTE_MS = 60_000


def deviation(values, m: int) -> float:
    return float(np.sqrt(np.mean(overlapping_differences(np.asarray(values, dtype=float), m) ** 2) / 2))


def nist_1000_points() -> np.ndarray:
    """The generator of NIST SP 1065, section 12.4: a prime-modulus congruence, divided by its modulus."""
    drawn = [1234567890]
    while len(drawn) < 1000:
        drawn.append(16807 * drawn[-1] % 2147483647)
    return np.array(drawn) / 2147483647


@pytest.mark.parametrize(("m", "published"), [(1, 2.922319e-01), (10, 9.159953e-02), (100, 3.241343e-02)])
def test_the_1000_points_of_nist_sp_1065_have_their_published_overlapping_deviations(m, published):
    assert deviation(nist_1000_points(), m) == pytest.approx(published, rel=2e-7)


@pytest.mark.parametrize(("m", "published"), [(1, 91.22945), (2, 85.95287)])
def test_the_nbs_monograph_140_points_have_theirs(m, published):
    assert deviation([892, 809, 823, 798, 671, 644, 883, 903, 677], m) == pytest.approx(published, rel=1e-7)


values_and_gaps = st.lists(st.one_of(st.floats(-90, -30), st.just(float("nan"))), min_size=2, max_size=40).filter(
    lambda values: any(np.isfinite(values))
)


@given(values_and_gaps, st.integers(1, 9))
def test_it_is_what_a_loop_over_all_neighbouring_stretches_gives_gaps_left_as_gaps(values, m):
    found = []
    for begin in range(len(values) - 2 * m + 1):
        means = []
        for first in (begin, begin + m):
            known = [value for value in values[first : first + m] if not np.isnan(value)]
            means.append(sum(known) / len(known) if known and len(known) >= LEAST_FILLED * m else None)
        if None not in means:
            found.append(means[1] - means[0])
    assert overlapping_differences(np.array(values), m) == pytest.approx(np.array(found), abs=1e-9)


@pytest.mark.parametrize("m", [1, 10, 100])
def test_white_noise_falls_with_the_root_of_the_stretch_and_a_random_walk_rises(m):
    noise = np.random.default_rng(1).standard_normal(400_000)
    assert deviation(noise, m) == pytest.approx(1 / np.sqrt(m), rel=0.05)
    assert deviation(np.cumsum(noise), m) == pytest.approx(np.sqrt((2 * m**2 + 1) / (6 * m)), rel=0.05)


def test_the_interval_is_that_of_chi_square_with_the_least_degrees_of_freedom():
    differences = np.random.default_rng(2).standard_normal(200)
    found = allan_interval(differences, 20)
    edf = least_edf(240, 20)
    assert found is not None
    assert found.low**2 == pytest.approx(edf * found.estimate**2 / chi2.ppf(0.975, edf))
    assert found.high**2 == pytest.approx(edf * found.estimate**2 / chi2.ppf(0.025, edf))


NOISES = {"white": lambda e: e, "walk": lambda e: np.cumsum(e, axis=1)}


@pytest.mark.parametrize("noise", NOISES)
@pytest.mark.parametrize(("n_bins", "m"), [(300, 1), (300, 10), (300, 60)])
def test_no_noise_has_fewer_degrees_of_freedom_than_are_granted(noise, n_bins, m):
    """By simulation: 2 mean^2 / variance of the estimated variances."""
    worlds = NOISES[noise](np.random.default_rng(3).standard_normal((1500, n_bins)))
    variances = np.array([deviation(world, m) ** 2 for world in worlds])
    edf = 2 * variances.mean() ** 2 / variances.var()
    assert least_edf(n_bins + 1, m) <= 1.2 * edf
    assert least_edf(n_bins + 1, m) >= 0.4 * edf


def test_a_level_that_bursts_has_a_wider_interval_than_one_that_does_not():
    rng = np.random.default_rng(4)
    quiet = rng.standard_normal(2000)
    bursting = np.where(np.arange(2000) % 400 < 20, 8.0, 0.3) * quiet
    widths = []
    for level in (quiet, bursting):
        found = allan_interval(overlapping_differences(level, 1), 1)
        widths.append((found.high - found.low) / found.estimate)
    assert widths[1] > 3 * widths[0]


def test_too_short_a_record_has_no_deviation_at_all():
    assert allan_interval(overlapping_differences(np.arange(5.0), 2), 2) is None
    assert allan_interval(np.empty(0), 6) is None
    assert least_edf(20, 10) == 0


def test_a_level_that_never_left_one_whole_db_may_have_moved_within_it():
    found = allan_interval(np.zeros(200), 1, at_one_value=1.0)
    assert (found.estimate, found.low) == (0, 0)
    assert found.high == pytest.approx(np.sqrt(1 / 12))


def blocks_of(levels: list[float], lasts_ms: int = 10 * MINUTE_MS, **columns: object) -> pd.DataFrame:
    """Blocks of one length, one after the other, in one period."""
    started = np.arange(len(levels)) * lasts_ms
    frame = pd.DataFrame(
        {
            "source_id": 1, "placement_id": 1, "period_id": 1, "period_started_at_utc_ms": 0,
            "period_ended_at_utc_ms": np.nan, "started_at_utc_ms": started, "ended_at_utc_ms": started + lasts_ms,
            "mean_utc_ms": started + lasts_ms / 2, "covered_s": lasts_ms / 1000, "rssi_n": 10, "rssi_mean_dbm": levels,
        }
    )  # fmt: skip
    return frame.assign(**columns)


def test_a_moved_laptop_is_no_step_of_the_level():
    level = np.where(np.arange(100) < 50, -70.5, -50.5)
    still, moved = (allan_points(blocks_of(level, placement_id=place)) for place in (1, np.arange(100) // 50))
    assert still[0].deviation_db.estimate > 1
    assert moved[0].deviation_db.estimate == 0


def test_shifting_all_samples_changes_nothing():
    level = np.random.default_rng(5).normal(-60.3, 1, 300)
    one, other = (allan_points(blocks_of(level + shift)) for shift in (0, 7))
    for a, b in zip(one, other, strict=True):
        assert a.deviation_db.estimate == pytest.approx(b.deviation_db.estimate)
        assert a.deviation_db.high == pytest.approx(b.deviation_db.high)


def test_a_scale_under_ten_minutes_is_told_only_where_blocks_are_that_fine_and_is_marked():
    level = np.random.default_rng(6).normal(-60, 1, 80)
    coarse, fine = (allan_points(blocks_of(level, lasts)) for lasts in (10 * MINUTE_MS, MINUTE_MS))
    assert {point.scale_s for point in coarse if point.near_changes} == set()
    assert {point.scale_s for point in fine if point.near_changes} == {60.0}


def test_bins_with_too_little_in_them_are_left_out():
    blocks = blocks_of([-60.0, -61.0, -62.0])
    blocks.loc[1, "covered_s"] = 200
    blocks.loc[2, "rssi_n"] = 1
    assert ten_minute_means(blocks).level_dbm.tolist() == [-60.0]


def test_several_blocks_of_one_bin_are_weighed_by_their_samples():
    blocks = blocks_of([-60.0, -70.0], 5 * MINUTE_MS, rssi_n=[30, 10])
    assert ten_minute_means(blocks).level_dbm.tolist() == [-62.5]
