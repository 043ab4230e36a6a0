"""What the machine says of itself, on played /proc and /run."""

from __future__ import annotations

import errno
import os
import socket
import sys

import pytest

from adapters.linux.netlink import Family
from adapters.rights import driver_of, right_to_echo, right_to_scan, surroundings
from tests.adapters.netlink_builder import FakeKernel


def look(root, kernel=None):
    return surroundings(root, lambda name: Family(name, (kernel or FakeKernel()).open_wire))


def write(root, path, text):
    file = root / path
    file.parent.mkdir(parents=True, exist_ok=True)
    file.write_text(text)


@pytest.mark.parametrize(
    ("effective", "admin"),
    [("000001ffffffffff", True), ("0000000000001000", True), ("0000000000000fff", False), ("0" * 16, False)],
)
def test_the_right_to_administer_networks_is_the_twelfth_bit(tmp_path, effective, admin):
    write(tmp_path, "proc/self/status", f"Name:\tpython\nCapPrm:\t0\nCapEff:\t{effective}\n")
    assert look(tmp_path).network_admin is admin


def test_without_proc_the_right_is_unknown(tmp_path):
    about = look(tmp_path)
    assert about.network_admin is None
    assert about.container is about.container_advice is None
    assert about.user_id == os.getuid()


@pytest.mark.parametrize(
    ("path", "text", "container", "advice"),
    [
        ("run/systemd/container", "systemd-nspawn\n", "systemd-nspawn", "host's network"),
        (".dockerenv", "", "docker", "--network=host"),
        ("run/.containerenv", "", "podman", "--network=host"),
        ("proc/1/environ", "PATH=/bin\0container=lxc\0", "lxc", "outside it"),
        ("proc/1/cgroup", "0::/kubepods/burst\n", "kubernetes", "outside it"),
        ("proc/1/cgroup", "12:cpu:/docker/0123\n", "docker", "outside it"),
        ("proc/1/cgroup", "0::/init.scope\n", None, None),
        ("proc/sys/kernel/osrelease", "5.15.90.1-microsoft-standard-WSL2\n", "WSL", "machine itself"),
    ],
)
def test_containers_are_told_by_their_traces(tmp_path, path, text, container, advice):
    write(tmp_path, path, text)
    about = look(tmp_path)
    assert about.container == container
    if advice is None:
        assert about.container_advice is None
    else:
        assert advice in (about.container_advice or "")


@pytest.mark.skipif(sys.platform != "linux", reason="netlink is Linux's")
def test_it_is_told_whether_netlink_and_wifi_are_there(tmp_path):
    def no_socket(name: str) -> Family:
        raise OSError(errno.EPROTONOSUPPORT, "Protocol not supported")

    wifi, wired, boxed = look(tmp_path), look(tmp_path, FakeKernel(family=None)), surroundings(tmp_path, no_socket)
    assert (wifi.netlink, wifi.nl80211) == (True, True)
    assert (wired.netlink, wired.nl80211) == (True, False)
    assert (boxed.netlink, boxed.nl80211) == (False, False)


def test_the_driver_is_the_one_that_the_device_links_to(tmp_path):
    (tmp_path / "sys/bus/pci/drivers/iwlwifi").mkdir(parents=True)
    device = tmp_path / "sys/class/net/wlan0/device"
    device.mkdir(parents=True)
    (device / "driver").symlink_to(tmp_path / "sys/bus/pci/drivers/iwlwifi")
    assert driver_of("wlan0", tmp_path) == "iwlwifi"
    assert driver_of("wlan1", tmp_path) is None


@pytest.mark.parametrize(
    ("network_admin", "manager", "available", "words"),
    [
        (True, None, True, "kernel"),
        (False, True, True, "NetworkManager takes"),
        (None, True, True, "NetworkManager takes"),
        (False, False, False, "may not"),
        (False, None, False, "may not"),
        (None, None, None, "may not"),
    ],
)
def test_who_would_take_a_wish_for_a_scan_is_told(network_admin, manager, available, words):
    told = right_to_scan(network_admin, lambda: manager)
    assert (told.quantity, told.available) == ("scans", available)
    assert words in told.now
    assert (told.remedy is None) == (available is True)


def test_who_may_have_the_kernel_scan_asks_no_network_manager():
    assert right_to_scan(True, lambda: pytest.fail("it was asked")).available is True


def test_whether_echo_requests_need_no_right_is_tried_and_the_socket_given_back():
    opened = []

    def open_socket(*kind):
        opened.append(socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM))
        assert kind == (socket.AF_INET, socket.SOCK_DGRAM, 1)
        return opened[-1]

    assert right_to_echo(open_socket).available is True
    assert opened[0].fileno() == -1


@pytest.mark.parametrize("code", [errno.EACCES, errno.EPERM, errno.EPROTONOSUPPORT])
def test_without_such_a_socket_it_is_told_what_is_asked_instead(code):
    def refuse(*_):
        raise OSError(code, os.strerror(code))

    told = right_to_echo(refuse)
    assert (told.available, "TCP" in told.now, "ping_group_range" in (told.remedy or "")) == (False, True, True)
