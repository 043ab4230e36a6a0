"""The far end is found by mDNS, over the loopback interface here, and a machine without a network is no trouble."""

from __future__ import annotations

import asyncio
import socket
from contextlib import asynccontextmanager, suppress

import psutil
import pytest
from hypothesis import given
from hypothesis import strategies as st
from zeroconf import IPVersion, ServiceStateChange
from zeroconf.asyncio import AsyncServiceBrowser, AsyncServiceInfo, AsyncZeroconf

from adapters.far_end import SERVICE_TYPE, announcing
from adapters.far_end.announcing import Announcer, addresses_to_announce, instance_name
from adapters.far_end.peers import Peers

HERE = ["127.0.0.1"]


class Told:
    def __init__(self):
        self.addresses, self.trouble, self.times = None, None, 0

    def __call__(self, addresses, trouble):
        self.addresses, self.trouble, self.times = list(addresses), trouble, self.times + 1


@asynccontextmanager
async def announced(name, port, addresses=lambda: HERE, **options):
    told = Told()
    running = asyncio.create_task(Announcer(name, port, addresses, told, **options).run())
    try:
        yield told
    finally:
        running.cancel()
        with suppress(asyncio.CancelledError):
            await running


class Looking:
    """Another program that browses."""

    def __init__(self, responder):
        self.there = set()
        self.responder = responder

    def __call__(self, *, zeroconf, service_type, name, state_change):
        if state_change is ServiceStateChange.Added:
            self.there.add(name)
        elif state_change is ServiceStateChange.Removed:
            self.there.discard(name)

    async def service(self, name):
        service = AsyncServiceInfo(SERVICE_TYPE, name)
        assert await service.async_request(self.responder, 5000)
        return service


@asynccontextmanager
async def looking():
    async with AsyncZeroconf(interfaces=HERE, ip_version=IPVersion.V4Only) as browsing:
        browser_sees = Looking(browsing.zeroconf)
        browser = AsyncServiceBrowser(browsing.zeroconf, SERVICE_TYPE, handlers=[browser_sees])
        try:
            yield browser_sees
        finally:
            await browser.async_cancel()


async def until(holds, within_s=15):
    async with asyncio.timeout(within_s):
        while not holds():
            await asyncio.sleep(0.05)


def test_it_is_found_with_its_port_and_version_and_no_secret_and_takes_its_leave():
    async def play():
        async with looking() as seen:
            async with announced("wheel", 40001) as told:
                await until(lambda: f"wheel.{SERVICE_TYPE}" in seen.there)
                service = await seen.service(f"wheel.{SERVICE_TYPE}")
                assert service.port == 40001
                assert service.parsed_addresses() == HERE
                assert service.properties == {b"protocol": b"1"}
                assert socket.gethostname().encode() not in service.dns_text().text
                await until(lambda: told.addresses == HERE)
            await until(lambda: f"wheel.{SERVICE_TYPE}" not in seen.there)

    asyncio.run(play())


def test_two_of_one_name_are_both_found():
    async def play():
        async with looking() as seen, announced("shelf", 40002) as first:
            await until(lambda: first.addresses == HERE)
            async with announced("shelf", 40003, lambda: ["127.0.0.2"]):
                await until(lambda: len({name for name in seen.there if name.startswith("shelf")}) == 2)
                found = [await seen.service(name) for name in seen.there if name.startswith("shelf")]
                assert {service.port for service in found} == {40002, 40003}

    asyncio.run(play())


def test_without_a_network_it_waits_for_one_and_without_it_again_it_falls_silent():
    async def play():
        addresses: list[str] = []
        async with looking() as seen, announced("kiln", 40004, lambda: addresses, look_every_s=0.1):
            await asyncio.sleep(0.5)
            assert not seen.there
            addresses.append("127.0.0.1")
            await until(lambda: seen.there)
            addresses.clear()
            await until(lambda: not seen.there)

    asyncio.run(play())


def test_a_network_that_cannot_be_used_is_said_once_and_tried_again():
    async def play():
        addresses = ["192.0.2.77"]  # RFC 5737: nobody's
        async with announced("shed", 40005, lambda: addresses, look_every_s=0.05) as told:
            await until(lambda: told.trouble)
            await asyncio.sleep(0.4)
            assert told.times == 1
            addresses[:] = HERE
            await until(lambda: told.addresses == HERE)
            assert told.trouble is None

    asyncio.run(play())


def test_whatever_goes_wrong_with_it_is_said_and_tried_again(monkeypatch):
    """Else nobody would hear of it before the far end is ended."""
    asked = []

    def addresses():
        asked.append(1)
        return HERE

    def broken(**options):
        raise RuntimeError("no loop for this one")

    async def play():
        with monkeypatch.context() as patched:
            patched.setattr(announcing, "AsyncZeroconf", broken)
            async with announced("stool", 40007, addresses, look_every_s=0.05) as told:
                await until(lambda: told.trouble == "no loop for this one" and len(asked) > 2)
                patched.undo()
                await until(lambda: told.addresses == HERE)

    asyncio.run(play())


def test_addresses_that_change_are_announced_anew():
    async def play():
        addresses = ["127.0.0.1"]
        async with announced("lathe", 40006, lambda: addresses, look_every_s=0.1) as told:
            await until(lambda: told.addresses == ["127.0.0.1"])
            addresses.append("::1")
            await until(lambda: told.addresses == ["127.0.0.1", "::1"])

    asyncio.run(play())


def test_only_addresses_at_which_a_peer_may_come_are_announced(monkeypatch):
    def net_if_addrs():
        told = ["127.0.0.1", "192.168.7.9", "8.8.4.4", "100.64.1.1"], ["::1", "fe80::1%eth0", "fd00::9", "2001:db8::9"]
        families = zip((socket.AF_INET, socket.AF_INET6), told, strict=True)
        rows = [(family, address) for family, addresses in families for address in addresses]
        other = (psutil.AF_LINK, "02:00:00:00:00:01")
        return {"eth0": [type("Address", (), {"family": f, "address": a}) for f, a in [*rows, other]]}

    monkeypatch.setattr(psutil, "net_if_addrs", net_if_addrs)
    assert addresses_to_announce(Peers()) == ["192.168.7.9", "fd00::9"]
    assert addresses_to_announce(Peers(), ["0.0.0.0"]) == ["192.168.7.9", "fd00::9"]
    assert addresses_to_announce(Peers(), ["fd00::9", "127.0.0.1"]) == ["fd00::9"]
    assert addresses_to_announce(Peers(), ["FD00:0::9"]) == ["fd00::9"], "however it is written"


@pytest.mark.parametrize(
    ("name", "called"),
    [
        ("wheel", "wheel"),
        ("wheel.pottery.example", "wheel-pottery-example"),
        ("", "far end"),
        ("..", "far end"),
        ("\0", "far end"),
    ],
)
def test_what_it_is_called(name, called):
    assert instance_name(name) == called


@given(st.text())
def test_any_name_becomes_one_that_can_be_announced(name):
    called = instance_name(name)
    assert 0 < len(called.encode()) <= 40
    assert "." not in called
    assert called.isprintable()
