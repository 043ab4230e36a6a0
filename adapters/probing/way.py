"""The way over one interface: sockets that are held to it, its gateway, and whether an address is reached that way.

Linux binds a socket to a device for anybody since 5.7 (SO_BINDTODEVICE, socket(7)), macOS by IP_BOUND_IF; then answers
that come in by another interface do not count either. Elsewhere the source address has to do. Linux alone tells its
routes (/proc/net/route and /proc/net/ipv6_route, proc(5)); elsewhere the gateway is unknown.
"""

from __future__ import annotations

import errno
import socket
import struct
import sys
from dataclasses import dataclass
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address
from pathlib import Path
from typing import cast

from adapters.probing.errors import ProbeFailed, WayAstray

_UP, _GATEWAY, _REJECT = 0x1, 0x2, 0x200  # RTF_ flags of linux/route.h
_IP_BOUND_IF, _IPV6_BOUND_IF = 25, 125  # netinet/in.h of macOS
_OURSELVES = "this laptop itself; the far end belongs on a wired machine"

Address = tuple[str, int] | tuple[str, int, int, int]  # of a socket


@dataclass(frozen=True, slots=True)
class Route:
    """One line of the kernel's table."""

    interface: str
    network: IPv4Network | IPv6Network
    gateway: IPv4Address | IPv6Address | None
    metric: int


def read_routes(root: Path = Path("/")) -> list[Route]:
    """The routes in force, of both families; none where the system does not tell."""
    return _ipv4_routes(_text(root / "proc/net/route")) + _ipv6_routes(_text(root / "proc/net/ipv6_route"))


def gateway_of(interface: str, routes: list[Route]) -> IPv4Address | IPv6Address | None:
    """Of the interface's default route, IPv4's where there is one."""
    defaults = [r for r in routes if r.interface == interface and r.network.prefixlen == 0 and r.gateway is not None]
    best = min(defaults, key=lambda r: (r.network.version, r.metric), default=None)
    return best.gateway if best else None


def interface_to(host: str, port: int) -> str | None:
    """The interface over which the system itself goes there, whichever it is; None where it is not known. Nothing is
    sent. Raises WayAstray where that is no way out of this machine."""
    try:
        family, _, _, _, address = socket.getaddrinfo(host, port, type=socket.SOCK_DGRAM)[0]
        with socket.socket(family, socket.SOCK_DGRAM) as look:
            look.connect(address)
            own = look.getsockname()[0].partition("%")[0]
    except (OSError, UnicodeError):
        return None
    if ip_address(own).is_loopback:
        raise WayAstray(f"{host} is {_OURSELVES}")
    return next((name for _, name in socket.if_nameindex() if own in _addresses(name)), None)


