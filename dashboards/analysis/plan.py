"""How long, and in which order, to see a difference: timetables tried against what a link's record says of its noise.

A running trial is judged by the interval that holds at every look, so that is what is planned for. How much wider it
is goes by the share of a week's information (outlook.PLANNED_S): shorter trials pay for that. At the end of a timetable
the estimate is taken as normal about the effect, with the standard deviation half width / 1.96. Of an effect D, the
widened interval then leaves out zero with the chance  Phi(1.96 (D / half width - widening)).

Whoever switches the router sleeps at night. Turns shorter than a day end at round hours from FIRST_H to LAST_H, and the
last one of the day lasts until the morning. 12 h divided by the turn is even, so there is an odd number of switches a
day: the nights fall to both versions by turns, and over two days each version has every hour once. Of 12 h turns one
version would have all days, so they go ABBA. Turns of whole days have every hour anyway.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import groupby, pairwise

import numpy as np
from scipy import special, stats
from scipy.stats import qmc

from dashboards.analysis.anytime import SINGLE_LOOK, widening
from dashboards.analysis.level_effect import Noise
from dashboards.analysis.level_model import (
    DAILY_SCALE,
    FAST_TAU,
    FASTEST_S,
    FLOOR_MEAN,
    INTERACTION_SCALE,
    OU_SCALE,
    SLOW_TAU,
    WHITE_SCALE,
)
from dashboards.analysis.outlook import DAY_S, Stay, half_width, planned_timetable

HOUR_S = 3600.0
FIRST_H, LAST_H = 8, 20  # when people are about to switch the router
TURNS_H = (1, 2, 3, 6, 12, 24, 48, 72)
TURNS = (2, 3, 4, 6, 8, 12, 16)  # how many: AB, ABA, ABAB, ...
MOST_PLACEMENTS = 4
POWER = 0.8
PRIOR_DRAWS = 16
PRIOR_RECORD_S = DAY_S  # of a link that nothing is known of
EASY_SWITCHES = 7  # more are proposed only where nothing else will do


@dataclass(frozen=True)
class Option:
    """One timetable, with the half width that the effect's interval will have at its end (of a single look; dB of the
    noise) and by how much it is wider while the trial runs."""

    versions: str  # "ABAB": a letter for each turn
    turn_h: int
    stays: tuple[Stay, ...]
    half_width: float
    widening: float

    @property
    def lasts_s(self) -> float:
        return self.stays[-1].ends_s - self.stays[0].starts_s

    @property
    def n_switches(self) -> int:
        return sum(a != b for a, b in pairwise(self.versions))

    @property
    def n_placements(self) -> int:
        return self.stays[-1].placement + 1

    @property
    def least_difference(self) -> float:
        """That is seen with POWER while the trial still runs."""
        return least_difference(self.half_width, self.widening)

    @property
    def least_margin(self) -> float:
        """Within which the interval lies with POWER where there is no difference."""
        return self.half_width * (self.widening + float(special.ndtri((1 + POWER) / 2)) / SINGLE_LOOK)


@dataclass(frozen=True)
class Plan:
    """``options``: for each number of turns the shortest timetable that sees the difference, else the longest that
    there is time for; the fewest turns first. ``best``: the shortest that sees it, None where none does; ``keenest``:
    the option that sees the least. ``none_matters``: the shortest after which the interval lies within the margin if
    there is no difference."""

    options: tuple[Option, ...]
    best: Option | None
    keenest: Option
    none_matters: Option | None


def power(difference: float, half: float, wider: float = 1.0) -> float:
    """The chance that an interval of half width ``half``, made ``wider`` times as wide, leaves out zero."""
    return float(special.ndtr(SINGLE_LOOK * (abs(difference) / half - wider)))


def least_difference(half: float, wider: float = 1.0) -> float:
    """The difference that has the power POWER."""
    return half * (wider + float(special.ndtri(POWER)) / SINGLE_LOOK)


def make_plan(
    noise: Noise,
    difference: float,
    *,
    margin: float,
    days: float,
    starts_s: Callable[[int], float],
    n_placements: int = 1,
    turns: Sequence[int] = TURNS,
    washout_s: float = 120.0,
) -> Plan | None:
    """The plan for ``difference`` > 0 in dB of the noise, in at most ``days``; None where no timetable ends in time.

    ``starts_s``: of turns of so many hours, when the first may begin, in seconds after some local midnight. With
    several placements the claim is about a new one; where ``noise`` has not learned how effects differ from placement
    to placement, the prior speaks. ``turns``: how many may be tried."""
    if n_placements > 1 and not noise.of_location:
        noise = at_a_new_placement(noise)
    tried = _Tried(noise, turns, n_placements, days * DAY_S, starts_s, washout_s)
    found = _shortest_of_each(tried, lambda option: option.least_difference <= difference)
    if not found:
        return None
    within = _shortest_of_each(tried, lambda option: option.least_margin <= margin)
    return Plan(
        options=tuple(found),
        best=min((one for one in found if one.least_difference <= difference), key=_effort, default=None),
        keenest=min(found, key=lambda option: option.least_difference),
        none_matters=min((one for one in within if one.least_margin <= margin), key=_effort, default=None),
    )


def timetable(n_turns: int, turn_h: int, starts_s: float, n_placements: int = 1) -> tuple[str, tuple[Stay, ...]]:
    """The versions of the turns ("ABAB") and their stays. ``starts_s``: a round hour, see first_switch_s."""
    times = _switch_times(turn_h, starts_s)
    edges = [next(times) for _ in range(n_turns + 1)]
    versions = ("ABBA" if turn_h == LAST_H - FIRST_H else "AB") * n_turns
    versions = versions[:n_turns]
    turns = [
        Stay(letter == "B", begins, ends - begins, k * n_placements // n_turns)
        for k, (letter, begins, ends) in enumerate(zip(versions, edges[:-1], edges[1:], strict=True))
    ]
    joined = [list(same) for _, same in groupby(turns, key=lambda turn: (turn.is_b, turn.placement))]
    return versions, tuple(replace(same[0], lasts_s=same[-1].ends_s - same[0].starts_s) for same in joined)


def first_switch_s(now_s: float, turn_h: int) -> float:
    """When the first turn may begin: at a round hour when people are about; of turns shorter than a day at one that is
    ``turn_h`` from FIRST_H. Both times in seconds after the same local midnight."""
    hour = int(now_s // HOUR_S) + 1
    step = turn_h if turn_h < 24 else 1
    while not (FIRST_H <= hour % 24 <= LAST_H and (hour % 24 - FIRST_H) % step == 0):
        hour += 1
    return hour * HOUR_S


def at_a_new_placement(noise: Noise) -> Noise:
    """``noise`` with the eighth scale, how an effect differs from placement to placement, drawn from its prior."""
    n = len(noise.scales)
    # The draws come in order of their variance: taken crosswise, so that the two scales are not tied.
    crosswise = 3 * np.arange(n) % n if n % 3 else np.roll(np.arange(n), n // 2)
    levels = (crosswise + 0.5) / n
    differs = INTERACTION_SCALE * special.ndtri((1 + levels) / 2)  # half-normal
    return replace(noise, scales=np.column_stack([noise.scales, differs]))


def prior_noise(*, quantum: float, sample_s: float = 5.0) -> Noise:
    """Of a link that nothing is known of: the level model's priors, for a record of PRIOR_RECORD_S."""
    u = qmc.Sobol(7, scramble=True, rng=np.random.default_rng(0)).random(PRIOR_DRAWS)
    middle, half = 0.5 * np.log(FASTEST_S * PRIOR_RECORD_S), 0.5 * np.log(PRIOR_RECORD_S / FASTEST_S)
    half_t3 = stats.t.ppf((1 + u) / 2, 3)
    normal = special.ndtri(u)
    scales = np.column_stack(
        [
            WHITE_SCALE * half_t3[:, 0],
            OU_SCALE * half_t3[:, 1],
            middle + half * (FAST_TAU[0] + FAST_TAU[1] * normal[:, 2]),
            -FLOOR_MEAN * np.log1p(-u[:, 3]),
            DAILY_SCALE * half_t3[:, 4],
            OU_SCALE * half_t3[:, 5],
            middle + half * (SLOW_TAU[0] + SLOW_TAU[1] * normal[:, 6]),
        ]
    )
    return Noise(scales, quantum, np.nan, sample_s)


