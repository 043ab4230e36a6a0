"""The air of a planted log: who is heard, what overlaps, what is proposed and what cannot be known; from --json."""

from __future__ import annotations

import json

import pytest

from adapters.contract import ChannelVisit, FrequencyRule, HeardRadio, RegulatoryDomain
from dashboards.air.find import find_air
from dashboards.air.scans import local_days_hours, read_air
from dashboards.air.words import air_text
from logger.console import main
from logger.sighting_table import write_scan
from tests.dashboards.heard_log import OWN, START_MS, Planted, make_log, radio, replaced

ROUTER = HeardRadio(OWN.bssid, 5180, b"pottery", 5210, 80, -60, country="FR", country_max_dbm=23, power_constraint_db=3)
GUEST = HeardRadio("02:00:5e:00:50:02", 5180, b"guests", 5210, 80, -60)
STUDIO = radio(1, 5180, -70, ssid=b"studio", width=80)
BAKERY = radio(2, 5220, -62, width=40)
FORGE = radio(3, 5500, -85, ssid=None, width=80)
CHANNELS = (5180, 5200, 5220, 5240, 5260, 5280, 5300, 5320, 5500, 5520, 5540, 5560)
DAY_H = 24


def visits(hour):
    """36 to 48 busy, more in the evening; 100 to 112 quiet; 52 to 64 never listened to."""
    busy = dict.fromkeys(CHANNELS[:4], 40 if 18 <= hour < 21 else 20) | dict.fromkeys(CHANNELS[8:], 3)
    return [ChannelVisit(mhz, -94, 100, ms) for mhz, ms in busy.items()]


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    planted = [
        Planted(ROUTER),
        Planted(STUDIO, 0.9, load=lambda hour: 0.4 if 18 <= hour < 21 else 0.1),
        Planted(BAKERY),
        Planted(FORGE, 0.2),
        Planted(radio(4, 2437)),
        Planted(radio(5, 2452, ssid=b"forge")),
    ]
    path = tmp_path_factory.mktemp("air") / "pottery.db"
    with make_log(path, planted, hours=5 * DAY_H, visits=visits, busy=lambda h: 0.5 if 18 <= h < 21 else 0.2) as log:
        yield log


@pytest.fixture(scope="module")
def air(log):
    return find_air(log, zone="UTC")


def by_ssid(air):
    return {one.ssid: one for one in air.radios}


def channel(air, mhz):
    return next(one for one in air.channels if one.frequency_mhz == mhz)


def test_radios_count_by_the_share_of_looks_with_levels_as_planted(air):
    assert (air.n_looks, air.n_counted, air.n_days, air.n_asked) == (240, 240, 5, 240)
    studio = by_ssid(air)["studio"]
    assert studio.presence.share == pytest.approx(0.9, abs=0.06)
    assert studio.presence.rssi_median_dbm == pytest.approx(-70, abs=1)
    assert studio.presence.rssi_p95_dbm == pytest.approx(-70 + 1.645 * 2, abs=1)
    assert studio.presence.load == pytest.approx(0.1)


def test_what_falls_into_the_own_channel_is_told_with_what_that_means(air):
    found = by_ssid(air)
    assert (found["pottery"].own, found["studio"].own) == (True, False)
    assert (found["studio"].relation, found["studio"].overlap) == ("same channel", 1.0)
    assert (found["bakery"].relation, found["bakery"].overlap) == ("overlaps", 1.0)  # 5210 to 5250 lies within 36 at 80
    assert (found[None].relation, found[None].overlap) == ("apart", 0.0)
    assert found["forge"].relation is None  # the own network is not heard on 2.4 GHz


def test_a_channel_tells_how_busy_it_is_and_when(air):
    own = channel(air, 5180)
    assert (own.own, own.busy_from, own.busiest_hours) == (True, "samples", (18, 21))
    assert own.busy_share == pytest.approx((21 * 0.2 + 3 * 0.5) / 24)
    other = channel(air, 5200)
    assert (other.busy_from, other.busiest_hours, other.noise_dbm) == ("visits", (18, 21), -94)
    assert other.busy_share == pytest.approx((21 * 0.2 + 3 * 0.4) / 24)
    assert (own.n_neighbours, channel(air, 5220).n_neighbours) == (1, 1)
    assert own.load == pytest.approx(0.1)


