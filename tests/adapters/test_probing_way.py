"""The way over one interface: its routes and gateway from the kernel's tables, and what does not go that way."""

from __future__ import annotations

import socket
import sys
from ipaddress import ip_address, ip_network

import pytest
from hypothesis import given
from hypothesis import strategies as st

from adapters.probing import way as way_module
from adapters.probing.errors import ProbeFailed, WayAstray
from adapters.probing.way import Route, Way, gateway_of, read_routes

IPV4 = """Iface\tDestination\tGateway \tFlags\tRefCnt\tUse\tMetric\tMask\t\tMTU\tWindow\tIRTT
eth0\t00000000\t010200C0\t0003\t0\t0\t100\t00000000\t0\t0\t0
wlan0\t00000000\t0101A8C0\t0003\t0\t0\t600\t00000000\t0\t0\t0
wlan0\t0001A8C0\t00000000\t0001\t0\t0\t600\t00FFFFFF\t0\t0\t0
wlan0\t0000070A\t00000000\t0201\t0\t0\t600\t0000FFFF\t0\t0\t0
"""
IPV6 = (
    "fd000000000000000000000000000000 40 00000000000000000000000000000000 00 00000000000000000000000000000000"
    " 00000100 00000001 00000000 00000001    wlan0\n"
    "00000000000000000000000000000000 00 00000000000000000000000000000000 00 fe80000000000000000000000000abcd"
    " 00000400 00000003 00000000 00000003    wlan0\n"
)
little_endian = pytest.mark.skipif(sys.byteorder != "little", reason="the table above is of a little-endian machine")


@pytest.fixture
def routes(tmp_path):
    def made(ipv4=IPV4, ipv6=IPV6):
        (tmp_path / "proc/net").mkdir(parents=True, exist_ok=True)
        (tmp_path / "proc/net/route").write_text(ipv4)
        (tmp_path / "proc/net/ipv6_route").write_text(ipv6)
        return read_routes(tmp_path)

    return made


@little_endian
def test_the_kernels_tables_are_read(routes):
    assert routes()[1:3] == [
        Route("wlan0", ip_network("0.0.0.0/0"), ip_address("192.168.1.1"), 600),
        Route("wlan0", ip_network("192.168.1.0/24"), None, 600),
    ]
    assert len(routes()) == 5  # a route that rejects is none
    assert routes()[-1] == Route("wlan0", ip_network("::/0"), ip_address("fe80::abcd"), 0x400)


@little_endian
def test_the_gateway_is_that_of_the_interface_whatever_is_cheaper(routes):
    assert gateway_of("wlan0", routes()) == ip_address("192.168.1.1")
    assert gateway_of("eth0", routes()) == ip_address("192.0.2.1")
    assert gateway_of("wlan0", routes(ipv4="")) == ip_address("fe80::abcd")
    assert gateway_of("wlan1", routes()) is None


def test_a_system_without_those_tables_has_no_routes_to_tell(tmp_path):
    assert read_routes(tmp_path) == []


@given(st.text(alphabet="wlan0123456789ABCDEF \t\n", max_size=300))
def test_no_table_breaks_the_reader(text):
    way_module._ipv4_routes("head\n" + text)
    way_module._ipv6_routes(text)


OWN = {"wlan0": ["192.168.1.7", "fe80::7"], "eth0": ["192.0.2.2"], "lo": ["127.0.0.1"]}


@pytest.fixture
def laptop(monkeypatch, routes):
    """It has 192.168.1.7 on wlan0 and 192.0.2.2 on eth0."""
    monkeypatch.setattr(way_module, "_addresses", lambda interface: OWN.get(interface, []))
    monkeypatch.setattr(way_module, "_own_addresses", lambda: {one for found in OWN.values() for one in found})
    monkeypatch.setattr(socket, "if_nametoindex", lambda name: 1)
    # Whether the kernel of this machine has such an interface is not the question here.
    monkeypatch.setattr(Way, "_held", lambda self, made, family: True)
    return lambda interface="wlan0": Way(interface, routes())


@little_endian
def test_what_lies_behind_the_interface_is_reached(laptop, monkeypatch):
    monkeypatch.setattr(socket.socket, "connect", lambda self, address: None)
    assert laptop().resolve("192.168.1.5", 47317) == [(socket.AF_INET, ("192.168.1.5", 47317))]
    assert laptop().resolve("198.51.100.9", 80)  # by its default route


@little_endian
def test_what_lies_elsewhere_is_refused_in_one_line(laptop, routes):
    without_default = IPV4.replace("wlan0\t00000000", "eth0\t00000000")
    with pytest.raises(WayAstray, match="does not go over wlan0") as refused:
        Way("wlan0", routes(without_default, "")).resolve("192.0.2.9", 47317)
    assert "\n" not in str(refused.value)


@little_endian
@pytest.mark.parametrize("host", ["192.168.1.7", "192.0.2.2", "127.0.0.1"])
def test_the_laptop_itself_is_refused(laptop, host):
    with pytest.raises(WayAstray, match="this laptop itself"):
        laptop().resolve(host, 47317)


def test_an_interface_that_is_none_or_has_no_address_is_refused(monkeypatch):
    with pytest.raises(WayAstray, match="is no interface of this machine"):
        Way("no-such-interface")
    monkeypatch.setattr(socket, "if_nameindex", lambda: [(9, "no-such-interface")])
    with pytest.raises(WayAstray, match="is the laptop connected"):
        Way("no-such-interface")


@pytest.mark.parametrize("host", ["no-such-host.invalid", "a" * 300, ".."])
def test_a_name_that_is_not_known_is_said(host):
    with pytest.raises(ProbeFailed, match="cannot be found"):
        Way("lo").resolve(host, 80)


def test_a_name_is_asked_for_once_and_what_answered_comes_first(monkeypatch):
    asked = []

    def played(host, port, **more):
        asked.append(host)
        return [(socket.AF_INET, 0, 0, "", (f"127.0.0.{n}", port)) for n in (1, 2)]

    monkeypatch.setattr(socket, "getaddrinfo", played)
    way = Way("lo")
    way.resolve("office.local", 80)
    way.answered("office.local", 80, ("127.0.0.2", 80))
    assert [address[0] for _, address in way.resolve("office.local", 80)] == ["127.0.0.2", "127.0.0.1"]
    assert asked == ["office.local"]


@pytest.mark.skipif(sys.platform != "linux", reason="SO_BINDTODEVICE is Linux's")
def test_sockets_are_held_to_the_interface():
    with Way("lo").open(socket.AF_INET, socket.SOCK_STREAM) as made:
        assert made.getsockopt(socket.SOL_SOCKET, socket.SO_BINDTODEVICE, 16).rstrip(b"\0") == b"lo"


def test_where_that_is_not_allowed_the_source_address_has_to_do(monkeypatch):
    monkeypatch.setattr(Way, "_held", lambda self, made, family: False)
    way = Way("lo")
    with way.open(socket.AF_INET, socket.SOCK_STREAM) as made:
        assert made.getsockname()[0] == "127.0.0.1"
    assert way.resolve("127.0.0.1", 80)
