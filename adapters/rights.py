"""With which rights, on what system and in what kind of box this program runs, as far as can be told."""

from __future__ import annotations

import os
import platform
import sys
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

from adapters.errors import AdapterError
from adapters.netlink import Family

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
