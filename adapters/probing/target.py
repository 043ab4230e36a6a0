"""Whom a probe speaks to: a far end of ours, or any HTTP server of the owner's."""

from __future__ import annotations

from dataclasses import dataclass, field
from urllib.parse import urlsplit

from adapters.errors import AdapterError
from adapters.far_end import DEFAULT_PORT


class NoTarget(AdapterError):
    """What was named is nothing that a probe could speak to."""


@dataclass(frozen=True, slots=True)
class Target:
    """Where to connect and what to ask there. ``token`` is None for a server that is no far end of ours."""

    label: str  # as it was told to us, for the log
    host: str  # a name, in ASCII as DNS has it, or an address: an IPv6 address without brackets, with its zone
    port: int
    path: str  # what to get
    tls: bool = False
    token: str | None = field(default=None, repr=False)  # no traceback may show it

    @property
    def is_far_end(self) -> bool:
        return self.token is not None

    @property
    def authority(self) -> str:
        """For the header Host: without the zone, which is ours alone (RFC 6874, 4)."""
        host = f"[{self.host.partition('%')[0]}]" if ":" in self.host else self.host
        return host if self.port == (443 if self.tls else 80) else f"{host}:{self.port}"


def far_end_target(address: str, token: str) -> Target:
    """A far end from "host", "host:port", "192.168.1.5", "[fd00::5]:47317" or "fd00::5". Raises NoTarget."""
    bare = address.strip()
    if bare.count(":") > 1 and not bare.startswith("["):
        bare = f"[{bare}]"
    host, port = _host_and_port(f"//{bare}", address)
    return Target(address.strip(), host, DEFAULT_PORT if port is None else port, "/bytes", token=token)


def url_target(url: str) -> Target:
    """Any HTTP server's file. Raises NoTarget."""
    url = url.strip()
    host, port = _host_and_port(url, url)
    parts = urlsplit(url)
    if parts.scheme not in ("http", "https"):
        raise NoTarget(f"{url!a} is no address of a web server; give one that begins with http:// or https://")
    path = (parts.path or "/") + (f"?{parts.query}" if parts.query else "")
    if not path.isascii():
        raise NoTarget(f"{url!a} has characters that an address may not have; write them as %NN")
    tls = parts.scheme == "https"
    return Target(url, host, (443 if tls else 80) if port is None else port, path, tls)


def _host_and_port(text: str, told: str) -> tuple[str, int | None]:
    words = f"{told!a} is no address; give a name or an address, such as 192.168.1.5:{DEFAULT_PORT}"
    if any(c.isspace() or not c.isprintable() for c in text):  # urlsplit would leave some of them out
        raise NoTarget(words)
    try:
        parts = urlsplit(text)
        host, port = parts.hostname or "", parts.port
        if ":" in host:
            host = host.replace("%25", "%")  # a zone as a URL has it (RFC 6874, 2)
        elif not host.isascii():
            host = host.encode("idna").decode("ascii")
    except ValueError:
        raise NoTarget(words) from None
    if parts.username is not None or parts.password is not None:
        raise NoTarget("an address with a name and a password in it is not taken; give it without them")
    if not host or port == 0:
        raise NoTarget(words)
    if text.startswith("//") and (parts.path or parts.query or parts.fragment):
        raise NoTarget(f"{told!a} is no address of a far end; a web server's file is given as --url")
    return host, port
