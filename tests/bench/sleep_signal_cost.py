"""What listening for logind's word before sleep costs the daemon: resident memory and the time to open.

    python tests/bench/sleep_signal_cost.py

Needs dbus-daemon (Debian: dbus). Each figure is the difference that opening makes in a fresh process that has the
daemon's modules, median of nine, on a bus of its own.
"""

from __future__ import annotations

import os
import statistics
import subprocess
import sys
import tempfile
from pathlib import Path

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

_CHILD = """
import time, psutil
import logger.daemon, logger.schedule, adapters.linux.adapter, adapters.sleep_signal as sleep_signal
process = psutil.Process()
before = process.memory_info().rss
begun_s = time.perf_counter()
signal = sleep_signal.SleepSignal.open(lambda begins: None)
took_s = time.perf_counter() - begun_s
assert signal is not None
signal.hear()
print((process.memory_info().rss - before) / 1e6, 1000 * took_s)
"""


def main() -> None:
    from tests.adapters.private_bus import private_bus

    with tempfile.TemporaryDirectory() as folder, private_bus(Path(folder)) as address:
        environ = os.environ | {"DBUS_SYSTEM_BUS_ADDRESS": address}
        told = [
            subprocess.run([sys.executable, "-c", _CHILD], env=environ, capture_output=True, text=True, check=True)
            for _ in range(9)
        ]
    megabytes, took_ms = zip(*(map(float, one.stdout.split()) for one in told), strict=True)
    print(f"resident: {statistics.median(megabytes):.2f} MB more; opening: {statistics.median(took_ms):.1f} ms")


if __name__ == "__main__":
    main()
