"""`linktrial check` says per quantity what is there, with which rights, and what to do."""

from __future__ import annotations

import json

import pytest

from adapters.contract import Ability, ChannelVisit, FrequencyRule, HeardRadio, RegulatoryDomain
from adapters.errors import AdapterError, InterfaceGone, NoWirelessInterface
from adapters.rights import Surroundings, right_to_scan
from logger.commands import check
from logger.console import main
from tests.logger.scripted import ScriptedAdapter

ABILITIES = [
    Ability("ssid", "", True, r'"\x1b[2J"'),
    Ability("rssi_dbm", "dBm", True, "-61 dBm"),
    Ability("noise_dbm", "dBm", False, "not told", "this driver does not measure it"),
    Ability("rx_rate", "Mbit/s", None, "no link just now", "join a Wi-Fi network, then ask again"),
]


class PlayedAdapter(ScriptedAdapter):
    name = "linux"
    closed = False

    def __init__(self, failure: Exception | None = None) -> None:
        super().__init__()
        self.failure = failure
        self.on_air = [HeardRadio(f"02:00:00:00:00:0{n}", mhz, b"\x1b[2J") for n, mhz in enumerate((2412, 2437, 5180))]
        self.visited = [ChannelVisit(2412, -92, 120, 30)]
        self.domain = RegulatoryDomain("DE", "ETSI", (FrequencyRule(2400.0, 2483.5),))

    def abilities(self) -> list[Ability]:
        if self.failure:
            raise self.failure
        return ABILITIES

    def close(self) -> None:
        self.closed = True


@pytest.fixture
def machine(monkeypatch):
    """Plays the machine: what it says of itself, and what opening gives."""
    asked: list[str | None] = []

    def play(adapter=None, failure=None, user_id=1000, admin=False, container=None, nl80211=True):
        def open_adapter(interface=None):
            asked.append(interface)
            if failure:
                raise failure
            return adapter

        monkeypatch.setattr(check, "open_adapter", open_adapter)
        monkeypatch.setattr(check, "driver_of", lambda interface: "iwlwifi")
        monkeypatch.setattr(
            check, "surroundings", lambda: Surroundings("Linux 6.1", user_id, admin, container, True, nl80211)
        )
        monkeypatch.setattr(check, "right_to_scan", lambda admin: right_to_scan(admin, lambda: None))
        monkeypatch.setattr(check, "right_to_echo", lambda: Ability("icmp", "", True, "a datagram socket"))
        monkeypatch.setenv("COLUMNS", "200")
        monkeypatch.setattr(check, "far_end_now", lambda interface: Ability("far end", "", True, f"over {interface}"))
        return asked

    return play


def test_each_quantity_is_told_with_its_value_and_a_remedy_where_it_is_missing(machine, capsys):
    adapter = PlayedAdapter()
    machine(adapter)
    assert main(["check"]) == 0
    out, err = capsys.readouterr()
    assert err == ""
    assert [" ".join(line.split()) for line in out.splitlines()] == [
        "system Linux 6.1",
        "rights user 1000, without CAP_NET_ADMIN (reading needs none)",
        "kernel netlink: yes, nl80211 (Wi-Fi): yes",
        "interface wlan0, driver iwlwifi",
        "",
        r'yes ssid "\x1b[2J"',
        "yes rssi_dbm -61 dBm",
        "no noise_dbm not told",
        "this driver does not measure it",
        "? rx_rate no link just now",
        "join a Wi-Fi network, then ask again",
        "",
        "yes heard 2 radios at 2.4 GHz, 1 radio at 5 GHz, no radios at 6 GHz",
        "yes visits airtime of 1 channel",
        "yes regulatory DE (ETSI), 1 rule",
        "no scans this user may not ask for them",
        "other bands are heard when another program scans; CAP_NET_ADMIN, or NetworkManager's leave, gives the right",
        "yes icmp a datagram socket",
        "yes far end over wlan0",
    ]
    assert adapter.closed


