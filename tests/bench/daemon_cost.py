"""What the daemon costs: resident memory, and processor time per sample against a shell loop at the same pace.

    python tests/bench/daemon_cost.py                      # on the machine's card, or on the simulated radio
    python tests/bench/daemon_cost.py --interface wlan1    # in the lab

The loop runs ``iw dev X station dump`` and ``sleep``, throws the answer away and keeps no log; the daemon reads far
more and keeps everything. Counted besides: how often the daemon wakes for each sample, its log being in memory so that no
disk is waited for, and how late after its point of the grid each sample was taken. The daemon commits after every second sample, as it does at its default pace. Measured are
the processor times that the kernel charges (/proc/PID/schedstat for the daemon, wait4 for the loop), after the start.
"""

from __future__ import annotations

import argparse
import os
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
import time
from importlib.util import find_spec
from pathlib import Path
from typing import NamedTuple

WARM_UP_S = 4.0
ROOM_MB = 45.0


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


def daemon_cost(interface: str | None, interval_s: float, seconds: float, where: Path | None = None) -> Cost:
    """Runs ``linktrial log`` for so long, on the interface or (None) on the simulated radio, with its log ``where``."""
    with tempfile.TemporaryDirectory(dir=where) as folder:
        log, settings = Path(folder, "bench.db"), Path(folder, "settings.toml")
        settings.write_text(f"commit_s = {2 * interval_s}\n")
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
    args = parser.parse_args()
    interface = args.interface or wireless_interface()

    beside = [name for name in ("pandas", "plotly", "numpy") if find_spec(name)]
    print(f"installed beside it: {', '.join(beside) or 'none of pandas, plotly, numpy'}")
    cost = daemon_cost(interface, args.interval, args.seconds)
    where = f"{interface}, read through nl80211" if interface else "the simulated radio, because there is no card"
    print(f"daemon on {where}:")
    print(f"  resident memory   {cost.resident_mb:5.1f} MB (aim: {ROOM_MB:g}), {cost.own_mb:.1f} MB of it its own")
    print(f"  processor         {cost.cpu_ms_per_sample:5.2f} ms per sample, over {cost.n_samples} samples")

    shm = Path("/dev/shm")
    if shm.is_dir():
        calm = daemon_cost(interface, args.interval, args.seconds, shm)
        late = calm.late_ms
        print(f"  wake-ups          {calm.wake_ups_per_sample:5.2f} per sample, its log in memory")
        print(
            f"  late by           {late[len(late) // 2]} ms in the median, {late[len(late) * 95 // 100]} in 95 of 100,"
            f" {late[-1]} at most (may be woken late by {50 * args.interval:g})"
        )

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