class Way:
    """Over the interface of this name. Raises WayAstray where it has no address."""

    def __init__(self, interface: str, routes: list[Route] | None = None) -> None:
        self.interface = interface
        self.routes = read_routes() if routes is None else routes
        self._own = _addresses(interface)
        try:
            self._index = socket.if_nametoindex(interface) if self._own else 0
        except OSError:  # it went just now
            self._index = 0
        if not self._index:
            there = interface in {name for _, name in socket.if_nameindex()}
            why = "has no address; is the laptop connected?" if there else "is no interface of this machine"
            raise WayAstray(f"{interface} {why}")
        self._resolved: dict[tuple[str, int], list[tuple[int, Address]]] = {}

    def gateway(self) -> str | None:
        """Its address, with the scope where it needs one."""
        found = gateway_of(self.interface, self.routes)
        if found is None:
            return None
        return f"{found}%{self.interface}" if found.is_link_local and found.version == 6 else str(found)

    def open(self, family: int, kind: int, protocol: int = 0) -> socket.socket:
        """A new one that is held to the interface. Raises OSError."""
        made = socket.socket(family, kind, protocol)
        try:
            if not self._held(made, family):
                own = next((a for a in self._own if _family(a) == family), None)
                if own is None:
                    raise OSError(errno.EADDRNOTAVAIL, f"{self.interface} has no address of that family")
                made.bind((own, 0) if family == socket.AF_INET else (own, 0, 0, self._index))
        except BaseException:
            made.close()
            raise
        return made

    def resolve(self, host: str, port: int) -> list[tuple[int, Address]]:
        """Family and socket address of each of the host's addresses that is reached over the interface; a name is asked
        for once. Raises ProbeFailed where the name is not known, WayAstray where none is."""
        if (host, port) in self._resolved:
            return self._resolved[host, port]
        try:
            told = socket.getaddrinfo(host, port, type=socket.SOCK_STREAM)
        except (OSError, UnicodeError) as error:
            words = error.strerror if isinstance(error, OSError) else str(error)
            raise ProbeFailed(f"the address of {host!a} cannot be found: {words}") from error
        found: list[tuple[int, Address]] = [(int(family), cast(Address, address)) for family, _, _, _, address in told]
        over = [(family, address) for family, address in found if self._leads_to(family, address)]
        if not over:
            raise WayAstray(self._astray(host, [str(address[0]) for _, address in found]))
        self._resolved[host, port] = over
        return over

    def answered(self, host: str, port: int, address: Address) -> None:
        """That one did; it is the first to be tried from now on."""
        self.resolve(host, port).sort(key=lambda one: one[1] != address)

    def _held(self, made: socket.socket, family: int) -> bool:
        try:
            if sys.platform == "linux":
                made.setsockopt(socket.SOL_SOCKET, socket.SO_BINDTODEVICE, self.interface.encode())
                return True
            if sys.platform == "darwin":
                level, name = (
                    (socket.IPPROTO_IP, _IP_BOUND_IF)
                    if family == socket.AF_INET
                    else (socket.IPPROTO_IPV6, _IPV6_BOUND_IF)
                )
                made.setsockopt(level, name, self._index)
                return True
        except PermissionError:  # Linux before 5.7
            return False
        return False

    def _leads_to(self, family: int, address: Address) -> bool:
        to = ip_address(str(address[0]).partition("%")[0])
        loopback = any(ip_address(a.partition("%")[0]).is_loopback for a in self._own)
        if to.is_loopback or str(to) in _own_addresses():
            return loopback
        if loopback:
            return False
        if self.routes and not any(r.interface == self.interface and to in r.network for r in self.routes):
            return False
        try:
            with socket.socket(family, socket.SOCK_DGRAM) as look:  # nothing is sent
                held = self._held(look, family)
                look.connect(address)
                return held or look.getsockname()[0].partition("%")[0] in self._own
        except OSError:
            return False

    def _astray(self, host: str, addresses: list[str]) -> str:
        if any(ip_address(a.partition("%")[0]).is_loopback or a in _own_addresses() for a in addresses):
            return f"{host} is {_OURSELVES}"
        return f"the way to {host} does not go over {self.interface}; is it in the same network as this laptop's Wi-Fi?"


def _addresses(interface: str) -> list[str]:
    import psutil

    return [
        one.address.partition("%")[0]
        for one in psutil.net_if_addrs().get(interface, [])
        if one.family in (socket.AF_INET, socket.AF_INET6)
    ]


def _own_addresses() -> set[str]:
    import psutil

    return {one.address.partition("%")[0] for found in psutil.net_if_addrs().values() for one in found}


def _family(address: str) -> int:
    return socket.AF_INET6 if ":" in address else socket.AF_INET


def _ipv4_routes(text: str) -> list[Route]:
    """/proc/net/route: addresses as hexadecimal numbers in the machine's byte order."""
    routes = []
    for line in text.splitlines()[1:]:
        try:
            interface, to, gateway, flags, _, _, metric, mask = line.split()[:8]
            if int(flags, 16) & _REJECT or not int(flags, 16) & _UP:
                continue
            network = IPv4Network((str(_ipv4(to)), str(_ipv4(mask))))
            through = _ipv4(gateway) if int(flags, 16) & _GATEWAY else None
            routes.append(Route(interface, network, through, int(metric)))
        except ValueError:
            continue
    return routes


def _ipv6_routes(text: str) -> list[Route]:
    """/proc/net/ipv6_route: 32 hexadecimal digits an address, the interface last."""
    routes = []
    for line in text.splitlines():
        try:
            to, length, _, _, gateway, metric, _, _, flags, interface = line.split()
            if int(flags, 16) & _REJECT or not int(flags, 16) & _UP:
                continue
            network = IPv6Network((bytes.fromhex(to), int(length, 16)))
            through = IPv6Address(bytes.fromhex(gateway)) if int(flags, 16) & _GATEWAY else None
            routes.append(Route(interface, network, through, int(metric, 16)))
        except ValueError:
            continue
    return routes


def _ipv4(digits: str) -> IPv4Address:
    try:
        return IPv4Address(struct.pack("=I", int(digits, 16)))
    except struct.error:
        raise ValueError(digits) from None


def _text(path: Path) -> str:
    try:
        return path.read_text("ascii", errors="replace")
    except OSError:
        return ""
