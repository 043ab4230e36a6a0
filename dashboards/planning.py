"""A plan for this link: where the laptop stands, the noise of its record, and when to say what at the router."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from math import log2
from typing import Any
from zoneinfo import ZoneInfo

import pandas as pd

from dashboards.analysis.level_effect import Noise
from dashboards.analysis.metric_columns import with_columns
from dashboards.analysis.metrics import METRICS, Metric
from dashboards.analysis.outlook import learn_noise
from dashboards.analysis.plan import (
    HOUR_S,
    MOST_PLACEMENTS,
    POWER,
    TURNS,
    Option,
    Plan,
    first_switch_s,
    least_difference,
    make_plan,
    prior_noise,
)
from dashboards.comparison import find_location
from dashboards.frames import load_blocks, load_periods
from dashboards.spoken_command import spoken_command
from logger.errors import LogError
from logger.log import OWN_SOURCE, Log
from logger.one_moment import one_moment
from logger.running_trial import running_trial
from logger.tags import period_at, read_versions
from logger.zones import zone_at

NAMELESS = '"WHERE THE LAPTOP STANDS"'  # for a name that cannot be shown as it is
LITTLE_HOURS = 2.0  # of a record: of what goes on for longer the priors say more than it does


class NothingToPlan(LogError):
    """There is no link to plan for, or no time; the message says what to do."""


@dataclass(frozen=True, slots=True)
class Wish:
    """What is to be seen: a ``difference`` in the metric's own unit (a ratio above 1 for rates), in so many days."""

    metric: str
    difference: float
    days: float
    n_placements: int | None = None  # None: at one, and what more of them would show


@dataclass(frozen=True, slots=True)
class Step:
    """What to say at a switch, in the order in which it is said; ``version`` is in force from then on."""

    at_utc_ms: int
    version: int
    commands: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TrialPlan:
    """A plan with all that it is about. ``b_is_new``: version ``b`` does not exist yet. ``hours``: of this link's own
    record, None: none, the noise is the priors'. ``more_placements``: the plans of 2, 3, 4 of them, if asked for one.
    ``margin`` in the metric's unit."""

    wish: Wish
    location: str
    band: str
    time_zone: str
    a: int
    b: int
    b_is_new: bool
    labels: Mapping[int, str]
    hours: float | None
    margin: float
    plan: Plan
    more_placements: tuple[Option, ...]
    steps: tuple[Step, ...]
    ends_at_utc_ms: int
    on_log: str = ""  # behind each command

    @property
    def proposed(self) -> Option:
        """What sees the difference soonest, else what sees the least."""
        return self.plan.best or self.plan.keenest

    @property
    def options(self) -> tuple[Option, ...]:
        return (*self.plan.options, *self.more_placements)


@dataclass(frozen=True, slots=True)
class _Versions:
    a: int
    b: int
    b_is_new: bool
    in_force: int


def plan_trial(
    log: Log,
    wish: Wish,
    now_ms: int,
    *,
    margin: float,
    washout_s: float,
    location: str | None = None,
    band: str | None = None,
    interval_s: float = 5.0,
    on_log: str = "",
) -> TrialPlan:
    """The plan as of ``now_ms``; at the location where the laptop stands and the band that it is on most there, unless
    they are named. ``interval_s``: between samples; ``on_log``: what goes behind
    commands. Raises NothingToPlan."""
    with one_moment(log):
        periods, blocks = load_periods(log), load_blocks(log)
        here = period_at(log.db, now_ms)
        here_zone = zone_at(log.db, OWN_SOURCE, now_ms)
        known = read_versions(log.db)
        trial = running_trial(log.db, now_ms)
    if blocks.empty:
        raise NothingToPlan("nothing has been logged yet: there is no link to plan for; 'linktrial log' starts")
    latest = periods.iloc[-1]
    place = find_location(periods, location) if location is not None else here.location if here else latest["location"]
    zone = here_zone or str(latest["time_zone"])
    in_force = here.config_version if here else int(latest["version"])
    versions = (
        _Versions(trial.a, trial.b, False, in_force)
        if trial
        else _Versions(in_force, max(version.number for version in known) + 1, True, in_force)
    )
    on_band = band or _usual_band(blocks, place)
    how = METRICS[wish.metric]
    noise, hours = _noise(blocks[(blocks["location"] == place) & (blocks["band"] == on_band)], wish.metric, interval_s)
    midnight = datetime.fromtimestamp(now_ms / 1000, ZoneInfo(zone)).replace(hour=0, minute=0, second=0, microsecond=0)
    now = datetime.fromtimestamp(now_ms / 1000, ZoneInfo(zone))
    now_s = (now.replace(tzinfo=None) - midnight.replace(tzinfo=None)).total_seconds()

    def planned(n_placements: int, turns: tuple[int, ...] = TURNS) -> Plan | None:
        return make_plan(
            noise,
            in_db(how, wish.difference),
            margin=in_db(how, margin),
            days=wish.days,
            starts_s=lambda turn_h: first_switch_s(now_s, turn_h),
            n_placements=n_placements,
            turns=turns,
            washout_s=washout_s,
        )

    plan = planned(wish.n_placements or 1)
    if plan is None:
        raise NothingToPlan(f"no timetable ends within {wish.days:g} days; say --days with more, or fewer --placements")
    more = () if wish.n_placements else [planned(n, (2 * n,)) for n in range(2, MOST_PLACEMENTS + 1)]
    proposed = plan.best or plan.keenest
    return TrialPlan(
        wish=wish,
        location=place,
        band=on_band,
        time_zone=zone,
        a=versions.a,
        b=versions.b,
        b_is_new=versions.b_is_new,
        labels={version.number: version.label for version in known},
        hours=hours,
        margin=margin,
        plan=plan,
        more_placements=tuple(one.options[0] for one in more if one),
        steps=_steps(proposed, versions, place, midnight, on_log),
        ends_at_utc_ms=_utc_ms(midnight, proposed.stays[-1].ends_s),
        on_log=on_log,
    )


