"""How often the 95 % interval of an effect holds the truth, and how wide it is, beside the fair oracle's."""

from __future__ import annotations

import json
import time
from collections.abc import Iterable
from dataclasses import asdict, dataclass, replace
from itertools import chain
from pathlib import Path

import numpy as np
import pandas as pd

from dashboards.analysis.effect import estimate_effect
from tests.bench.verdict import oracle
from tests.bench.verdict.oracle import Told
from tests.bench.verdict.parts import Wanted, clearly_more, head, line, over, share
from tests.bench.verdict.worlds import FAMILIES, Family, draw, simulate

EFFECTS_DB = (0.0, 1.0, 3.0, 10.0, -6.0)  # planted by turns
WASHOUTS_S = (0.0, 120.0)  # as in the study, for its families, and as by default
QUICK_FAMILIES, QUICK_WORLDS = ("h2", "d1", "abab12", "many", "hop"), 12


@dataclass(frozen=True)
class Seen:
    """One effect of one world, with what the oracle says of the same blocks."""

    washout_s: float
    scope: str
    planted: float  # at the location on the whole
    truth: float  # at the placement that is spoken of
    low: float  # all numbers where there is too little for an interval
    high: float
    verdict: str
    larger_than_it_seems: bool  # so the effect says
    oracle: Told
    seconds: float  # of processor time

    @property
    def held(self) -> bool:
        return self.low <= self.truth <= self.high

    @property
    def is_null(self) -> bool:
        return self.planted == 0 and (self.scope == "location" or self.truth == 0)

    @property
    def half_width(self) -> float:
        return (self.high - self.low) / 2

    @property
    def false_finding(self) -> bool:
        return self.verdict in ("better", "worse")


def look_at(
    family: Family,
    seed: int,
    number: int,
    washouts_s: tuple[float, ...] = WASHOUTS_S,
    planted: float | None = None,
    *,
    both_scopes: bool = True,
) -> list[Seen]:
    """One world: every washout, and every scope that it allows. ``planted``: by turns if None."""
    if planted is None:
        planted = EFFECTS_DB[number % len(EFFECTS_DB)]
    world = draw(family, planted, np.random.default_rng([seed, number]))
    asked = [("position", world.blocks, planted)]
    if family.placement_every:
        asked = [("location", world.blocks, world.at_new_placement_db), ("position", *world.at_first_placement)][
            : 1 + both_scopes
        ]
    heard = None
    if not np.isneginf(family.heard_above_dbm):  # the oracle is asked on the same world with nothing withheld
        whole = replace(family, heard_above_dbm=-np.inf)
        heard = simulate(whole, planted, np.random.default_rng([seed, number]))
    return [
        _seen(family, scope, blocks, planted, truth, washout_s, blocks if heard is None else heard)
        for scope, blocks, truth in asked
        for washout_s in washouts_s
    ]


def _seen(
    family: Family,
    scope: str,
    blocks: pd.DataFrame,
    planted: float,
    truth: float,
    washout_s: float,
    for_oracle: pd.DataFrame,
) -> Seen:
    began_s = time.process_time()
    effect = estimate_effect(blocks, 1, 2, "rssi", washout_s=washout_s)
    took_s = time.process_time() - began_s
    low, high = (-np.inf, np.inf) if effect.low is None or effect.high is None else (effect.low, effect.high)
    told = oracle.ask(family, for_oracle, washout_s=washout_s, scope=scope)
    larger = any("larger than it seems" in warning for warning in effect.warnings)
    return Seen(washout_s, scope, planted, truth, low, high, effect.verdict, larger, told, took_s)


@dataclass(frozen=True)
class Tally:
    """What one family showed with one washout and scope."""

    worlds: int
    held: float
    half_width: float
    wrong: float  # better or worse where nothing was planted
    seconds: float  # of processor time per effect


def tally(family: Family, worlds: int, seed: int, washout_s: float) -> Tally:
    seen = [look_at(family, seed, number, (washout_s,))[0] for number in range(worlds)]
    nulls = [one.false_finding for one in seen if one.is_null]
    return Tally(
        worlds,
        float(np.mean([one.held for one in seen])),
        float(np.median([one.half_width for one in seen])),
        float(np.mean(nulls)),
        float(np.mean([one.seconds for one in seen])),
    )


LEGEND = (
    "Held: the share of 95 % intervals that hold the truth, its standard error in brackets. Half widths: the median, dB. "
    f"Effects of {', '.join(f'{effect_db:g}' for effect_db in EFFECTS_DB)} dB by turns; false findings are those where "
    "there is none, with a washout of 120 s. At a location the truth is what a new placement would show, at a position "
    "what was planted at the first placement.\n"
)


