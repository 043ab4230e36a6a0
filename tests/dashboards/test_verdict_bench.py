"""The judge of the verdict is itself judged: its worlds, its oracle, its rule for looking early, and what it fails on."""

from __future__ import annotations

import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from dashboards.analysis.block_series import number_stays, series_from_blocks
from tests.bench.verdict import counts, coverage, looks, oracle
from tests.bench.verdict.parts import Wanted, clearly_more, over, share
from tests.bench.verdict.worlds import FAMILIES, STEP_S, STUDY, Family, draw, simulate

ROOT = Path(__file__).parents[2]


def series_of(blocks):
    return series_from_blocks(number_stays(blocks), "rssi_mean_dbm", "rssi_n", "rssi_histogram", 2)


def test_the_covariance_of_block_means_is_that_of_their_single_readings():
    series = series_of(simulate(Family((0.1, 0.1), dropped=0.0), 0.0, np.random.default_rng(1)))
    series = replace(series, length_s=STEP_S * np.sqrt(series.n_samples**2 - 1))
    owner = np.repeat(np.arange(len(series.mean)), series.n_samples.astype(int))
    averages = (owner == np.arange(len(series.mean))[:, None]) / series.n_samples[:, None]
    apart_s = np.abs(np.subtract.outer(series.mid_s, series.mid_s))
    times_s = STEP_S * np.arange(len(owner))
    for tau_s in (30.0, 1200.0, 1e6):
        single = np.exp(-np.abs(np.subtract.outer(times_s, times_s)) / tau_s)
        whole = averages @ single @ averages.T
        assert oracle.covariance_of_means(apart_s, series, tau_s) == pytest.approx(whole, abs=1e-6)


@pytest.mark.parametrize("name", STUDY)
def test_the_oracle_is_as_wide_as_the_studys(name):
    family = STUDY[name]
    told = [oracle.ask(family, simulate(family, 1.0, np.random.default_rng([1, k]))) for k in range(2)]
    assert np.mean([one.half_width for one in told]) == pytest.approx(family.study_oracle, rel=0.04)


def test_the_oracle_holds_the_truth_about_as_often_as_it_should():
    family = replace(FAMILIES["abab12"], daily=1.0)
    held = [oracle.ask(family, simulate(family, 3.0, np.random.default_rng([2, k]))).holds(3.0) for k in range(40)]
    assert sum(held) >= 33  # 8 misses of 40 at 95 % have a chance of 1 in 2,000


def test_worlds_with_and_without_an_effect_are_the_same_but_for_it():
    one, other = (draw(FAMILIES["h1"], effect_db, np.random.default_rng(4)).readings for effect_db in (0.0, 3.0))
    differs = np.nan_to_num(other.rssi - one.rssi)
    assert np.all(differs[one.stay == 0] == 0)
    assert np.all(np.isin(differs[one.stay == 1], (0.0, 3.0)))


def test_what_is_planted_at_a_placement_is_the_difference_there():
    still = Family((1,) * 12, fast_sd=0.1, slow_sd=0.0, daily=0.0, blockings_an_hour=0.0)
    family = replace(still, placement_sd=3.0, interaction_sd=2.0, placement_every=2)
    world = draw(family, 5.0, np.random.default_rng(5))
    blocks, here_db = world.at_first_placement
    means = [np.average(arm["rssi_mean_dbm"], weights=arm["rssi_n"]) for _, arm in blocks.groupby("version")]
    assert np.diff(means)[0] == pytest.approx(here_db, abs=1.0)  # whole dB
    assert blocks["placement_id"].nunique() == 1
    assert len(np.unique(world.at_placement_db)) == 7  # one of them new


def test_scattered_stays_leave_the_time_between_them_unlogged():
    blocks = simulate(FAMILIES["scattered"], 0.0, np.random.default_rng(6))
    periods = blocks.groupby("period_id")[["period_started_at_utc_ms", "period_ended_at_utc_ms"]].first()
    gaps_ms = periods["period_started_at_utc_ms"].to_numpy()[1:] - periods["period_ended_at_utc_ms"].to_numpy()[:-1]
    assert (gaps_ms / 3_600_000).tolist() == [40, 100, 24, 72, 55]


def test_a_weak_link_is_read_only_when_it_is_strong_and_a_lost_one_not_at_all():
    weak = draw(FAMILIES["weak"], 0.0, np.random.default_rng(7)).readings
    assert np.nanmin(weak.rssi) == FAMILIES["weak"].heard_above_dbm
    assert np.isnan(weak.rssi).mean() > 0.05
    blocks = simulate(FAMILIES["losses"], 0.0, np.random.default_rng(7))
    lost = blocks[~blocks["connected"]]
    assert 0.01 < lost["covered_s"].sum() / blocks["covered_s"].sum() < 0.2
    assert (lost["rssi_n"] == 0).all()


