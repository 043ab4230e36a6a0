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
from datetime import UTC, datetime
from pathlib import Path

from air import (
    FIVE_GHZ,
    LAPTOP,
    TWO_GHZ,
    AccessPoint,
    Laptop,
    prepare_air,
    run,
    start_traffic,
    wait_for,
)
from pace import Pace

RESULTS = Path("/run/results")
LOG = Path("/run/linktrial/lab.db")
PROGRAM = Path(sys.executable).with_name("linktrial")
BEFORE_DBM, AFTER_DBM = -71, -65  # the planted step: +6 dB
UPLINK, DOWNLINK = ((1, 4), (2, 7)), ((2, 3), (2, 5))  # (streams, VHT-MCS) of the first stay and the second
WANDER_DB = 1.5  # standard deviation of the level around its mean, redrawn every WANDER_S
WANDER_S = 4.0
LOOK_EVERY = 8  # turns
STAY_S = 340.0  # on each side of the step: the washout, and the three minutes that a verdict asks for
INTERVAL_S = 0.5
NOBODY = ("setpriv", "--reuid=65534", "--regid=65534", "--clear-groups", "env", "HOME=/tmp")


class Story:
    """Writes down what happens, as it happens."""

    def __init__(self, pace: Pace) -> None:
        self.pace = pace
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


VIEWS = ("link", "info", "station dump")


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


def play(story: Story) -> None:
    """The whole story."""
    prepare_air()
    open_to_everyone()
    five, two = AccessPoint("phy0", "wlan0", FIVE_GHZ), AccessPoint("phy2", "wlan2", TWO_GHZ)
    laptop = Laptop()
    five.start()
    story.level(five, BEFORE_DBM)
    laptop.start()
    laptop.wait_for_link(5180)
    start_traffic()
    story.moment("linked")

    story.program("check", "check", "--json")
    story.program("check as nobody", "check", "--json", user=NOBODY)
    daemon = Daemon()
    laptop.fix_rate(*UPLINK[0])
    five.fix_rate(*DOWNLINK[0])
    wait_for("the logger's start", lambda: rows_in_log("event") > 0, 120)
    with story.pace.let_go():
        wait_for("the first samples in the log", lambda: rows_in_log("sample") > 0, 60)
    story.program("at", "at", "wheel by the window")
    compare_two_stays(story, five, laptop, daemon)

    story.program("changed again", "changed", "router on the shelf")
    laptop.free_rate()
    two.start()
    story.level(two, -58)
    story.moment("5 GHz leaves the air")
    five.stop()
    laptop.wait_for_link(2437)
    story.moment("on 2.4 GHz")
    dwell_for_looks(story, "2.4 GHz")

    five.start()
    story.level(five, AFTER_DBM)
    laptop.command("scan", "TYPE=ONLY", "freq=5180")  # or it would move at once by itself
    wait_for("5 GHz in the scan", lambda: five.bssid in laptop.command("scan_results"))
    story.moment("asked to roam", answer=laptop.command("roam", five.bssid).strip())
    laptop.wait_for_link(5180)
    story.moment("back on 5 GHz")
    two.stop()
    story.pace.let_pass(3)

    width = ("sec_channel_offset=-1", "center_freq1=5190", "bandwidth=40", "ht", "vht")
    story.moment("asked to switch the channel", answer=five.command("chan_switch", "5", "5200", *width).strip())
    laptop.wait_for_link(5200)
    story.moment("on channel 40")
    dwell_for_looks(story, "channel 40")

    story.moment("router's plug pulled")
    five.set_mains(False)
    laptop.wait_for_no_link()
    story.moment("link lost")
    story.pace.let_pass(6)
    story.moment("router's plug back")
    five.set_mains(True)
    laptop.wait_for_link(5200)
    story.moment("link back")
    story.pace.let_pass(2)

    story.moment("interface down")
    run("ip", "link", "set", LAPTOP, "down")
    story.pace.let_pass(3)
    run("ip", "link", "set", LAPTOP, "up")
    laptop.wait_for_link(5200)
    story.moment("interface up")
    story.pace.let_pass(2)

    story.moment("card pulled out")
    run("iw", "dev", LAPTOP, "del")
    laptop.stop()
    story.pace.let_pass(4)
    run("iw", "phy", "phy1", "interface", "add", LAPTOP, "type", "managed")
    laptop.start()
    laptop.wait_for_link(5200)
    story.moment("card back")
    back = now_ms()
    with story.pace.let_go():
        wait_for("samples after the card's return", lambda: rows_in_log("sample", since_utc_ms=back + 2000) > 2, 60)

    story.moment("logging again")
    story.program("status", "status", "--json")
    story.moment("told to stop", alive=daemon.alive())
    code = daemon.stop()
    files = {path.name: stat.filemode(path.stat().st_mode) for path in LOG.parent.iterdir()}
    story.moment("stopped", code=code, files=files)
    for path in LOG.parent.iterdir():
        if path.is_file():
            shutil.copy(path, RESULTS)


def compare_two_stays(story: Story, five: AccessPoint, laptop: Laptop, daemon: Daemon) -> None:
    """A stay, the planted step with its tag, and another stay; and what the daemon costs meanwhile."""
    draw = random.Random(20)
    story.moment("first stay", **daemon.cost())
    stay(story, "first stay", five, BEFORE_DBM, draw)
    story.moment("first stay over", **daemon.cost())
    story.program("a second daemon", "log", "--interval", "1")
    step = now_ms()
    story.level(five, AFTER_DBM)
    laptop.fix_rate(*UPLINK[1])
    five.fix_rate(*DOWNLINK[1])
    when = datetime.fromtimestamp(step / 1000, UTC).isoformat(timespec="milliseconds")
    story.program("changed", "changed", "new antenna", "--set", "antenna.5.gain_dbi=8", "--at", when)
    story.moment("second stay", step_utc_ms=step)
    stay(story, "second stay", five, AFTER_DBM, draw)
    story.moment("second stay over")
    with story.pace.let_go():
        cost = shell_loop_cost(40)
    story.moment("shell loop", **cost)


def stay(story: Story, name: str, point: AccessPoint, mean_dbm: int, draw: random.Random) -> None:
    """The level wanders around its mean; now and then iw is asked, well after the last change of level."""
    for turn in range(round(STAY_S / WANDER_S)):
        story.level(point, mean_dbm + round(draw.gauss(0, WANDER_DB)))
        story.pace.let_pass(WANDER_S * 0.75)
        if turn % LOOK_EVERY == LOOK_EVERY - 1:
            story.look(name)
        story.pace.let_pass(WANDER_S * 0.25)


def dwell_for_looks(story: Story, name: str) -> None:
    """Long enough for data frames and a few samples, with iw asked in the middle."""
    story.pace.let_pass(4)
    story.look(name)
    story.pace.let_pass(2)


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


if __name__ == "__main__":
    os.environ["LINKTRIAL_DB"] = str(LOG)
    LOG.parent.mkdir(mode=0o700)
    told = Story(Pace())
    try:
        play(told)
    except Exception as error:
        told.moment("failed", error=f"{type(error).__name__}: {error}")
        if LOG.exists():
            shutil.copy(LOG, RESULTS)
        raise
    finally:
        told.save()
