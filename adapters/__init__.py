"""Reads the machine: the contract, one module per platform, one simulated radio, and the choice between them."""

from adapters.contract import (
    Ability,
    Adapter,
    AdapterError,
    BitRate,
    InterfaceGone,
    LinkEvent,
    LinkReading,
    NotPermitted,
    NoWirelessInterface,
    RadioLink,
)

__all__ = [
    "Ability",
    "Adapter",
    "AdapterError",
    "BitRate",
    "InterfaceGone",
    "LinkEvent",
    "LinkReading",
    "NoWirelessInterface",
    "NotPermitted",
    "RadioLink",
    "open_adapter",
]


def open_adapter(interface: str | None = None) -> Adapter:
    """The adapter for this platform, on the named interface or the one it finds by itself.

    Raises NoWirelessInterface when there is none, AdapterError on a platform without an adapter.
    """
    import sys

    if sys.platform == "linux":
        from adapters.linux import LinuxAdapter

        return LinuxAdapter.open(interface)
    raise AdapterError(
        f"there is no adapter for {sys.platform} yet (there is one for: linux); "
        "'linktrial demo' runs on the simulated radio everywhere"
    )
