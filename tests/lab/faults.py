"""The acts of the lab's story in which something goes wrong: at the router, with the radio, with its driver. Played by
guest.py; test_faults.py reads what the log told of them."""

from __future__ import annotations

from air import (
    FIVE_GHZ,
    LAPTOP,
    RADAR_CHANNEL,
    AccessPoint,
    add_radio,
    delete_radio,
    load_driver,
    run,
    unload_driver,
    wait_for,
)
from story import Lab, now_ms, rows_in_log

LONG_OUTAGE_S = 120.0
LEVEL_DBM = -65  # whenever the router's radio starts anew


def outage(lab: Lab) -> None:
    """The router loses its mains for some seconds."""
    lab.story.moment("router's plug pulled")
    lab.five.set_mains(False)
    lab.laptop.wait_for_no_link()
    lab.story.moment("link lost")
    lab.pace.let_pass(6)
    lab.story.moment("router's plug back")
    lab.five.set_mains(True)
    lab.laptop.wait_for_link(5200)
    lab.story.moment("link back")
    lab.pace.let_pass(2)


def interface_down_and_up(lab: Lab) -> None:
    """As a person's hand on a switch, or a network manager, does it."""
    lab.story.moment("interface down")
    run("ip", "link", "set", LAPTOP, "down")
    lab.pace.let_pass(3)
    run("ip", "link", "set", LAPTOP, "up")
    lab.laptop.wait_for_link(5200)
    lab.story.moment("interface up")
    lab.pace.let_pass(2)


def card_out_and_in(lab: Lab) -> None:
    """The interface vanishes, and one of the same name comes back."""
    lab.story.moment("card pulled out")
    run("iw", "dev", LAPTOP, "del")
    lab.laptop.stop()
    lab.pace.let_pass(4)
    run("iw", "phy", "phy1", "interface", "add", LAPTOP, "type", "managed")
    lab.laptop.start()
    lab.laptop.wait_for_link(5200)
    lab.story.moment("card back")
    samples_again(lab)
    lab.story.moment("logging again")


def long_outage(lab: Lab) -> None:
    """The router is off for two minutes."""
    lab.story.moment("router off")
    lab.five.set_mains(False)
    lab.laptop.wait_for_no_link()
    lab.story.moment("no link any more")
    lab.pace.let_pass(LONG_OUTAGE_S)
    lab.story.moment("router on")
    lab.five.set_mains(True)
    lab.laptop.wait_for_link(5200)
    lab.story.moment("link after two minutes")
    lab.pace.let_pass(2)


def radar(lab: Lab) -> None:
    """The router moves to a channel of radar, after a minute of listening; later it hears one there, and moves on."""
    lab.story.moment("router to a radar channel")
    lab.five.stop()
    lab.five.configure(RADAR_CHANNEL)
    lab.five.start(lab.pace.let_pass)
    lab.five.set_level(LEVEL_DBM)
    lab.laptop.wait_for_link(5260)
    lab.story.moment("on channel 52")
    lab.pace.let_pass(4)
    lab.story.moment("radar")
    lab.five.hear_radar()
    lab.laptop.wait_for_link(5200)
    lab.story.moment("away from radar")
    lab.pace.let_pass(4)


def airplane_mode(lab: Lab) -> None:
    """The radio is blocked by its owner for a while; the interface stays."""
    lab.story.moment("airplane mode on")
    lab.laptop.set_airplane_mode(True)
    lab.pace.let_pass(5)
    lab.story.moment("airplane mode off")
    lab.laptop.set_airplane_mode(False)
    lab.laptop.wait_for_link(5200)
    lab.story.moment("linked after airplane mode")
    lab.pace.let_pass(2)


def radio_deleted_and_back(lab: Lab) -> None:
    """The whole radio goes, its phy as well, and another comes whose interface has the same name."""
    lab.story.moment("radio deleted")
    delete_radio("phy1")
    lab.laptop.stop()
    lab.pace.let_pass(5)
    add_radio()
    lab.laptop.start()
    lab.laptop.wait_for_link(5200)
    lab.story.moment("radio back")
    samples_again(lab)
    lab.story.moment("logging after the radio's return")


def driver_unloaded_and_loaded(lab: Lab) -> None:
    """The driver goes, and with it all that the kernel knows of Wi-Fi; then both are back."""
    lab.five.stop()
    lab.laptop.wait_for_no_link()
    lab.laptop.stop()
    lab.story.moment("driver unloaded")
    unload_driver()
    lab.pace.let_pass(5)
    load_driver()
    lab.five = AccessPoint("wlan0", FIVE_GHZ)
    lab.five.start()
    lab.five.set_level(LEVEL_DBM)
    lab.laptop.start()
    lab.laptop.wait_for_link(5180)
    lab.story.moment("driver loaded")
    samples_again(lab)
    lab.story.moment("logging with the new driver")


def goodbye(lab: Lab) -> None:
    """The last that the laptop hears of its router."""
    lab.story.moment("router says goodbye")
    lab.five.stop()
    lab.laptop.wait_for_no_link()
    lab.pace.let_pass(2)


def samples_again(lab: Lab) -> None:
    """Until the log has some that were taken a while after now."""
    settled_ms = now_ms() + 2000
    with lab.pace.let_go():
        wait_for("samples after the return", lambda: rows_in_log("sample", settled_ms) > 2, 90)
