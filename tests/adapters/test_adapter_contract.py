"""What every adapter keeps, whatever it reads. A new adapter joins with one entry in BENCHES."""

from __future__ import annotations

import math
import re
import types
from collections.abc import Callable, Iterator
from dataclasses import dataclass, fields, is_dataclass
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

import pytest

from adapters.contract import (
    Ability,
    Adapter,
    AdapterError,
    BitRate,
    ChannelVisit,
    HeardRadio,
    LinkEvent,
    LinkReading,
    RadioOff,
    RegulatoryDomain,
)
from adapters.ieee80211 import band_of
from adapters.simulated import SimulatedClock, SimulatedRadio, pottery
from adapters.simulated.scene import RouterChange, RouterState, Scene
from tests.adapters.played_laptop import LivingLaptop, adapter_on


@dataclass
class Bench:
    """One adapter on a link that is up, of a user who may ask for scans, and what a test may do to it: ``wait`` lets
    awake seconds pass (with frames sent and received where they can be; five are enough for a scan), ``lose_link``
    takes the link away for good, ``switch`` switches the radio off by what it is told, or on with None."""

    adapter: Adapter
    wait: Callable[[float], None]
    lose_link: Callable[[], None]
    switch: Callable[[RadioOff | None], None]


def simulated_bench() -> Bench:
    start_utc_ms = pottery.start_utc_ms()
    clock = SimulatedClock(start_utc_ms)
    whole = pottery.scene(start_utc_ms)
    off = RouterState(pottery.OFFICE, {})
    scene = Scene(
        (RouterChange(start_utc_ms, pottery.VERSIONS[1].state), RouterChange(start_utc_ms + 86_400_000, off)),
        whole.stays[:1],
        whole.paths,
        neighbours=whole.neighbours,
        regulatory=whole.regulatory,
    )
    radio = SimulatedRadio(scene, clock, seed=5)
    return Bench(radio, clock.advance, lambda: clock.advance(86_400), radio.switch)


def linux_bench() -> Bench:
    kernel = LivingLaptop()
    adapter = adapter_on(kernel, steady_s=kernel.steady, radio_off=lambda _: kernel.off_by)
    return Bench(adapter, kernel.wait, kernel.lose_link, kernel.switch)


BENCHES: dict[str, Callable[[], Bench]] = {
    "simulated": simulated_bench,
    "linux": linux_bench,
}

LINK_TOTALS = [
    field.name for field in fields(LinkReading) if field.name.endswith("_total") and "interface" not in field.name
]
INTERFACE_TOTALS = ["interface_rx_bytes_total", "interface_tx_bytes_total"]


@pytest.fixture(params=BENCHES.values(), ids=BENCHES.keys())
def bench(request: pytest.FixtureRequest) -> Iterator[Bench]:
    made = request.param()
    yield made
    made.adapter.close()


def test_it_is_an_adapter_with_a_name_and_an_interface(bench):
    assert isinstance(bench.adapter, Adapter)
    assert bench.adapter.name
    assert bench.adapter.interface


def test_a_reading_names_its_interface_and_holds_exactly_the_types_it_promises(bench):
    for _ in range(20):
        reading = bench.adapter.read()
        assert isinstance(reading, LinkReading)
        assert reading.interface == bench.adapter.interface
        assert_typed(reading)
        bench.wait(7)


def test_levels_are_in_the_range_of_a_radio_and_never_a_placeholder(bench):
    for _ in range(20):
        reading = bench.adapter.read()
        chains = reading.chain_rssi_dbm or ()
        for level_dbm in (reading.rssi_dbm, reading.rssi_avg_dbm, reading.beacon_rssi_avg_dbm, *chains):
            assert level_dbm is None or -100 <= level_dbm <= -1
        assert reading.noise_dbm is None or -110 <= reading.noise_dbm <= -60
        bench.wait(7)


def test_names_and_channels_are_well_formed(bench):
    reading = bench.adapter.read()
    assert reading.connected
    assert reading.ssid is None or len(reading.ssid) <= 32
    assert reading.bssid is None or re.fullmatch(r"([0-9a-f]{2}:){5}[0-9a-f]{2}", reading.bssid)
    assert reading.frequency_mhz is None or band_of(reading.frequency_mhz) is not None
    assert reading.width_mhz in (None, 20, 40, 80, 160, 320)
    assert len(reading.links) != 1, "one link alone is no multi-link connection"


def test_a_rate_is_positive_and_its_parts_lie_in_their_ranges(bench):
    for _ in range(20):
        reading = bench.adapter.read()
        for rate in (reading.rx_rate, reading.tx_rate):
            if rate is None:
                continue
            assert rate.mbps is None or 0 < rate.mbps < 100_000
            assert rate.mcs is None or 0 <= rate.mcs <= (31 if rate.phy_mode == "HT" else 15)
            assert rate.streams is None or 1 <= rate.streams <= 16
            assert rate.width_mhz in (None, 5, 10, 20, 40, 80, 160, 320)
            assert rate.guard_interval_ns in (None, 400, 800, 1600, 3200)
        bench.wait(7)


