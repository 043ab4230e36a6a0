"""One word for what a change did at one location, in one band, from all its metrics.

Up to seven metrics are up to seven chances of a false finding, so it takes more than one that is better by itself. Each
of the two directions is one finding (Simes' test of its metrics, see directions), each of outage, drop-outs and noise
another; the p-value of a finding is that of either sign, twice the smaller one. Which of them count is found by Holm's
rule (Scand. J. Statist. 6 (1979) 65): of m findings the clearest has to hold at an m-th of the error, the next at an
(m - 1)-th, and so on until one fails; from there on none counts. However the findings hang together, a change that
does nothing is then called better or worse at most 5 times in 100, not 5 times for each finding; and where it does
something to some of them, that any of the others is said to have changed is as seldom. It costs sight: of five findings
the clearest needs an interval of 99 % that leaves out "no difference". All this is of one location and band: each
further one has its own 5 in 100.

What the link can carry, by probes and by how busy the channel is, has a word of its own (``carried``), by the same rule
over CARRIED: were these findings of the same family, each of them would cost the word above sight, and probing a link
would make it harder to tell whether it changed. So there are two words, each wrong at most 5 times in 100. A radio that
scans hear is told by one metric, and each is a place of its own.

"No difference" is said where RSSI, which tells it best, shows none that matters, and nothing else is better or worse
even by itself. That is a test of its own, of one metric, and needs no allowance.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

from dashboards.analysis.directions import DOWNLINK, UPLINK, Change, Direction, Directions, chance, directions, simes
from dashboards.analysis.effect_value import Effect

ALONE = ("outage", "drop-outs", "noise")
CLEAREST = "rssi"
CARRIED = ("transfer-down", "transfer-up", "latency-idle", "latency-loaded", "loss", "busy-share")
_CHANGES: Mapping[tuple[str, ...], Change] = {
    ("better",): "improved",
    ("worse",): "worsened",
    ("better", "worse"): "mixed",
}

Word = Literal["better", "worse", "mixed", "no-difference", "undecided"]


@dataclass(frozen=True)
class Headline:
    """``decided_by``: the metrics that the word comes from, by verdict, none where it is "undecided". ``by_itself``:
    those that are better or worse by themselves but not among so many (``n_findings``). ``ways``: the directions as
    they count here: unknown where what is told of them does not hold among the others."""

    word: Word
    decided_by: tuple[str, ...]
    by_itself: tuple[str, ...]
    n_findings: int
    ways: Directions


@dataclass(frozen=True)
class _Finding:
    """What one direction, or one metric that is of none, says for each of both verdicts: p-value and metrics."""

    sides: Mapping[str, tuple[float, tuple[str, ...]]]
    confidence: float

    @property
    def p(self) -> float:
        return 2 * min(p for p, _ in self.sides.values())

    def held(self, error: float) -> dict[str, tuple[str, ...]]:
        """The verdicts that hold at so much error, with their metrics."""
        return {verdict: told for verdict, (p, told) in self.sides.items() if told and 2 * p <= error}


def headline(effects: Mapping[str, Effect]) -> Headline:
    """From the effects of one location and band, by metric, in the order in which they are told."""
    return _word((DOWNLINK, UPLINK, *((name,) for name in ALONE)), effects)


def carried(effects: Mapping[str, Effect]) -> Headline:
    """As headline, of what the link can carry; each metric is a finding."""
    return _word([(name,) for name in CARRIED], effects)


def by_itself_only(effects: Mapping[str, Effect]) -> tuple[str, ...]:
    """The metrics that are better or worse by themselves, but count in neither word."""
    return headline(effects).by_itself + carried(effects).by_itself


def _word(groups: Sequence[tuple[str, ...]], everything: Mapping[str, Effect]) -> Headline:
    family = {name for group in groups for name in group}
    effects = {name: effect for name, effect in everything.items() if name in family}
    findings = {group: found for group in groups if (found := _finding(effects, group))}
    held = _holm(findings)
    verdicts = {verdict for found in held.values() for verdict in found}
    said = {name for found in held.values() for told in found.values() for name in told}
    moved = [name for name, effect in effects.items() if effect.verdict in ("better", "worse")]
    word: Word = "undecided"
    decided_by: tuple[str, ...] = tuple(name for name in moved if name in said)
    if verdicts:
        word = "mixed" if len(verdicts) == 2 else "better" if "better" in verdicts else "worse"
    elif not moved and CLEAREST in effects and effects[CLEAREST].verdict == "no-difference":
        word, decided_by = "no-difference", (CLEAREST,)
    ways = directions(effects)
    return Headline(
        word=word,
        decided_by=decided_by,
        by_itself=tuple(name for name in moved if name not in said),
        n_findings=len(findings),
        ways=Directions(
            _as_it_counts(ways.downlink, held.get(DOWNLINK, {})), _as_it_counts(ways.uplink, held.get(UPLINK, {}))
        ),
    )


def _finding(effects: Mapping[str, Effect], group: Sequence[str]) -> _Finding | None:
    """None where no metric of it has an interval. A verdict that was withheld is no p-value either."""
    told = [effects[name] for name in group if name in effects and effects[name].low is not None]
    if not told:
        return None
    sides = {}
    for verdict in ("better", "worse"):
        said = [effect for effect in told if effect.verdict == verdict]
        sides[verdict] = (simes(list(map(chance, said)), len(told)), tuple(effect.metric for effect in said))
    return _Finding(sides, told[0].confidence)


def _holm(findings: Mapping[tuple[str, ...], _Finding]) -> dict[tuple[str, ...], dict[str, tuple[str, ...]]]:
    """What holds among so many, clearest first: per finding the verdicts with their metrics."""
    held = {}
    for k, (group, found) in enumerate(sorted(findings.items(), key=lambda one: one[1].p)):
        holds = found.held((1 - found.confidence) / (len(findings) - k))
        if not holds:
            break
        held[group] = holds
    return held


def _as_it_counts(way: Direction, held: Mapping[str, tuple[str, ...]]) -> Direction:
    if way.change in ("unchanged", "unknown"):
        return way
    told_by = tuple(name for told in held.values() for name in told)
    return replace(way, change=_CHANGES[tuple(sorted(held))] if held else "unknown", told_by=told_by)
