"""Does traffic over an interface cost money? NetworkManager knows (its property Metered of a device, D-Bus API); where
it does not run, and on other systems, nobody says."""

from __future__ import annotations

import os
import sys
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from jeepney.io.blocking import DBusConnection

WITHIN_S = 2.0
_NAME = "org.freedesktop.NetworkManager"
_PATH = "/org/freedesktop/NetworkManager"
_USUAL_BUS = "/var/run/dbus/system_bus_socket"
_MEANING = {1: True, 2: False, 3: True, 4: False}  # NMMetered; 3 and 4 are its guesses, 0 is unknown


def is_metered(interface: str) -> bool | None:
    """Of the connection that this interface has; None where nobody says."""
    if sys.platform != "linux":
        return None
    if not os.environ.get("DBUS_SYSTEM_BUS_ADDRESS") and not os.path.exists(_USUAL_BUS):
        return None
    try:
        from jeepney.io.blocking import open_dbus_connection

        with open_dbus_connection("SYSTEM") as bus:
            device = _ask(bus, _PATH, _NAME, "GetDeviceByIpIface", "s", (interface,))
            told = _ask(bus, device, "org.freedesktop.DBus.Properties", "Get", "ss", (f"{_NAME}.Device", "Metered"))
    except Exception:  # whatever is wrong with the bus or the service
        return None
    return _MEANING.get(told[1]) if isinstance(told, tuple) and len(told) == 2 else None


def _ask(bus: DBusConnection, path: str, of: str, method: str, signature: str, body: tuple[str, ...]) -> Any:
    from jeepney import DBusAddress, MessageFlag, MessageType, new_method_call

    call = new_method_call(DBusAddress(path, bus_name=_NAME, interface=of), method, signature, body)
    call.header.flags |= MessageFlag.no_auto_start
    reply = bus.send_and_get_reply(call, timeout=WITHIN_S)
    if reply.header.message_type is not MessageType.method_return:
        raise LookupError(method)
    return reply.body[0]
