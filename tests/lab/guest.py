"""The lab's story, played inside the guest as root: the program logs a real link while its router changes.

It carries out /run/results/story.json (what was done when, what the sender was set to, what iw showed, what each
run of the program answered) and the log itself. It judges nothing: test_lab.py does. Standard library only, and
few interpreters started: each costs seconds under emulation.
"""

from __future__ import annotations

import json
import os
import random
import shutil
import sqlite3
import stat
import subprocess
import sys
import time
from contextlib import closing
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

from air import (
    FIVE_GHZ,
    LAPTOP,
    RADAR_CHANNEL,
    TWO_GHZ,
    AccessPoint,
    Laptop,
    add_radio,
    delete_radio,
    load_driver,
    prepare_air,
    run,
    start_traffic,
    unload_driver,
    wait_for,
)
from pace import Pace

RESULTS = Path("/run/results")
LOG = Path("/run/linktrial/lab.db")
PROGRAM = Path(sys.executable).with_name("linktrial")
BEFORE_DBM, AFTER_DBM = -71, -65  # the planted step: +6 dB
UPLINK, DOWNLINK = ((1, 4), (2, 7)), ((2, 3), (2, 5))  # (streams, VHT-MCS) on 5 GHz, before the step and after
UPLINK_HT, DOWNLINK_HT = 5, 12  # HT-MCS on 2.4 GHz; the streams are in it
WANDER_DB = 1.5  # standard deviation of the level around its mean, redrawn every WANDER_S
WANDER_S = 4.0
LOOK_EVERY = 8  # turns
STAY_S = 340.0  # on each side of the step: two minutes of washout, and the three that an interval needs
INTERVAL_S = 0.5
LONG_OUTAGE_S = 120.0
VIEWS = ("link", "info", "station dump")  # of iw
NOBODY = ("setpriv", "--reuid=65534", "--regid=65534", "--clear-groups", "env", "HOME=/tmp")


class Story:
    """Writes down what happens, as it happens."""

    def __init__(self) -> None:
        self._told: dict[str, list[dict[str, object]]] = {"moments": [], "levels": [], "looks": [], "runs": []}

    def tell(self, chapter: str, **facts: object) -> None:
        """Add one dated entry."""
        self._told[chapter].append({"at_utc_ms": facts.pop("at_utc_ms", now_ms()), **facts})

    def save(self) -> None:
        """Carry it out."""
        (RESULTS / "story.json").write_text(json.dumps(self._told, indent=1))

    def moment(self, name: str, **facts: object) -> None:
        """Something was just done or found true."""
        print(f"{time.monotonic():6.1f} s  {name}", flush=True)
        self.tell("moments", name=name, **facts)

    def level(self, point: AccessPoint, rssi_dbm: int) -> None:
        """Set what the laptop hears of this radio."""
        at = now_ms()
        point.set_level(rssi_dbm)
        self.tell("levels", bssid=point.bssid, rssi_dbm=rssi_dbm, at_utc_ms=at)

    def look(self, name: str) -> None:
        """What the system's own tool shows of the link now."""
        shown = {view: run("iw", "dev", LAPTOP, *view.split(), check=False) for view in VIEWS}
        self.tell("looks", name=name, **shown)

    def program(self, name: str, *words: str, user: tuple[str, ...] = ()) -> None:
        """Run linktrial to its end."""
        started, clock = now_ms(), time.monotonic()
        done = subprocess.run([*user, str(PROGRAM), *words], capture_output=True, text=True, timeout=90)
        took = round(time.monotonic() - clock, 2)
        said = {"code": done.returncode, "stdout": done.stdout, "stderr": done.stderr}
        print(f"{time.monotonic():6.1f} s  linktrial {' '.join(words)} -> {done.returncode} ({took} s)", flush=True)
        self.tell("runs", name=name, words=words, took_s=took, at_utc_ms=started, **said)


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


@dataclass
class Lab:
    """All that takes part."""

    story: Story
    pace: Pace
    five: AccessPoint
    two: AccessPoint
    laptop: Laptop


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
    other_band_and_back(lab)
    channel_switch(lab)
    outage(lab)
    interface_down_and_up(lab)
    card_out_and_in(lab)
    long_outage(lab)
    radar(lab)
    airplane_mode(lab)
    radio_deleted_and_back(lab)
    driver_unloaded_and_loaded(lab)
    story.program("status", "status", "--json")
    goodbye(lab)
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
    story.moment("asked to roam", answer=laptop.command("roam", five.bssid).strip())
    laptop.wait_for_link(5180)
    fix_rates(lab, after=True)
    story.moment("back on 5 GHz")
    two.stop()
    lab.pace.let_pass(3)


def channel_switch(lab: Lab) -> None:
    """From 80 MHz round channel 42 to 40 MHz, primary channel 40, announced in the beacons."""
    narrower = ("sec_channel_offset=-1", "center_freq1=5190", "bandwidth=40", "ht", "vht")
    answer = lab.five.command("chan_switch", "5", "5200", *narrower).strip()
    lab.story.moment("asked to switch the channel", answer=answer)
    lab.laptop.wait_for_link(5200)
    lab.story.moment("on channel 40")
    look_after_a_while(lab, "channel 40")


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
    lab.five.set_level(AFTER_DBM)
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
    lab.five.set_level(AFTER_DBM)
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


def rows_in_log(table: str, since_utc_ms: int = 0) -> int:
    """How many samples or events the log holds from a moment on; 0 without a log."""
    if not LOG.exists():
        return 0
    query = f"SELECT count(*) FROM {table} WHERE time_utc_ms >= ?"
    try:
        with closing(sqlite3.connect(f"file:{LOG}?mode=ro", uri=True)) as db:
            return int(db.execute(query, (since_utc_ms,)).fetchone()[0])
    except sqlite3.OperationalError:
        return 0  # it is only being made


def open_to_everyone() -> None:
    """Let an unprivileged user reach the program; in the guest's own layer, so the host's modes stay."""
    here = Path(__file__).resolve()
    for end in (Path(sys.prefix), Path(sys.base_prefix).resolve(), here.parents[2]):
        for folder in (end, *end.parents):
            folder.chmod(folder.stat().st_mode | 0o055)


def now_ms() -> int:
    """The wall clock."""
    return time.time_ns() // 1_000_000


def main() -> None:
    """Play, and carry the story out however it ends."""
    os.environ["LINKTRIAL_DB"] = str(LOG)
    LOG.parent.mkdir(mode=0o700)
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
