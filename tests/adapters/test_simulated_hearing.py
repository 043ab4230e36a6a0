"""What the simulated radio hears besides its link: as planted, by the link's own physics, and without changing it."""

from __future__ import annotations

import math
import statistics
from dataclasses import replace

import pytest

from adapters.contract import AdapterError, FrequencyRule, HeardRadio, RegulatoryDomain
from adapters.simulated import (
    BandState,
    Fading,
    Neighbour,
    Path,
    RouterChange,
    RouterState,
    Scene,
    SimulatedClock,
    SimulatedRadio,
    Stay,
    pottery,
)
from adapters.simulated.ears import FORGOTTEN_S, SCAN_S, center_mhz
from adapters.simulated.propagation import free_space_loss_db

DAY_S = 86_400
BENCH = "glaze bench"
STILL = Fading(1e9, 0, 0, 30, 0, 1200, 0, 0, 3, 0)
AT_5 = BandState(channel=36, width_mhz=80, tx_power_dbm=16, antenna_gain_dbi=2)
AT_24 = BandState(channel=6, width_mhz=20, tx_power_dbm=16, antenna_gain_dbi=2)
BOTH = RouterState("desk", {"5": AT_5, "2.4": AT_24})
ROUTER_24, ROUTER_5 = "02:00:5e:00:24:01", "02:00:5e:00:50:01"
NEXT_DOOR = Neighbour("02:00:5e:07:24:01", "2.4", 1, 20, b"next door", {BENCH: -70.0}, 0.3, 5)


def radio_in(*states: tuple[float, RouterState], fading: Fading = STILL, **options):
    changes = tuple(RouterChange(round(at_s * 1000), state) for at_s, state in states)
    stays = options.pop("stays", (Stay(0, BENCH),))
    paths = {("desk", stay.location): Path(5.0, {"5": 6.0, "2.4": 4.0}) for stay in stays}
    scene = {name: options.pop(name) for name in ("neighbours", "regulatory") if name in options}
    clock = SimulatedClock(0)
    return SimulatedRadio(Scene(changes, stays, paths, fading=fading, **scene), clock, **options), clock


def scanned(radio: SimulatedRadio, clock: SimulatedClock) -> dict[str, HeardRadio]:
    radio.begin_scan()
    clock.advance(SCAN_S + 0.5)
    return {each.bssid: each for each in radio.heard()}


# ---- levels


def test_both_of_the_routers_radios_are_heard_at_their_link_budget():
    radio, clock = radio_in((0, BOTH), fading=replace(STILL, frame_sd_db=0))
    heard = scanned(radio, clock)
    for bssid, mhz, walls_db in ((ROUTER_5, 5180, 6), (ROUTER_24, 2437, 4)):
        budget_dbm = 16 + 2 - free_space_loss_db(1, mhz) - 30 * math.log10(5) - walls_db
        assert heard[bssid].rssi_dbm == round(budget_dbm)
        assert heard[bssid].ssid == b"pottery"
    assert [heard[ROUTER_5].associated, heard[ROUTER_24].associated] == [True, False]


def test_a_change_at_the_other_bands_antennas_is_heard_in_full_and_this_bands_not():
    better = RouterState("desk", {"5": replace(AT_5, antenna_gain_dbi=8, cable_loss_db=1), "2.4": AT_24})
    radio, clock = radio_in((0, BOTH), (1000, better), fading=replace(STILL, frame_sd_db=0), band="2.4")
    before = scanned(radio, clock)
    clock.advance(1000)
    after = scanned(radio, clock)
    assert after[ROUTER_5].rssi_dbm - before[ROUTER_5].rssi_dbm == 5
    assert after[ROUTER_24].rssi_dbm == before[ROUTER_24].rssi_dbm


def test_the_other_band_wanders_as_much_as_the_link_does():
    fading = replace(STILL, fast_sd_db=1.5, slow_sd_db=2.0, frame_sd_db=0.7)
    radio, clock = radio_in((0, BOTH), fading=fading, band="5", seed=3)
    levels = []
    for _ in range(400):
        levels.append(scanned(radio, clock)[ROUTER_24].rssi_dbm)
        clock.advance(2400)
    budget_dbm = 16 + 2 - free_space_loss_db(1, 2437) - 30 * math.log10(5) - 4
    assert statistics.fmean(levels) == pytest.approx(budget_dbm, abs=0.6)
    assert statistics.stdev(levels) == pytest.approx(math.hypot(1.5, 2.0, 0.7, 1 / math.sqrt(12)), rel=0.15)


