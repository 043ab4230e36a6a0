"""Both bands and the neighbours, heard over the kernel's own scans; the story is in hearing.py."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from itertools import pairwise
from pathlib import Path

import pytest
from hearing import BAKERY_DBM, FIVE_DBM, KILN_DBM, NOBODYS_LOG, TWO_DBM
from trip import Trip

FIVE, TWO = "02:00:00:00:00:00", "02:00:00:00:02:00"
SETTLE_MS = 300  # from a change at the sender until a beacon has carried it
ALL_HEARD = "SELECT *, time_utc_ms - age_ms AS beacon_utc_ms FROM tagged_sighting ORDER BY time_utc_ms"


@pytest.fixture(params=["root", "nobody"])
def log(request: pytest.FixtureRequest, trip: Trip) -> Iterator[sqlite3.Connection]:
    """Of the daemon that may have the card scan, and of the one that may not."""
    if request.param == "root":
        yield trip.db
        return
    with closing(sqlite3.connect(f"file:{trip.results / NOBODYS_LOG.name}?mode=ro", uri=True)) as db:
        db.row_factory = sqlite3.Row
        yield db


def levels(trip: Trip, bssid: str) -> list[tuple[int, int, int]]:
    """(from, to, level) of one radio, as it was planted in this act."""
    end_ms = trip.moment("heard on both bands")["at_utc_ms"]
    told = [(each["at_utc_ms"], each["rssi_dbm"]) for each in trip.story["levels"] if each["bssid"] == bssid]
    told = [each for each in told if each[0] < end_ms] + [(end_ms, 0)]
    return [(one[0], other[0], one[1]) for one, other in pairwise(told)]


def neighbours(trip: Trip) -> dict[str, str]:
    moment = trip.moment("nothing watched so far")
    return {"bakery": moment["bakery"], "kiln": moment["kiln"]}


def test_sightings_of_both_bands_follow_planted_levels_within_1_db(trip: Trip, log: sqlite3.Connection) -> None:
    for bssid, planted in ((TWO, TWO_DBM), (FIVE, FIVE_DBM)):
        rows = [row for row in log.execute(ALL_HEARD) if row["bssid"] == bssid]
        compared = set()
        for from_ms, to_ms, level_dbm in levels(trip, bssid):
            for row in rows:
                if from_ms + SETTLE_MS <= row["beacon_utc_ms"] < to_ms:
                    assert row["rssi_dbm"] == pytest.approx(level_dbm, abs=1), row["time_utc"]
                    compared.add(level_dbm)
        assert compared >= set(planted), bssid


def test_nothing_is_asked_for_before_something_is_watched(trip: Trip) -> None:
    watched_ms = trip.answer("watch")["at_utc_ms"]
    asked = [row[0] for row in trip.db.execute("SELECT time_utc_ms FROM scan WHERE active ORDER BY time_utc_ms")]
    stopped_ms = trip.answer("watch stops")["at_utc_ms"]
    assert len(asked) >= 3
    assert watched_ms < asked[0]
    assert asked[-1] < stopped_ms + 40_000  # one that ran then, and ten seconds until the daemon looks what is watched


def test_who_may_not_scan_says_so_once_and_hears_what_others_scans_leave(trip: Trip) -> None:
    said = (trip.results / "nobody.txt").read_text("utf-8")
    assert said.count("may not ask for scans") == 1
    with closing(sqlite3.connect(f"file:{trip.results / NOBODYS_LOG.name}?mode=ro", uri=True)) as db:
        assert db.execute("SELECT count(*) FROM scan WHERE active").fetchone()[0] == 0
        assert db.execute("SELECT count(*) FROM sighting").fetchone()[0] >= 6
    assert trip.moment("nobody stopped")["code"] == 0


def test_neighbours_are_heard_where_they_are(trip: Trip, log: sqlite3.Connection) -> None:
    heard = {row["bssid"]: row for row in log.execute(ALL_HEARD) if row["bssid"] in neighbours(trip).values()}
    bakery, kiln = (heard[neighbours(trip)[name]] for name in ("bakery", "kiln"))
    assert (bakery["ssid"], bakery["band"], bakery["frequency_mhz"], bakery["width_mhz"]) == ("Bakery", "2.4", 2447, 20)
    assert (kiln["ssid"], kiln["band"], kiln["frequency_mhz"], kiln["width_mhz"]) == ("Kiln", "5", 5220, 40)
    assert bakery["rssi_dbm"] == pytest.approx(BAKERY_DBM, abs=1)
    assert kiln["rssi_dbm"] == pytest.approx(KILN_DBM, abs=1)
    assert (bakery["station_count"], bakery["busy_share"]) == (3, pytest.approx(128 / 255, abs=0.001))
    assert kiln["busy_share"] is None


def test_all_that_is_heard_is_kept_once_in_half_an_hour(trip: Trip, log: sqlite3.Connection) -> None:
    end_ms = trip.moment("heard on both bands")["at_utc_ms"]
    kept = log.execute("SELECT count(*) FROM scan WHERE everyone AND time_utc_ms < ?", (end_ms,)).fetchone()[0]
    assert kept == 1


def test_country_power_constraint_and_channel_are_those_of_the_beacon(trip: Trip, log: sqlite3.Connection) -> None:
    query = (
        "SELECT radio.* FROM scan JOIN sighting ON scan_id = scan.id JOIN radio ON radio.id = radio_id"
        " WHERE time_utc_ms < ?"
    )
    rows = {row["bssid"]: row for row in log.execute(query, (trip.moment("heard on both bands")["at_utc_ms"],))}
    by_iw = trip.story["heard"][-1]["text"].split("BSS 02:")
    for bssid, center_mhz, width_mhz, constraint_db in ((FIVE, 5210, 80, 3), (TWO, 2437, 20, None)):
        [shown] = [text for text in by_iw if text.startswith(f"{bssid[3:]}(")]
        limit = re.search(r"Country: DE.*\n\s+Channels \[(?:36|1) - \d+\] @ (\d+) dBm", shown)
        assert limit, shown
        row = rows[bssid]
        assert (row["country"], row["country_max_dbm"]) == ("DE", int(limit[1]))
        assert (row["center_mhz"], row["width_mhz"], row["power_constraint_db"]) == (
            center_mhz,
            width_mhz,
            constraint_db,
        )


def test_levels_are_those_that_iw_shows(trip: Trip) -> None:
    rows = list(trip.db.execute(ALL_HEARD))
    compared = 0
    for look in trip.story["heard"]:
        for bssid, seen_s, dbm in re.findall(
            r"BSS ([0-9a-f:]{17})\(.*?last seen: ([\d.]+)s \[boottime\].*?signal: (-[\d.]+) dBm", look["text"], re.S
        ):
            beacon_ms = look["at_utc_ms"] - 1000 * (look["boottime_s"] - float(seen_s))
            near = [row for row in rows if row["bssid"] == bssid and abs(row["beacon_utc_ms"] - beacon_ms) < 50]
            for row in near:
                assert row["rssi_dbm"] == pytest.approx(float(dbm), abs=1)
                compared += 1
    assert compared >= 4


def test_hearing_costs_the_daemon_little(trip: Trip) -> None:
    """Ten times as often as it would, and with a look at the cache of its own each time."""
    before, after = trip.moment("nothing watched so far"), trip.moment("heard on both bands")
    n = len(trip.samples("nothing watched so far", "heard on both bands"))
    per_sample_ms = 1000 * (after["cpu_s"] - before["cpu_s"]) / n
    assert per_sample_ms < 2 * trip.cost()["daemon_cpu_ms_per_sample"]
    assert after["resident_mb"] < 50


def test_neighbours_fall_into_the_routers_channels_as_planted(trip: Trip, tmp_path: Path) -> None:
    """Two channels of 20 MHz that stand 10 MHz apart: half of one falls into the other, were their spectra flat, and by
    the standard's masks a little more."""
    log = shutil.copy(trip.log, tmp_path)
    command = [Path(sys.executable).with_name("linktrial"), "channels", "--json", "--db", log]
    answer = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    radios = {radio["bssid"]: radio for radio in answer["radios"]}
    bakery, kiln = (radios[neighbours(trip)[name]] for name in ("bakery", "kiln"))
    assert (bakery["channel"], bakery["relation"], bakery["own"]) == (8, "overlaps", False)
    assert 0.5 <= bakery["overlap"] < 0.6
    assert bakery["presence"]["load"] == pytest.approx(128 / 255, abs=0.001)
    assert (kiln["channel"], kiln["relation"], kiln["overlap"], kiln["own"]) == (44, "overlaps", 1.0, False)
    assert {radio["bssid"] for radio in radios.values() if radio["own"]} == {FIVE, TWO}


def test_watch_shows_both_bands(trip: Trip) -> None:
    [watched] = json.loads(trip.answer("watch shows")["stdout"])["watched"]
    assert watched["ssid_text"] == "Pottery"
    assert [(radio["bssid"], radio["band"]) for radio in watched["radios"]] == [(TWO, "2.4"), (FIVE, "5")]


def test_samples_taken_during_a_scan_are_as_good_as_any(trip: Trip) -> None:
    """A scan of all channels takes over ten seconds here; the link's level and rates are no others meanwhile."""
    spans = [(row[0] - 10_000, row[0]) for row in trip.db.execute("SELECT time_utc_ms FROM scan WHERE active")]
    compared = 0
    for from_ms, to_ms, level_dbm in levels(trip, FIVE):
        for row in trip.samples("nothing watched so far", "heard on both bands"):
            time_ms = row["time_utc_ms"]
            if from_ms + 1000 <= time_ms < to_ms and any(start <= time_ms < end for start, end in spans):
                assert row["connected"] == 1
                assert row["rssi_dbm"] == pytest.approx(level_dbm, abs=1), row["time_utc"]
                compared += 1
    assert compared > 40
