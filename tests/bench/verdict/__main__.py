"""Whether the verdict is right: intervals, verdicts, looking early and unexplained changes, over simulated worlds.

    python tests/bench/verdict [PART ...] [--worlds 200] [--seed N] [--jobs 2] [--quick] [--family NAME]

coverage  how often intervals hold the truth, and how wide they are, beside those of an oracle that knows the noise
power     how often the verdict is right where the oracle's would be, and how often no-difference is wrong
looks     how often a running trial that changes nothing is ever called better or worse, looked at every hour
counts    the same of outages and drop-outs, and how often their intervals hold the truth
probes    how often intervals hold that rest on probes, one each 30 min, and on sightings, one each 5 min
steps     how often a change that nobody wrote down is found, and how often one is seen that was none

Tables in Markdown on standard output, progress on standard error. --quick is a short form of under a minute that ends
with code 1 on a clear miss.
"""

from __future__ import annotations

import argparse
import sys
from importlib import import_module
from pathlib import Path

ROOT = Path(__file__).resolve().parents[3]
if __package__ in (None, ""):  # run as a folder: what is in it must not be taken for top-level modules
    sys.path[0] = str(ROOT)

PARTS = ("coverage", "power", "looks", "counts", "probes", "steps")


def main() -> int:
    from tests.bench.verdict.parts import FALSE_FAILURE, Wanted

    parser = argparse.ArgumentParser(
        prog="tests/bench/verdict", description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("parts", nargs="*", metavar="PART", help="; ".join(PARTS) + " (all of them)")
    parser.add_argument("--worlds", type=int, default=200, help="of each family")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2, help="processes")
    parser.add_argument("--quick", action="store_true")
    parser.add_argument("--family", action="append", default=[], help="only this one, of each part that has it")
    parser.add_argument("--raw", type=Path, metavar="FILE", help="append every effect of coverage, a line of JSON each")
    given = parser.parse_args()
    asked = [part for part in PARTS if part in (given.parts or PARTS)]
    modules = {part: import_module(f"tests.bench.verdict.{part}") for part in asked}
    families = sorted({name for module in modules.values() for name in getattr(module, "FAMILIES", ())})
    for name, known in [(name, PARTS) for name in given.parts] + [(name, families) for name in given.family]:
        if name not in known:
            parser.error(f"there is no {name!r}, only {', '.join(known)}")
    wanted = Wanted(given.worlds, given.seed, given.jobs, given.quick, tuple(given.family), given.raw)
    missed: list[str] = []
    for part, module in modules.items():
        print(f"\n## {part}\n", flush=True)
        missed += module.run(wanted)
    if given.quick:
        print(
            f"\nEach check of the short form fails a right method by chance at most once in {1 / FALSE_FAILURE:.0f} seeds."
        )
    for miss in missed:
        print(f"missed: {miss}", file=sys.stderr)
    return int(bool(missed) and given.quick)


if __name__ == "__main__":
    sys.exit(main())
