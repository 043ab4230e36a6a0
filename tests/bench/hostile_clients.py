"""A paired client of the far end while 200 hostile ones are at it: goodput, latency, and the far end's memory.

    python tests/bench/hostile_clients.py [--clients 200] [--seconds 60]

Needs curl. The far end, the hostile clients and the paired one are processes of their own on the same machine, so they
compete for its cores too, which processor time leaves out; "alone" is the same paired client before the others come, by
turns. The hostile kinds: tests/adapters/hostile.py. They come from 200 addresses, then all from one, which is the paired client's own.
"""

from __future__ import annotations

import argparse
import json
import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import psutil

ROOT = Path(__file__).parents[2]
sys.path[:0] = [str(ROOT)]

RESIDENT_MB = 64.0  # what strangers can make the far end take at most


@contextmanager
def far_end(folder: Path) -> Iterator[tuple[psutil.Process, int, str]]:
    """The command itself: its process, port and token."""
    words = [sys.executable, "-m", "logger.console", "far-end", "--json", "--port", "0", "--no-announce"]
    command = [*words, "--token-file", str(folder / "token"), "--max-daily-gb", "0", "--max-daily-gb-per-client", "0"]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT) as process:
        try:
            port = json.loads(process.stdout.readline())["port"]
            threading.Thread(target=process.stdout.read, daemon=True).start()
            yield psutil.Process(process.pid), port, (folder / "token").read_text().strip()
        finally:
            process.terminate()


class Phase:
    """What the paired client got: it downloads without a pause in one thread, and asks for one byte, on a new connection
    each time, in another."""

    def __init__(self) -> None:
        self.mbps: list[float] = []
        self.answer_ms: list[float] = []
        self.resident_mb: list[float] = []
        self.failed = 0
        self.cpu_s = 0.0  # of the far end

    def run(self, port: int, token: str, process: psutil.Process, seconds: float) -> None:
        self._url, self._token, self._process = f"http://127.0.0.1:{port}", token, process
        self._ends_s = time.monotonic() + seconds
        threads = [threading.Thread(target=job) for job in (self._transfer, self._ask, self._watch)]
        before_s = cpu_s(process)
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        self.cpu_s += cpu_s(process) - before_s

    def words(self) -> str:
        twentieths = statistics.quantiles(self.answer_ms, n=20)
        return (
            f"{statistics.median(self.mbps):.0f} Mbit/s (median of {len(self.mbps)} transfers of 1 GB), an answer in "
            f"{twentieths[9]:.1f} ms (median of {len(self.answer_ms)}; 95 %: {twentieths[18]:.1f} ms), {self.failed} failed; "
            f"{len(self.mbps) * 8 / self.cpu_s:.1f} Gbit of goodput for a second of the far end's processor time"
        )

    def _curl(self, target: str) -> tuple[float, float] | None:
        """Bytes a second and seconds, both requests; None if it failed."""
        told = subprocess.run(
            ["curl", "-s", "--max-time", "30", "--digest", "-u", f"linktrial:{self._token}", "-o", os.devnull]
            + ["-w", "%{http_code} %{speed_download} %{time_total}", self._url + target],
            capture_output=True,
            text=True,
        ).stdout.split()
        if not told or told[0] != "200":
            self.failed += 1
            return None
        return float(told[1]), float(told[2])

    def _transfer(self) -> None:
        while time.monotonic() < self._ends_s:
            if got := self._curl("/bytes?count=1000000000"):
                self.mbps.append(got[0] * 8 / 1e6)

    def _ask(self) -> None:
        while time.monotonic() < self._ends_s:
            if got := self._curl("/bytes?count=1"):
                self.answer_ms.append(got[1] * 1000)
            time.sleep(0.05)

    def _watch(self) -> None:
        while time.monotonic() < self._ends_s:
            self.resident_mb.append(self._process.memory_info().rss / 1e6)
            time.sleep(0.1)


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--clients", type=int, default=200)
    parser.add_argument("--seconds", type=float, default=60)
    args = parser.parse_args()
    rounds = 4  # by turns, for other work on the machine comes and goes
    for one_address in (False, True):
        with tempfile.TemporaryDirectory() as folder, far_end(Path(folder)) as (process, port, token):
            print(f"from {'the paired address' if one_address else 'other addresses'}:")
            alone, besieged, cost, came = Phase(), Phase(), [], Counter()
            for _ in range(rounds):
                alone.run(port, token, process, args.seconds / rounds)
                with siege(port, args.clients, one_address, came) as theirs:
                    time.sleep(2)
                    before_s = [cpu_s(one) for one in (process, theirs)]
                    time.sleep(3)
                    cost.append(
                        [(cpu_s(one) - then_s) / 3 for one, then_s in zip((process, theirs), before_s, strict=True)]
                    )
                    besieged.run(port, token, process, args.seconds / rounds)
            print(f"  alone:    {alone.words()}\n  besieged: {besieged.words()}")
            share = statistics.median(besieged.mbps) / statistics.median(alone.mbps)
            print(f"  share of the goodput alone: {share:.2f}; they came {sum(came.values())} times: {dict(came)}")
            ours, theirs_too = map(statistics.median, zip(*cost, strict=True))
            print(
                f"  without the paired client: the far end uses {ours:.2f} of a core, the hostile ones {theirs_too:.2f}"
            )
            print(f"  resident at most {max(besieged.resident_mb):.1f} MB (bound: {RESIDENT_MB:.0f})", flush=True)


def cpu_s(process: psutil.Process) -> float:
    return sum(process.cpu_times()[:2])


@contextmanager
def siege(port: int, clients: int, one_address: bool, came: Counter[str]) -> Iterator[psutil.Process]:
    words = [sys.executable, "-m", "tests.adapters.hostile", str(port), str(clients)]
    with subprocess.Popen(
        [*words, *(["127.0.0.1"] if one_address else [])], stdout=subprocess.PIPE, cwd=ROOT
    ) as process:
        process.stdout.readline()  # it has begun
        yield psutil.Process(process.pid)
        process.terminate()
        came.update(json.loads(process.stdout.read()))


if __name__ == "__main__":
    main()
