"""With which rights, on what system and in what kind of box this program runs, as far as can be told."""

from __future__ import annotations

import os
import platform
import socket
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from adapters.contract import Ability
from adapters.errors import AdapterError
from adapters.linux.netlink import Family

CAP_NET_ADMIN = 12  # linux/capability.h


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What the machine says of itself. Unknown is None."""

    system: str  # "Linux 6.1.0-56-amd64"
    user_id: int | None  # 0 is root; None where users have no number
    network_admin: bool | None  # CAP_NET_ADMIN in effect: may ask for scans; reading the link needs no right
    container: str | None  # "docker", "podman", "lxc", "WSL" ..., best effort
    netlink: bool | None  # whether the system gives netlink sockets; None where it is no Linux
    nl80211: bool | None  # whether its kernel knows Wi-Fi

    @property
    def container_advice(self) -> str | None:
        """Why a box hides the Wi-Fi card and what to do, or None outside of one."""
        if self.container is None:
            return None
        if self.container == "WSL":
            return "WSL has no access to the Wi-Fi card; a Linux that runs on the machine itself has"
        return (
            f"this is a container ({self.container}), which has a network of its own; run linktrial outside it, "
            "or let it share the host's network (--network=host)"
        )


def surroundings(root: Path = Path("/"), family: Callable[[str], Family] = Family) -> Surroundings:
    """Looks around. ``root`` is where /proc and /run are found, ``family`` opens a conversation by name."""
    netlink, nl80211 = _netlink(family) if sys.platform == "linux" else (None, None)
    return Surroundings(
        system=f"{platform.system()} {platform.release()}",
        user_id=os.getuid() if hasattr(os, "getuid") else None,
        network_admin=_network_admin(_read(root / "proc/self/status")),
        container=_container(root),
        netlink=netlink,
        nl80211=nl80211,
    )


def manager_lets_scan() -> bool | None:
    """Whether NetworkManager would let this user scan; None where it cannot be asked."""
    from adapters.linux.scan_request import network_manager_lets_scan  # and the bus, only where somebody asks

    return network_manager_lets_scan()


def right_to_scan(network_admin: bool | None, ask_manager: Callable[[], bool | None] = manager_lets_scan) -> Ability:
    """Whether the kernel, or else the network manager, would take this user's wish for a scan. None is asked for."""
    if network_admin:
        return Ability("scans", "", True, "the kernel takes this user's wish")
    lets = ask_manager()
    if lets:
        return Ability("scans", "", True, "NetworkManager takes this user's wish")
    return Ability(
        "scans",
        "",
        False if lets is False or network_admin is False else None,
        "this user may not ask for them",
        "other bands are heard when another program scans; CAP_NET_ADMIN, or NetworkManager's leave, gives the right",
    )


def right_to_echo(open_socket: Callable[[int, int, int], socket.socket] = socket.socket) -> Ability:
    """Whether latency can be asked for by ICMP echo requests without being root (icmp(7))."""
    try:
        open_socket(socket.AF_INET, socket.SOCK_DGRAM, socket.IPPROTO_ICMP).close()
    except OSError:
        return Ability(
            "icmp",
            "",
            False,
            "no datagram ICMP socket: latency is taken by TCP connections",
            "on Linux, net.ipv4.ping_group_range says which groups may have one",
        )
    return Ability("icmp", "", True, "a datagram socket: latency is taken by echo requests")


def driver_of(interface: str, root: Path = Path("/")) -> str | None:
    """The name of the kernel driver of an interface ("iwlwifi"), or None."""
    try:
        return (root / "sys/class/net" / interface / "device/driver").resolve(strict=True).name
    except OSError:
        return None


def _netlink(family: Callable[[str], Family]) -> tuple[bool, bool]:
    try:
        family("nl80211").close()
    except OSError:
        return False, False
    except AdapterError:
        return True, False
    return True, True


def _network_admin(status: str) -> bool | None:
    for line in status.splitlines():
        if line.startswith("CapEff:"):
            return bool(int(line.split()[1], 16) >> CAP_NET_ADMIN & 1)
    return None


def _container(root: Path) -> str | None:
    if named := _read(root / "run/systemd/container").strip():
        return named
    if (root / ".dockerenv").exists():
        return "docker"
    if (root / "run/.containerenv").exists():
        return "podman"
    for variable in _read(root / "proc/1/environ").split("\0"):  # root alone may read it
        if variable.startswith("container="):
            return variable.removeprefix("container=") or None
    groups = _read(root / "proc/1/cgroup")
    for sign, name in (("kubepods", "kubernetes"), ("docker", "docker"), ("libpod", "podman"), ("lxc", "lxc")):
        if sign in groups:
            return name
    if "microsoft" in _read(root / "proc/sys/kernel/osrelease").lower():
        return "WSL"
    return None


def _read(path: Path) -> str:
    try:
        return path.read_text(errors="replace")
    except OSError:
        return ""
