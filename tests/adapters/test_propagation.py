"""The laws and the random processes of the simulated air, each against an oracle of its own."""

from __future__ import annotations

import math
import statistics
from random import Random

import numpy as np
import pytest
import scipy.constants
from hypothesis import given
from hypothesis import strategies as st
from scipy.special import digamma, polygamma
from scipy.stats import f as f_distribution

from adapters.ieee80211 import phy_rate_mbps
from adapters.simulated.adaptation import best_rate, required_snr_db
from adapters.simulated.propagation import (
    OrnsteinUhlenbeck,
    PassersBy,
    daily_cycle_db,
    eirp_dbm,
    free_space_loss_db,
    path_loss_db,
    small_scale_fade_db,
    thermal_noise_dbm,
)
from adapters.simulated.scene import Fading
from adapters.simulated.traffic import beacon_losses_per_s, retry_share

DB_PER_NEPER = 10 / math.log(10)


@pytest.mark.parametrize("frequency_mhz", [2437, 5180])
def test_free_space_loss_is_that_of_itu_r_p525(frequency_mhz):
    # P.525 in its practical form: 32.4 + 20 log f(MHz) + 20 log d(km), the constant rounded to a tenth
    for distance_km in (0.001, 0.1, 3.0):
        practical_db = 32.4 + 20 * math.log10(frequency_mhz) + 20 * math.log10(distance_km)
        assert free_space_loss_db(distance_km * 1000, frequency_mhz) == pytest.approx(practical_db, abs=0.06)


def test_ten_times_as_far_costs_ten_times_the_exponent():
    near_db, far_db = path_loss_db(2, 5180, 3.2), path_loss_db(20, 5180, 3.2)
    assert far_db - near_db == pytest.approx(32)
    assert path_loss_db(1, 5180, 3.2) == free_space_loss_db(1, 5180)


def test_an_exponent_of_two_is_free_space():
    assert path_loss_db(17, 2437, 2.0) == pytest.approx(free_space_loss_db(17, 2437))


def test_radiated_power_is_power_less_cable_plus_gain():
    assert eirp_dbm(20, 1.5, 5) == 23.5


def test_thermal_noise_is_ktb():
    watts = scipy.constants.Boltzmann * 290 * 20e6
    assert thermal_noise_dbm(20, 0) == pytest.approx(10 * math.log10(watts * 1000), abs=0.01)
    assert thermal_noise_dbm(40, 7) - thermal_noise_dbm(20, 0) == pytest.approx(7 + 10 * math.log10(2))


@pytest.mark.parametrize("shape", [1.0, Fading().shape])
def test_small_scale_fading_has_the_moments_of_nakagami_in_decibels(shape):
    random = Random(1)
    draws_db = np.array([small_scale_fade_db(random, shape) for _ in range(40_000)])
    assert draws_db.mean() == pytest.approx(DB_PER_NEPER * (digamma(shape) - math.log(shape)), abs=0.08)
    assert draws_db.std() == pytest.approx(DB_PER_NEPER * math.sqrt(polygamma(1, shape)), rel=0.03)
    assert (10 ** (draws_db / 10)).mean() == pytest.approx(1, abs=0.02)


def test_fading_of_shape_one_is_rayleigh():
    random = Random(2)
    deep = sum(small_scale_fade_db(random, 1.0) < -10 for _ in range(40_000)) / 40_000
    assert deep == pytest.approx(1 - math.exp(-0.1), abs=0.005)


def test_the_default_shape_moves_a_level_by_2_7_db_in_the_median_when_the_channel_changes():
    # the ratio of two gamma powers of shape m is F(2m, 2m)
    shape = Fading().shape
    assert 10 * math.log10(f_distribution.ppf(0.75, 2 * shape, 2 * shape)) == pytest.approx(2.7, abs=0.01)


@pytest.mark.parametrize("step_s", [5.0, 60.0])
def test_wandering_has_its_variance_and_its_memory_whatever_the_step(step_s):
    process = OrnsteinUhlenbeck(Random(3), sd=1.5, tau_s=60.0)
    n = 60_000
    values = np.array([process.at(index * step_s) for index in range(n)])
    keep = math.exp(-step_s / 60)
    # Bartlett: the variance of the sample variance is 2 sd^4 / n (1 + r^2) / (1 - r^2)
    error = 4 * math.sqrt(2 / n * (1 + keep**2) / (1 - keep**2))
    assert values.var() == pytest.approx(1.5**2, rel=error)
    assert abs(values.mean()) < 4 * 1.5 * math.sqrt((1 + keep) / (1 - keep) / n)
    for lag in (1, 3):
        assert np.corrcoef(values[:-lag], values[lag:])[0, 1] == pytest.approx(keep**lag, abs=0.03)


def test_wandering_read_at_uneven_times_keeps_its_variance():
    process = OrnsteinUhlenbeck(Random(4), sd=2.0, tau_s=60.0)
    gaps, time_s, values = Random(5), 0.0, []
    for _ in range(30_000):
        time_s += gaps.choice([0.1, 7.0, 400.0])
        values.append(process.at(time_s))
    assert statistics.pvariance(values) == pytest.approx(4.0, rel=0.06)