def test_what_cannot_be_heard_is_told_and_ends_nothing(machine, capsys):
    adapter = PlayedAdapter()
    adapter.on_air, adapter.visited, adapter.domain = AdapterError("wlan0 is busy just now"), [], None
    machine(adapter, admin=True)
    assert main(["check"]) == 0
    lines = [" ".join(line.split()) for line in capsys.readouterr().out.splitlines()]
    assert "no heard wlan0 is busy just now" in lines
    assert "no visits not told" in lines
    assert "no regulatory not told" in lines
    assert "yes scans the kernel takes this user's wish" in lines


def test_who_hears_nobody_but_the_own_radio_or_knows_no_country_is_told_what_would_help(machine, capsys):
    adapter = PlayedAdapter()
    adapter.on_air = [HeardRadio("02:00:00:00:00:05", 5180, associated=True)]
    adapter.visited, adapter.domain = [ChannelVisit(2412, -92)], RegulatoryDomain("00", None, ())
    machine(adapter)
    assert main(["check"]) == 0
    out = " ".join(capsys.readouterr().out.split())
    assert "1 radio at 5 GHz, no radios at 6 GHz others are heard for half a minute after a scan" in out
    assert "no visits no airtime of 1 channel this driver tells noise alone" in out
    assert "yes regulatory 00, no rules the system does not know the country" in out


def test_root_and_a_container_are_named(machine, capsys):
    machine(PlayedAdapter(), user_id=0, admin=True, container="docker")
    assert main(["check"]) == 0
    out = capsys.readouterr().out
    assert "user 0 (root), with CAP_NET_ADMIN" in out
    assert "inside docker" in out


def test_the_interface_can_be_named(machine):
    asked = machine(PlayedAdapter())
    assert main(["check", "--interface", "wlan7"]) == 0
    assert asked == ["wlan7"]


def test_without_an_interface_the_machine_is_told_and_the_advice_and_the_exit_code_is_1(machine, capsys):
    machine(failure=NoWirelessInterface("no wireless interface; plug a card in"), nl80211=False)
    assert main(["check"]) == 1
    out, err = capsys.readouterr()
    assert "nl80211 (Wi-Fi): no" in out
    assert "interface  none" in out
    assert err == "linktrial: no wireless interface; plug a card in\n"


def test_an_interface_that_vanishes_meanwhile_is_told_and_given_back(machine, capsys):
    adapter = PlayedAdapter(InterfaceGone("wlan0 has vanished; plug the card in again"))
    machine(adapter)
    assert main(["check"]) == 1
    out, err = capsys.readouterr()
    assert "interface  wlan0" in out
    assert err.count("\n") == 1
    assert adapter.closed


def test_json_has_the_same_findings(machine, capsys):
    machine(PlayedAdapter())
    assert main(["check", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["interface"], told["adapter"], told["driver"], told["error"]) == ("wlan0", "linux", "iwlwifi", None)
    assert (told["user_id"], told["network_admin"], told["netlink"], told["nl80211"]) == (1000, False, True, True)
    assert told["quantities"][2] == {
        "quantity": "noise_dbm",
        "unit": "dBm",
        "available": False,
        "now": "not told",
        "remedy": "this driver does not measure it",
    }


def test_json_has_what_is_there_besides_the_link(machine, capsys):
    machine(PlayedAdapter())
    assert main(["check", "--json"]) == 0
    beside = {each["quantity"]: each["available"] for each in json.loads(capsys.readouterr().out)["beside"]}
    assert beside == {"heard": True, "visits": True, "regulatory": True, "scans": False, "icmp": True, "far end": True}


def test_json_tells_the_error_too(machine, capsys):
    machine(failure=NoWirelessInterface("no wireless interface; plug a card in"))
    assert main(["check", "--json"]) == 1
    out, err = capsys.readouterr()
    assert json.loads(out)["error"] == "no wireless interface; plug a card in"
    assert json.loads(out)["quantities"] == []
    assert [each["quantity"] for each in json.loads(out)["beside"]] == ["icmp", "far end"]
    assert err == "linktrial: no wireless interface; plug a card in\n"


def test_this_machine_is_told_about_whatever_it_has(capsys):
    code = main(["check"])
    out, err = capsys.readouterr()
    assert out.startswith("system")
    assert (code, err.count("\n")) in ((0, 0), (1, 1))
