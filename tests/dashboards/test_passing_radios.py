"""Who passes by is heard once and never again: thousands of them are counted, and neither compared nor listed."""

from __future__ import annotations

import pytest

from adapters.contract import HeardRadio
from dashboards.air import find
from dashboards.air.section import air_section
from dashboards.air.words import LEAST_SHOWN_SHARE, MOST_SHOWN, air_text, radios_shown
from logger.sighting_table import write_scan
from tests.dashboards.heard_log import OWN, START_MS, Planted, make_log, radio

ROUTER = HeardRadio(OWN.bssid, 5180, b"pottery", 5210, 80, -60)
N_LOOKS, N_PASSING = 4 * 48, 300


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    path = tmp_path_factory.mktemp("street") / "pottery.db"
    neighbours = [Planted(radio(n, 5180, -50 - 8 * n, ssid=b"flat %d" % n), spread_db=4.0) for n in range(4)]
    with make_log(path, [Planted(ROUTER), *neighbours], hours=N_LOOKS / 2) as log:
        for n in range(N_PASSING):
            passing = HeardRadio(f"06:00:5e:00:{n >> 8:02x}:{n & 255:02x}", 5180, b"phone", None, 20, -75, age_ms=100)
            with log.transaction() as db:
                write_scan(db, START_MS + 60_000 * n + 30_000, [passing], active=True, everyone=True)
        yield log


@pytest.fixture
def air(log):
    return find.find_air(log, zone="UTC")


def test_they_are_no_copies_of_anybody(log, monkeypatch):
    compared = []
    monkeypatch.setattr(find, "is_one", lambda *levels: compared.append(levels))
    find.find_air(log, zone="UTC")
    assert len(compared) == 5 * 4 / 2  # the router and four neighbours


def test_they_are_counted_and_not_listed(air):
    shown, n_more = radios_shown(air, "5")
    assert ({one.ssid for one in shown}, n_more) == ({"pottery", "flat 0", "flat 1", "flat 2", "flat 3"}, N_PASSING)
    more = "and 300 more radios heard less; linktrial channels --json tells them all"
    assert more in air_text(air, START_MS)
    assert air_section(air, START_MS)["bands"][0]["more_radios"] == [more]
    assert len(air.radios) == 5 + N_PASSING


def test_of_a_crowd_that_stays_those_heard_most_are_listed(tmp_path):
    crowd = [
        Planted(radio(n, 5500, -70, ssid=b"flat %d" % n), 1.0 if n % 4 else 0.5, spread_db=6.0)
        for n in range(2 * MOST_SHOWN)
    ]
    with make_log(tmp_path / "a.db", [Planted(ROUTER), *crowd], hours=12) as log:
        shown, n_more = radios_shown(find.find_air(log, zone="UTC"), "5")
    assert len(shown) == MOST_SHOWN
    assert n_more > MOST_SHOWN / 2  # of so many a few are taken for copies in so few scans
    assert shown[0].own
    assert all(one.own or one.presence.share == 1.0 for one in shown)
    assert all(one.presence.share >= LEAST_SHOWN_SHARE for one in shown)
