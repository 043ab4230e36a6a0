"""The lab's story, played inside the guest as root: the program logs a real link while its router changes.

It carries out /run/results/story.json (what was done when, what the sender was set to, what iw showed, what each
run of the program answered) and the log itself. It judges nothing: test_lab.py and test_faults.py do. Standard
library only, and few interpreters started: each costs seconds under emulation.
"""

from __future__ import annotations

import os
import random
import shutil
import stat
import subprocess
import sys
from datetime import UTC, datetime
from pathlib import Path

import carry
import faults
import hearing
from air import (
    FIVE_GHZ,
    LAPTOP,
    TWO_GHZ,
    AccessPoint,
    Laptop,
    prepare_air,
    start_traffic,
    wait_for,
)
from pace import Pace
from story import LOG, NOBODY, PROGRAM, RESULTS, SETTINGS, Lab, Story, now_ms, rows_in_log

BEFORE_DBM, AFTER_DBM = -71, -65  # the planted step: +6 dB
UPLINK, DOWNLINK = ((1, 4), (2, 7)), ((2, 3), (2, 5))  # (streams, VHT-MCS) on 5 GHz, before the step and after
UPLINK_HT, DOWNLINK_HT = 5, 12  # HT-MCS on 2.4 GHz; the streams are in it
WANDER_DB = 1.5  # standard deviation of the level around its mean, redrawn every WANDER_S
WANDER_S = 4.0
LOOK_EVERY = 8  # turns
STAY_S = 340.0  # on each side of the step: two minutes of washout, and the three that an interval needs
INTERVAL_S = 0.5


class Daemon:
    """The program's own ``linktrial log``."""

    def __init__(self) -> None:
        said = open(RESULTS / "daemon.txt", "wb")  # noqa: SIM115
        command = [str(PROGRAM), "log", "--interval", str(INTERVAL_S)]
        self._process = subprocess.Popen(command, stdout=said, stderr=subprocess.STDOUT)

    def alive(self) -> bool:
        """Whether it still runs."""
        return self._process.poll() is None

    def cost(self) -> dict[str, float]:
        """Resident memory in MB, and seconds of CPU used so far."""
        process = Path("/proc", str(self._process.pid))
        resident = next(line for line in (process / "status").read_text().splitlines() if "VmRSS" in line)
        ticks = (process / "stat").read_text().rpartition(")")[2].split()[11:13]
        return {
            "resident_mb": int(resident.split()[1]) / 1024,
            "cpu_s": sum(map(int, ticks)) / os.sysconf("SC_CLK_TCK"),
        }

    def stop(self) -> int:
        """SIGTERM; the exit code."""
        self._process.terminate()
        return self._process.wait(30)


def play(story: Story, pace: Pace) -> None:
    """The whole story, act by act."""
    prepare_air()
    open_to_everyone()
    five, two = AccessPoint("wlan0", FIVE_GHZ), AccessPoint("wlan2", TWO_GHZ)
    lab = Lab(story, pace, five, two, Laptop())
    link_up(lab)
    story.program("check", "check", "--json")
    story.program("check as nobody", "check", "--json", user=NOBODY)
    daemon = start_logging(lab)
    two_stays(lab, daemon)
    story.program("changed again", "changed", "router on the shelf")
    hearing.both_bands(lab, daemon.cost)
    other_band_and_back(lab)
    channel_switch(lab)
    carry.transfers(lab)
    faults.outage(lab)
    faults.interface_down_and_up(lab)
    faults.card_out_and_in(lab)
    faults.long_outage(lab)
    faults.radar(lab)
    faults.airplane_mode(lab)
    faults.radio_deleted_and_back(lab)
    faults.driver_unloaded_and_loaded(lab)
    story.program("status", "status", "--json")
    faults.goodbye(lab)
    stop_logging(lab, daemon)


def link_up(lab: Lab) -> None:
    """The 5 GHz radio alone is on the air, and the laptop is linked to it."""
    lab.five.start()
    lab.story.level(lab.five, BEFORE_DBM)
    lab.laptop.start()
    lab.laptop.wait_for_link(5180)
    start_traffic()
    lab.story.moment("linked")


def start_logging(lab: Lab) -> Daemon:
    """The program logs, and has been told where the laptop stands."""
    daemon = Daemon()
    wait_for("the logger's start", lambda: rows_in_log("event") > 0, 120)
    with lab.pace.let_go():
        wait_for("the first samples in the log", lambda: rows_in_log("sample") > 0, 60)
    lab.story.program("at", "at", "wheel by the window")
    return daemon


def two_stays(lab: Lab, daemon: Daemon) -> None:
    """A stay, the planted step with its tag, and another stay; and what the daemon costs meanwhile."""
    story, draw = lab.story, random.Random(20)
    fix_rates(lab, after=False)
    story.moment("first stay", **daemon.cost())
    stay(lab, "first stay", BEFORE_DBM, draw)
    story.moment("first stay over", **daemon.cost())
    story.program("a second daemon", "log", "--interval", "1")

    step_ms = now_ms()
    story.level(lab.five, AFTER_DBM)
    fix_rates(lab, after=True)
    when = datetime.fromtimestamp(step_ms / 1000, UTC).isoformat(timespec="milliseconds")
    story.program("changed", "changed", "new antenna", "--set", "antenna.5.gain_dbi=8", "--at", when)
    story.moment("second stay", step_utc_ms=step_ms)
    stay(lab, "second stay", AFTER_DBM, draw)
    story.moment("second stay over")
    with lab.pace.let_go():
        cost = shell_loop_cost(40)
    story.moment("shell loop", **cost)


