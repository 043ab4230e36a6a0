"""Scans in the log: each radio described once, each beacon told once."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from adapters.contract import ChannelVisit, HeardRadio
from logger.log import Log
from logger.sighting_table import intern_radio, write_scan
from tests.logger.conftest import START_MS
from tests.logger.scans_told import newest_scan, read_scans, read_sightings, read_visits

ROUTER_5 = HeardRadio(
    "02:00:00:00:00:05", 5180, b"Pottery", 5210.0, 80, -61.0, 40, associated=True, station_count=3, busy_share=0.25,
    country="DE", country_max_dbm=23, power_constraint_db=3,
)  # fmt: skip
ROUTER_24 = HeardRadio("02:00:00:00:00:02", 2437, b"Pottery", rssi_dbm=-52.5, age_ms=900)


def look(log, time_ms, *heard, visits=(), active=False, everyone=True):
    with log.transaction() as db:
        return write_scan(db, time_ms, heard, visits, active=active, everyone=everyone)


def test_what_was_heard_is_read(log):
    scan_id = look(log, START_MS, ROUTER_5, ROUTER_24, everyone=False)
    scan = newest_scan(log.db)
    assert scan == (scan_id, START_MS, False, False)
    assert read_scans(log.db, START_MS, START_MS + 1) == [scan]
    five, two = read_sightings(log.db, START_MS, START_MS + 1)
    assert five[:3] == (START_MS - 40, 40, scan_id)
    assert five[4:] == ("02:00:00:00:00:05", 5180, b"Pottery", 80, -61.0, 3, 250)
    assert (two.rssi_dbm, two.station_count, two.busy_permille) == (-52.5, None, None)
    assert tuple(log.db.execute("SELECT ssid_text, band, country FROM radio").fetchone()) == ("Pottery", "5", "DE")


def test_nothing_heard_yet(log):
    assert newest_scan(log.db) is None
    assert read_sightings(log.db, 0, 1 << 60) == []


def test_a_look_that_hears_nothing_is_a_look(log):
    scan_id = look(log, START_MS)
    assert [scan.id for scan in read_scans(log.db, 0, 1 << 60)] == [scan_id]


def test_a_beacon_that_an_earlier_look_told_is_not_told_again(log):
    look(log, START_MS, ROUTER_5, ROUTER_24)
    look(log, START_MS + 10_000, replace(ROUTER_5, age_ms=10_043), replace(ROUTER_24, age_ms=20))
    assert [each.bssid for each in read_sightings(log.db, START_MS + 1, 1 << 60)] == [ROUTER_24.bssid]


def test_nor_when_a_look_between_did_not_hear_it_or_its_description_changed(log):
    look(log, START_MS, ROUTER_5)
    look(log, START_MS + 5_000)
    look(log, START_MS + 10_000, replace(ROUTER_5, age_ms=10_030, power_constraint_db=None))
    assert len(read_sightings(log.db, 0, 1 << 60)) == 1


def test_the_same_radio_on_another_channel_is_told(log):
    look(log, START_MS, ROUTER_5)
    look(log, START_MS + 1000, replace(ROUTER_5, frequency_mhz=5260, age_ms=1040))
    assert len(read_sightings(log.db, 0, 1 << 60)) == 2


def test_a_radio_of_unknown_age_is_not_told(log):
    look(log, START_MS, replace(ROUTER_5, age_ms=None))
    assert read_sightings(log.db, 0, 1 << 60) == []


def test_the_last_beacon_of_a_radio_that_the_system_never_forgets_is_told_once_and_while_it_is_fresh(log):
    """Linux keeps that of the radio it is joined to, however old."""
    for minutes in range(0, 26 * 60, 5):
        look(log, START_MS + 60_000 * minutes, replace(ROUTER_5, age_ms=60_000 * minutes + 50))
    assert len(read_sightings(log.db, 0, 1 << 60)) == 1
    look(log, START_MS + 27 * 3_600_000, replace(ROUTER_24, age_ms=1_000_000))
    assert len(read_sightings(log.db, 0, 1 << 60)) == 1


def test_after_the_clock_was_set_back_what_is_heard_is_told(log):
    look(log, START_MS, ROUTER_5)
    look(log, START_MS - 3_000_000, ROUTER_5)
    look(log, START_MS, ROUTER_24)  # the same millisecond again
    assert [each.time_utc_ms for each in read_scans(log.db, 0, 1 << 60)] == [
        START_MS - 3_000_000,
        START_MS,
        START_MS + 1,
    ]
    assert len(read_sightings(log.db, 0, 1 << 60)) == 3


def test_what_a_visit_found_is_told_once_unless_the_card_was_asked_to_listen(log):
    visits = [ChannelVisit(5180, -95, 100, 20), ChannelVisit(2437, None, 80, 79)]
    first = look(log, START_MS, visits=visits, active=True)
    later = look(log, START_MS + 10, visits=[visits[0], ChannelVisit(2437, None, 90, 80)])
    again = look(log, START_MS + 20, visits=visits, active=True)
    assert [read_visits(log.db, scan) for scan in (first, later, again)] == [
        [visits[1], visits[0]],
        [ChannelVisit(2437, None, 90, 80)],
        [visits[1], visits[0]],
    ]


def test_a_sighting_belongs_to_the_period_that_holds_the_looks_time(log, timeline, clock):
    timeline.at("kiln room")
    clock.now_ms += 60_000
    timeline.at("wheel by the window")
    look(log, START_MS + 59_999, ROUTER_5)
    look(log, START_MS + 62_000, ROUTER_24)
    rows = log.db.execute("SELECT location, bssid, busy_share FROM tagged_sighting ORDER BY time_utc_ms").fetchall()
    assert [tuple(row) for row in rows] == [
        ("kiln room", ROUTER_5.bssid, 0.25),
        ("wheel by the window", ROUTER_24.bssid, None),
    ]


ANY_RADIO = st.builds(
    HeardRadio,
    bssid=st.sampled_from(["02:00:00:00:00:05", "02:00:00:00:00:02"]),
    frequency_mhz=st.sampled_from([2437, 5180, 5955]),
    ssid=st.one_of(st.none(), st.sampled_from([b"", b"\0"]), st.binary(max_size=32)),
    center_mhz=st.sampled_from([None, 0.0, 5210.0]),
    width_mhz=st.sampled_from([None, 0, 20, 80]),
    rssi_dbm=st.one_of(st.none(), st.floats(-120, 0)),
    age_ms=st.one_of(st.none(), st.integers(-5, 40_000)),
    station_count=st.one_of(st.none(), st.integers(0, 65535)),
    busy_share=st.one_of(st.none(), st.floats(0, 1)),
    country=st.sampled_from([None, "", "DE"]),
    country_max_dbm=st.one_of(st.none(), st.integers(-128, 127)),
    power_constraint_db=st.one_of(st.none(), st.integers(0, 255)),
)


@pytest.fixture
def fast_log(tmp_path):
    with Log.open(tmp_path / "some.db") as log:
        log.db.execute("PRAGMA synchronous = OFF")
        yield log


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(radios=st.lists(ANY_RADIO, max_size=8))
def test_any_radios_are_described_once_each(fast_log, radios):
    with fast_log.transaction() as db:
        numbers = [intern_radio(db, radio) for radio in radios]
        assert numbers == [intern_radio(db, radio) for radio in radios]
        for radio, number in zip(radios, numbers, strict=True):
            row = db.execute("SELECT bssid, frequency_mhz, ssid, country_max_dbm FROM radio WHERE id = ?", (number,))
            assert tuple(row.fetchone()) == (radio.bssid, radio.frequency_mhz, radio.ssid, radio.country_max_dbm)


@settings(max_examples=60, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    beacons=st.lists(st.integers(0, 600_000), min_size=1, max_size=12),
    looks=st.lists(st.integers(0, 630_000), min_size=1, max_size=12, unique=True),
    slack=st.integers(-200, 200),
)
def test_each_beacon_is_told_once_however_often_it_was_in_the_cache(fast_log, beacons, looks, slack):
    fast_log.db.execute("DELETE FROM scan")
    told = set()
    for n, at in enumerate(sorted(looks)):
        heard = [each for each in beacons if at - 30_000 <= each <= at]
        if heard:
            told.add(max(heard))
            age = at - max(heard) + (slack if n % 2 else 0)
            look(fast_log, START_MS + at, replace(ROUTER_5, age_ms=max(0, age)))
    apart = {each for each in told if not any(0 < each - other <= 2000 for other in told)}
    found = [each.time_utc_ms - START_MS for each in read_sightings(fast_log.db, 0, 1 << 60)]
    assert len(apart) <= len(found) <= len(told)
    assert all(any(abs(each - other) <= 200 for other in told) for each in found)
