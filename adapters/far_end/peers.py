"""Who may talk to the far end: the machine itself and private networks, unless the owner opens it further."""

from __future__ import annotations

from collections.abc import Iterable
from ipaddress import IPv4Address, IPv4Network, IPv6Address, IPv6Network, ip_address, ip_network

# Not 100.64.0.0/10 (RFC 6598): behind it may be other customers of a provider. Nor all that Python calls private.
PRIVATE = tuple(
    ip_network(text)
    for text in (
        *("127.0.0.0/8", "::1/128"),
        *("10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16"),  # RFC 1918
        *("169.254.0.0/16", "fe80::/10"),  # link-local, RFC 3927 and RFC 4291
        "fc00::/7",  # RFC 4193
    )
)


class Peers:
    """Decides by the address that a connection came from."""

    def __init__(self, also: Iterable[IPv4Network | IPv6Network] = ()) -> None:
        self._networks = (*PRIVATE, *also)

    def may_come(self, address: str) -> bool:
        """``address`` as ``plain_address`` gives it."""
        try:
            ip = ip_address(address)
        except ValueError:
            return False
        return any(ip.version == network.version and ip in network for network in self._networks)


def plain_address(address: str) -> str:
    """As a socket tells it, without the zone, and an IPv4 address that came through an IPv6 socket as what it is."""
    try:
        ip: IPv4Address | IPv6Address = ip_address(address.partition("%")[0])
    except ValueError:
        return address
    return str(ip.ipv4_mapped or ip) if isinstance(ip, IPv6Address) else str(ip)
