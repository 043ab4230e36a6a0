"""The pottery: what its constants say is what its scene does."""

from __future__ import annotations

from datetime import UTC, datetime
from itertools import pairwise
from zoneinfo import ZoneInfo

import pytest

from adapters.ieee80211 import frequency_of
from adapters.simulated import RouterState, SimulatedClock, SimulatedRadio, pottery
from adapters.simulated.air import Air
from adapters.simulated.propagation import eirp_dbm

START_UTC_MS = pottery.start_utc_ms()
LAWFUL_EIRP_DBM = {"2.4": 20, "5": 23}  # Europe: EN 300 328, EN 301 893 at 5150-5350 MHz


def mean_level_dbm(state: RouterState, band: str, location: str) -> float:
    air = Air(pottery.scene(START_UTC_MS), 1, UTC, 0)
    radio = state.bands[band]
    frequency_mhz = frequency_of(radio.channel, band)
    loss_db = air.mean_loss_db(state.position, band, frequency_mhz, location, START_UTC_MS)
    return eirp_dbm(radio.tx_power_dbm, radio.cable_loss_db, radio.antenna_gain_dbi) - loss_db


@pytest.mark.parametrize("key", pottery.PLANTED_EFFECTS_DB, ids=str)
def test_a_planted_effect_is_what_the_link_budget_gives(key):
    location, band, before, after = key
    levels_dbm = [mean_level_dbm(pottery.VERSIONS[number].state, band, location) for number in (before, after)]
    assert levels_dbm[1] - levels_dbm[0] == pytest.approx(pottery.PLANTED_EFFECTS_DB[key], abs=0.05)
    assert pottery.planted_effect("rssi", *key) == pottery.PLANTED_EFFECTS_DB[key]


def test_nothing_is_claimed_of_what_was_not_planted():
    assert pottery.planted_effect("rssi", "garden", "5", 1, 2) is None
    assert pottery.planted_effect("outage", pottery.WHEEL, "5", 1, 2) is None
    assert pottery.planted_effect("tx-rate", pottery.WHEEL, "5", 1, 2) is None


def test_the_new_firmware_is_worth_the_dropouts_it_spares():
    assert pottery.planted_effect("outage", pottery.KILN, "5", 4, 5) == pytest.approx(-15.5 * 1.5)


@pytest.mark.parametrize("number", pottery.VERSIONS)
def test_what_the_owner_writes_down_is_the_state_of_the_router_and_lawful(number):
    written: dict[str, float | int | str] = {}
    for earlier in range(1, number + 1):
        written |= pottery.VERSIONS[earlier].settings
    state = pottery.VERSIONS[number].state
    for band, radio in state.bands.items():
        assert written[f"antenna.{band}.gain_dbi"] == radio.antenna_gain_dbi
        assert written.get(f"antenna.{band}.cable_loss_db", 0) == radio.cable_loss_db
        assert written[f"radio.{band}.tx_power_dbm"] == radio.tx_power_dbm
        assert written[f"radio.{band}.channel"] == radio.channel
        assert written.get(f"radio.{band}.width_mhz", 20) == radio.width_mhz
        assert eirp_dbm(radio.tx_power_dbm, radio.cable_loss_db, radio.antenna_gain_dbi) <= LAWFUL_EIRP_DBM[band]
    assert written["router.position"] == state.position


def test_the_plan_is_in_order_and_goes_back_and_forth_as_it_says():
    for plan in (pottery.ROUTER_CHANGES, pottery.STAYS, pottery.SLEEPS):
        hours = [entry[0] for entry in plan]
        assert hours == sorted(hours)
        assert hours[-1] < pottery.DAYS * 24
    assert [number for _, number in pottery.ROUTER_CHANGES] == [1, 2, 1, 2, 3, 2, 3, 2, 3, 4, 5]
    assert all(before[1] != after[1] for before, after in pairwise(pottery.ROUTER_CHANGES))


def test_nobody_touches_anything_while_the_laptop_sleeps():
    moments = [hour for hour, _ in (*pottery.ROUTER_CHANGES, *pottery.STAYS)]
    for hour, hours in pottery.SLEEPS:
        assert not [moment for moment in moments if hour <= moment <= hour + hours]


def test_placements_are_numbered_at_each_location_from_one():
    for location in (pottery.WHEEL, pottery.KILN):
        numbers = [stay.placement for stay in pottery.scene(0).stays if stay.location == location]
        assert numbers == list(range(1, len(numbers) + 1))
        assert len(numbers) >= 5


def test_it_begins_at_nine_on_a_monday_morning_local_time():
    zone = ZoneInfo("Pacific/Auckland")
    began = datetime.fromtimestamp(pottery.start_utc_ms(zone) / 1000, zone)
    assert (began.weekday(), began.hour, began.minute) == (0, 9, 0)


def test_the_radio_passes_through_every_state_of_the_plan():
    clock = SimulatedClock(START_UTC_MS)
    radio = SimulatedRadio(pottery.scene(START_UTC_MS), clock, seed=1, band="5")
    widths: list[int] = []
    for _ in range(pottery.DAYS * 24 * 2):
        width_mhz = radio.read().width_mhz
        if width_mhz is not None and (not widths or widths[-1] != width_mhz):
            widths.append(width_mhz)
        clock.advance(1800)
    assert widths == [80, 40, 80, 40, 80, 40]
