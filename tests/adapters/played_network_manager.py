"""A NetworkManager on a bus of its own, with one device, that says what a test tells it to."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager

from jeepney import HeaderFields, MessageType, new_error, new_method_return
from jeepney.bus_messages import message_bus
from jeepney.io.blocking import open_dbus_connection

NAME = "org.freedesktop.NetworkManager"
DEVICE = "/org/freedesktop/NetworkManager/Devices/3"


@contextmanager
def played_network_manager(address: str, interface: str, metered: int | None) -> Iterator[None]:
    """``metered`` as NMMetered has it; None: a version that does not know that property."""
    bus = open_dbus_connection(address)
    assert bus.send_and_get_reply(message_bus.RequestName(NAME)).body == (1,)
    over = threading.Event()

    def answer() -> None:
        while not over.is_set():
            try:
                call = bus.receive(timeout=0.1)
            except TimeoutError:
                continue
            if call.header.message_type is not MessageType.method_call:
                continue
            fields = call.header.fields
            asked = (fields[HeaderFields.path], fields[HeaderFields.member], *call.body)
            if asked == ("/org/freedesktop/NetworkManager", "GetDeviceByIpIface", interface):
                bus.send(new_method_return(call, "o", (DEVICE,)))
            elif asked == (DEVICE, "Get", f"{NAME}.Device", "Metered") and metered is not None:
                bus.send(new_method_return(call, "v", (("u", metered),)))
            else:
                bus.send(new_error(call, f"{NAME}.UnknownDevice"))

    thread = threading.Thread(target=answer)
    thread.start()
    try:
        yield
    finally:
        over.set()
        thread.join(10)
        bus.close()
