"""How the Linux adapter finds its interface, and what it says where there is none."""

from __future__ import annotations

import errno
import os

import pytest

import adapters.linux.adapter
from adapters.errors import AdapterError, NoWirelessInterface
from adapters.linux.adapter import LinuxAdapter
from adapters.linux.netlink import Family
from adapters.rights import Surroundings
from tests.adapters.netlink_builder import FakeKernel, mac, u32
from tests.adapters.played_laptop import ACCESS_POINT, AP, interface, laptop, open_on

CARDS = [
    u32(5, 10) + mac(6, AP),  # a Wi-Fi Direct device, without a name
    interface("ap0", 4, kind=ACCESS_POINT),
    interface("wlan1", 5, ssid=None),
    interface("wlan0", 3),
]


def test_the_joined_interface_is_preferred_and_others_than_clients_are_passed_over():
    adapter = open_on(laptop(INTERFACE=CARDS))
    assert adapter.interface == "wlan0"
    adapter.close()


def test_without_a_joined_one_the_first_is_taken():
    assert open_on(laptop(INTERFACE=CARDS[:3])).interface == "wlan1"


def test_an_interface_can_be_named():
    assert open_on(laptop(INTERFACE=CARDS), "wlan1").interface == "wlan1"


@pytest.mark.parametrize("name", ["wlan9", "ap0", "nöt\x1b[31m"])
def test_a_wrong_name_is_answered_with_the_names_there_are(name):
    kernel = laptop(INTERFACE=CARDS)
    with pytest.raises(NoWirelessInterface, match=r"there is: wlan0, wlan1$") as caught:
        open_on(kernel, name)
    assert str(caught.value).isprintable()
    assert all(wire.closed for wire in kernel.wires)


def around(container: str | None) -> Surroundings:
    return Surroundings("Linux 6.1", 1000, False, container, True, True)


@pytest.mark.parametrize(
    ("container", "advice"), [(None, "rfkill"), ("docker", "--network=host"), ("WSL", "machine itself")]
)
def test_no_interface_is_answered_with_what_to_do(monkeypatch, container, advice):
    monkeypatch.setattr(adapters.linux.adapter, "surroundings", lambda: around(container))
    with pytest.raises(NoWirelessInterface, match=advice):
        open_on(laptop(INTERFACE=[]))


@pytest.mark.parametrize(("container", "advice"), [(None, "linktrial demo"), ("podman", "outside")])
def test_a_kernel_without_wifi_is_answered_with_what_to_do(monkeypatch, container, advice):
    monkeypatch.setattr(adapters.linux.adapter, "surroundings", lambda: around(container))
    monkeypatch.setattr(adapters.linux.adapter, "Family", lambda name: Family(name, FakeKernel(family=None).open_wire))
    with pytest.raises(NoWirelessInterface, match=f"nl80211 is missing.*{advice}"):
        LinuxAdapter.open()


@pytest.mark.parametrize(
    ("name", "why"),
    [
        ("lo", r"^the interface 'lo' is not a wireless one that joins networks: no Wi-Fi in this kernel"),
        ("wlan9", r"^there is no interface 'wlan9': no Wi-Fi in this kernel"),
    ],
)
def test_a_named_one_that_is_none_is_said_first_where_the_kernel_has_no_wifi(monkeypatch, name, why):
    monkeypatch.setattr(adapters.linux.adapter, "surroundings", lambda: around("docker"))
    monkeypatch.setattr(adapters.linux.adapter, "Family", lambda name: Family(name, FakeKernel(family=None).open_wire))
    with pytest.raises(NoWirelessInterface, match=why) as caught:
        LinuxAdapter.open(name)
    assert "container" not in str(caught.value)


@pytest.mark.parametrize(
    ("name", "cards", "why"),
    [
        ("lo", CARDS, r"^the interface 'lo' is not a wireless one that joins networks; there is: wlan0, wlan1$"),
        ("kiln9", CARDS, r"^there is no interface 'kiln9'; there is: wlan0, wlan1$"),
        ("kiln9", [], r"^there is no interface 'kiln9'; there is: none$"),
    ],
)
def test_a_wrong_name_is_told_apart_from_an_interface_of_another_kind(name, cards, why):
    with pytest.raises(NoWirelessInterface, match=why):
        open_on(laptop(INTERFACE=cards), name)


def test_a_system_without_netlink_is_answered_with_what_to_do(monkeypatch):
    def no_socket(name: str) -> Family:
        raise OSError(errno.EPROTONOSUPPORT, os.strerror(errno.EPROTONOSUPPORT))

    monkeypatch.setattr(adapters.linux.adapter, "Family", no_socket)
    with pytest.raises(AdapterError, match=r"no netlink socket .*outside the container"):
        LinuxAdapter.open()
