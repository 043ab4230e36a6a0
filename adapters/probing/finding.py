"""Far ends that announce themselves in the local network by mDNS (RFC 6762, RFC 6763), found with zeroconf.

Anybody in the network can announce anything: a far end proves nothing by it, and names are other people's text.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from ipaddress import ip_address
from typing import Any

from adapters.errors import AdapterError
from adapters.far_end import SERVICE_TYPE
from adapters.probing.way import Route

MOST_FOUND = 32
_ASK_MS = 500
_ASKING_S = 5.0  # for all, for whoever announces what is not there takes time


class NoLookingAround(AdapterError):
    """mDNS cannot be used here."""


@dataclass(frozen=True, slots=True)
class FoundFarEnd:
    """One announcement."""

    name: str
    addresses: tuple[str, ...]  # IPv4 first
    port: int

    @property
    def address(self) -> str:
        """The first, as ``far_end_target`` takes it."""
        return self.places()[0]

    def places(self, routes: Sequence[Route] = (), interface: str = "") -> list[str]:
        """All of them, as ``far_end_target`` takes them: first those in a network that the interface itself is in. A
        machine announces the addresses of its virtual networks, too."""

        def far(address: str) -> bool:
            near = (r.network for r in routes if r.interface == interface and r.gateway is None and r.network.prefixlen)
            return not any(ip_address(address) in network for network in near)

        ordered = sorted(self.addresses, key=far)
        return [f"[{one}]:{self.port}" if ":" in one else f"{one}:{self.port}" for one in ordered]


def find_far_ends(
    seconds: float = 3.0, addresses: tuple[str, ...] = (), should_stop: Callable[[], bool] = lambda: False
) -> list[FoundFarEnd]:
    """Those that answer within so many seconds, by name. ``addresses``: of this machine's interfaces to ask on, else
    all. Raises NoLookingAround."""
    from zeroconf import Error, InterfaceChoice, ServiceBrowser, ServiceListener, Zeroconf

    class Hearing(ServiceListener):
        def __init__(self) -> None:
            self.names: set[str] = set()

        def add_service(self, zc: Any, type_: str, name: str) -> None:
            if len(self.names) < MOST_FOUND:
                self.names.add(name)

        update_service = add_service

        def remove_service(self, zc: Any, type_: str, name: str) -> None:
            self.names.discard(name)

    try:
        asking = Zeroconf(interfaces=list(addresses) or InterfaceChoice.All)
    except (OSError, Error) as error:
        raise NoLookingAround(
            f"the network cannot be asked for far ends ({str(error) or type(error).__name__}); name one by its address"
        ) from error
    try:
        hearing = Hearing()
        browser = ServiceBrowser(asking, SERVICE_TYPE, hearing)
        ends_s = time.monotonic() + seconds
        while time.monotonic() < ends_s and not should_stop():
            time.sleep(0.05)
        names = sorted(hearing.names)
        browser.cancel()
        ends_s = time.monotonic() + _ASKING_S
        found = [_found(asking, name) for name in names if time.monotonic() < ends_s and not should_stop()]
        return sorted((one for one in found if one is not None), key=lambda one: (one.name, one.addresses))
    except (OSError, Error) as error:
        raise NoLookingAround(
            f"the network cannot be asked for far ends ({str(error) or type(error).__name__}); name one by its address"
        ) from error
    finally:
        asking.close()


def _found(asking: Any, name: str) -> FoundFarEnd | None:
    from zeroconf import BadTypeInNameException

    try:
        service = asking.get_service_info(SERVICE_TYPE, name, timeout=_ASK_MS)
    except BadTypeInNameException:
        return None
    if service is None or not service.port:
        return None
    told = [address.partition("%")[0] for address in service.parsed_addresses()]
    usable = [one for one in told if not (ip_address(one).is_loopback or ip_address(one).is_multicast)]
    addresses = sorted(set(usable), key=lambda one: (":" in one, one))
    if not addresses:
        return None
    return FoundFarEnd(name.removesuffix(f".{SERVICE_TYPE}"), tuple(addresses), service.port)
