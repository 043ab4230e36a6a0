"""How long `linktrial at LOCATION` takes from the command to its end, against a bare `python -c pass`.

    python tests/bench/start_up.py [--rounds 20]

The two run by turns, so that whatever else the machine does hits both; of each the median counts. The log lies in a
temporary folder and has begun already. Both use compiled modules, as an installed program does: a first turn that does
not count compiles them into a folder of this benchmark's own, whatever PYTHONDONTWRITEBYTECODE says. Ends with code 1
above the aim.
"""

from __future__ import annotations

import argparse
import os
import subprocess
import sys
import tempfile
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from statistics import median

AIM_RATIO = 5.0
PROGRAM = Path(sys.executable).with_name("linktrial")  # as it is installed


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rounds", type=int, default=20)
    args = parser.parse_args()
    if not PROGRAM.exists():
        print(f"{PROGRAM} is not there; install linktrial into this Python first", file=sys.stderr)
        return 1
    bare, ours = [], []
    with tempfile.TemporaryDirectory() as folder:
        environment = {key: value for key, value in os.environ.items() if key != "PYTHONDONTWRITEBYTECODE"}
        environment["PYTHONPYCACHEPREFIX"] = str(Path(folder) / "compiled")
        log = str(Path(folder) / "pottery.db")
        for turn in range(-2, args.rounds):
            location = ("wheel by the window", "kiln room")[turn % 2]
            bare_s = seconds([sys.executable, "-c", "pass"], environment)
            our_s = seconds([str(PROGRAM), "at", location, "--db", log], environment)
            if turn >= 0:
                bare.append(bare_s)
                ours.append(our_s)
    ratio = median(ours) / median(bare)
    print(f"python -c pass: {median(bare) * 1000:.0f} ms; linktrial at: {median(ours) * 1000:.0f} ms")
    print(f"{ratio:.1f} times (aim: at most {AIM_RATIO:g})")
    return int(ratio > AIM_RATIO)


def seconds(command: Sequence[str], environment: Mapping[str, str]) -> float:
    """From the start of a command to its end."""
    began = time.perf_counter()
    subprocess.run(command, check=True, stdout=subprocess.DEVNULL, env=environment)
    return time.perf_counter() - began


if __name__ == "__main__":
    sys.exit(main())
