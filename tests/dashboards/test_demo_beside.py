"""What the demo logs beside its samples: probes and scans, as planted, and without changing a sample."""

from __future__ import annotations

from math import exp
from random import Random
from statistics import fmean, median, pstdev

import pytest

from adapters.simulated import BandState, RouterState, pottery
from adapters.simulated.carrying import GOODPUT_SPREAD, Carrier, carried
from dashboards import trial
from dashboards.air.find import find_air
from dashboards.trial import play_pottery
from logger.log import Log

ROUTER = RouterState("office", {"5": BandState(36, 80)}, goodput_share=0.5, loaded_times=8.0)


@pytest.fixture(scope="module")
def played(tmp_path_factory):
    with Log.open(tmp_path_factory.mktemp("demo") / "pottery.db") as log:
        yield log, play_pottery(log, seed=1, days=8, interval_s=120, time_zone="Europe/Paris")


def column(log: Log, query: str) -> list:
    return [row[0] for row in log.db.execute(query)]


def test_samples_are_the_same_with_and_without_probes_and_scans(tmp_path, monkeypatch):
    class Nothing:
        n_probes = n_scans = 0

        def __init__(self, *_args, **_options):
            """Logs nothing."""

        def after(self, *_args):
            """Does nothing."""

        def commit(self):
            """Writes nothing."""

    told = []
    for name in ("with", "without"):
        if name == "without":
            monkeypatch.setattr(trial, "Beside", Nothing)
        with Log.open(tmp_path / name) as log:
            play_pottery(log, seed=3, days=1.5, interval_s=300, time_zone="UTC")
            columns = [row[1] for row in log.db.execute("PRAGMA table_info(sample)") if row[1] != "flags"]
            told.append([tuple(row) for row in log.db.execute(f"SELECT {', '.join(columns)} FROM sample")])
    assert told[0] == told[1]
    assert len(told[0]) > 300


def test_two_plays_of_one_seed_are_the_same_beside_the_samples_too(tmp_path):
    told = []
    for name in ("one", "two"):
        with Log.open(tmp_path / name) as log:
            play_pottery(log, seed=7, days=1, interval_s=300, time_zone="UTC")
            tables = ("probe", "transfer", "latency", "scan", "sighting", "radio", "visit")
            told.append([[tuple(row) for row in log.db.execute(f"SELECT * FROM {table}")] for table in tables])
    assert told[0] == told[1]
    assert all(told[0])


def test_probes_run_every_half_hour_awake_and_step_aside_while_the_link_is_in_use(played):
    log, counts = played
    outcomes = dict(tuple(row) for row in log.db.execute("SELECT outcome, count(*) FROM probe GROUP BY outcome"))
    asleep_h = sum(hours for hour, hours in pottery.SLEEPS if hour < 8 * 24)
    assert sum(outcomes.values()) == pytest.approx((8 * 24 - asleep_h) * 2, abs=4)
    assert outcomes["done"] == counts.n_probes > 0.6 * sum(outcomes.values())
    hours = column(log, "SELECT started_at_utc_ms / 3600000 % 24 FROM probe WHERE outcome = 'stepped-aside'")
    at_work = [hour for hour in hours if 7 <= hour < 17]  # 8 to 18 in Paris
    assert len(at_work) > 0.9 * len(hours) > 10


def test_samples_taken_while_a_probe_ran_are_marked(played):
    log, counts = played
    assert len(column(log, "SELECT id FROM sample WHERE flags & 1")) == pytest.approx(counts.n_probes, rel=0.15)


def test_both_radios_of_the_router_are_watched_and_neighbours_heard_every_half_hour(played):
    log, counts = played
    everyone = column(log, "SELECT count(*) FROM scan WHERE everyone")[0]
    assert everyone == pytest.approx(counts.n_scans / 6, abs=1)
    heard = column(log, "SELECT DISTINCT ssid FROM tagged_sighting JOIN scan USING (time_utc_ms) WHERE NOT everyone")
    assert heard == ["pottery"]
    air = find_air(log, zone="Europe/Paris")
    shares = {one.bssid: one.presence.share for one in air.radios if one.own}
    assert len(shares) == 2
    assert min(shares.values()) > 0.95
    assert {own.band: own.channel for own in air.own} == {"5": 36, "2.4": 6}
    assert {one.ssid for one in air.radios if not one.own} == {
        "bookbinder",
        "Cello lessons 2nd floor",
        "Bäckerei",
        None,
    }


def test_a_transfer_gets_its_share_of_the_rate_and_of_the_time_that_others_leave():
    random = Random(5)
    turns = [carried(ROUTER, Carrier(400.0, 200.0, 0.2), 0, "office computer", random) for _ in range(2000)]
    for direction, rate in (("down", 400), ("up", 200)):
        several = [
            t.goodput_mbps for turn in turns for t in turn.transfers if (t.direction, t.streams) == (direction, 4)
        ]
        one = [t.goodput_mbps for turn in turns for t in turn.transfers if (t.direction, t.streams) == (direction, 1)]
        assert median(several) == pytest.approx(rate * 0.5 * 0.8, rel=0.01)
        assert fmean(one) / fmean(several) == pytest.approx(0.85, abs=0.005)
        assert pstdev(several) / fmean(several) == pytest.approx(exp(GOODPUT_SPREAD**2 / 2) * GOODPUT_SPREAD, rel=0.06)


def test_an_answer_waits_longer_under_load_by_what_the_router_is_like():
    random = Random(5)
    turns = [carried(ROUTER, Carrier(400.0, 200.0, 0.0), 0, "office computer", random) for _ in range(2000)]
    told = {
        load: [
            each.median_ms
            for turn in turns
            for each in turn.latencies
            if each.load == load and each.target == "gateway"
        ]
        for load in ("idle", "down", "up")
    }
    assert median(told["idle"]) == pytest.approx(1.8, rel=0.02)
    assert median(told["down"]) / median(told["idle"]) == pytest.approx(8, rel=0.03)
    assert median(told["up"]) / median(told["idle"]) == pytest.approx(8, rel=0.03)
    latencies = [each for turn in turns for each in turn.latencies]
    assert all(each.p95_ms >= each.median_ms >= 0 <= each.jitter_ms for each in latencies)


def test_what_the_new_firmware_did_is_claimed_where_nothing_else_changed():
    assert pottery.planted_effect("transfer-down", pottery.WHEEL, "5", 4, 5) == pytest.approx(1.4)
    assert pottery.planted_effect("latency-loaded", pottery.KILN, "5", 4, 5) == pytest.approx(0.25)
    assert pottery.planted_effect("sighting", pottery.WHEEL, "5", 1, 2) == 5.0
    assert pottery.planted_effect("transfer-down", pottery.KILN, "5", 4, 5) is None, "the rack of glaze tins"
    assert pottery.planted_effect("loss", pottery.WHEEL, "5", 4, 5) is None