def in_db(how: Metric, difference: float) -> float:
    """A difference in the effect's unit as the noise has it: dB, or what a dB of level is worth."""
    return (log2(difference) if how.unit == "ratio" else difference) / how.per_db


def in_unit(how: Metric, db: float) -> float:
    """The way back."""
    return 2.0 ** (db * how.per_db) if how.unit == "ratio" else db * how.per_db


def _usual_band(blocks: pd.DataFrame, location: str) -> str:
    """The band that most of the linked time was spent on, there or else anywhere."""
    linked = blocks[blocks["connected"] & blocks["band"].notna()]
    there = linked[linked["location"] == location]
    if linked.empty:
        raise NothingToPlan("nothing has been logged with a link yet; 'linktrial log' starts")
    used = linked if there.empty else there
    return str(used.groupby("band")["covered_s"].sum().idxmax())


def _noise(blocks: pd.DataFrame, metric: str, interval_s: float) -> tuple[Noise, float | None]:
    """The noise, and the hours of the record that it was learnt from."""
    how = METRICS[metric]
    blocks = with_columns(blocks, how)
    learnt = learn_noise(blocks, metric)
    if learnt is None:
        return prior_noise(quantum=how.quantum / how.per_db, sample_s=interval_s), None
    told = blocks[blocks["connected"] & (blocks[f"{how.name}_n"] > 0)]
    return learnt, float(told["covered_s"].sum()) / HOUR_S


def _steps(option: Option, versions: _Versions, location: str, midnight: datetime, on_log: str) -> tuple[Step, ...]:
    """What is said when. The version that is in force at the start is not said again."""
    steps: list[Step] = []
    exists = not versions.b_is_new
    in_force, placement = versions.in_force, 0
    for stay in option.stays:
        wanted = versions.b if stay.is_b else versions.a
        said: list[str] = []
        if stay.placement != placement:
            said.append(spoken_command("at", location, on_log=on_log) or f"linktrial at {NAMELESS}{on_log}")
        if wanted != in_force:
            is_new = wanted == versions.b and not exists
            said.append(('linktrial changed "WHAT YOU CHANGED"' if is_new else f"linktrial back-to v{wanted}") + on_log)
            exists = exists or is_new
        steps.append(Step(_utc_ms(midnight, stay.starts_s), wanted, tuple(said)))
        in_force, placement = wanted, stay.placement
    return tuple(steps)


def _utc_ms(midnight: datetime, after_s: float) -> int:
    """When the clock on the wall shows so many seconds after that midnight."""
    wall = midnight.replace(tzinfo=None) + timedelta(seconds=after_s)
    return round(wall.replace(tzinfo=midnight.tzinfo).timestamp() * 1000)


def plan_json(planned: TrialPlan) -> dict[str, object]:
    """The stable answer for machines."""
    how = METRICS[planned.wish.metric]
    return {
        "metric": planned.wish.metric,
        "unit": how.unit,
        "difference": planned.wish.difference,
        "days": planned.wish.days,
        "location": planned.location,
        "band": planned.band,
        "a": f"v{planned.a}",
        "b": f"v{planned.b}",
        "b_is_new": planned.b_is_new,
        "power": POWER,
        "hours_logged": planned.hours,
        "can_be_seen": planned.plan.best is not None,
        "proposed": _option_json(planned.proposed, how),
        "options": [_option_json(option, how) for option in planned.options],
        "margin": planned.margin,
        "no_difference": planned.plan.none_matters and _option_json(planned.plan.none_matters, how),
        "steps": [
            {"at_utc_ms": step.at_utc_ms, "version": f"v{step.version}", "commands": list(step.commands)}
            for step in planned.steps
        ],
        "ends_at_utc_ms": planned.ends_at_utc_ms,
    }


def _option_json(option: Option, how: Metric) -> dict[str, Any]:
    return {
        "order": option.versions,
        "turn_h": option.turn_h,
        "lasts_h": round(option.lasts_s / HOUR_S, 2),
        "switches": option.n_switches,
        "placements": option.n_placements,
        "least_difference": _rounded(in_unit(how, option.least_difference)),
        "least_difference_once_ended": _rounded(in_unit(how, least_difference(option.half_width))),
    }


def _rounded(value: float) -> float:
    return float(f"{value:.4g}")
