"""Asks for a scan: the kernel (TRIGGER_SCAN of linux/nl80211.h) where this user may, else the network manager.

Whoever sits at the machine may ask NetworkManager for a scan (its polkit action wifi.scan), and needs no right of the
kernel's. It is asked on the system bus, through jeepney, and no answer is waited for longer than ``ANSWER_S``.
"""

from __future__ import annotations

import errno
import os
import time
from typing import Any

from adapters.errors import AdapterError, NotPermitted
from adapters.linux.netlink import Family, Refused, attribute
from adapters.linux.nl80211 import NL80211_CMD_TRIGGER_SCAN

NL80211_ATTR_SCAN_SSIDS = 45
ANSWER_S = 1.0

_USUAL_BUS = "/var/run/dbus/system_bus_socket"
_MANAGER = {"object_path": "/org/freedesktop/NetworkManager", "bus_name": "org.freedesktop.NetworkManager"}
_TOO_SOON = "org.freedesktop.NetworkManager.Device.NotAllowed"  # right after another scan, or while one goes on
_ADVICE = (
    "this user may not ask for scans; run linktrial as root or with CAP_NET_ADMIN, or let NetworkManager allow it "
    "(polkit action org.freedesktop.NetworkManager.wifi.scan)"
)


class _BusError(Exception):
    """The bus or the network manager said no; ``name`` is the error's."""

    def __init__(self, name: str) -> None:
        super().__init__(name)
        self.name = name


def begin_scan(kernel: Family, ours: bytes, interface: str) -> None:
    """Have the card ask on all channels on which it may send, and listen on the others. ``ours`` is the attribute that
    names ``interface``. Raises NotPermitted, Refused, and AdapterError where the card is busy with a scan."""
    any_network = attribute(NL80211_ATTR_SCAN_SSIDS, attribute(1, b""))
    try:
        kernel.order(NL80211_CMD_TRIGGER_SCAN, ours + any_network)
    except Refused as refusal:
        if refusal.code == errno.EBUSY:
            raise AdapterError(f"{interface} is busy with a scan; ask again when it has finished") from refusal
        if refusal.code in (errno.ENETDOWN, errno.ERFKILL):
            raise AdapterError(f"{interface} is switched off: nothing can be heard") from refusal
        if refusal.code not in (errno.EPERM, errno.EACCES):
            raise
    else:
        return
    try:
        request_of_network_manager(interface)
    except _BusError as error:
        if error.name == _TOO_SOON:
            raise AdapterError(f"{interface} has just scanned, or does; ask again in a while") from error
        raise NotPermitted(_ADVICE) from error
    except Exception as error:  # no bus, no network manager, none that lets us
        raise NotPermitted(_ADVICE) from error


def request_of_network_manager(interface: str) -> None:
    """RequestScan of the device's interface Wireless. Raises whatever is wrong with the bus."""
    with _Bus() as bus:
        (path,) = bus.call(_MANAGER["object_path"], _MANAGER["bus_name"], "GetDeviceByIpIface", "s", (interface,))
        bus.call(path, "org.freedesktop.NetworkManager.Device.Wireless", "RequestScan", "a{sv}", ({},))


def network_manager_lets_scan() -> bool | None:
    """Whether NetworkManager would take such a wish of this user's; None where it cannot be asked."""
    try:
        with _Bus() as bus:
            (permissions,) = bus.call(_MANAGER["object_path"], _MANAGER["bus_name"], "GetPermissions")
        answer = permissions.get("org.freedesktop.NetworkManager.wifi.scan")
    except Exception:
        return None
    return None if answer is None else answer == "yes"


class _Bus:
    """The system bus for a few questions to NetworkManager. jeepney's own connections wait for the first answer without
    end, so this asks by itself."""

    def __init__(self) -> None:
        if not os.environ.get("DBUS_SYSTEM_BUS_ADDRESS") and not os.path.exists(_USUAL_BUS):
            raise OSError(errno.ENOENT, "there is no system bus")  # and the library's memory is saved
        from jeepney import Parser, message_bus
        from jeepney.bus import get_bus
        from jeepney.io.blocking import prep_socket

        self._socket = prep_socket(get_bus("SYSTEM"), timeout=ANSWER_S)
        self._parser = Parser()
        self._serial = 0
        try:
            self._ask(message_bus.Hello())
        except BaseException:
            self._socket.close()
            raise

    def __enter__(self) -> _Bus:
        return self

    def __exit__(self, *_: object) -> None:
        self._socket.close()

    def call(self, path: str, interface: str, method: str, signature: str = "", body: tuple[Any, ...] = ()) -> Any:
        from jeepney import DBusAddress, new_method_call

        address = DBusAddress(path, bus_name=_MANAGER["bus_name"], interface=interface)
        return self._ask(new_method_call(address, method, signature, body))

    def _ask(self, message: Any) -> Any:
        """The body of the answer. Raises _BusError, TimeoutError after ANSWER_S, OSError where the bus ends."""
        from jeepney import HeaderFields, MessageFlag, MessageType

        self._serial += 1
        message.header.flags |= MessageFlag.no_auto_start
        until_s = time.monotonic() + ANSWER_S
        self._socket.settimeout(ANSWER_S)
        self._socket.sendall(message.serialise(serial=self._serial))
        while True:
            while (answer := self._parser.get_next_message()) is not None:
                fields = answer.header.fields
                if fields.get(HeaderFields.reply_serial) != self._serial:
                    continue
                if answer.header.message_type is MessageType.error:
                    raise _BusError(str(fields.get(HeaderFields.error_name)))
                return answer.body
            self._socket.settimeout(max(until_s - time.monotonic(), 0.001))
            data = self._socket.recv(4096)
            if not data:
                raise OSError(errno.ECONNRESET, "the bus has ended")
            self._parser.add_data(data)