def test_wandering_read_twice_at_one_time_is_the_same():
    process = OrnsteinUhlenbeck(Random(6), sd=1.0, tau_s=60.0)
    assert process.at(10) == process.at(10)


@pytest.mark.parametrize("step_s", [20.0, 900.0])
def test_passers_by_take_what_campbells_theorem_says(step_s):
    people = PassersBy(Random(7), per_hour=6, stay_s=400, depth_shape=2, depth_scale_db=2, start_s=0)
    n = int(4e6 / step_s) if step_s > 100 else 60_000
    losses_db = np.array([people.loss_at(86_400 + index * step_s, 0, 0, 24) for index in range(n)])
    rate_per_s, depth_db, depth_squared = 6 / 3600, 2 * 2, 2 * 3 * 2**2
    # shot noise of exponential stays: autocorrelation exp(-t / stay), so about n step / (2 stay) independent draws
    mean_db, variance = rate_per_s * 400 * depth_db, rate_per_s * 400 * depth_squared
    independent = n * step_s / (2 * 400) if step_s < 800 else n
    assert losses_db.mean() == pytest.approx(mean_db, abs=4 * math.sqrt(variance / independent))
    assert losses_db.var() == pytest.approx(variance, rel=0.25)
    assert losses_db.min() == 0


def test_nobody_arrives_outside_the_opening_hours():
    people = PassersBy(Random(8), per_hour=30, stay_s=60, depth_shape=2, depth_scale_db=2, start_s=0)
    by_hour = dict.fromkeys(range(24), 0.0)
    for index in range(20 * 1440):
        time_s = index * 60.0
        by_hour[int(time_s % 86_400 // 3600)] += people.loss_at(time_s, 0, 9, 18)
    assert all(by_hour[hour] > 0 for hour in range(9, 18))
    assert all(by_hour[hour] == 0 for hour in [*range(9), *range(20, 24)])


def test_nobody_comes_where_nobody_is_said_to_come():
    people = PassersBy(Random(9), per_hour=0, stay_s=60, depth_shape=2, depth_scale_db=2, start_s=0)
    assert people.loss_at(1e9, 0, 0, 24) == 0


def test_the_day_is_a_cosine_that_is_highest_at_its_hour():
    assert daily_cycle_db(3 * 3600, 1.5, 3) == pytest.approx(1.5)
    assert daily_cycle_db(15 * 3600, 1.5, 3) == pytest.approx(-1.5)
    assert statistics.fmean(daily_cycle_db(hour * 3600, 1.5, 3) for hour in range(24)) == pytest.approx(0)


def test_what_a_rate_needs_comes_from_the_standards_sensitivities():
    # MCS 7 of one stream: -64 dBm in 20 MHz, less -86 dBm of noise allowed
    assert required_snr_db(7, 1) == 22
    assert required_snr_db(7, 2) == 25


@pytest.mark.parametrize(
    ("phy_mode", "width_mhz", "mbps"), [("HE", 80, 1201.0), ("HE", 20, 286.8), ("HT", 20, 144.4), ("VHT", 80, 866.7)]
)
def test_a_strong_signal_gets_the_fastest_rate_of_two_streams(phy_mode, width_mhz, mbps):
    assert best_rate(60, phy_mode, width_mhz).mbps == mbps  # as every table of rates has it


@given(st.floats(-30, 80), st.floats(0, 20), st.sampled_from([("HE", 80), ("HE", 40), ("HT", 20), ("VHT", 160)]))
def test_a_better_signal_never_gets_a_slower_rate_and_every_rate_is_the_standards(snr_db, more_db, mode):
    phy_mode, width_mhz = mode
    rate, faster = best_rate(snr_db, phy_mode, width_mhz), best_rate(snr_db + more_db, phy_mode, width_mhz)
    assert faster.mbps >= rate.mbps
    exact = phy_rate_mbps(
        phy_mode, rate.mcs, streams=rate.streams, width_mhz=width_mhz, guard_interval_ns=rate.guard_interval_ns
    )
    assert rate.mbps == pytest.approx(exact, abs=0.05)
    within_stream = rate.mcs % 8 if phy_mode == "HT" else rate.mcs
    assert snr_db >= required_snr_db(within_stream, rate.streams) or rate == best_rate(-99, phy_mode, width_mhz)


def test_a_width_that_a_mode_lacks_is_refused():
    with pytest.raises(ValueError, match="HT has no channels of 80 MHz"):
        best_rate(20, "HT", 80)


@given(st.floats(-200, 200), st.floats(0, 50))
def test_a_better_signal_never_means_more_retries_or_lost_beacons(snr_db, more_db):
    assert 0 < retry_share(snr_db + more_db) <= retry_share(snr_db) < 0.5
    assert 0 <= beacon_losses_per_s(snr_db + more_db) <= beacon_losses_per_s(snr_db) <= 1
