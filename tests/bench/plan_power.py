"""Whether a trial that was planned sees the difference as often as the plan says.

    python tests/bench/plan_power.py [--worlds 60] [--seed N] [--jobs 2] [--family NAME ...]

Per family: three days of one version are logged, a trial is planned for the difference from that noise alone, then
worlds run through it, the difference planted. They are judged at the end of the timetable, with the last stay open as
it would be, and once it has ended. Ends with code 1 where a difference is clearly seen more seldom than in 70 of 100
worlds.
"""

from __future__ import annotations

import argparse
import sys
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[2]))

from dashboards.analysis.effect import estimate_effect
from dashboards.analysis.outlook import learn_noise
from dashboards.analysis.plan import HOUR_S, Option, first_switch_s, least_difference, make_plan, power
from tests.bench.verdict.parts import clearly_more, head, line, over, share
from tests.bench.verdict.worlds import FAMILIES, Family, draw

DIFFERENCES_DB = {"d1": (6.0, 3.0, 1.2), "slow": (3.0,), "flicker": (2.5, 1.5), "daily3": (2.0,)}
HISTORY_H = 72.0
PROMISED, TOLERATED = 0.8, 0.1
FOR_EVER_S = 1e12


@dataclass(frozen=True)
class Seen:
    """One world's interval at the end of the timetable; ``running`` and ``ended``: whether it shows the difference."""

    running: bool
    ended: bool
    half_width: float
    widening: float


def planned_for(family: Family, difference_db: float, seed: int) -> Option:
    history = draw(replace(family, stays_h=(HISTORY_H,)), 0.0, np.random.default_rng([seed, 0])).blocks
    noise = learn_noise(history, "rssi")
    assert noise is not None
    starts_s = partial(first_switch_s, 9.5 * HOUR_S)
    plan = make_plan(noise, difference_db, margin=1.0, days=14, starts_s=starts_s)
    if plan is None or plan.best is None:
        raise SystemExit(f"no trial is planned for {difference_db:g} dB")
    return plan.best


def run_through(family: Family, option: Option, difference_db: float, seed: int, number: int) -> Seen:
    """One world of that timetable."""
    family = replace(family, stays_h=tuple(stay.lasts_s / HOUR_S for stay in option.stays))
    world = draw(family, difference_db, np.random.default_rng([seed, number]))
    effect = estimate_effect(world.readings.blocks(until_s=FOR_EVER_S), 1, 2, "rssi")
    assert effect.open
    low, high, anytime_low, anytime_high = _known(effect.low, effect.high, effect.anytime_low, effect.anytime_high)
    return Seen(anytime_low > 0, low > 0, (high - low) / 2, (anytime_high - anytime_low) / (high - low))


def _known(*ends: float | None) -> list[float]:
    return [np.nan if end is None else end for end in ends]


def main() -> int:
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--worlds", type=int, default=60)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--jobs", type=int, default=2)
    parser.add_argument("--family", action="append", choices=DIFFERENCES_DB)
    given = parser.parse_args()
    missed = []
    head("family", "planted, dB", "planned", "promised", "seen while it runs", "half width planned", "found", "widening planned",
         "found", "promised once ended", "seen")  # fmt: skip
    for name in given.family or DIFFERENCES_DB:
        for difference_db in DIFFERENCES_DB[name]:
            option = planned_for(FAMILIES[name], difference_db, given.seed)
            asked = [(FAMILIES[name], option, difference_db, given.seed, k + 1) for k in range(given.worlds)]
            seen = over(given.jobs, run_through, asked, f"{name}, {difference_db:g} dB")
            line(
                name,
                difference_db,
                f"{option.versions} of {option.turn_h} h",
                power(difference_db, option.half_width, option.widening),
                share(one.running for one in seen),
                option.half_width,
                float(np.median([one.half_width for one in seen])),
                option.widening,
                float(np.median([one.widening for one in seen])),
                power(difference_db, option.half_width),
                share(one.ended for one in seen),
            )
            if clearly_more(sum(not one.running for one in seen), len(seen), 1 - PROMISED + TOLERATED):
                missed.append(f"{name}, {difference_db:g} dB, planned to be seen from {_least(option)} dB")
    for miss in missed:
        print(f"missed: {miss}", file=sys.stderr)
    return int(bool(missed))


def _least(option: Option) -> str:
    return f"{least_difference(option.half_width, option.widening):.2f}"


if __name__ == "__main__":
    sys.exit(main())