def test_placements_fade_in_what_is_heard_as_they_do_in_the_link():
    stays = (Stay(0, BENCH, 1), Stay(1_000_000, BENCH, 2))
    fading = replace(STILL, shape=2.63, placement_sd_db=2.0)
    linked, clock = radio_in((0, BOTH), fading=fading, stays=stays, band="2.4", seed=9)
    other, other_clock = radio_in((0, BOTH), fading=fading, stays=stays, band="5", seed=9)
    for _ in range(2):
        assert scanned(other, other_clock)[ROUTER_24].rssi_dbm == pytest.approx(linked.read().rssi_dbm, abs=1)
        clock.advance(1000), other_clock.advance(1000)


def test_the_radio_of_the_link_is_heard_as_strong_as_it_was_just_read():
    radio, clock = radio_in((0, BOTH), fading=Fading(), seed=2)
    for _ in range(50):
        rssi_dbm = radio.read().rssi_avg_dbm
        (own,) = radio.heard()
        assert own.rssi_dbm == pytest.approx(rssi_dbm, abs=4)
        assert own.age_ms < 103
        clock.advance(300)


# ---- who is heard, and when


def test_without_a_scan_only_the_radio_of_the_link_is_heard():
    radio, _ = radio_in((0, BOTH), neighbours=(NEXT_DOOR,))
    assert [each.bssid for each in radio.heard()] == [ROUTER_5]


def test_what_a_scan_heard_ages_and_is_forgotten():
    radio, clock = radio_in((0, BOTH), neighbours=(NEXT_DOOR,))
    age_ms = scanned(radio, clock)[NEXT_DOOR.bssid].age_ms
    assert 0 <= age_ms <= SCAN_S * 1000 + 500
    clock.advance(10)
    assert {each.bssid: each.age_ms for each in radio.heard()}[NEXT_DOOR.bssid] == age_ms + 10_000
    clock.advance(FORGOTTEN_S)
    assert [each.bssid for each in radio.heard()] == [ROUTER_5]


def test_neighbours_are_heard_where_they_are_and_only_when_strong_enough():
    weak = replace(NEXT_DOOR, bssid="02:00:5e:08:24:01", level_dbm={BENCH: -110.0})
    elsewhere = replace(NEXT_DOOR, bssid="02:00:5e:09:24:01", level_dbm={"kiln room": -50.0})
    radio, clock = radio_in((0, BOTH), neighbours=(NEXT_DOOR, weak, elsewhere))
    heard = scanned(radio, clock)
    assert set(heard) == {ROUTER_5, ROUTER_24, NEXT_DOOR.bssid}
    assert heard[NEXT_DOOR.bssid].rssi_dbm == pytest.approx(-70, abs=8)


def test_a_router_that_is_silent_or_off_is_not_heard():
    radio, clock = radio_in((0, BOTH), (100, RouterState("desk", {})), neighbours=(NEXT_DOOR,))
    clock.advance(100)
    assert set(scanned(radio, clock)) == {NEXT_DOOR.bssid}


def test_a_scan_hears_the_world_as_it_was_when_the_scan_ended_however_late_one_asks():
    moved = RouterState("desk", {"2.4": replace(AT_24, channel=11)})
    radio, clock = radio_in((0, BOTH), (10, moved))
    radio.begin_scan()
    clock.advance(20)
    heard = {each.frequency_mhz: each for each in radio.heard()}
    assert heard[5180].age_ms >= 20_000 - SCAN_S * 1000
    assert not heard[5180].associated
    assert heard[2462].associated


def test_a_sleep_in_the_midst_of_a_scan_ends_it_with_nothing_heard():
    radio, clock = radio_in((0, BOTH), neighbours=(NEXT_DOOR,))
    radio.begin_scan()
    clock.suspend(20)
    assert [each.bssid for each in radio.heard()] == [ROUTER_5]
    assert [event.kind for event in radio.events()] == ["scan-started", "disconnected", "scan-finished", "connected"]


def test_a_radio_that_is_switched_off_forgets_and_its_scan_ends():
    radio, clock = radio_in((0, BOTH), neighbours=(NEXT_DOOR,))
    scanned(radio, clock)
    radio.begin_scan()
    radio.events()
    radio.switch("blocked by software")
    assert radio.heard() == []
    radio.switch(None)
    assert "scan-finished" in [event.kind for event in radio.events()]
    assert [each.bssid for each in radio.heard()] == [ROUTER_5]


@pytest.mark.parametrize("method", ["heard", "visits", "begin_scan", "regulatory"])
def test_a_closed_radio_says_so(method):
    radio, _ = radio_in((0, BOTH))
    radio.close()
    with pytest.raises(AdapterError, match="closed"):
        getattr(radio, method)()


# ---- what they tell of themselves


