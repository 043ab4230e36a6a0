"""What the daemon costs: resident memory, and processor time per sample against a shell loop at the same pace.

    python tests/bench/daemon_cost.py                      # on the machine's card, or on the simulated radio
    python tests/bench/daemon_cost.py --interface wlan1    # in the lab

The loop runs ``iw dev X station dump`` and ``sleep``, throws the answer away and keeps no log; the daemon reads far
more and keeps everything. Counted besides: how often the daemon wakes for each sample, its log being in memory so that no
disk is waited for, and how late after its point of the grid each sample was taken. The daemon commits after every second sample, as it does at its default pace. Measured are
the processor times that the kernel charges (/proc/PID/schedstat for the daemon, wait4 for the loop), after the start.

And what hearing others costs in an idle hour: reading the kernel's scan cache with 40 radios in it and keeping those watched
and, twice an hour, everyone, beside the hour's samples. Without a card the cache is played, byte by byte as the kernel tells it.
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import sqlite3
import struct
import subprocess
import sys
import tempfile
import time
from importlib.util import find_spec
from pathlib import Path
from typing import NamedTuple

WARM_UP_S = 4.0
ROOM_MB = 45.0
RADIOS, WATCHED_RADIOS = 40, 3
LOOKS_AN_HOUR, EVERYONE_AN_HOUR = 24, 2  # every 5 min by the clock and as often after a scan
SAMPLES_AN_HOUR = 720
HEARING_TURNS = 120
PROBES_EVERY_S = 3.0
NOBODY = 'probe_far_end = "http://127.0.0.1:9/"'


class Cost(NamedTuple):
    """Of the daemon: resident memory with and without what it shares with other processes, and time per sample."""

    resident_mb: float
    own_mb: float
    cpu_ms_per_sample: float
    n_samples: int
    wake_ups_per_sample: float  # without those for a disk only if there was none
    late_ms: list[int]  # behind each sample's point of the grid, sorted


def wireless_interface() -> str | None:
    """The first interface of this machine that the kernel calls wireless."""
    return next((path.parent.name for path in sorted(Path("/sys/class/net").glob("*/phy80211"))), None)


def daemon_cost(
    interface: str | None, interval_s: float, seconds: float, where: Path | None = None, more_settings: str = ""
) -> Cost:
    """Runs ``linktrial log`` for so long, on the interface or (None) on the simulated radio, with its log ``where``."""
    with tempfile.TemporaryDirectory(dir=where) as folder:
        log, settings = Path(folder, "bench.db"), Path(folder, "settings.toml")
        settings.write_text(f"commit_s = {2 * interval_s}\n{more_settings}")
        radio = ["--interface", interface] if interface else ["--simulated", "1"]
        daemon = subprocess.Popen(
            [sys.executable, "-m", "logger.console", "log", "--interval", str(interval_s), "--db", str(log), *radio],
            env=os.environ | {"LINKTRIAL_SETTINGS": str(settings)},
            stdout=subprocess.PIPE,
        )
        try:
            assert daemon.stdout
            daemon.stdout.readline()  # it has begun
            time.sleep(WARM_UP_S)
            before_ns, before_n, before = _cpu_ns(daemon.pid), _n_samples(log), _status(daemon.pid)
            time.sleep(seconds)
            spent_ns, status = _cpu_ns(daemon.pid) - before_ns, _status(daemon.pid)
        finally:
            daemon.send_signal(signal.SIGTERM)
            if daemon.wait(30):
                raise SystemExit(f"the daemon ended with {daemon.returncode}")
        n_samples = _n_samples(log) - before_n
        late_ms = sorted(time_ms % round(1000 * interval_s) for time_ms in _times_ms(log))
    resident_kb, shared_kb = (int(status[name].split()[0]) for name in ("VmRSS", "RssFile"))
    n_ticks = seconds / interval_s
    return Cost(
        resident_kb / 1024,
        (resident_kb - shared_kb) / 1024,
        spent_ns / 1e6 / n_samples,
        n_samples,
        (int(status["voluntary_ctxt_switches"]) - int(before["voluntary_ctxt_switches"])) / n_ticks,
        late_ms,
    )


class Hearing(NamedTuple):
    """Of one look at the cache: processor time, everyone told and the watched alone; and what it added in memory."""

    everyone_ms: float
    watched_ms: float
    added_mb: float


def hearing_cost(db_path: str) -> Hearing:
    """Looks as the daemon's job takes them, into a log of its own, on this very process."""
    from adapters.linux.scan_cache import decode_all_heard
    from logger.log import Log
    from logger.sighting_table import write_scan
    from logger.sightings.believable import believable

    cache = [_entry(n) for n in range(RADIOS)]
    before_kb = _resident_kb()
    spent_ms = {True: 0.0, False: 0.0}
    with Log.open(db_path) as log:
        for turn in range(HEARING_TURNS):
            everyone = turn % 2 == 0
            began_ns = time.process_time_ns()
            radios = [radio for radio in map(believable, decode_all_heard(cache, 0)) if radio is not None]
            assert len(radios) == RADIOS
            told = radios if everyone else radios[:WATCHED_RADIOS]
            with log.transaction() as db:
                write_scan(db, 1_790_000_000_000 + 150_000 * turn, told, active=False, everyone=everyone)
            spent_ms[everyone] += (time.process_time_ns() - began_ns) / 1e6
    each = HEARING_TURNS / 2
    return Hearing(spent_ms[True] / each, spent_ms[False] / each, (_resident_kb() - before_kb) / 1024)