def run(wanted: Wanted) -> list[str]:
    """Print the table. Returns what is clearly missed."""
    print(LEGEND)
    head(
        *("family", "scope", "worlds", "held, washout 0", "held, 120 s", "the oracle's held"),
        *("half width, washout 0", "study", "oracle", "study's oracle", "half width, 120 s", "oracle, 120 s"),
        *("false finding", "CPU s"),
    )
    found: dict[str, list[list[Seen]]] = {}  # by family and world
    for name in wanted.names(FAMILIES, QUICK_FAMILIES):
        family = FAMILIES[name]
        worlds = QUICK_WORLDS if wanted.quick else wanted.worlds
        washouts_s = WASHOUTS_S if family.study_half_width and not wanted.quick else WASHOUTS_S[1:]
        asked = [(family, wanted.seed, number, washouts_s) for number in range(worlds)]
        found[name] = over(wanted.jobs, look_at, asked, name)
        _keep(wanted.raw, name, found[name])
        seen = list(chain.from_iterable(found[name]))
        for scope in dict.fromkeys(one.scope for one in seen):
            _row(name, family, [one for one in seen if one.scope == scope])
    worlds_seen = list(chain.from_iterable(found.values()))
    everything = list(chain.from_iterable(worlds_seen))
    false, seconds = _false_findings(everything), _seconds(everything)
    line("all", "", len(worlds_seen), *_held(everything), *[None] * 6, false, seconds)
    print(_about_weak(list(chain.from_iterable(found.get("weak", [])))), end="")
    # One effect of each world: those of one world are not independent.
    misses = [not next(one.held for one in seen if one.washout_s > 0) for seen in worlds_seen]
    if clearly_more(sum(misses), len(misses), 0.05):
        return [f"intervals of 95 % missed the truth in {sum(misses)} of {len(misses)} worlds"]
    return []


def _about_weak(seen: list[Seen]) -> str:
    """Why a link that is read only when it is strong misses."""
    fell, rest = ([one for one in seen if (one.truth < -1) == lower] for lower in (True, False))
    if not fell:
        return ""
    lost = [one for one in fell if not one.held]
    return (
        "\nOf a weak link only readings of -87 dBm and more come through. Where its level of -84 dBm fell by 6 dB, "
        f"intervals held the truth in {share(one.held for one in fell)} of worlds, for what is read are its best "
        f"moments; of those that missed {share(one.larger_than_it_seems for one in lost)} said that the difference is "
        f"larger than it seems, and {share(one.verdict == 'worse' for one in lost)} had the right verdict. Elsewhere "
        f"{share(one.held for one in rest)} held. The oracle is asked on the readings that did not come, too.\n"
    )


def _keep(path: Path | None, name: str, by_world: list[list[Seen]]) -> None:
    """Every effect, a line each, for those who want to know which ones missed."""
    if path is None:
        return
    with path.open("a") as lines:
        for number, seen in enumerate(by_world):
            for one in seen:
                lines.write(json.dumps({"family": name, "world": number} | asdict(one)) + "\n")


def _row(name: str, family: Family, seen: list[Seen]) -> None:
    here = family if not family.placement_every or seen[0].scope == "location" else Family(())
    plain, washed = ([one for one in seen if one.washout_s == washout_s] for washout_s in WASHOUTS_S)
    line(
        name,
        seen[0].scope,
        len(washed),
        *_held(seen),
        _median(one.half_width for one in plain),
        here.study_half_width,
        _median(one.oracle.half_width for one in plain),
        here.study_oracle,
        _median(one.half_width for one in washed),
        _median(one.oracle.half_width for one in washed),
        _false_findings(seen),
        _seconds(seen),
    )


def _held(seen: list[Seen]) -> list[str]:
    shares = [share(one.held for one in seen if one.washout_s == washout_s) for washout_s in WASHOUTS_S]
    return [*shares, share(one.oracle.holds(one.truth) for one in seen if one.washout_s > 0)]


def _false_findings(seen: list[Seen]) -> str:
    return share(one.false_finding for one in seen if one.is_null and one.washout_s > 0)


def _seconds(seen: list[Seen]) -> float:
    return float(np.mean([one.seconds for one in seen]))


def _median(widths: Iterable[float]) -> float | None:
    listed = list(widths)
    return float(np.median(listed)) if listed else None
