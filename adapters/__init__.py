"""Reads the machine: the contract (adapters/contract.py), one package per platform, one simulated radio, and here the
choice between them."""

from __future__ import annotations

TYPE_CHECKING = False  # as typing has it, without importing typing: tagging must start at once
if TYPE_CHECKING:
    from adapters.contract import Adapter


def open_adapter(interface: str | None = None) -> Adapter:
    """The adapter for this platform, on the named interface or the one it finds by itself.

    Raises NoWirelessInterface when there is none, AdapterError on a platform without an adapter.
    """
    import sys

    if sys.platform == "linux":
        from adapters.linux.adapter import LinuxAdapter

        return LinuxAdapter.open(interface)
    from adapters.errors import AdapterError

    raise AdapterError(
        f"there is no adapter for {sys.platform} yet (there is one for linux); "
        "'linktrial demo' runs on the simulated radio everywhere"
    )