def test_the_country_and_its_limits_are_those_of_the_rules_on_each_channel():
    rules = (
        FrequencyRule(2400.0, 2483.5, 40.0, 20.0),
        FrequencyRule(5170.0, 5250.0, 80.0, 23.0, radar_detection=True),
    )
    domain = RegulatoryDomain("XP", "ETSI", rules)
    radio, clock = radio_in((0, BOTH), regulatory=domain)
    heard = scanned(radio, clock)
    told = {each.country_max_dbm: (each.country, each.power_constraint_db) for each in heard.values()}
    assert told == {20: ("XP", None), 23: ("XP", 3)}
    assert radio.regulatory() == domain


def test_without_rules_nothing_is_told_of_a_country():
    radio, clock = radio_in((0, BOTH))
    assert {each.country for each in scanned(radio, clock).values()} == {None}
    assert radio.regulatory() is None


def test_channels_are_busier_by_day_and_some_neighbours_do_not_tell():
    shy = replace(NEXT_DOOR, bssid="02:00:5e:08:24:01", tells_load=False)
    radio, clock = radio_in((0, BOTH), neighbours=(NEXT_DOOR, shy))
    night = scanned(radio, clock)
    clock.advance(12 * 3600)
    day = scanned(radio, clock)
    for bssid in (NEXT_DOOR.bssid, ROUTER_5):
        assert 0 < night[bssid].busy_share < day[bssid].busy_share < 1
        assert night[bssid].station_count < day[bssid].station_count
    assert (day[shy.bssid].busy_share, day[shy.bssid].station_count) == (None, None)


@pytest.mark.parametrize(
    ("primary_mhz", "width_mhz", "middle_mhz"),
    [
        (5180, 20, 5180),
        (5180, 40, 5190),
        (5200, 40, 5190),
        (5180, 80, 5210),
        (5240, 80, 5210),
        (5260, 80, 5290),
        (5320, 160, 5250),
        (5500, 80, 5530),
        (5560, 160, 5570),
        (2437, 20, 2437),
        (2427, 40, 2437),
        (2462, 40, 2452),
    ],
)
def test_the_middle_of_a_channel_is_that_of_the_standards_raster(primary_mhz, width_mhz, middle_mhz):
    assert center_mhz(primary_mhz, width_mhz) == middle_mhz


# ---- channels


def test_the_channel_in_use_is_counted_all_along_and_others_at_the_last_scan():
    radio, clock = radio_in((0, BOTH), neighbours=(NEXT_DOOR,))
    clock.advance(60)
    reading = radio.read()
    (own,) = radio.visits()
    assert (own.frequency_mhz, own.noise_dbm) == (5180, reading.noise_dbm)
    assert (own.active_ms, own.busy_ms) == (reading.channel_active_ms_total, reading.channel_busy_ms_total)
    scanned(radio, clock)
    visits = {visit.frequency_mhz: visit for visit in radio.visits()}
    assert len(visits) == 13 + 19
    assert visits[5180].active_ms > 60_000
    assert visits[2412].busy_ms > visits[2472].busy_ms  # next door is on channel 1


# ---- the pottery


def test_listening_changes_no_reading_and_no_event_of_the_link():
    def story(hears: bool) -> list[object]:
        start_utc_ms = pottery.start_utc_ms()
        clock = SimulatedClock(start_utc_ms)
        radio = SimulatedRadio(pottery.scene(start_utc_ms), clock, seed=5)
        told: list[object] = []
        for step in range(2000):
            told += [radio.read(), *(event for event in radio.events() if not event.kind.startswith("scan"))]
            if hears and step % 3 == 0:
                radio.begin_scan()
            if hears:
                radio.heard(), radio.visits(), radio.regulatory()
            if step % 700 == 699:
                clock.suspend(4000)
            clock.advance(400)
        return told

    assert story(True) == story(False)


def test_what_is_heard_is_the_same_each_time():
    def heard() -> list[HeardRadio]:
        start_utc_ms = pottery.start_utc_ms()
        clock = SimulatedClock(start_utc_ms)
        radio = SimulatedRadio(pottery.scene(start_utc_ms), clock, seed=5)
        return [each for _ in range(20) for each in scanned(radio, clock).values()]

    assert heard() == heard()


@pytest.mark.parametrize("location", [pottery.WHEEL, pottery.KILN])
def test_the_pottery_has_neighbours_on_both_bands_and_the_routers_radios_at_each_place(location):
    start_utc_ms = pottery.start_utc_ms()
    whole = pottery.scene(start_utc_ms)
    scene = replace(whole, stays=(Stay(start_utc_ms, location),), changes=whole.changes[:1])
    clock = SimulatedClock(start_utc_ms)
    radio = SimulatedRadio(scene, clock, seed=1)
    heard = scanned(radio, clock)
    assert {ROUTER_24, ROUTER_5} <= set(heard)
    others = [each for bssid, each in heard.items() if bssid not in (ROUTER_24, ROUTER_5)]
    assert len([each for each in others if each.frequency_mhz < 3000]) >= 3