class _Tried:
    """Timetables by the number and length of their turns, each set up and tried once."""

    def __init__(
        self,
        noise: Noise,
        turns: Sequence[int],
        n_placements: int,
        longest_s: float,
        starts_s: Callable[[int], float],
        washout_s: float,
    ) -> None:
        self._noise = noise
        self._n_placements = n_placements
        self._longest_s = longest_s
        self._starts_s = starts_s
        self._washout_s = washout_s
        self._half_widths: dict[tuple[Stay, ...], float] = {}
        self._options: dict[tuple[int, int], Option] = {}
        # Every placement is to have both versions.
        self.turns = [n for n in turns if n_placements == 1 or n % (2 * n_placements) == 0]

    def lengths_h(self, n_turns: int) -> list[int]:
        """Of turns for which there is time, the shortest first."""
        return [turn_h for turn_h in TURNS_H if self._has_time(n_turns, turn_h)]

    def option(self, n_turns: int, turn_h: int) -> Option:
        if (n_turns, turn_h) not in self._options:
            versions, stays = self._timetable(n_turns, turn_h)
            at_end, planned = self._half_width(stays), self._half_width(tuple(planned_timetable(stays)))
            found = Option(versions, turn_h, stays, at_end, widening((planned / at_end) ** 2))
            self._options[n_turns, turn_h] = found
        return self._options[n_turns, turn_h]

    def _has_time(self, n_turns: int, turn_h: int) -> bool:
        versions, stays = self._timetable(n_turns, turn_h)
        # A last turn that does not change hands is no turn.
        return stays[-1].ends_s - stays[0].starts_s <= self._longest_s and versions[-1] != versions[-2]

    def _timetable(self, n_turns: int, turn_h: int) -> tuple[str, tuple[Stay, ...]]:
        return timetable(n_turns, turn_h, self._starts_s(turn_h), self._n_placements)

    def _half_width(self, stays: tuple[Stay, ...]) -> float:
        if stays not in self._half_widths:
            self._half_widths[stays] = half_width(self._noise, stays, washout_s=self._washout_s)
        return self._half_widths[stays]


