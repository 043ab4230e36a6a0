"""The sockets that the far end listens at, and who has a port already."""

from __future__ import annotations

import errno
import json
import os
import socket
from collections.abc import Sequence
from http.client import HTTPConnection, HTTPException

from adapters.errors import AdapterError

_BACKLOG = 256
_EVERYWHERE = {"0.0.0.0": "127.0.0.1", "::": "::1"}  # and where one is asked that listens there
_MOST_NAME = 100  # characters


def listen(port: int, addresses: Sequence[str] = ()) -> list[socket.socket]:
    """Sockets that listen at those addresses, or at all of this machine, IPv4 and IPv6; port 0: any.

    Raises AdapterError."""
    found: list[socket.socket] = []
    try:
        for address in addresses or _EVERYWHERE:
            try:
                found.append(_listener(address, found[0].getsockname()[1] if found and not port else port))
            except OSError:
                if addresses or not found:  # a machine without IPv6 is no mistake
                    raise
    except (OSError, UnicodeError) as error:
        for sock in found:
            sock.close()
        raise AdapterError(_why_not(port, address, error)) from error
    return found


def far_end_at(port: int, address: str = "0.0.0.0") -> str | None:
    """The name, which may be any text, of the far end that answers at a port of this machine; None where none does."""
    asked = HTTPConnection(_EVERYWHERE.get(address, address), port, timeout=2)
    try:
        asked.request("GET", "/")
        told = json.loads(asked.getresponse().read(1000))
        return str(told["name"])[:_MOST_NAME] if "linktrial" in told else None
    except (OSError, HTTPException, ValueError, TypeError, KeyError, RecursionError):
        return None
    finally:
        asked.close()


def _why_not(port: int, address: str, error: OSError | UnicodeError) -> str:
    where = f"port {port}" + ("" if address in _EVERYWHERE else f" at {address}")
    if isinstance(error, UnicodeError | socket.gaierror):
        return f"{address!a} is no address; say one of this machine's own with --listen, or leave it out for all"
    if error.errno == errno.EADDRNOTAVAIL:
        return f"{address} is no address of this machine; say one that is with --listen, or leave it out for all"
    if error.errno == errno.EADDRINUSE:
        name = far_end_at(port, address)
        if name is None:
            perhaps = ", or by a far end at one address alone" if address in _EVERYWHERE else ""
            return f"{where} is taken by another program{perhaps}; say another with --port"
        return f"a far end, {name!a}, runs on {where} already; stop it first, or say another with --port"
    if error.errno == errno.EACCES:
        return f"{where} is not for this user: {error.strerror}; say another with --port, from 1024 up"
    return f"{where} is not to be had: {error.strerror}; say another with --port"


def _listener(address: str, port: int) -> socket.socket:
    # An address may have a zone, without which a link-local one is none.
    family, _, _, _, place = socket.getaddrinfo(address, port, type=socket.SOCK_STREAM)[0]
    sock = socket.socket(family, socket.SOCK_STREAM)
    try:
        if os.name == "posix":
            sock.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        if family == socket.AF_INET6:
            sock.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_V6ONLY, 1)
        sock.bind(place)
        sock.listen(_BACKLOG)
        sock.setblocking(False)
    except BaseException:
        sock.close()
        raise
    return sock
