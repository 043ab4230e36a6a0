"""The system's own word that it is about to sleep, and that it woke: logind's signal on the system bus.

PrepareForSleep of org.freedesktop.login1.Manager, and an inhibitor lock of the kind "delay", which makes logind wait
until we are ready, for seconds at most (systemd's INHIBITOR_LOCKS.md). A hint: not every sleep is logind's, and some
that are told do not come, so the clocks have the last word. Where there is no bus, or no logind, there is no trouble.

jeepney, the D-Bus library, is imported when this is opened. Its connections wait for answers; this one never does: what
it asks is sent off, and answers are taken as they come.
"""

from __future__ import annotations

import os
import socket
from array import array
from collections.abc import Callable
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from jeepney import Message

CONNECT_WITHIN_S = 1.0
_LOGIND = {"object_path": "/org/freedesktop/login1", "bus_name": "org.freedesktop.login1"}
_USUAL_BUS = "/var/run/dbus/system_bus_socket"
_MANAGER = "org.freedesktop.login1.Manager"


class SleepSignal:
    """Listens while it is open. ``fileno`` and ``hear`` are for a loop that waits for several things.

    ``on_sleep`` is called by ``hear`` with True before the system sleeps, which waits until it returns, and with False
    after it woke.
    """

    def __init__(self, connection: socket.socket, on_sleep: Callable[[bool], None]) -> None:
        from jeepney import Parser

        self._socket, self._on_sleep = connection, on_sleep
        self._parser = Parser()
        self._serial = 0
        self._lock_asked: int | None = None  # serial of the question
        self._lock: int | None = None  # logind waits while we hold it open
        connection.setblocking(False)
        self._say_hello()

    @classmethod
    def open(cls, on_sleep: Callable[[bool], None]) -> SleepSignal | None:
        """Listen on the system bus; None where there is none, or none that lets us."""
        if not os.environ.get("DBUS_SYSTEM_BUS_ADDRESS") and not os.path.exists(_USUAL_BUS):
            return None  # and the library's memory is saved
        try:
            from jeepney.bus import get_bus
            from jeepney.io.blocking import prep_socket

            connection = prep_socket(get_bus("SYSTEM"), enable_fds=True, timeout=CONNECT_WITHIN_S)
        except Exception:  # whatever is wrong with the bus, logging goes on without it
            return None
        try:
            return cls(connection, on_sleep)
        except Exception:
            connection.close()
            return None

    def fileno(self) -> int:
        """Of the connection; -1 once it is closed."""
        return self._socket.fileno()

    def hear(self) -> None:
        """Take in what was said, without waiting. A bus that ends or speaks nonsense is let go."""
        from jeepney.fds import FileDescriptor, fds_buf_size

        told: list[Message] = []
        try:
            while True:
                data, ancillary, _, _ = self._socket.recvmsg(self._parser.bytes_desired(), fds_buf_size())
                if not data:
                    self.close()
                    break
                self._parser.add_data(data, FileDescriptor.from_ancdata(ancillary))
                while (message := self._parser.get_next_message()) is not None:
                    told.append(message)
        except BlockingIOError:
            pass
        except Exception:
            self.close()
        for message in told:
            self._take_in(message)

    def close(self) -> None:
        """Give the lock and the connection back; may be called twice."""
        self._let_sleep()
        self._socket.close()

    def _say_hello(self) -> None:
        from jeepney import MatchRule, message_bus

        self._send(message_bus.Hello())
        rule = MatchRule(
            type="signal", sender=_LOGIND["bus_name"], interface=_MANAGER, member="PrepareForSleep",
            path=_LOGIND["object_path"],
        )  # fmt: skip
        self._send(message_bus.AddMatch(rule))
        self._ask_for_time()

    def _ask_for_time(self) -> None:
        from jeepney import DBusAddress, new_method_call

        manager = DBusAddress(**_LOGIND, interface=_MANAGER)
        wish = ("sleep", "linktrial", "what was measured is written", "delay")
        self._lock_asked = self._send(new_method_call(manager, "Inhibit", "ssss", wish))

    def _send(self, message: Any) -> int:
        from jeepney import MessageFlag

        self._serial += 1
        message.header.flags |= MessageFlag.no_auto_start
        self._socket.sendall(message.serialise(serial=self._serial, fds=array("i")))
        return self._serial

    def _take_in(self, message: Message) -> None:
        try:
            begins = self._understood(message)
        except Exception:
            self.close()
            return
        if begins is None:
            return
        try:
            self._on_sleep(begins)
        finally:
            if begins:
                self._let_sleep()
        if not begins and self.fileno() >= 0:
            try:
                self._ask_for_time()
            except OSError:
                self.close()

    def _understood(self, message: Message) -> bool | None:
        """Whether sleep begins, if that is what the message is about. Keeps the lock that one brings."""
        from jeepney import HeaderFields, MessageType

        fields, kind = message.header.fields, message.header.message_type
        if kind is MessageType.method_return and self._lock_asked is not None:
            if fields.get(HeaderFields.reply_serial) == self._lock_asked:
                self._lock_asked = None
                self._let_sleep()
                self._lock = message.body[0].to_raw_fd()
            return None
        about = (fields.get(HeaderFields.interface), fields.get(HeaderFields.member))
        if kind is not MessageType.signal or about != (_MANAGER, "PrepareForSleep"):
            return None
        return bool(message.body[0])

    def _let_sleep(self) -> None:
        lock, self._lock = self._lock, None
        if lock is not None:
            os.close(lock)
