"""Whether this is the moment for a probe: is the link used, does its traffic cost money; and who announces a far end."""

from __future__ import annotations

import socket
import threading
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st
from needs import require_programs

from adapters.far_end import SERVICE_TYPE
from adapters.probing.finding import FoundFarEnd, find_far_ends
from adapters.probing.link_use import Counters, judged, look_at_use, read_counters
from adapters.probing.metered import is_metered
from tests.adapters.played_network_manager import played_network_manager
from tests.adapters.private_bus import private_bus


def look(*readings, took_s=2.0, link_rate_mbps=None):
    told, clock_s = iter(readings), iter((10.0, 10.0 + took_s))
    return look_at_use(
        "wlan0", 1.5, link_rate_mbps, lambda interface: next(told), lambda: next(clock_s), lambda seconds: None
    )


def test_rates_are_by_the_time_that_really_passed():
    use = look(Counters(1000, 500, 10, 20), Counters(41_000, 10_500, 50, 30), took_s=2.0)
    assert (use.bytes_per_s, use.packets_per_s) == (25_000, 5)
    assert use.words == "0.2 Mbit/s and 5 packets a second each way"


@pytest.mark.parametrize(
    ("what", "bytes_per_s", "packets_per_s", "in_use"),
    [
        ("an idle laptop's chatter", 2_000, 3, False),
        ("a file that is synchronised", 600_000, 200, True),
        ("a call with a picture", 150_000, 120, True),
        ("a call without one: 24 kbit/s and headers, 50 packets a second each way", 2 * 50 * 100, 50, True),
        ("a page, once in a while", 30_000, 15, True),
    ],
)
def test_what_counts_as_use(what, bytes_per_s, packets_per_s, in_use):
    assert judged(bytes_per_s, packets_per_s, 433.0).in_use is in_use, what


def test_on_a_slow_link_less_is_use_but_never_chatter():
    assert not judged(10_000, 5, 866.0).in_use
    assert judged(10_000, 5, 6.0).in_use  # 1 % of 6 Mbit/s are 7,500 bytes a second
    assert not judged(3_900, 5, 1.0).in_use


@pytest.mark.parametrize(
    "readings", [(None, None), (Counters(0, 0, 0, 0), None), (Counters(9, 9, 9, 9), Counters(0, 0, 0, 0))]
)
def test_an_interface_that_went_tells_nothing(readings):
    assert look(*readings) is None


@given(st.floats(0, 1e10), st.floats(0, 1e6), st.one_of(st.none(), st.floats(0.1, 1e5)))
def test_more_traffic_is_never_less_use(bytes_per_s, packets_per_s, rate):
    if judged(bytes_per_s, packets_per_s, rate).in_use:
        assert judged(bytes_per_s * 2, packets_per_s, rate).in_use


def test_the_counters_of_this_machine():
    before = read_counters("lo")
    with socket.create_server(("127.0.0.1", 0)) as listener, socket.create_connection(listener.getsockname()) as ours:
        theirs, _ = listener.accept()
        with theirs:
            ours.sendall(bytes(30_000))
            assert len(theirs.recv(30_000, socket.MSG_WAITALL)) == 30_000
    after = read_counters("lo")
    assert after.rx_bytes - before.rx_bytes >= 30_000
    assert read_counters("no-such-interface") is None


@pytest.mark.parametrize(
    ("says", "meaning"), [(0, None), (1, True), (2, False), (3, True), (4, False), (99, None), (None, None)]
)
def test_what_network_manager_says_of_the_link(tmp_path, monkeypatch, says, meaning):
    require_programs("dbus-daemon")
    with private_bus(tmp_path) as address:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", address)
        with played_network_manager(address, "wlan0", says):
            assert is_metered("wlan0") is meaning
            assert is_metered("eth7") is None


def test_without_network_manager_or_a_bus_nobody_says(tmp_path, monkeypatch):
    require_programs("dbus-daemon")
    with private_bus(tmp_path) as address:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", address)
        assert is_metered("wlan0") is None
    assert is_metered("wlan0") is None
    monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", "nonsense")
    assert is_metered("wlan0") is None


def announced(name, addresses, port):
    from zeroconf import ServiceInfo, Zeroconf

    announcing = Zeroconf(interfaces=["127.0.0.1"])
    service = ServiceInfo(
        SERVICE_TYPE, f"{name}.{SERVICE_TYPE}", port=port, parsed_addresses=addresses, server=f"kiln-{port}.local."
    )
    announcing.register_service(service)
    return announcing


def test_a_far_end_that_announces_itself_is_found():
    """On loopback; one that can only be reached at itself is none."""
    speakers = [announced("office pc", ["192.168.1.5", "fd00::5"], 47317), announced("here", ["127.0.0.1"], 47318)]
    try:
        found = find_far_ends(seconds=2, addresses=("127.0.0.1",))
    finally:
        for one in speakers:
            one.close()
    assert found == [FoundFarEnd("office pc", ("192.168.1.5", "fd00::5"), 47317)]
    assert found[0].address == "192.168.1.5:47317"


def test_looking_for_far_ends_can_be_stopped_and_leaves_nothing_running():
    before = threading.active_count()
    begun_s = time.monotonic()
    assert find_far_ends(seconds=20, addresses=("127.0.0.1",), should_stop=lambda: True) == []
    assert time.monotonic() - begun_s < 10
    assert threading.active_count() <= before


def test_an_address_of_ipv6_is_written_with_its_port():
    assert FoundFarEnd("x", ("fd00::5",), 47317).address == "[fd00::5]:47317"
