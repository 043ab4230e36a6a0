"""What one tick makes of a reading, the clocks and the system's events."""

from __future__ import annotations

from dataclasses import replace
from itertools import pairwise

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.contract import Adapter, AdapterError, BitRate, InterfaceGone, LinkEvent, NoWirelessInterface
from logger.sample import Event, Sample
from logger.sampler import LONGEST_PAUSE_S, SETTLING_S, Sampler, sample_of
from tests.logger.scripted import BENCH, LINKED, LOST, OTHER, START_MS, ScriptedAdapter, clock

INTERVAL_S = 5.0


class World:
    """A sampler with its adapter and clock. ``tick`` lets an interval pass first, but for the first."""

    def __init__(self) -> None:
        self.adapter = ScriptedAdapter()
        self.clock = clock()
        self.sampler = Sampler(self.adapter, self.clock, INTERVAL_S)
        self.ticks = 0

    def tick(self, after_s: float = INTERVAL_S) -> tuple[Sample | None, list[Event]]:
        if self.ticks:
            self.clock.advance(after_s)
        self.ticks += 1
        samples, events = self.sampler.tick()
        assert len(samples) <= 1
        return (samples[0] if samples else None), events

    def sample(self, after_s: float = INTERVAL_S) -> Sample:
        sample, _ = self.tick(after_s)
        assert sample is not None
        return sample

    def kinds(self, after_s: float = INTERVAL_S) -> list[str]:
        return [event.kind for event in self.tick(after_s)[1]]


@pytest.fixture
def world() -> World:
    return World()


def test_the_scripted_adapter_is_an_adapter(world):
    assert isinstance(world.adapter, Adapter)


# Counters


def test_the_first_sample_has_levels_and_no_differences(world):
    sample = world.sample()
    assert sample.time_utc_ms == START_MS
    assert sample.rssi_dbm == -61
    assert sample.link == ("wlan0", b"pottery", BENCH, 5180, 80, "5", True)
    for name in ("tx_packets", "tx_retries", "tx_failed", "beacon_losses", "busy_permille", "rx_bytes", "tx_bytes"):
        assert getattr(sample, name) is None


def test_counters_become_differences(world):
    world.tick()
    world.adapter.count_up(
        tx_packets=50, tx_retries=7, tx_failed=1, beacon_loss=2, interface_rx_bytes=900, interface_tx_bytes=400,
        channel_active_ms=5000, channel_busy_ms=1234,
    )  # fmt: skip
    sample = world.sample()
    assert (sample.tx_packets, sample.tx_retries, sample.tx_failed, sample.beacon_losses) == (50, 7, 1, 2)
    assert (sample.rx_bytes, sample.tx_bytes) == (900, 400)
    assert sample.busy_permille == 247  # 1234 / 5000, by hand


@given(st.integers(0, 2**32), st.integers(0, 2**32), st.integers(0, 2**32))
def test_a_counter_never_gives_a_negative_step_or_a_spike(first, second, third):
    readings = [replace(LINKED, tx_packets_total=n, interface_rx_bytes_total=n) for n in (first, second, third)]
    for before, reading in pairwise(readings):
        sample = sample_of(reading, before, before, START_MS)
        true = reading.tx_packets_total - before.tx_packets_total
        assert sample.tx_packets == sample.rx_bytes == (true if true >= 0 else None)


def test_a_new_association_restarts_the_links_counters_but_not_the_interfaces(world):
    world.tick()
    world.adapter.count_up(tx_packets=5000, interface_rx_bytes=100)
    world.adapter.change(associated_at_boottime_ns=2)
    sample = world.sample()
    assert sample.tx_packets is None
    assert sample.rx_bytes == 100


def test_where_the_association_has_no_identity_its_age_tells(world):
    world.adapter.change(associated_at_boottime_ns=None)
    world.tick()
    world.adapter.count_up(tx_packets=5)
    world.adapter.change(connected_time_s=105)
    assert world.sample().tx_packets == 5
    world.adapter.count_up(tx_packets=5)
    world.adapter.change(connected_time_s=2)
    assert world.sample().tx_packets is None


def test_no_difference_is_taken_over_a_gap(world):
    world.tick()
    world.adapter.count_up(tx_packets=1, interface_rx_bytes=1)
    assert world.sample(after_s=2 * INTERVAL_S).tx_packets == 1  # one tick was missed: no gap yet
    world.adapter.count_up(tx_packets=1, interface_rx_bytes=1)
    sample = world.sample(after_s=10 * INTERVAL_S)
    assert (sample.tx_packets, sample.rx_bytes) == (None, None)


