"""How long an import takes, and an export.

    python tests/bench/import_speed.py [--rows 1000000]

A recording of two receivers at once, two bands each, five config versions, whole dB and a few rates. Ends with code 1
where the import takes longer than the aim of 30 s a million rows.
"""

from __future__ import annotations

import argparse
import csv
import resource
import sys
import tempfile
import time
from pathlib import Path
from random import Random

from logger.exchange.columns import COLUMNS, format_time
from logger.exchange.exporting import export_samples
from logger.exchange.importing import import_recording
from logger.log import Log
from logger.whole_file import whole_file

AIM_S_PER_MILLION = 30.0
START_MS = 1_790_000_000_000


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--rows", type=int, default=1_000_000)
    args = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        source, out = Path(folder) / "recording.csv", Path(folder) / "export.csv"
        write_recording(source, args.rows)
        with Log.open(Path(folder) / "pottery.db") as log:
            began = time.perf_counter()
            import_recording(log, source, now_utc_ms=START_MS, zone="UTC", quiet=not sys.stderr.isatty())
            import_s = time.perf_counter() - began
            began = time.perf_counter()
            with whole_file(out) as file:
                export_samples(log, file)
            export_s = time.perf_counter() - began
    resident_mb = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    s_per_million = import_s * 1e6 / args.rows
    print(
        f"{args.rows:,} rows: import {import_s:.1f} s, export {export_s:.1f} s, at most {resident_mb:.0f} MB resident"
    )
    print(f"{s_per_million:.1f} s per million rows imported (aim: at most {AIM_S_PER_MILLION:g})")
    return int(s_per_million > AIM_S_PER_MILLION)


def write_recording(path: Path, n_rows: int) -> None:
    random = Random(1)
    radios = [(spot, band) for spot in ("wheel by the window", "kiln room") for band in ("2.4", "5")]
    with path.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(COLUMNS)
        for number in range(n_rows):
            spot, band = radios[number % 4]
            share = number * 10 // n_rows
            connected = random.random() > 0.01
            level = round(random.gauss(-60, 4)) if connected else ""
            rates = [random.choice((6.5, 72.2, 144.4, 433.3, 866.7)) if connected else "" for _ in range(2)]
            writer.writerow(
                [format_time(START_MS + number // 4 * 5000), spot, share // 2 + 1, f"v{share % 5 + 1}", band, ""]
                + [level, *rates, -92, int(connected), "", int(number % 360 < 6)]
            )


if __name__ == "__main__":
    sys.exit(main())