def fix_rates(lab: Lab, after: bool) -> None:
    """Each way one rate on 5 GHz, that of before the step or of after it: what iw shows then is no matter of luck."""
    for end, rates in ((lab.laptop, UPLINK), (lab.five, DOWNLINK)):
        streams, mcs = rates[after]
        end.fix_rate("vht-mcs-5", f"{streams}:{mcs}")


def stay(lab: Lab, name: str, mean_dbm: int, draw: random.Random) -> None:
    """The level wanders around its mean; now and then iw is asked, well after the last change of level."""
    for turn in range(round(STAY_S / WANDER_S)):
        lab.story.level(lab.five, mean_dbm + round(draw.gauss(0, WANDER_DB)))
        lab.pace.let_pass(WANDER_S * 0.75)
        if turn % LOOK_EVERY == LOOK_EVERY - 1:
            lab.story.look(name)
        lab.pace.let_pass(WANDER_S * 0.25)


def look_after_a_while(lab: Lab, name: str) -> None:
    """Long enough for data frames and a few samples, before iw is asked and after."""
    lab.pace.let_pass(4)
    lab.story.look(name)
    lab.pace.let_pass(2)


def other_band_and_back(lab: Lab) -> None:
    """The 5 GHz radio says goodbye and the laptop joins the other one; later it roams back."""
    story, five, two, laptop = lab.story, lab.five, lab.two, lab.laptop
    two.start()
    story.level(two, -58)
    story.moment("5 GHz leaves the air")
    five.stop()
    laptop.wait_for_link(2437)
    laptop.fix_rate("ht-mcs-2.4", str(UPLINK_HT))
    two.fix_rate("ht-mcs-2.4", str(DOWNLINK_HT))
    story.moment("on 2.4 GHz")
    look_after_a_while(lab, "2.4 GHz")

    five.start()
    story.level(five, AFTER_DBM)
    laptop.command("scan", "TYPE=ONLY", "freq=5180")  # or it would move at once by itself
    wait_for("5 GHz in the scan", lambda: five.bssid in laptop.command("scan_results"))
    story.moment("asked to roam")  # before it acts: a sample may come in between
    story.moment("wpa_supplicant told to roam", answer=laptop.command("roam", five.bssid).strip())
    laptop.wait_for_link(5180)
    fix_rates(lab, after=True)
    story.moment("back on 5 GHz")
    two.stop()
    lab.pace.let_pass(3)


def channel_switch(lab: Lab) -> None:
    """From 80 MHz round channel 42 to 40 MHz, primary channel 40, announced in the beacons."""
    narrower = ("sec_channel_offset=-1", "center_freq1=5190", "bandwidth=40", "ht", "vht")
    lab.story.moment("asked to switch the channel")
    lab.story.moment("hostapd told to switch", answer=lab.five.command("chan_switch", "5", "5200", *narrower).strip())
    lab.laptop.wait_for_link(5200)
    lab.story.moment("on channel 40")
    look_after_a_while(lab, "channel 40")


def stop_logging(lab: Lab, daemon: Daemon) -> None:
    """SIGTERM, and what is left in the log's folder is carried out."""
    lab.story.moment("told to stop", alive=daemon.alive())
    code = daemon.stop()
    files = {path.name: stat.filemode(path.stat().st_mode) for path in LOG.parent.iterdir()}
    lab.story.moment("stopped", code=code, files=files)
    for name in files:
        shutil.copy(LOG.parent / name, RESULTS)


def shell_loop_cost(turns: int) -> dict[str, float]:
    """Seconds of CPU per turn of a shell loop round 'iw dev X station dump' at the daemon's pace; without the
    sleeps in ``iw_alone_cpu_s``."""
    ask = f"iw dev {LAPTOP} station dump >/dev/null"
    costs = {}
    for name, body in (("loop_cpu_s", f"{ask}; sleep {INTERVAL_S}"), ("iw_alone_cpu_s", ask)):
        loop = subprocess.Popen(["bash", "-c", f"for i in $(seq {turns}); do {body}; done"])
        _, _, used = os.wait4(loop.pid, 0)
        loop.returncode = 0
        costs[name] = (used.ru_utime + used.ru_stime) / turns
    return costs


def open_to_everyone() -> None:
    """Let an unprivileged user reach the program; in the guest's own layer, so the host's modes stay."""
    here = Path(__file__).resolve()
    for end in (Path(sys.prefix), Path(sys.base_prefix).resolve(), here.parents[2]):
        for folder in (end, *end.parents):
            folder.chmod(folder.stat().st_mode | 0o055)


def main() -> None:
    """Play, and carry the story out however it ends."""
    os.environ["LINKTRIAL_DB"] = str(LOG)
    LOG.parent.mkdir(mode=0o700)
    os.environ["LINKTRIAL_SETTINGS"] = str(SETTINGS)
    SETTINGS.parent.mkdir(mode=0o700)
    # no probes but those that the story asks for
    SETTINGS.write_text(f"probe_every_s = 0\nwatch_every_s = {hearing.WATCH_EVERY_S}\n")
    story = Story()
    try:
        play(story, Pace())
    finally:
        story.save()
        for path in LOG.parent.iterdir():
            if not (RESULTS / path.name).exists():  # it ended in the midst
                shutil.copy(path, RESULTS)


if __name__ == "__main__":
    main()