def test_the_channels_share_is_unknown_after_a_channel_switch_and_where_busy_exceeds_active(world):
    world.tick()
    world.adapter.count_up(channel_active_ms=5000, channel_busy_ms=1000)
    world.adapter.change(frequency_mhz=5200)
    assert world.sample().busy_permille is None
    world.adapter.count_up(channel_active_ms=1000, channel_busy_ms=1200)
    assert world.sample().busy_permille is None
    world.adapter.count_up(channel_active_ms=1000, channel_busy_ms=1003)  # rounding
    assert world.sample().busy_permille == 1000
    assert world.sample().busy_permille is None  # the survey has not moved on


def test_the_channels_share_spans_readings_without_a_survey(world):
    world.tick()
    active_ms, busy_ms = world.adapter.reading.channel_active_ms_total, world.adapter.reading.channel_busy_ms_total
    world.adapter.change(channel_active_ms_total=None, channel_busy_ms_total=None)
    assert world.sample().busy_permille is None
    world.adapter.change(channel_active_ms_total=active_ms + 10_000, channel_busy_ms_total=busy_ms + 2_500)
    assert world.sample().busy_permille == 250


# Rates


def test_a_rate_counts_only_if_a_frame_went_its_way_since_the_sample_before(world):
    assert world.sample().tx_rate is None  # nobody knows how old it is
    world.adapter.count_up(tx_packets=1)
    sample = world.sample()
    assert sample.tx_rate == LINKED.tx_rate
    assert sample.rx_rate is None
    world.adapter.count_up(interface_rx_bytes=60)
    sample = world.sample()
    assert sample.tx_rate is None
    assert sample.rx_rate == LINKED.rx_rate


def test_beacons_do_not_make_a_receive_rate_fresh(world):
    world.tick()
    world.adapter.count_up(rx_packets=50)  # an idle link: 50 beacons in 5 s
    assert world.sample().rx_rate is None


def test_without_the_interfaces_counter_the_links_packets_tell_whether_a_receive_rate_is_fresh(world):
    world.adapter.change(interface_rx_bytes_total=None)
    world.tick()
    assert world.sample().rx_rate is None
    world.adapter.count_up(rx_packets=1)
    assert world.sample().rx_rate == LINKED.rx_rate


def test_a_rate_is_kept_where_the_system_counts_no_packets(world):
    world.adapter.change(tx_packets_total=None, rx_packets_total=None, interface_rx_bytes_total=None)
    sample = world.sample()
    assert (sample.tx_rate, sample.rx_rate) == (LINKED.tx_rate, LINKED.rx_rate)


def test_a_rate_without_a_number_is_no_rate(world):
    world.adapter.change(tx_packets_total=None, tx_rate=BitRate(None, "HE", 5))
    assert world.sample().tx_rate is None


# Sleep and set clocks


def test_sleep_becomes_two_events_and_no_differences(world):
    world.tick()
    world.clock.suspend(3600)
    world.adapter.count_up(tx_packets=9, interface_rx_bytes=9)
    sample, events = world.tick()
    assert events == [
        Event(START_MS, "suspended", {"asleep_s": 3600.0}),
        Event(START_MS + 3_605_000, "resumed", {"asleep_s": 3600.0}),
    ]
    assert (sample.tx_packets, sample.rx_bytes, sample.tx_rate) == (None, None, None)


def test_a_nap_of_two_seconds_is_not_told_from_clocks_read_one_after_the_other(world):
    world.tick()
    world.clock.suspend(2.0)
    assert world.kinds() == []


@pytest.mark.parametrize("step_s", [3600.0, -3600.0, -86_400.0 * 365])
def test_a_set_wall_clock_is_an_event_and_the_samples_go_on(world, step_s):
    world.tick()
    from_ms = world.clock.utc_ms() + 1000 * INTERVAL_S
    world.clock.set_wall(world.clock.utc_ms() + round(step_s * 1000))
    world.adapter.count_up(tx_packets=3)
    sample, events = world.tick()
    detail = {"step_s": step_s, "from_utc_ms": from_ms, "to_utc_ms": sample.time_utc_ms}
    assert events == [Event(sample.time_utc_ms, "clock-set", detail)]
    assert sample.tx_packets == 3


def test_a_clock_set_while_asleep_is_both_and_told_between_the_two_ends_of_the_sleep(world):
    world.tick()
    world.clock.suspend(100)
    world.clock.set_wall(world.clock.utc_ms() + 10_000)
    assert world.kinds() == ["suspended", "clock-set", "resumed"]


def test_a_link_that_is_not_back_just_after_waking_is_a_gap_and_later_an_outage(world):
    world.tick()
    world.clock.suspend(3600)
    world.adapter.reading = LOST
    spent_s = 0.0
    while spent_s + INTERVAL_S <= SETTLING_S:
        sample, _ = world.tick()
        assert sample is None
        spent_s += INTERVAL_S
    assert world.sample().link is None