def test_the_quiet_channel_is_proposed_with_its_evidence(air):
    [choice] = air.choices
    assert (choice.pick.verdict, choice.channel) == ("better elsewhere", 100)
    assert choice.pick.n_unheard == 5  # 52 to 64 and the rest of the band
    assert choice.pick.neighbours.estimate == pytest.approx(1.9 - 0.2, abs=0.15)
    text = air_text(air, START_MS)
    assert (
        "Channel 100 looks better than channel 36. Neighbours that reach into channel 36 were heard at 100 % of 240 scans on"
        " 5 days. 1.9 neighbours at a look reach into channel 36, 0.2 into channel 100 (less by [" in text
    )
    assert "have to listen for radar" in text.replace("has to", "have to")
    assert "EIRP = transmit power - cable loss + antenna gain" in text
    assert "one spot only" in text
    assert 'linktrial changed "channel 100" --set radio.5.channel=100' in text


def test_rules_stand_beside_and_forbid(log):
    rules = (
        FrequencyRule(5150, 5350, 80, 23, indoor_only=True),
        FrequencyRule(5470, 5725, 160, 26, radar_detection=True),
    )
    found = find_air(log, zone="UTC", regulatory=RegulatoryDomain("FR", "ETSI", rules))
    assert found.choices[0].channel == 100
    text = air_text(found, START_MS)
    assert "The system's rules there (FR): at most 26 dBm EIRP, up to 160 MHz wide, DFS" in text
    assert "5 GHz, channel 36, 40, 44, 48: at most 23 dBm EIRP, up to 80 MHz wide, indoors only" in text
    barred = find_air(log, zone="UTC", regulatory=RegulatoryDomain("FR", "ETSI", rules[:1])).choices[0]
    assert (barred.pick.verdict, barred.pick.n_barred) == ("no evidence", 1)


def test_another_address_of_a_radio_counts_once_and_of_the_own_router_not_at_all(tmp_path):
    addresses = [ROUTER, GUEST, STUDIO, radio(9, 5180, -70, ssid=b"studio guests", width=80)]  # of two radios
    with make_log(tmp_path / "a.db", [Planted(each, spread_db=0.0) for each in addresses], hours=4 * DAY_H) as log:
        found = find_air(log, zone="UTC")
    assert {(one.ssid, one.own, len(one.also_bssid)) for one in found.radios} == {
        ("pottery", True, 1),
        ("studio", False, 1),
    }
    assert channel(found, 5180).n_neighbours == 1


def test_strangers_at_one_level_are_not_one_radio(tmp_path):
    addresses = ("02:10:18:77:31:05", "02:aa:21:5c:93:e1", "06:4f:90:0b:6d:3c")
    flats = [replaced(STUDIO, bssid=address, rssi_dbm=-80) for address in addresses]
    with make_log(tmp_path / "a.db", [Planted(each, spread_db=1.0) for each in [ROUTER, *flats]], hours=48) as log:
        assert channel(find_air(log, zone="UTC"), 5180).n_neighbours == 3


def test_too_few_days_are_said_and_nothing_is_proposed(tmp_path):
    with make_log(tmp_path / "a.db", [Planted(ROUTER), Planted(STUDIO)], hours=30, visits=visits) as log:
        found = find_air(log, zone="UTC")
    assert found.choices[0].pick.verdict == "too few days"
    assert "Cannot be told yet" in air_text(found, START_MS)


def test_a_card_that_tells_of_no_visit_leaves_quiet_channels_unknown(tmp_path):
    with make_log(tmp_path / "a.db", [Planted(ROUTER), Planted(STUDIO)], hours=4 * DAY_H) as log:
        found = find_air(log, zone="UTC")
    assert found.choices[0].pick.verdict == "no evidence"
    assert "where nobody listened, a channel may be full" in air_text(found, START_MS)


def test_a_radio_that_is_as_it_was_before_is_described_so(tmp_path):
    wide = radio(3, 5500, -60, ssid=b"forge", width=80)
    with make_log(tmp_path / "a.db", [Planted(ROUTER)], hours=1) as log, log.transaction() as db:
        for minute, heard in enumerate((wide, replaced(wide, width_mhz=40), wide)):
            told = [replaced(heard, age_ms=100)]
            write_scan(db, START_MS + 60_000 * (minute + 1), told, active=True, everyone=True)
        found = find_air(log, zone="UTC")
    assert by_ssid(found)["forge"].width_mhz == 80


def test_days_on_which_nobody_listened_on_a_channel_say_nothing_of_it(tmp_path):
    looks = iter(range(7 * 48))

    def allowed_later(hour):  # from the fifth day on the card listens beyond its own channel
        listened = CHANNELS[:4] if next(looks) < 4 * 48 else CHANNELS[:4] + CHANNELS[8:]
        return [ChannelVisit(mhz, -94, 100, 20) for mhz in listened]

    with make_log(tmp_path / "a.db", [Planted(ROUTER), Planted(STUDIO)], hours=7 * DAY_H, visits=allowed_later) as log:
        pick = find_air(log, zone="UTC").choices[0].pick
    assert (pick.best.channel.primary_mhz, sorted(pick.best.neighbours), pick.neighbours.n_days) == (
        5500,
        [20_518, 20_519, 20_520],
        3,
    )