def test_no_link_reads_as_unknown_everywhere_and_not_as_zero(bench):
    assert bench.adapter.read().connected
    bench.lose_link()
    reading = bench.adapter.read()
    assert reading.connected is False
    known = {field.name for field in fields(reading) if getattr(reading, field.name) not in (None, ())}
    assert known <= {"interface", "connected", *INTERFACE_TOTALS}


@pytest.mark.parametrize("off_by", get_args(RadioOff))
def test_a_radio_that_somebody_switched_off_says_so_and_is_back_when_it_is_on(bench, off_by):
    assert bench.adapter.read().radio_off is None
    bench.switch(off_by)
    bench.wait(60)
    off = bench.adapter.read()
    assert (off.connected, off.radio_off) == (False, off_by)
    assert all(off_by in ability.now for ability in bench.adapter.abilities() if ability.quantity == "rssi_dbm")
    bench.switch(None)
    bench.wait(60)
    on = bench.adapter.read()
    assert (on.connected, on.radio_off) == (True, None)


def test_no_link_for_lack_of_a_network_is_no_radio_that_is_off(bench):
    bench.lose_link()
    assert bench.adapter.read().radio_off is None


def test_totals_never_fall_within_one_association(bench):
    before = bench.adapter.read()
    for _ in range(40):
        bench.wait(7)
        now = bench.adapter.read()
        same = now.associated_at_boottime_ns == before.associated_at_boottime_ns and now.bssid == before.bssid
        for name in [*INTERFACE_TOTALS, *(LINK_TOTALS if same and now.connected else ())]:
            old, new = getattr(before, name), getattr(now, name)
            assert old is None or new is None or (new >= old >= 0), name
        before = now


def test_time_connected_passes_as_the_clock_does(bench):
    before = bench.adapter.read()
    bench.wait(30)
    now = bench.adapter.read()
    if now.connected_time_s is None or now.associated_at_boottime_ns != before.associated_at_boottime_ns:
        return  # an adapter that cannot tell, or a link that was lost meanwhile
    assert before.connected_time_s is not None
    assert 28 <= now.connected_time_s - before.connected_time_s <= 32


def test_events_are_told_once(bench):
    bench.lose_link()
    told = bench.adapter.events()
    for event in told:
        assert isinstance(event, LinkEvent)
        assert_typed(event)
    assert bench.adapter.events() == []


def test_losing_the_link_is_told_where_events_can_be_told(bench):
    can_tell = next(ability for ability in bench.adapter.abilities() if ability.quantity == "events").available
    bench.adapter.events()
    bench.lose_link()
    if can_tell:
        assert "disconnected" in [event.kind for event in bench.adapter.events()]


def scan(bench: Bench) -> list[str]:
    """Have the card scan, and tell which events that brought."""
    bench.adapter.events()
    bench.adapter.begin_scan()
    bench.wait(10)
    return [event.kind for event in bench.adapter.events()]


def test_a_scan_is_told_when_it_begins_and_when_it_ends(bench):
    assert scan(bench) == ["scan-started", "scan-finished"]
    assert scan(bench) == ["scan-started", "scan-finished"], "and may be asked for again"


def test_a_second_scan_in_the_midst_of_one_is_refused_and_harms_neither_it_nor_the_reading(bench):
    bench.adapter.begin_scan()
    with pytest.raises(AdapterError, match="scan") as refused:
        bench.adapter.begin_scan()
    assert "\n" not in str(refused.value)
    assert bench.adapter.read().connected
    bench.wait(10)
    assert [event.kind for event in bench.adapter.events()] == ["scan-started", "scan-finished"]


def test_who_is_heard_is_told_once_with_levels_of_a_radio_and_ages(bench):
    scan(bench)
    heard = bench.adapter.heard()
    assert len(heard) >= 2
    assert len({(radio.bssid, radio.frequency_mhz, radio.ssid) for radio in heard}) == len(heard)
    for radio in heard:
        assert isinstance(radio, HeardRadio)
        assert_typed(radio)
        assert re.fullmatch(r"([0-9a-f]{2}:){5}[0-9a-f]{2}", radio.bssid)
        assert band_of(radio.frequency_mhz) is not None
        assert radio.ssid is None or 1 <= len(radio.ssid) <= 32
        assert radio.rssi_dbm is None or -100 <= radio.rssi_dbm <= -1
        assert radio.age_ms is None or 0 <= radio.age_ms <= 30_000
        assert radio.busy_share is None or 0 <= radio.busy_share <= 1
        assert radio.width_mhz in (None, 20, 40, 80, 160, 320)
        if radio.center_mhz is not None and radio.width_mhz is not None:
            assert abs(radio.center_mhz - radio.frequency_mhz) <= radio.width_mhz / 2 - 10