def _shortest_of_each(tried: _Tried, is_enough: Callable[[Option], bool]) -> list[Option]:
    """For each number of turns the shortest ones that are enough, else the longest that there is time for.

    Turns that are too short are too short for fewer of them, so the walk goes one way; but for AB, which is planned to
    stay with B and so is judged by another bound."""
    found: list[Option] = []
    too_short_h = 0
    for n_turns in sorted(tried.turns, reverse=True):
        if not (lengths_h := tried.lengths_h(n_turns)):
            continue
        best = tried.option(n_turns, lengths_h[-1])
        if is_enough(best):
            for turn_h in lengths_h:
                if (turn_h > too_short_h or n_turns == 2) and is_enough(option := tried.option(n_turns, turn_h)):
                    best = option
                    break
                too_short_h = max(too_short_h, turn_h)
        found.append(best)
    return found[::-1]


def _effort(option: Option) -> tuple[bool, float, int]:
    return option.n_switches > EASY_SWITCHES, option.lasts_s, option.n_switches


def _switch_times(turn_h: int, starts_s: float) -> Iterator[float]:
    hour = round(starts_s / HOUR_S)
    while True:
        yield hour * HOUR_S
        hour += turn_h
        if turn_h < 24 and not FIRST_H <= hour % 24 <= LAST_H:
            hour += (FIRST_H - hour) % 24
