"""Tells the local network by mDNS (RFC 6762, RFC 6763) that there is a far end, under which port and addresses."""

from __future__ import annotations

import asyncio
import secrets
import socket
from collections.abc import Callable, Sequence
from contextlib import suppress
from ipaddress import ip_address

import psutil
from zeroconf import Error, InterfaceChoice, IPVersion, ServiceInfo
from zeroconf.asyncio import AsyncZeroconf

from adapters.far_end import PROTOCOL, SERVICE_TYPE
from adapters.far_end.peers import Peers, plain_address

_MOST_NAME_BYTES = 40
_FAREWELL_S = 3.0


class Announcer:
    """``addresses`` gives those to announce, which may be none and may change; ``tell`` is given those that are
    announced now, or why there are none."""

    def __init__(
        self,
        name: str,
        port: int,
        addresses: Callable[[], Sequence[str]],
        tell: Callable[[Sequence[str], str | None], None] = lambda addresses, trouble: None,
        *,
        look_every_s: float = 30.0,
    ) -> None:
        self._instance = f"{instance_name(name)}.{SERVICE_TYPE}"
        # Not the machine's own name, which another responder of this machine may already announce.
        self._host = f"linktrial-{secrets.token_hex(4)}.local."
        self._port, self._addresses, self._tell, self._look_every_s = port, addresses, tell, look_every_s
        self._responder: AsyncZeroconf | None = None
        self._leaving: asyncio.Task[None] | None = None
        self._trouble: str | None = None

    async def run(self) -> None:
        """Until cancelled; then it takes the announcement back. A network that is missing or fails is waited for."""
        announced: list[str] = []
        try:
            while True:
                addresses = sorted(self._addresses())
                if addresses != announced:
                    await self._withdraw()
                    announced = addresses if await self._announce(addresses) else []
                await asyncio.sleep(self._look_every_s)
        finally:
            await self._withdraw()
            if self._leaving is not None:
                await self._leaving

    async def _announce(self, addresses: list[str]) -> bool:
        if not addresses:
            self._say([], None)
            return False
        over_ipv4 = [address for address in addresses if ":" not in address]
        try:
            for address in addresses:
                _bind(address)  # zeroconf leaves sockets behind where one is not to be had
            if over_ipv4:
                self._responder = AsyncZeroconf(interfaces=over_ipv4, ip_version=IPVersion.V4Only)
            else:
                self._responder = AsyncZeroconf(interfaces=InterfaceChoice.All, ip_version=IPVersion.V6Only)
            told = await self._responder.async_register_service(self._service(addresses), allow_name_change=True)
            await told
        except Exception as error:  # zeroconf's own, the system's, and any other: transfers are served all the same
            await self._withdraw()
            self._say([], str(error) or type(error).__name__)
            return False
        self._say(addresses, None)
        return True

    async def _withdraw(self) -> None:
        responder, self._responder = self._responder, None
        if responder is not None:
            self._leaving = asyncio.create_task(self._leave(responder))
            await asyncio.shield(self._leaving)  # whoever cancels us: a farewell is said to its end

    async def _leave(self, responder: AsyncZeroconf) -> None:
        with suppress(OSError, Error, TimeoutError):
            async with asyncio.timeout(_FAREWELL_S):
                await responder.async_unregister_all_services()
        with suppress(OSError, Error, TimeoutError):
            async with asyncio.timeout(_FAREWELL_S):
                await responder.async_close()

    def _service(self, addresses: list[str]) -> ServiceInfo:
        return ServiceInfo(
            SERVICE_TYPE,
            self._instance,
            port=self._port,
            properties={"protocol": str(PROTOCOL)},
            server=self._host,
            parsed_addresses=addresses,
        )

    def _say(self, addresses: list[str], trouble: str | None) -> None:
        if addresses or trouble != self._trouble:
            self._tell(addresses, trouble)
        self._trouble = trouble


def instance_name(name: str) -> str:
    """What a service may be called: up to 40 bytes of UTF-8, printable and without a dot."""
    plain = "".join("-" if c == "." or not c.isprintable() else c for c in name).strip(" -")
    return plain.encode("utf-8", "replace")[:_MOST_NAME_BYTES].decode("utf-8", "ignore") or "far end"


def addresses_to_announce(peers: Peers, listening: Sequence[str] = ()) -> list[str]:
    """This machine's addresses at which a peer that may come can reach it; only those it is ``listening`` at, if any
    are given. Addresses that need a zone are left out."""
    families = (socket.AF_INET, socket.AF_INET6)
    told = {
        plain_address(one.address) for net in psutil.net_if_addrs().values() for one in net if one.family in families
    }
    there = {plain_address(one) for one in listening}
    everywhere = not there or bool({"0.0.0.0", "::"} & there)
    return sorted(
        address
        for address in told
        if (everywhere or address in there) and peers.may_come(address) and _is_reachable(address)
    )


def _bind(address: str) -> None:
    with socket.socket(socket.AF_INET6 if ":" in address else socket.AF_INET, socket.SOCK_DGRAM) as sock:
        sock.bind((address, 0))


def _is_reachable(address: str) -> bool:
    ip = ip_address(address)
    return not (ip.is_loopback or (ip.version == 6 and ip.is_link_local))