def test_the_radio_that_the_laptop_is_on_is_heard_fresh_and_about_as_strong_as_its_link(bench):
    reading = bench.adapter.read()
    (own,) = [radio for radio in bench.adapter.heard() if radio.associated]
    assert (own.bssid, own.frequency_mhz) == (reading.bssid, reading.frequency_mhz)
    assert own.age_ms is None or own.age_ms < 1000
    if own.rssi_dbm is not None and reading.rssi_dbm is not None:
        assert abs(own.rssi_dbm - reading.rssi_dbm) <= 6


def test_listening_sends_nothing_and_changes_no_reading(bench):
    before = bench.adapter.read()
    for ask in (bench.adapter.heard, bench.adapter.visits, bench.adapter.regulatory):
        ask()
    now = bench.adapter.read()
    assert bench.adapter.events() == []
    assert (now.bssid, now.tx_packets_total) == (before.bssid, before.tx_packets_total)


def test_visits_are_of_one_channel_each_and_no_busier_than_long(bench):
    bench.adapter.read()
    scan(bench)
    visits = bench.adapter.visits()
    assert len({visit.frequency_mhz for visit in visits}) == len(visits)
    for visit in visits:
        assert isinstance(visit, ChannelVisit)
        assert_typed(visit)
        assert visit.noise_dbm is None or -110 <= visit.noise_dbm <= -60
        if visit.active_ms is not None and visit.busy_ms is not None:
            assert 0 <= visit.busy_ms <= visit.active_ms


def test_rules_are_of_a_country_and_in_megahertz_and_dbm(bench):
    domain = bench.adapter.regulatory()
    if domain is None:
        return  # a system that does not tell
    assert isinstance(domain, RegulatoryDomain)
    assert_typed(domain)
    assert re.fullmatch(r"[A-Z0-9]{2}", domain.country)
    assert domain.dfs_region in (None, "FCC", "ETSI", "JP")
    for rule in domain.rules:
        assert_typed(rule)
        assert 100 < rule.start_mhz < rule.end_mhz < 100_000
        assert rule.max_eirp_dbm is None or -10 <= rule.max_eirp_dbm <= 60
        assert rule.max_width_mhz is None or 1 <= rule.max_width_mhz <= 3000


@pytest.mark.parametrize("off_by", get_args(RadioOff))
def test_a_radio_that_is_off_does_not_scan_and_listening_is_no_harm(bench, off_by):
    bench.switch(off_by)
    with pytest.raises(AdapterError):
        bench.adapter.begin_scan()
    assert not [radio for radio in bench.adapter.heard() if radio.associated]
    bench.adapter.visits()


def test_abilities_speak_of_fields_of_a_reading_and_once_of_each(bench):
    entries = bench.adapter.abilities()
    names = [entry.quantity for entry in entries]
    assert len(names) == len(set(names))
    assert set(names) <= {field.name for field in fields(LinkReading)} | {"events"}
    assert {"rssi_dbm", "noise_dbm", "tx_rate", "rx_rate", "frequency_mhz", "bssid", "events"} <= set(names)
    for entry in entries:
        assert isinstance(entry, Ability)
        assert_typed(entry)
        assert entry.now


def test_what_is_said_to_be_unavailable_is_never_read(bench):
    missing = [entry.quantity for entry in bench.adapter.abilities() if entry.available is False]
    reading = bench.adapter.read()
    for name in missing:
        assert name == "events" or getattr(reading, name) in (None, ())


def test_closing_twice_is_no_harm(bench):
    bench.adapter.close()
    bench.adapter.close()


def assert_typed(value: Any) -> None:
    """Every field of a dataclass holds a value of its annotated type: no subclass by accident, no NaN."""
    hints = get_type_hints(type(value))
    for field in fields(value):
        held = getattr(value, field.name)
        assert _fits(held, hints[field.name]), f"{type(value).__name__}.{field.name} = {held!r}"


def _fits(value: Any, hint: Any) -> bool:
    origin, arguments = get_origin(hint), get_args(hint)
    if origin in (Union, types.UnionType):
        return any(_fits(value, argument) for argument in arguments)
    if origin is Literal:
        return value in arguments
    if origin is tuple:
        return type(value) is tuple and all(_fits(item, arguments[0]) for item in value)
    if hint is type(None):
        return value is None
    if hint is float:
        return type(value) in (float, int) and math.isfinite(value)
    if is_dataclass(hint):
        if type(value) is hint:
            assert_typed(value)
        return type(value) is hint
    return type(value) is hint  # bool is no int here


def test_a_wrong_type_would_be_caught():
    with pytest.raises(AssertionError, match="rssi_dbm"):
        assert_typed(LinkReading("wlan0", connected=True, rssi_dbm=-60.0))  # type: ignore[arg-type]
    with pytest.raises(AssertionError, match="mbps"):
        assert_typed(LinkReading("wlan0", connected=True, rx_rate=BitRate(float("nan"))))
