"""How often the verdict on a finished trial is right where the fair oracle's would be, and how often no-difference is
wrong just outside the margin."""

from __future__ import annotations

from functools import partial

import numpy as np

from tests.bench.verdict import oracle
from tests.bench.verdict.coverage import Seen, look_at
from tests.bench.verdict.oracle import NORMAL_95
from tests.bench.verdict.parts import Wanted, clearly_more, head, line, over, share
from tests.bench.verdict.worlds import FAMILIES, Family, simulate

WASHOUT_S = 120.0
NORMAL_90 = 1.281552  # the 90 % point
MARGIN_DB = 1.0  # the default
OUTSIDE_DB = 1.05
PLANTED_DB = (0.0, OUTSIDE_DB, 0.0, -OUTSIDE_DB)  # by turns
WORLDS_FOR_SD = 6
NARROW = ("white", "d3", "abab12", "aba24", "d7", "week", "scattered", "places")  # the oracle knows them to 1 dB
QUICK_FAMILIES, QUICK_NARROW, QUICK_WORLDS = ("d1", "abab12"), ("week",), 12


def run(wanted: Wanted) -> list[str]:
    """Print both tables. Returns what is clearly missed."""
    return _verdicts(wanted) + _margins(wanted)


def seen_at(family: Family, wanted: Wanted, worlds: int, planted_db: tuple[float, ...], name: str) -> list[Seen]:
    """The widest scope of each world, ``planted_db`` by turns."""
    work = partial(look_at, both_scopes=False)
    asked = [(family, wanted.seed + 1000, k, (WASHOUT_S,), planted_db[k % len(planted_db)]) for k in range(worlds)]
    return [seen[0] for seen in over(wanted.jobs, work, asked, name)]


def effect_that_the_oracle_sees(family: Family, wanted: Wanted) -> float:
    """In dB; its interval leaves out zero in 90 of 100 worlds."""
    scope = "location" if family.placement_every else "position"
    sds = [
        oracle.ask(family, simulate(family, 0.0, wanted.rng(k)), washout_s=WASHOUT_S, scope=scope).sd
        for k in range(WORLDS_FOR_SD)
    ]
    return (NORMAL_95 + NORMAL_90) * float(np.mean(sds))


def right(seen: Seen) -> bool:
    return seen.verdict == ("better" if seen.planted > 0 else "worse")


def right_by_oracle(seen: Seen) -> bool:
    return bool(seen.oracle.estimate * np.sign(seen.planted) > seen.oracle.half_width)


def _verdicts(wanted: Wanted) -> list[str]:
    names = wanted.names(FAMILIES, QUICK_FAMILIES)
    worlds = QUICK_WORLDS if wanted.quick else max(wanted.worlds // 2, 1)
    print("The effect planted, up and down by turns, is the one that the oracle sees in 90 worlds of 100.\n")
    head(
        "family",
        "planted, dB",
        "worlds",
        "right",
        "the oracle's right",
        "of the wrong sign",
        "no-difference",
        "undecided",
    )
    everything: list[Seen] = []
    for name in names:
        planted_db = effect_that_the_oracle_sees(FAMILIES[name], wanted)
        seen = seen_at(FAMILIES[name], wanted, worlds, (planted_db, -planted_db), name)
        everything += seen
        line(name, planted_db, len(seen), *_shares(seen))
    line("all", None, len(everything), *_shares(everything))
    wrong = [not right(one) for one in everything]
    if clearly_more(sum(wrong), len(wrong), 0.2):
        return [f"the verdict was not right in {sum(wrong)} of {len(wrong)} worlds"]
    return []


def _shares(seen: list[Seen]) -> list[str]:
    return [
        share(right(one) for one in seen),
        share(right_by_oracle(one) for one in seen),
        share(one.false_finding and not right(one) for one in seen),
        share(one.verdict == "no-difference" for one in seen),
        share(one.verdict == "undecided" for one in seen),
    ]


def _margins(wanted: Wanted) -> list[str]:
    names = wanted.names(NARROW, QUICK_NARROW)
    worlds = QUICK_WORLDS if wanted.quick else wanted.worlds
    print(f"\nThe margin is {MARGIN_DB:g} dB; {OUTSIDE_DB} dB is planted, either way, or nothing.\n")
    head(
        *("family", "worlds just outside", "wrongly no-difference", "worlds without effect", "no-difference"),
        *("the oracle's no-difference", "wrongly better or worse"),
    )
    everything: list[Seen] = []
    for name in names:
        seen = seen_at(FAMILIES[name], wanted, worlds, PLANTED_DB, f"{name}, margin")
        everything += seen
        line(name, *_of_margin(seen))
    line("all", *_of_margin(everything))
    wrong = [one.verdict == "no-difference" for one in everything if one.planted != 0]
    if clearly_more(sum(wrong), len(wrong), 0.05):
        return [f"no-difference was wrong in {sum(wrong)} of {len(wrong)} worlds"]
    return []


def _of_margin(seen: list[Seen]) -> list[object]:
    outside = [one for one in seen if one.planted != 0]
    nulls = [one for one in seen if one.planted == 0]
    return [
        len(outside),
        share(one.verdict == "no-difference" for one in outside),
        len(nulls),
        share(one.verdict == "no-difference" for one in nulls),
        share(abs(one.oracle.estimate) + one.oracle.half_width < MARGIN_DB for one in nulls),
        share(one.false_finding for one in nulls),
    ]
