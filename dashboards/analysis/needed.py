"""What an undecided trial still needs, as a sentence: hours, turns, or the word that no waiting will do."""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from dashboards.analysis.anytime import SINGLE_LOOK, widening
from dashboards.analysis.level_effect import Noise
from dashboards.analysis.outlook import DAY_S, Stay, counting_share, half_width, information_share, turns

HOUR_S = 3600.0
HOURS_MORE = (3.0, 6.0, 12.0, 24.0, 48.0, 96.0, 168.0)
TURN_S = DAY_S  # whole days, so that the day's cycle is the same in every turn
TURNS_MORE = (2, 4, 8)
DAYS_MORE = (1.0, 2.0, 3.0, 5.0, 7.0, 10.0, 14.0, 21.0, 28.0)  # of counts
FOUR_IN_FIVE = 0.8416  # the 80 % point of a normal distribution


@dataclass(frozen=True)
class Undecided:
    """An interval that decides nothing yet, in the noise's dB, and the trial that it came from. ``margin`` > 0.
    ``running``: its last stay is still open, and it is judged by the anytime interval."""

    versions: tuple[int, int]  # A, B
    noise: Noise
    stays: Sequence[Stay]
    estimate: float
    half_width: float  # of a single look
    margin: float
    washout_s: float
    running: bool


@dataclass(frozen=True)
class UndecidedCounts:
    """As Undecided, of outages or drop-outs, in the unit of the effect. ``half_width``: of a single look.
    ``variances``: of A and of B, on any scale."""

    versions: tuple[int, int]
    stays: Sequence[Stay]
    estimate: float
    half_width: float
    variances: tuple[float, float]
    margin: float
    running: bool


def what_would_decide(trial: Undecided) -> str:
    """The least that would bring a verdict four times in five if the effect is what it looks like now."""
    least = _wanted_half_width(trial.estimate, trial.margin)
    now = half_width(trial.noise, trial.stays, washout_s=trial.washout_s)

    def enough(stays: Sequence[Stay]) -> bool:
        """By the half width to come: the model's, scaled to the one that was found, and room for chance."""
        ahead = trial.half_width / now * half_width(trial.noise, stays, washout_s=trial.washout_s)
        looks = widening(information_share(trial.noise, stays, washout_s=trial.washout_s)) if trial.running else 1.0
        return ahead * (looks + FOUR_IN_FIVE / SINGLE_LOOK) <= least

    last = trial.stays[-1]
    if trial.running:
        hours = _first(HOURS_MORE, lambda hours: enough([*trial.stays[:-1], _lengthened(last, hours)]))
        if hours is not None:
            more = f"About {_said(hours)} more of v{trial.versions[last.is_b]}"
            return f"{more} would tell with a chance of 80 %, {_as_it_looks(trial)}."
    for n in TURNS_MORE:
        if enough([*trial.stays, *_more(trial, n)]):
            going_on = _going_on(trial, n)
            return f"{going_on} would tell with a chance of 80 %, {_as_it_looks(trial)}; waiting alone does not."
    going_on = _going_on(trial, TURNS_MORE[-1])
    return f"Not even {going_on[0].lower()}{going_on[1:]} would tell, {_as_it_looks(trial)}: too noisy a spot for it."


def what_would_decide_counts(trial: UndecidedCounts) -> str:
    """As what_would_decide: the variance of each version falls with the days that it was watched."""
    least = _wanted_half_width(trial.estimate, trial.margin)
    watched_s = [sum(stay.lasts_s for stay in trial.stays if stay.is_b == is_b) for is_b in (False, True)]

    def enough(following: Sequence[Stay]) -> bool:
        more_s = [sum(stay.lasts_s for stay in following if stay.is_b == is_b) for is_b in (False, True)]
        shrunk = [v * s / (s + m) for v, s, m in zip(trial.variances, watched_s, more_s, strict=True)]
        ahead = trial.half_width * math.sqrt(sum(shrunk) / sum(trial.variances))
        looks = widening(counting_share([*trial.stays, *following])) if trial.running else 1.0
        return ahead * (looks + FOUR_IN_FIVE / SINGLE_LOOK) <= least

    def on(days: float) -> list[Stay]:
        return [replace(last, starts_s=last.ends_s, lasts_s=days * DAY_S)]

    def back(days: float) -> list[Stay]:
        return turns(last, days * DAY_S, last.ends_s + 2 * days * DAY_S)

    last = trial.stays[-1]
    other, same = (f"v{trial.versions[which]}" for which in (not last.is_b, last.is_b))
    chance = f"would tell with a chance of 80 %, {_as_it_looks(trial)}"
    if trial.running and (days := _first(DAYS_MORE, lambda days: enough(on(days)))) is not None:
        return f"About {_days(days)} more of {same} {chance}."
    if (days := _first(DAYS_MORE, lambda days: enough(back(days)))) is not None:
        return f"About {_days(days)} more of each of {other} and {same} {chance}."
    return (
        f"Not even {_days(DAYS_MORE[-1])} more of each of {other} and {same} would tell, {_as_it_looks(trial)}: "
        "too seldom or too uneven for it."
    )


def _more(trial: Undecided, n: int) -> list[Stay]:
    """``n`` more stays of a day; where the claim is about the location, both versions at one new placement after the
    other."""
    last = trial.stays[-1]
    following = turns(last, TURN_S, last.ends_s + n * TURN_S)
    if not trial.noise.of_location:
        return following
    new = max(stay.placement for stay in trial.stays) + 1
    return [replace(stay, placement=new + k // 2) for k, stay in enumerate(following)]


def _wanted_half_width(estimate: float, margin: float) -> float:
    """Off zero for a difference; within the margin for none."""
    return max(abs(estimate), margin - abs(estimate))


def _first(steps: Sequence[float], enough: Callable[[float], bool]) -> float | None:
    """The least step that is enough, bisected: more is never worse."""
    low, high = 0, len(steps) - 1
    if not enough(steps[high]):
        return None
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if enough(steps[middle]) else (middle + 1, high)
    return steps[low]


def _lengthened(stay: Stay, hours: float) -> Stay:
    return replace(stay, lasts_s=stay.lasts_s + hours * HOUR_S)


def _going_on(trial: Undecided, n: int) -> str:
    last = trial.stays[-1].is_b
    other, same = (f"v{trial.versions[which]}" for which in (not last, last))
    if trial.noise.of_location:
        placements = "one more placement" if n == 2 else f"{n // 2} more placements"
        return f"Measuring {other} and {same} for a day each at {placements}"
    times = {2: "", 4: ", twice over,", 8: ", four times over,"}[n]
    return f"Going back to {other} for a day and to {same} for another{times}"


def _as_it_looks(trial: Undecided | UndecidedCounts) -> str:
    if abs(trial.estimate) >= trial.margin - abs(trial.estimate):
        return "if the effect is what it looks like now"
    return "if there is as little of an effect as it looks like now"


def _said(hours: float) -> str:
    return f"{hours:.0f} h" if hours < 48 else f"{hours / 24:.0f} days"


def _days(days: float) -> str:
    return "a day" if days == 1 else f"{days:.0f} days"