def test_once_the_link_is_back_after_waking_losing_it_is_an_outage(world):
    world.tick()
    world.clock.suspend(3600)
    world.tick(after_s=1)
    world.adapter.reading = LOST
    assert world.sample(after_s=1).link is None


# The link's story


def test_no_link_is_a_sample_without_a_link(world):
    world.adapter.reading = LOST
    sample = world.sample()
    assert sample == Sample(START_MS, None)
    world.adapter.count_up(interface_rx_bytes=10)
    assert world.sample().rx_bytes == 10


def test_the_systems_events_are_logged_once_with_what_they_say(world):
    world.tick()
    world.adapter.reading = LOST
    world.adapter.tell(LinkEvent("disconnected", BENCH, reason_code=3, by_access_point=True))
    _, events = world.tick()
    stamp = world.clock.utc_ms()
    assert events == [Event(stamp, "disconnected", {"bssid": BENCH, "reason_code": 3, "by_access_point": True})]
    world.adapter.reading = LINKED
    world.adapter.tell(LinkEvent("connected", BENCH, frequency_mhz=5180))
    _, events = world.tick()
    assert [(event.kind, event.detail) for event in events] == [
        ("connected", {"bssid": BENCH, "ssid_text": "pottery", "frequency_mhz": 5180})
    ]
    assert world.kinds() == []


def test_what_the_system_does_not_tell_is_inferred_from_the_readings(world):
    assert world.kinds() == []  # the first reading changes nothing
    world.adapter.reading = LOST
    _, events = world.tick()
    assert [(event.kind, event.detail) for event in events] == [("disconnected", {"bssid": BENCH, "inferred": True})]
    world.adapter.reading = LINKED
    assert world.kinds() == ["connected"]
    world.adapter.change(bssid=OTHER, frequency_mhz=2437)
    _, events = world.tick()
    assert events[0].kind == "roamed"
    assert events[0].detail == {
        "bssid": OTHER, "from_bssid": BENCH, "ssid_text": "pottery", "frequency_mhz": 2437, "width_mhz": 80,
        "inferred": True,
    }  # fmt: skip
    world.adapter.change(frequency_mhz=2462)
    _, events = world.tick()
    assert [(event.kind, event.detail["from_frequency_mhz"]) for event in events] == [("channel-switched", 2437)]
    assert world.kinds() == []


def test_a_roam_in_whose_middle_a_tick_fell_still_says_where_from(world):
    world.tick()
    world.adapter.reading = LOST
    world.adapter.tell(LinkEvent("disconnected", reason_code=1, by_access_point=False))
    assert world.kinds() == ["disconnected"]
    world.adapter.reading = replace(LINKED, bssid=OTHER)
    world.adapter.tell(LinkEvent("roamed", OTHER))
    _, events = world.tick()
    assert [(event.kind, event.detail["from_bssid"], event.detail["bssid"]) for event in events] == [
        ("roamed", BENCH, OTHER)
    ]


@pytest.mark.parametrize(
    ("told", "reading"),
    [
        (LinkEvent("disconnected", BENCH, reason_code=4), LOST),
        (LinkEvent("roamed", OTHER), replace(LINKED, bssid=OTHER, frequency_mhz=2437)),
        (LinkEvent("channel-switched", frequency_mhz=5200), replace(LINKED, frequency_mhz=5200)),
    ],
)
def test_a_change_that_the_reading_shows_before_the_system_tells_it_is_logged_once(world, told, reading):
    world.tick()
    world.adapter.reading = reading
    assert world.kinds() == [told.kind]
    world.adapter.tell(told)
    assert world.kinds() == []


def test_only_the_first_word_of_the_system_repeats_what_a_reading_showed(world):
    world.tick()
    world.adapter.reading = LOST
    assert world.kinds() == ["disconnected"]
    world.adapter.tell(*(LinkEvent(kind, BENCH) for kind in ("disconnected", "connected", "disconnected")))
    assert world.kinds() == ["connected", "disconnected"]


def test_a_drop_between_two_samples_is_logged_though_both_have_a_link(world):
    world.tick()
    world.adapter.change(associated_at_boottime_ns=7)
    world.adapter.tell(LinkEvent("disconnected", BENCH), LinkEvent("connected", BENCH))
    assert world.kinds() == ["disconnected", "connected"]


def test_the_link_is_read_again_when_it_changes_under_the_reading(world):
    world.tick()

    def lose_it() -> None:
        world.adapter.on_read = lambda: setattr(world.adapter, "reading", LOST)
        world.adapter.tell(LinkEvent("disconnected", BENCH))

    world.adapter.on_read = lose_it
    sample, events = world.tick()
    assert [event.kind for event in events] == ["disconnected"]
    assert sample.link is None


