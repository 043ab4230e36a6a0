"""Asking NetworkManager for a scan, on a bus of our own; and no trouble where it is not there, or says nothing."""

from __future__ import annotations

import errno
import socket
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from jeepney import HeaderFields, Message, MessageType, new_error, new_method_return
from jeepney.bus_messages import message_bus
from jeepney.io.blocking import open_dbus_connection
from needs import require_programs

from adapters.errors import AdapterError, NotPermitted
from adapters.linux import scan_request
from adapters.linux.scan_request import ANSWER_S, network_manager_lets_scan
from tests.adapters.played_laptop import adapter_on, laptop
from tests.adapters.private_bus import private_bus

DEVICE = "/org/freedesktop/NetworkManager/Devices/7"
Answer = tuple[str, tuple[Any, ...]] | str | None  # signature and body, or an error's name, or silence


class FakeNetworkManager:
    """Owns NetworkManager's name and answers by method."""

    def __init__(self, address: str) -> None:
        self.connection = open_dbus_connection(address)
        wish = message_bus.RequestName("org.freedesktop.NetworkManager")
        assert self.connection.send_and_get_reply(wish).body == (1,)
        self.answers: dict[str, Answer] = {
            "GetDeviceByIpIface": ("o", (DEVICE,)),
            "RequestScan": ("", ()),
            "GetPermissions": ("a{ss}", ({"org.freedesktop.NetworkManager.wifi.scan": "yes"},)),
        }
        self.asked: list[tuple[str, str, str, tuple[Any, ...]]] = []
        self._ends = threading.Event()
        self._thread = threading.Thread(target=self._serve)
        self._thread.start()

    def _serve(self) -> None:
        while not self._ends.is_set():
            try:
                message = self.connection.receive(timeout=0.05)
            except TimeoutError:
                continue
            if message.header.message_type is MessageType.method_call:
                self._answer(message)

    def _answer(self, message: Message) -> None:
        fields = message.header.fields
        method = fields[HeaderFields.member]
        self.asked.append((fields[HeaderFields.path], fields[HeaderFields.interface], method, message.body))
        answer = self.answers[method]
        if isinstance(answer, str):
            self.connection.send(new_error(message, answer, "s", ("no",)))
        elif answer is not None:
            self.connection.send(new_method_return(message, *answer))

    def close(self) -> None:
        self._ends.set()
        self._thread.join()
        self.connection.close()


@pytest.fixture
def bus(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[str]:
    require_programs("dbus-daemon")
    with private_bus(tmp_path) as address:
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", address)
        yield address


@pytest.fixture
def manager(bus: str) -> Iterator[FakeNetworkManager]:
    made = FakeNetworkManager(bus)
    yield made
    made.close()


def begin_without_the_right() -> None:
    adapter_on(laptop(TRIGGER_SCAN=errno.EPERM)).begin_scan()


def test_the_network_manager_is_asked_for_a_scan_of_our_device(manager):
    begin_without_the_right()
    about = "org.freedesktop.NetworkManager"
    assert manager.asked == [
        ("/org/freedesktop/NetworkManager", about, "GetDeviceByIpIface", ("wlan0",)),
        (DEVICE, f"{about}.Device.Wireless", "RequestScan", ({},)),
    ]


def test_right_after_another_scan_the_card_is_busy_and_nobody_is_forbidden_anything(manager):
    manager.answers["RequestScan"] = "org.freedesktop.NetworkManager.Device.NotAllowed"
    with pytest.raises(AdapterError, match="just scanned") as refused:
        begin_without_the_right()
    assert not isinstance(refused.value, NotPermitted)


@pytest.mark.parametrize(
    ("method", "answer"),
    [
        ("GetDeviceByIpIface", "org.freedesktop.NetworkManager.UnknownDevice"),
        ("GetDeviceByIpIface", ("s", ("no path",))),
        ("GetDeviceByIpIface", ("", ())),
        ("RequestScan", "org.freedesktop.NetworkManager.PermissionDenied"),
        ("RequestScan", "org.freedesktop.DBus.Error.UnknownMethod"),
        ("RequestScan", None),
    ],
)
def test_whatever_else_goes_wrong_it_is_not_permitted(manager, method, answer):
    manager.answers[method] = answer
    began_s = time.monotonic()
    with pytest.raises(NotPermitted, match="CAP_NET_ADMIN") as refused:
        begin_without_the_right()
    assert "\n" not in str(refused.value)
    assert time.monotonic() - began_s < 3 * ANSWER_S


def test_without_a_network_manager_on_the_bus_it_is_not_permitted_and_none_is_started(bus):
    with pytest.raises(NotPermitted):
        begin_without_the_right()


@pytest.mark.parametrize(("said", "may"), [("yes", True), ("auth", False), ("no", False)])
def test_whether_this_user_may_is_told_without_a_scan(manager, said, may):
    manager.answers["GetPermissions"] = ("a{ss}", ({"org.freedesktop.NetworkManager.wifi.scan": said},))
    assert network_manager_lets_scan() is may
    assert [method for _, _, method, _ in manager.asked] == ["GetPermissions"]


@pytest.mark.parametrize("answer", [("a{ss}", ({},)), ("s", ("what",)), "org.freedesktop.DBus.Error.AccessDenied"])
def test_a_network_manager_that_does_not_tell_leaves_it_unknown(manager, answer):
    manager.answers["GetPermissions"] = answer
    assert network_manager_lets_scan() is None


def test_without_a_bus_it_is_unknown(monkeypatch, tmp_path):
    monkeypatch.delenv("DBUS_SYSTEM_BUS_ADDRESS", raising=False)
    monkeypatch.setattr(scan_request, "_USUAL_BUS", str(tmp_path / "no bus"))
    assert network_manager_lets_scan() is None


def _silent(_: socket.socket) -> None:
    pass


def _lets_in_and_is_silent(connection: socket.socket) -> None:
    connection.recv(1024)
    connection.sendall(b"OK 0123456789abcdef0123456789abcdef\r\n")


def _ends_at_once(connection: socket.socket) -> None:
    connection.close()


def _speaks_nonsense(connection: socket.socket) -> None:
    _lets_in_and_is_silent(connection)
    connection.sendall(b"\xff" * 4096)


@pytest.mark.parametrize("behaves", [_silent, _lets_in_and_is_silent, _ends_at_once, _speaks_nonsense])
def test_a_bus_that_hangs_ends_or_raves_holds_nobody_up(behaves: Callable, monkeypatch, tmp_path):
    with socket.socket(socket.AF_UNIX) as listener:
        listener.bind(str(tmp_path / "bus"))
        listener.listen()
        monkeypatch.setenv("DBUS_SYSTEM_BUS_ADDRESS", f"unix:path={tmp_path / 'bus'}")
        taken: list[socket.socket] = []

        def serve() -> None:
            connection, _ = listener.accept()
            taken.append(connection)
            behaves(connection)

        thread = threading.Thread(target=serve)
        thread.start()
        began_s = time.monotonic()
        with pytest.raises(NotPermitted):
            begin_without_the_right()
        assert time.monotonic() - began_s < 3 * ANSWER_S
        thread.join()
        for connection in taken:
            connection.close()
