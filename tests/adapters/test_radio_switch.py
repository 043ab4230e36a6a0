"""Whether the radio is off and by what, from folders as Linux has them in /sys."""

from __future__ import annotations

import pytest

from adapters.linux.radio_switch import radio_off_of

UP, DOWN = "0x1003", "0x1002"


@pytest.fixture
def machine(tmp_path):
    """An interface that is up on a radio with a switch of its own, beside a Bluetooth switch and another card's."""
    for name in ("phy0", "phy1"):
        (tmp_path / f"devices/{name}").mkdir(parents=True)
        (tmp_path / f"devices/{name}/name").write_text(f"{name}\n")
    own = tmp_path / "class/net/wlan0"
    own.mkdir(parents=True)
    (own / "phy80211").symlink_to(tmp_path / "devices/phy0")
    (own / "flags").write_text(UP + "\n")
    for number, (kind, name) in enumerate([("bluetooth", "hci0"), ("wlan", "phy1"), ("wlan", "phy0")]):
        switch = tmp_path / f"class/rfkill/rfkill{number}"
        switch.mkdir(parents=True)
        for file, text in (("type", kind), ("name", name), ("soft", "0"), ("hard", "0")):
            (switch / file).write_text(text + "\n")
        if kind == "wlan":
            (switch / "device").symlink_to(tmp_path / f"devices/{name}")
    return tmp_path


def block(machine, number: int, file: str) -> None:
    (machine / f"class/rfkill/rfkill{number}/{file}").write_text("1\n")


def test_a_radio_that_is_on(machine):
    assert radio_off_of("wlan0", machine) is None


@pytest.mark.parametrize(("file", "by"), [("soft", "blocked by software"), ("hard", "blocked by a switch")])
def test_a_block_of_our_own_radio(machine, file, by):
    block(machine, 2, file)
    assert radio_off_of("wlan0", machine) == by


def test_the_switch_of_the_laptop_comes_before_what_software_says(machine):
    block(machine, 2, "soft")
    block(machine, 2, "hard")
    assert radio_off_of("wlan0", machine) == "blocked by a switch"


def test_other_radios_and_bluetooth_are_not_ours(machine):
    for number in (0, 1):
        block(machine, number, "soft")
        block(machine, number, "hard")
    assert radio_off_of("wlan0", machine) is None


def test_a_kernel_that_links_no_device_is_told_by_name(machine):
    (machine / "class/rfkill/rfkill2/device").unlink()
    block(machine, 2, "soft")
    assert radio_off_of("wlan0", machine) == "blocked by software"


def test_an_interface_that_was_set_down(machine):
    (machine / "class/net/wlan0/flags").write_text(DOWN)
    assert radio_off_of("wlan0", machine) == "interface down"


def test_a_block_says_more_than_the_interface_that_it_took_down(machine):
    (machine / "class/net/wlan0/flags").write_text(DOWN)
    block(machine, 2, "soft")
    assert radio_off_of("wlan0", machine) == "blocked by software"


@pytest.mark.parametrize("flags", ["", "gibberish"])
def test_what_cannot_be_told_is_no_switch(machine, flags):
    (machine / "class/net/wlan0/flags").write_text(flags)
    assert radio_off_of("wlan0", machine) is None
    assert radio_off_of("wlan7", machine) is None
    assert radio_off_of("wlan0", machine / "nowhere") is None
