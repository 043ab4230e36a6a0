"""What a probe's transfers reach on loopback, through the real far end, beside curl to the same far end in the same run.

    python tests/bench/loopback.py [--rounds 5] [--seconds 2.5] [--streams 4]

Needs curl. Probe, curl and far end are processes of their own; the probe runs as `linktrial probe` does, with a round of
latency beside each transfer. Probe and curl go by turns, so that whatever else the machine does hits both; of each the
median counts. curl is told the token, answers the same challenge, and has as long as the probe. Ends with code 1 where
one stream of the probe, in either direction, moves less than 5 Gbit/s and less than half of what curl does.
"""

from __future__ import annotations

import argparse
import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from statistics import median

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT), str(ROOT / "tests")]

AIM_MBPS, AIM_SHARE = 5000.0, 0.5

_PROBE = """
import json, sys, time
from adapters.clock import SystemClock
from adapters.probing.echoes import find_echo
from adapters.probing.http_wire import Proof
from adapters.probing.latency import Asked, RoundBeside
from adapters.probing.target import far_end_target
from adapters.probing.transfer import Wish, run_transfer
from adapters.probing.way import Way
address, token, direction, streams, seconds = sys.argv[1:]
target, way = far_end_target(address, token), Way("lo")
family, where = way.resolve(target.host, target.port)[0]
asked = [Asked("far-end", find_echo(way, family, where, [target.port]))]
cpu_s = time.process_time()
wish = Wish(direction, int(streams), float(seconds))
with RoundBeside(asked) as beside:
    found = run_transfer(wish, target, way, Proof(token), SystemClock(), load=beside.load)
cpu_s = time.process_time() - cpu_s
p95_ms = asked[0].latency("down").p95_ms
all_mbps = found.bytes * 8 / found.duration_ms / 1000
print(json.dumps([found.goodput_mbps or all_mbps, 1000 * cpu_s / found.duration_ms, p95_ms, found.counted_by]))
"""


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=5)
    parser.add_argument("--seconds", type=float, default=2.5)
    parser.add_argument("--streams", type=int, default=4)
    args = parser.parse_args()
    missed = False
    print(f"{args.rounds} rounds of {args.seconds:g} s; load of the machine before: {os.getloadavg()[0]:.1f}")
    with tempfile.TemporaryDirectory() as folder, far_end(Path(folder)) as (port, token):
        for direction in ("down", "up"):
            curls, ones, several = [], [], []
            for _ in range(args.rounds):
                curls.append(curl_mbps(direction, port, token, args.seconds))
                ones.append(probe(direction, 1, port, token, args.seconds))
                several.append(probe(direction, args.streams, port, token, args.seconds))
            curl, one, more = (median(found) for found in (curls, [a[0] for a in ones], [a[0] for a in several]))
            cpu, p95 = median(a[1] for a in ones), median(a[2] for a in ones)
            print(
                f"{direction}: curl {curl:.0f} Mbit/s; one stream {one:.0f} ({one / curl:.2f} of curl, "
                f"{cpu:.2f} of a core), {args.streams} streams {more:.0f}; latency beside it, 95 % point: {p95:.2f} ms"
            )
            missed |= one < min(AIM_MBPS, AIM_SHARE * curl)
    print(
        f"aim: {AIM_MBPS:.0f} Mbit/s or {AIM_SHARE:g} of curl, whichever is lower: {'missed' if missed else 'reached'}"
    )
    return int(missed)


@contextmanager
def far_end(folder: Path) -> Iterator[tuple[int, str]]:
    """The command itself: its port and token."""
    words = [sys.executable, "-m", "logger.console", "far-end", "--json", "--port", "0", "--no-announce"]
    command = [*words, "--token-file", str(folder / "token"), "--max-daily-gb", "0", "--max-daily-gb-per-client", "0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT) as process:
        try:
            assert process.stdout is not None
            port = json.loads(process.stdout.readline())["port"]
            threading.Thread(target=process.stdout.read, daemon=True).start()
            yield port, (folder / "token").read_text().strip()
        finally:
            process.terminate()


def probe(direction: str, streams: int, port: int, token: str, seconds: float) -> tuple[float, float, float]:
    """Mbit/s, share of a core, and the 95 % point of the latency beside it in ms."""
    command = [sys.executable, "-c", _PROBE, f"127.0.0.1:{port}", token, direction, str(streams), str(seconds)]
    told = json.loads(subprocess.run(command, cwd=ROOT, check=True, capture_output=True, text=True).stdout)
    assert told[3] == "receiver"
    return told[0], told[1], told[2]


def curl_mbps(direction: str, port: int, token: str, seconds: float) -> float:
    """By its own count of bytes and time; its start is short against the seconds."""
    from needs import find_program

    curl = find_program("curl")
    if curl is None:
        sys.exit("needs curl: apt-get install curl")
    url = f"http://127.0.0.1:{port}/bytes"
    command = [curl, "--silent", "--digest", "--user", f"linktrial:{token}", "--output", os.devnull]
    command += ["--max-time", str(seconds), "--write-out", "%{size_download} %{size_upload}"]
    command += ["--upload-file", "/dev/zero", url] if direction == "up" else [f"{url}?count=1000000000000"]
    began = time.perf_counter()
    done = subprocess.run(command, capture_output=True, text=True, check=False)  # 28: its time was over
    took_s = time.perf_counter() - began
    return sum(map(float, done.stdout.split())) * 8 / took_s / 1e6


if __name__ == "__main__":
    sys.exit(main())
