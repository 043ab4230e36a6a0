"""What it costs to hear a full house: entries of the scan cache as a real kernel gave them, decoded.

    python tests/bench/hearing_cost.py

Resident memory grows once, by the decoder of elements, which is imported when somebody first asks who is on the air.
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

from adapters.linux.adapter import LinuxAdapter

sys.path[:0] = [str(Path(__file__).parents[1]), str(Path(__file__).parents[2])]

N_RADIOS, N_TIMES = 60, 200


def resident_kb() -> int:
    status = Path("/proc/self/status").read_text("ascii")
    return next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmRSS"))


def full_house() -> LinuxAdapter:
    """Two captured entries again and again, each with an address of its own (bytes 3 to 5 of the BSSID)."""
    from tests.adapters.netlink_builder import capture
    from tests.adapters.played_laptop import adapter_on, laptop

    entries = []
    for number in range(N_RADIOS):
        entry = capture(("scan-24ghz", "scan-other")[number % 2])
        at = entry.index(bytes.fromhex("0a000100")) + 4  # attribute 1 of 10 bytes: the address
        entries.append(entry[: at + 3] + number.to_bytes(3, "big") + entry[at + 6 :])
    return adapter_on(laptop(SCAN=entries))


def main() -> None:
    adapter = full_house()
    adapter.read()
    before_kb = resident_kb()
    heard = adapter.heard()
    assert len(heard) == N_RADIOS
    first_kb = resident_kb() - before_kb
    since = time.process_time()
    for _ in range(N_TIMES):
        adapter.heard()
    spent_ms = 1000 * (time.process_time() - since) / N_TIMES
    print(f"{N_RADIOS} radios heard: {spent_ms:.1f} ms of CPU, the played kernel's included")
    print(f"resident memory, once: {first_kb} KB more; after {N_TIMES} times {resident_kb() - before_kb} KB")


if __name__ == "__main__":
    main()
