"""Whether somebody switched the radio off: then there can be no link, and the lack of one says nothing of the air.

Linux tells it in /sys (Documentation/ABI/stable/sysfs-class-rfkill): per radio a block by software ("airplane mode",
the desktop's switch, ``rfkill block``) and one by a switch or key of the laptop. An interface that was set down
(``ip link set down``, or a network manager that lets go of it) has its radio off as well: the driver stops it.
"""

from __future__ import annotations

from pathlib import Path

from adapters.contract import RadioOff

_IFF_UP = 1  # linux/if.h


def radio_off_of(interface: str, sys_folder: Path = Path("/sys")) -> RadioOff | None:
    """What keeps the radio of an interface off; None where it is on, and where that cannot be told."""
    own = sys_folder / "class/net" / interface
    phy = own / "phy80211"
    blocks = [switch for switch in sorted((sys_folder / "class/rfkill").glob("*")) if _is_of(switch, phy)]
    if any(_read(switch / "hard") == "1" for switch in blocks):
        return "blocked by a switch"
    if any(_read(switch / "soft") == "1" for switch in blocks):
        return "blocked by software"
    try:
        return None if int(_read(own / "flags"), 16) & _IFF_UP else "interface down"
    except ValueError:
        return None


def _is_of(switch: Path, phy: Path) -> bool:
    """Whether a switch is that of the radio; both exist once per radio, under the same device or the same name."""
    if _read(switch / "type") != "wlan":
        return False
    try:
        return (switch / "device").samefile(phy)
    except OSError:
        name = _read(phy / "name")
        return bool(name) and _read(switch / "name") == name


def _read(path: Path) -> str:
    try:
        return path.read_text(errors="replace").strip()
    except OSError:
        return ""