def test_scans_are_not_logged(world):
    world.tick()
    world.adapter.tell(LinkEvent("scan-started"), LinkEvent("scan-finished"))
    assert world.kinds() == []


def test_a_hostile_network_name_is_escaped_in_the_event(world):
    world.adapter.tell(LinkEvent("connected", BENCH, ssid=b"\x1b[2J\xff\n"))
    _, events = world.tick()
    assert events[0].detail["ssid_text"] == r"\x1b[2J\xff\x0a"


@given(
    st.lists(
        st.tuples(
            st.sampled_from([LINKED, LOST, replace(LINKED, bssid=OTHER), replace(LINKED, frequency_mhz=5200)]),
            st.booleans(),
        ),
        max_size=20,
    )
)
def test_told_or_not_a_link_lost_and_a_link_found_take_turns(story):
    world = World()
    world.tick()
    connected, kinds = True, []
    for reading, told in story:
        if told and reading.connected != connected:
            world.adapter.tell(LinkEvent("connected" if reading.connected else "disconnected", reading.bssid))
        connected = reading.connected
        world.adapter.reading = reading
        kinds += [kind for kind in world.kinds() if kind in ("connected", "disconnected")]
    assert all(one != other for one, other in pairwise(kinds))
    assert not kinds or kinds[0] == "disconnected"
    assert (len(kinds) % 2 == 0) == connected


# Failures


@pytest.mark.parametrize(
    ("error", "begins", "ends"),
    [
        (AdapterError("the kernel is\nbusy"), "adapter-failed", "adapter-recovered"),
        (InterfaceGone("wlan0 is gone"), "interface-gone", "interface-back"),
        (NoWirelessInterface("no wlan0"), "interface-gone", "interface-back"),
        (ZeroDivisionError("division by zero"), "adapter-failed", "adapter-recovered"),
    ],
)
def test_a_spell_of_failures_is_one_event_a_gap_and_one_event(world, error, begins, ends):
    world.tick()
    world.adapter.reading = error
    seen = [world.tick(after_s=1) for _ in range(20)]
    assert all(sample is None for sample, _ in seen)
    events = [event for _, events in seen for event in events]
    assert [event.kind for event in events] == [begins]
    assert "\n" not in events[0].detail["message"]
    world.adapter.reading = LINKED
    sample, events = world.tick(after_s=LONGEST_PAUSE_S)
    assert [event.kind for event in events] == [ends]
    assert (sample.rssi_dbm, sample.tx_packets) == (-61, None)


def test_a_failing_adapter_is_asked_again_after_a_growing_pause(world):
    world.adapter.reading = AdapterError("no")
    asked_at_s = []
    world.adapter.on_read = lambda: asked_at_s.append(world.clock.elapsed_s())
    for _ in range(250):
        world.tick(after_s=1)
    pauses = [later - earlier for earlier, later in pairwise(asked_at_s)]
    assert pauses == [1, 2, 4, 8, 16, 32, 60, 60, 60]


def test_waking_up_ends_the_pause(world):
    world.adapter.reading = AdapterError("no")
    for _ in range(40):
        world.tick(after_s=1)
    world.adapter.reading = LINKED
    world.clock.suspend(10)
    assert world.kinds(after_s=0.1) == ["suspended", "resumed", "adapter-recovered"]


def test_another_kind_of_failure_within_a_spell_is_told_too(world):
    world.adapter.reading = AdapterError("no")
    world.tick()
    world.adapter.reading = InterfaceGone("gone")
    assert world.kinds() == ["interface-gone"]
    world.adapter.reading = LINKED
    assert world.kinds(after_s=60) == ["adapter-recovered", "interface-back"]


def test_what_the_system_told_is_logged_even_if_the_reading_then_fails(world):
    world.tick()
    world.adapter.tell(LinkEvent("disconnected", BENCH))
    world.adapter.reading = InterfaceGone("gone")
    assert world.kinds() == ["disconnected", "interface-gone"]


def test_a_link_that_is_not_back_just_after_the_interface_is_a_gap(world):
    world.tick()
    world.adapter.reading = InterfaceGone("gone")
    world.tick()
    world.adapter.reading = LOST
    assert world.tick()[0] is None
    assert world.sample(after_s=SETTLING_S).link is None


def test_an_interrupt_passes_through(world):
    def interrupted() -> None:
        raise KeyboardInterrupt

    world.adapter.on_read = interrupted
    with pytest.raises(KeyboardInterrupt):
        world.tick()
