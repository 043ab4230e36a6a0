"""What the link carries: the program's far end behind the router, a probe from the laptop, and plain downloads beside it.

The association alone is as fast as the emulated processor, so that whoever measures measures that. Both directions are
held to a known rate instead, at the radios' own queues: what is measured is to be that rate, less headers. Standard
library only.
"""

from __future__ import annotations

import os
import subprocess
import time
import urllib.request
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from air import IN_ROUTER, LAPTOP, ROUTER_ADDRESS, run, wait_for
from story import PROGRAM, RESULTS, Lab

SHAPED_MBPS = 4  # of Ethernet frames
DOWNLOAD_BYTES = 2_500_000  # some five seconds
SERVED = Path("/run/served")
PLAIN_PORT, FAR_END_PORT = 8080, 47317
TOKEN = Path("/run/far-end.token")


def transfers(lab: Lab) -> None:
    """A plain download, a probe of the program's, another plain download."""
    Path("/proc/sys/net/ipv4/ping_group_range").write_text("0 2147483647")  # as distributions have it
    run("ip", "route", "replace", "default", "via", ROUTER_ADDRESS, "dev", LAPTOP)
    with held_to_a_rate(lab), plain_server(), far_end():
        lab.story.program("pair", "probe", "--pair", ROUTER_ADDRESS, "--json", said=f"{TOKEN.read_text()}\n")
        lab.story.moment("plain download", mbps=plain_download_mbps())
        lab.story.moment("probe begins")
        lab.story.program("probe", "probe", "--anyway", "--json")
        lab.story.moment("probe is over")
        lab.story.moment("plain download again", mbps=plain_download_mbps())


@contextmanager
def held_to_a_rate(lab: Lab) -> Iterator[None]:
    """Both ends' queues let so much through."""
    bucket = ("root", "tbf", "rate", f"{SHAPED_MBPS}mbit", "burst", "16kb", "latency", "50ms")
    ends = (IN_ROUTER, lab.five.interface), ((), LAPTOP)
    for where, interface in ends:
        run(*where, "tc", "qdisc", "add", "dev", interface, *bucket)
    try:
        yield
    finally:
        for where, interface in ends:
            run(*where, "tc", "qdisc", "del", "dev", interface, "root")


@contextmanager
def plain_server() -> Iterator[None]:
    """Any HTTP server with a file."""
    SERVED.mkdir()
    (SERVED / "clay").write_bytes(os.urandom(DOWNLOAD_BYTES))
    command = [*IN_ROUTER, "busybox", "httpd", "-f", "-p", f"{ROUTER_ADDRESS}:{PLAIN_PORT}", "-h", str(SERVED)]
    with ended(subprocess.Popen(command)):
        yield


@contextmanager
def far_end() -> Iterator[None]:
    """The program's own."""
    log = open(RESULTS / "far-end.txt", "wb")  # noqa: SIM115
    options = ("--listen", ROUTER_ADDRESS, "--no-announce", "--token-file", str(TOKEN))
    with ended(subprocess.Popen([*IN_ROUTER, str(PROGRAM), "far-end", *options], stdout=log, stderr=log)):
        address = f"http://{ROUTER_ADDRESS}:{FAR_END_PORT}/"
        wait_for("the far end", lambda: answers(address), 120)
        yield


@contextmanager
def ended(process: subprocess.Popen[bytes]) -> Iterator[None]:
    try:
        yield
    finally:
        process.terminate()
        process.wait(30)


def answers(address: str) -> bool:
    try:
        with urllib.request.urlopen(address, timeout=2):
            return True
    except OSError:
        return False


def plain_download_mbps() -> float:
    """Of one file, from its first byte to its last."""
    with urllib.request.urlopen(f"http://{ROUTER_ADDRESS}:{PLAIN_PORT}/clay", timeout=30) as answer:
        begun_s, n_bytes = time.monotonic(), 0
        while part := answer.read(65536):
            n_bytes += len(part)
        return n_bytes * 8 / (time.monotonic() - begun_s) / 1e6