def test_looks_at_other_programs_scans_count_where_they_saw_other_channels(tmp_path):
    planted = [Planted(ROUTER), Planted(STUDIO), Planted(FORGE, 0.25)]
    with make_log(tmp_path / "a.db", planted, hours=4 * DAY_H, active=False) as log:
        found = find_air(log, zone="UTC")
    assert (found.n_asked, found.n_looks) == (0, 192)
    assert found.n_counted == by_ssid(found)[None].presence.n_heard < 100
    assert "No scan was linktrial's own" in air_text(found, START_MS)


def test_locations_and_days_are_told_apart(tmp_path):
    moves = ((0, "wheel by the window"), (48, "kiln room"))
    with make_log(tmp_path / "a.db", [Planted(ROUTER), Planted(STUDIO)], hours=72, locations=moves) as log:
        assert find_air(log, zone="UTC").locations == ("wheel by the window", "kiln room")
        assert find_air(log, zone="UTC", location="kiln room").n_looks == 48
        assert find_air(log, zone="UTC", since_utc_ms=START_MS + 60 * 3_600_000).n_looks == 24


def test_the_arrays_are_what_the_tables_say(log):
    looks = read_air(log, "UTC").looks
    rows = log.db.execute("SELECT rssi_dbm, busy_permille / 1000.0 FROM sighting ORDER BY scan_id, radio_id").fetchall()
    assert looks.seen_rssi_dbm.tolist() == [row[0] for row in rows]
    assert [None if load != load else load for load in looks.seen_load.tolist()] == pytest.approx(
        [row[1] for row in rows]
    )


def test_levels_between_whole_dbm_and_what_cannot_be_are_read_as_near_as_can_be(tmp_path):
    with make_log(tmp_path / "a.db", [Planted(radio(n, 5180, dbm, busy_share=share), spread_db=0) for n, (dbm, share) in enumerate(
        [(-70.5, None), (-70.25, None), (None, None), (-150.0, None)])], hours=0.5) as log:  # fmt: skip
        assert [round(x, 2) if x == x else None for x in read_air(log, "UTC").looks.seen_rssi_dbm.tolist()] == [
            -70.5,
            -70.25,
            None,
            -150,
        ]


def test_hours_are_those_of_the_local_clock_across_a_change_to_summer_time():
    import numpy as np

    before_ms, after_ms = 1_774_745_999_000, 1_774_746_001_000  # 2026-03-29, 01:00 UTC, in Paris
    days, hours = local_days_hours(np.array([before_ms, after_ms]), "Europe/Paris")
    assert hours.tolist() == [1, 3]
    assert days[0] == days[1]


def test_names_from_the_air_are_harmless(tmp_path, capsys):
    evil = radio(7, 5180, ssid=b"\x1b[2J\xe2\x80\xae<script>alert(1)</script>")
    make_log(tmp_path / "a.db", [Planted(ROUTER), Planted(evil)], hours=2 * DAY_H).db.close()
    assert main(["channels", "--db", str(tmp_path / "a.db")]) == 0
    assert "\x1b" not in (told := capsys.readouterr().out)
    assert "\\x1b[2J\\xe2\\x80\\xae<script>" in told


def test_the_answer_for_machines(log, capsys):
    assert main(["channels", "--db", str(log.path), "--json", "--band", "5", "--days", "2"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["n_looks"] == 97
    assert {one["band"] for one in told["channels"]} == {"5"}
    assert told["choices"][0]["verdict"] == "too few days"
    assert {"locations", "own", "channels", "radios", "choices", "cautions", "country"} <= told.keys()
    assert told["own"][0]["power_constraint_db"] == 3


def test_what_is_not_there_is_said_in_one_line(tmp_path, capsys):
    make_log(tmp_path / "a.db", [], hours=0).db.close()
    assert main(["channels", "--db", str(tmp_path / "a.db")]) == 1
    assert (
        capsys.readouterr().err
        == "linktrial: no scan of all channels is in the log yet; 'linktrial log' takes them as it goes\n"
    )
    make_log(tmp_path / "b.db", [Planted(ROUTER)], hours=1).db.close()
    assert main(["channels", "--db", str(tmp_path / "b.db"), "--location", "attic"]) == 1
    assert "there is no location 'attic'" in capsys.readouterr().err
    assert main(["channels", "--db", str(tmp_path / "b.db"), "--days", "0"]) == 2
