"""A message bus of our own with a logind on it that says what a test tells it to."""

from __future__ import annotations

import os
import subprocess
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from jeepney import DBusAddress, HeaderFields, Message, new_method_return, new_signal
from jeepney.bus_messages import message_bus
from jeepney.io.blocking import DBusConnection, open_dbus_connection
from needs import find_program

MANAGER = DBusAddress("/org/freedesktop/login1", "org.freedesktop.login1", "org.freedesktop.login1.Manager")
_CONFIG = """<!DOCTYPE busconfig PUBLIC "-//freedesktop//DTD D-Bus Bus Configuration 1.0//EN"
 "http://www.freedesktop.org/standards/dbus/1.0/busconfig.dtd">
<busconfig><type>system</type><listen>unix:path={socket}</listen><auth>EXTERNAL</auth>
<policy context="default"><allow send_destination="*" eavesdrop="true"/><allow eavesdrop="true"/>
<allow own="*"/><allow user="*"/></policy></busconfig>
"""


@contextmanager
def private_bus(folder: Path) -> Iterator[str]:
    """The address of a bus that runs meanwhile."""
    config, socket = folder / "bus.conf", folder / "bus"
    config.write_text(_CONFIG.format(socket=socket))
    command = [find_program("dbus-daemon"), f"--config-file={config}", "--nofork", "--print-address=1"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as bus:
        try:
            address = bus.stdout.readline().strip()
            assert address, "the bus did not start"
            yield address
        finally:
            bus.terminate()


class FakeLogind:
    """Owns logind's name, hands out locks and tells of sleep."""

    def __init__(self, address: str) -> None:
        self.connection: DBusConnection = open_dbus_connection(address, enable_fds=True)
        assert self.connection.send_and_get_reply(message_bus.RequestName(MANAGER.bus_name)).body == (1,)
        self.locks: list[int] = []  # our ends: they read as ended when the lock is given back

    def give_lock(self, timeout_s: float = 10) -> tuple[str, ...]:
        """Wait for the next wish for a lock, grant it and return what was wished."""
        wish = self._next_call("Inhibit", timeout_s)
        ours, theirs = os.pipe()
        reply = new_method_return(wish, "h", (theirs,))
        self.connection.send(reply)
        os.close(theirs)
        self.locks.append(ours)
        return wish.body

    def tell(self, begins: bool) -> None:
        self.connection.send(new_signal(MANAGER, "PrepareForSleep", "b", (begins,)))

    def lock_is_given_back(self, timeout_s: float = 10) -> bool:
        import select

        return bool(select.select([self.locks[-1]], [], [], timeout_s)[0]) and os.read(self.locks[-1], 1) == b""

    def close(self) -> None:
        for lock in self.locks:
            os.close(lock)
        self.connection.close()

    def _next_call(self, member: str, timeout_s: float) -> Message:
        while True:
            message = self.connection.receive(timeout=timeout_s)
            if message.header.fields.get(HeaderFields.member) == member:
                return message
