"""The act of the lab's story in which both of the router's bands are heard at once, and neighbours with them: by the daemon
as root, which has the card scan, and by another as an unprivileged user, which hears what the first one's scans leave.
Played by guest.py; test_hearing.py reads what the logs told."""

from __future__ import annotations

import os
import shutil
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

from air import LAPTOP, SSID, AccessPoint, add_radio, run, wait_for
from story import NOBODY, NOBODY_ID, PROGRAM, RESULTS, SETTINGS, Lab, now_ms, rows_in_log

# What each radio is heard at, in dBm, while how long: another level for each band, so that none is taken for the other.
TWO_DBM, FIVE_DBM = (-58, -67, -45), (-65, -71, -60)
HELD_S = 52.0  # a scan begins, half a minute after the last, and is over: it takes 14 s here
WATCH_EVERY_S = 30.0
NOBODYS_LOG = Path("/run/nobody/nobody.db")
BAKERY_DBM, KILN_DBM = -70, -75
# On channel 8, of whose width most lies within that of channel 6. It says that it has 3 stations, and that the channel is
# busy in 128 of 255 parts: the BSS Load element, written out.
BAKERY = """\
ssid=Bakery
hw_mode=g
channel=8
vendor_elements=0b05030080ffff
"""
# On channels 44 and 48, within the router's 80 MHz.
KILN = """\
ssid=Kiln
hw_mode=a
channel=44
ht_capab=[HT40+]
"""


def both_bands(lab: Lab, cost: Callable[[], dict[str, float]]) -> None:
    """Levels step on both bands, and two daemons hear them. ``cost``: of the first, so far."""
    story = lab.story
    lab.two.start()
    bakery, kiln = neighbour("wlan3", BAKERY), neighbour("wlan4", KILN)
    for point, level_dbm in ((bakery, BAKERY_DBM), (kiln, KILN_DBM)):
        point.start()
        story.level(point, level_dbm)
    story.level(lab.two, TWO_DBM[0])
    story.level(lab.five, FIVE_DBM[0])
    with nobodys_daemon(lab):
        story.moment("nobody logs")
        story.program("watch as nobody", "watch", SSID, "--db", str(NOBODYS_LOG), user=NOBODY)
        story.moment("nothing watched so far", bakery=bakery.bssid, kiln=kiln.bssid, **cost())
        story.program("watch", "watch", SSID, "--json")
        for two_dbm, five_dbm in zip(TWO_DBM, FIVE_DBM, strict=True):
            story.level(lab.two, two_dbm)
            story.level(lab.five, five_dbm)
            lab.pace.let_pass(HELD_S)
            story.tell("heard", at_utc_ms=now_ms(), boottime_s=boottime_s(), text=scan_cache())
        story.moment("heard on both bands", **cost())
        story.program("watch shows", "watch", "--json")
        story.program("watch stops", "watch", "--stop", SSID)
    for point in (lab.two, bakery, kiln):
        point.stop()


def boottime_s() -> float:
    """The clock by which the kernel stamps what it hears."""
    return time.clock_gettime(time.CLOCK_BOOTTIME)


def scan_cache() -> str:
    """What the system's own tool shows of all that was heard."""
    return run("iw", "dev", LAPTOP, "scan", "dump")


def neighbour(interface: str, settings: str) -> AccessPoint:
    """One more radio, and somebody else's access point on it."""
    add_radio(interface)
    return AccessPoint(interface, settings)


@contextmanager
def nobodys_daemon(lab: Lab) -> Iterator[None]:
    """Another log and its daemon, of a user without rights; carried out at the end."""
    NOBODYS_LOG.parent.mkdir()
    shutil.copy(SETTINGS, NOBODYS_LOG.parent)
    for path in (NOBODYS_LOG.parent, NOBODYS_LOG.parent / SETTINGS.name):
        os.chown(path, NOBODY_ID, NOBODY_ID)
    settings = f"LINKTRIAL_SETTINGS={NOBODYS_LOG.parent / SETTINGS.name}"
    command = [*NOBODY, settings, str(PROGRAM), "log", "--interval", "1", "--db", str(NOBODYS_LOG)]
    with open(RESULTS / "nobody.txt", "wb") as said:
        daemon = subprocess.Popen(command, stdout=said, stderr=subprocess.STDOUT)
        try:
            wait_for("nobody's first samples", lambda: rows_in_log("sample", log=NOBODYS_LOG) > 0, 120)
            yield
        finally:
            daemon.terminate()
            lab.story.moment("nobody stopped", code=daemon.wait(60))
            shutil.copy(NOBODYS_LOG, RESULTS)