def test_blocks_of_a_running_trial_are_those_of_a_period_without_an_end():
    readings = draw(FAMILIES["h2"], 0.0, np.random.default_rng(8)).readings
    running = readings.blocks(3 * 3600.0)
    assert running.groupby("version")["period_ended_at_utc_ms"].first().isna().tolist() == [False, True]
    assert running["covered_s"].sum() == 3 * 3600
    last = running.iloc[-1]
    assert last["ended_at_utc_ms"] - last["started_at_utc_ms"] > 60_000  # no fine blocks where nothing ended yet


def test_how_many_processes_there_are_makes_no_difference():
    asked = [(FAMILIES["m4"], 3, number, (0.0,)) for number in range(3)]

    def numbers(jobs):
        return [(one.low, one.high, one.oracle) for seen in over(jobs, coverage.look_at, asked, "m4") for one in seen]

    assert numbers(1) == numbers(2)


def test_the_last_of_all_looks_is_least_squares_on_the_whole():
    stays = looks.timetable((6, 6, 6))
    family = Family((), flicker_sd=0.3)
    seen = looks.path(family, stays, 1, np.random.default_rng(1))
    series = looks.series_of(stays)
    noise = oracle.covariance(family, series, drifts_s=3600.0 * (looks.BEFORE_H + looks.WEEK_H))
    assert np.sqrt(seen.variance[-1]) == pytest.approx(oracle.least_squares(series, noise).sd, rel=1e-6)
    assert np.all(np.diff(seen.variance) < 1e-12)  # more readings never tell less


def test_single_looks_every_hour_are_wrong_as_often_as_in_the_study_and_anytime_ones_are_not():
    seen = looks.path(Family(()), looks.timetable(looks.ORDERS["AB"]), 1000, np.random.default_rng(2))
    bounds = oracle.NORMAL_95 * np.array([looks.widening(share) for share in seen.share])
    single = seen.ever_beyond(np.full_like(bounds, oracle.NORMAL_95), looks.WEEK_H).mean()
    assert single == pytest.approx(0.26, abs=0.06)  # four standard errors of the study's 400 and these 1,000
    assert not clearly_more(int(seen.ever_beyond(bounds, looks.WEEK_H).sum()), 1000, 0.05)
    assert seen.share[looks.WEEK_H - 1] == pytest.approx(1, abs=0.01)


def test_a_share_comes_with_its_standard_error_and_a_miss_only_counts_when_chance_is_out_of_the_question():
    assert share([True] * 90 + [False] * 10) == "0.900 (0.030)"
    assert share([]) == ""
    assert not clearly_more(6, 60, 0.05)  # chance: 8 %
    assert clearly_more(11, 60, 0.05)  # 2 in 10,000


def test_intervals_that_miss_are_called_a_miss(monkeypatch, capsys):
    judged = coverage.estimate_effect
    monkeypatch.setattr(coverage, "estimate_effect", lambda *a, **k: replace(judged(*a, **k), low=90.0, high=91.0))
    missed = coverage.run(Wanted(jobs=1, quick=True, families=("m4",)))
    assert missed == ["intervals of 95 % missed the truth in 12 of 12 worlds"]
    assert "| m4 | position | 12 |" in capsys.readouterr().out


def test_losses_are_recorded_by_the_day_and_those_within_an_hour_together():
    at = np.array([-0.6, -0.1, -0.08, 0.3, 0.9])
    losses = counts.Losses(at, np.array([1.0, 2.0, 4.0, 8.0, 16.0]), began=0.25)
    a, b = losses.record(-1.0, 0.0), losses.record(0.0, 1.0)
    assert a.watched_days == pytest.approx([0.75, 0.25])
    assert (a.episode_day.tolist(), a.episode_min.tolist(), a.episode_dropouts.tolist()) == ([0, 1], [1, 6], [1, 2])
    assert b.watched_days == pytest.approx([0.75, 0.25])
    assert (b.episode_day.tolist(), b.episode_min.tolist()) == ([0, 1], [8, 16])
    assert losses.record(0.0, 0.2).episode_min.tolist() == []


def test_simulated_losses_are_as_many_as_planted_and_their_days_differ_as_planted():
    rng = np.random.default_rng(9)
    seen = [counts.losses_of(counts.Days(6.0, 0.5, 3.0, 3.0, 1.5), rng) for _ in range(600)]
    for since, until, a_day in ((-3.0, 0.0, 6.0), (0.0, 3.0, 9.0)):
        numbers = np.array([np.sum((one.at_days >= since) & (one.at_days < until)) for one in seen])
        assert numbers.mean() / 3 == pytest.approx(a_day, rel=0.05)  # some three standard errors
        assert numbers.var() / numbers.mean() > 1.5


@pytest.mark.slow
def test_the_short_form_finds_no_clear_miss():
    command = [sys.executable, str(ROOT / "tests/bench/verdict"), "--quick"]
    done = subprocess.run(command, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stdout + done.stderr
    for part in ("coverage", "power", "looks", "counts", "steps"):
        assert f"## {part}" in done.stdout