def _entry(n: int) -> bytes:
    """One radio of the kernel's scan cache: 802.11ax, its name, country, load and capabilities, 330 bytes of elements."""

    def attribute(kind: int, payload: bytes) -> bytes:
        return struct.pack("=HH", 4 + len(payload), kind) + payload + bytes(-len(payload) % 4)

    def element(kind: int, payload: bytes) -> bytes:
        return bytes((kind, len(payload))) + payload

    channel = 36 + 4 * (n % 4)
    elements = element(0, b"network %02d" % n) + element(1, bytes(8)) + element(3, bytes([channel]))
    elements += element(7, b"DE " + bytes((36, 4, 23))) + element(11, bytes((3, 0, 90, 0, 0))) + element(32, b"\x03")
    elements += element(48, bytes(20)) + element(45, bytes(26)) + element(61, bytes([channel, 1]) + bytes(20))
    elements += element(191, bytes(12)) + element(192, bytes((1, 42, 0, 0, 0))) + element(127, bytes(10))
    elements += element(255, bytes(36)) + element(255, bytes([36]) + bytes(9)) + element(221, bytes(24)) * 4
    facts = attribute(1, bytes((2, 0, 0, 0, n // 256, n % 256))) + attribute(2, struct.pack("=I", 5000 + 5 * channel))
    facts += attribute(6, elements) + attribute(11, elements) + attribute(7, struct.pack("=i", -5000 - 50 * n))
    return attribute(3, struct.pack("=I", 3)) + attribute(47, facts + attribute(10, struct.pack("=I", 100 + n)))


def _resident_kb() -> int:
    return int(_status(os.getpid())["VmRSS"].split()[0])


def loop_cost_ms(command: str, interval_s: float, seconds: float) -> float:
    """Processor milliseconds per turn of a shell loop around ``command``, the shell's own included."""
    turns = max(1, round(seconds / interval_s))
    script = f"i=0; while [ $i -lt {turns} ]; do {command} >/dev/null 2>&1; sleep {interval_s}; i=$((i+1)); done"
    pid = os.posix_spawn("/bin/sh", ["sh", "-c", script], os.environ)
    _, status, usage = os.wait4(pid, 0)
    if status:
        raise SystemExit("the shell loop failed")
    return (usage.ru_utime + usage.ru_stime) * 1000 / turns


def _cpu_ns(pid: int) -> int:
    return int(Path(f"/proc/{pid}/schedstat").read_text().split()[0])  # the daemon has one thread


def _status(pid: int) -> dict[str, str]:
    return dict(line.split(":", 1) for line in Path(f"/proc/{pid}/status").read_text().splitlines())


def _times_ms(log: Path) -> list[int]:
    db = sqlite3.connect(log)
    try:
        return [row[0] for row in db.execute("SELECT time_utc_ms FROM sample")]
    finally:
        db.close()


def _n_samples(log: Path) -> int:
    db = sqlite3.connect(log)
    try:
        return int(db.execute("SELECT count(*) FROM sample").fetchone()[0])
    finally:
        db.close()


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--interface", help="else the first wireless one, else the simulated radio")
    parser.add_argument("--interval", type=float, default=0.5, metavar="SECONDS")
    parser.add_argument("--seconds", type=float, default=30.0, help="how long to measure each of the two")
    parser.add_argument("--hearing", metavar="LOG", help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.hearing:
        print(*hearing_cost(args.hearing))
        return
    interface = args.interface or wireless_interface()

    beside = [name for name in ("pandas", "plotly", "numpy") if find_spec(name)]
    print(f"installed beside it: {', '.join(beside) or 'none of pandas, plotly, numpy'}")
    cost = daemon_cost(interface, args.interval, args.seconds)
    where = f"{interface}, read through nl80211" if interface else "the simulated radio, because there is no card"
    print(f"daemon on {where}:")
    print(f"  resident memory   {cost.resident_mb:5.1f} MB (aim: {ROOM_MB:g}), {cost.own_mb:.1f} MB of it its own")
    print(f"  processor         {cost.cpu_ms_per_sample:5.2f} ms per sample, over {cost.n_samples} samples")

    # Whom nobody answers: what counts is that a child was begun again and again, and its rows looked at.
    probing = daemon_cost(
        interface, args.interval, args.seconds, more_settings=f"probe_every_s = {PROBES_EVERY_S:g}\n{NOBODY}\n"
    )
    print(f"  with a probe every {PROBES_EVERY_S:g} s, each in a child:")
    print(f"  resident memory   {probing.resident_mb:5.1f} MB, {probing.own_mb:.1f} MB of it its own")
    print(f"  processor         {probing.cpu_ms_per_sample:5.2f} ms per sample, the children's not counted")

    shm = Path("/dev/shm")
    if shm.is_dir():
        calm = daemon_cost(interface, args.interval, args.seconds, shm)
        late = calm.late_ms
        print(f"  wake-ups          {calm.wake_ups_per_sample:5.2f} per sample, its log in memory")
        print(
            f"  late by           {late[len(late) // 2]} ms in the median, {late[len(late) * 95 // 100]} in 95 of 100,"
            f" {late[-1]} at most (may be woken late by {50 * args.interval:g})"
        )

    with tempfile.TemporaryDirectory() as folder:
        command = [sys.executable, __file__, "--hearing", str(Path(folder, "heard.db"))]
        done = subprocess.run(command, check=True, capture_output=True, text=True)
    hearing = Hearing(*map(float, done.stdout.split()))
    hour_ms = (LOOKS_AN_HOUR - EVERYONE_AN_HOUR) * hearing.watched_ms + EVERYONE_AN_HOUR * hearing.everyone_ms
    share = hour_ms / (SAMPLES_AN_HOUR * cost.cpu_ms_per_sample)
    print(f"hearing {RADIOS} radios, {WATCHED_RADIOS} of them watched:")
    print(f"  processor         {hearing.watched_ms:5.2f} ms a look, {hearing.everyone_ms:.2f} where all are kept;")
    print(
        f"                    {hour_ms:5.0f} ms in an idle hour, {share:.2f} of what its {SAMPLES_AN_HOUR} samples take"
    )
    print(f"  resident memory   {hearing.added_mb:5.1f} MB more")

    if shutil.which("iw") is None:
        print("no shell loop to compare with: iw is not installed")
        return
    command = f"iw dev {interface} station dump" if interface else "iw dev"
    loop_ms = loop_cost_ms(command, args.interval, args.seconds)
    print(f"shell loop around '{command}':")
    print(f"  processor         {loop_ms:5.2f} ms per turn")
    if interface:
        print(f"the daemon takes {cost.cpu_ms_per_sample / loop_ms:.2f} of the loop's processor time per sample")
    else:
        print("without a card iw starts, finds no nl80211 and ends: this loop is cheaper than one that reads a link,")
        print(
            "and the daemon computes a radio instead of asking the kernel for one; only the lab compares like with like"
        )


if __name__ == "__main__":
    main()
