"""A plan in plain words, for a terminal."""

from __future__ import annotations

from dashboards.analysis.durations import hours
from dashboards.analysis.metrics import METRICS, Metric
from dashboards.analysis.plan import FIRST_H, HOUR_S, LAST_H, POWER, Option, least_difference
from dashboards.planning import LITTLE_HOURS, TrialPlan, in_unit
from dashboards.sentences import METRIC_NAMES, aligned, band_name, version_name
from logger.printable import printable
from logger.times import format_local

COLUMNS = ("order", "each turn", "in all", "switches", "placements", "least seen while it runs", "once it has ended")


def plan_text(planned: TrialPlan, now_ms: int) -> str:
    """The whole answer."""
    how = METRICS[planned.wish.metric]
    rows = [_row(option, how, "*" if option is planned.proposed else "") for option in planned.options]
    return "\n".join(
        [
            *proposal(planned),
            "",
            *aligned([COLUMNS, *rows]),
            "* what is proposed: the shortest in all of those with few switches",
            "",
            *_steps(planned, now_ms),
            "",
            no_difference(planned),
            "",
            "To mind:",
            *(f"- {words}" for words in cautions(planned)),
        ]
    )


def proposal(planned: TrialPlan) -> list[str]:
    """What to do, or that the difference cannot be seen; and what A and B are."""
    how, option = METRICS[planned.wish.metric], planned.proposed
    wanted = _difference(planned.wish.difference, how)
    where = f"on {band_name(planned.band)} at {printable(planned.location)}"
    name = METRIC_NAMES[planned.wish.metric]
    if planned.plan.best is not None:
        said = f"To see {wanted} in {name} {where}: {_timetable(option)}."
    else:
        least = _difference(in_unit(how, option.least_difference), how)
        once = _difference(in_unit(how, least_difference(option.half_width)), how)
        said = (
            f"{wanted[0].upper()}{wanted[1:]} in {name} cannot be seen {where} in {_days(planned.wish.days)}: the "
            f"least that can be is {least}, with {_timetable(option)}. Looked at only once it has ended, it would see "
            f"{once}."
        )
    a = version_name(planned.a, planned.labels[planned.a])
    b = (
        f"v{planned.b}, what you change next"
        if planned.b_is_new
        else version_name(planned.b, planned.labels[planned.b])
    )
    return [said, f"A is {a}, B is {b}. The chance to see it is {100 * POWER:.0f} %, looking as often as you like."]


def no_difference(planned: TrialPlan) -> str:
    """How long it takes to learn that there is nothing that matters."""
    option = planned.plan.none_matters
    enough = f"{_days(planned.wish.days)} are not enough to show" if option is None else f"{_timetable(option)}, shows"
    margin = _difference(planned.margin, METRICS[planned.wish.metric])
    return f"If there is no difference, {enough} that there is none that matters (the margin is {margin})."


def cautions(planned: TrialPlan) -> list[str]:
    """What the figures lean on."""
    found = [_basis(planned)]
    if planned.proposed.n_placements > 1:
        found.append(
            "A claim about the location leans on how much an effect differs from placement to placement. That was "
            "never learnt here: published spread of about 1 dB is taken."
        )
    else:
        found.append(
            "With one placement the claim is about the very position where the laptop stands: do not move it. With "
            "several the claim is about the location, and of how effects differ between placements published figures "
            "are taken."
        )
    if any(option.turn_h < 24 for option in planned.options):
        found.append(
            f"Turns shorter than a day change from {FIRST_H:02}:00 to {LAST_H:02}:00 only; the last one of a day lasts "
            "until the morning. Over two days both versions have every hour of the day."
        )
    found.append(
        "A trial has ended when its last period has: by the next change at the router. What it could show then is in "
        "the last column, if you looked only then."
    )
    return found


def _basis(planned: TrialPlan) -> str:
    a_day = "'linktrial log' for a day puts this link's own in their place"
    band = band_name(planned.band)
    if planned.hours is None:
        return (
            f"Nothing was logged here on {band}: the figures are those of published links, and may be far from this "
            f"one's; {a_day}."
        )
    logged = hours(planned.hours)
    if planned.hours < LITTLE_HOURS:
        return f"Only {logged} were logged here on {band}: the figures are mostly those of published links; {a_day}."
    if planned.hours < 24:
        return f"The noise is that of {logged} logged here; of how the day goes, published links say more."
    return f"The noise is that of {logged} logged here."


def _steps(planned: TrialPlan, now_ms: int) -> list[str]:
    rows = [
        (
            format_local(step.at_utc_ms, planned.time_zone, now_ms),
            "AB"[step.version == planned.b],
            printable("; then ".join(step.commands)) or f"v{step.version} as it is",
        )
        for step in planned.steps
    ]
    end = (
        format_local(planned.ends_at_utc_ms, planned.time_zone, now_ms),
        "",
        f"linktrial compare v{planned.a} v{planned.b}{printable(planned.on_log)}",
    )
    moves = " and set the laptop down anew" if planned.proposed.n_placements > 1 else ""
    head = f"When to switch the router{moves}, and what to say:"
    return [head, *(f"  {line}" for line in aligned([*rows, end]))]


def _row(option: Option, how: Metric, mark: str) -> tuple[str, ...]:
    return (
        f"{option.versions}{mark}",
        _turn(option),
        _length(option.lasts_s),
        str(option.n_switches),
        str(option.n_placements),
        _difference(in_unit(how, option.least_difference), how),
        _difference(in_unit(how, least_difference(option.half_width)), how),
    )


def _timetable(option: Option) -> str:
    placements = "" if option.n_placements == 1 else f" at {option.n_placements} placements"
    switches = f"{option.n_switches} switch{'es' if option.n_switches > 1 else ''}"
    return f"{option.versions} of {_turn(option)} each{placements}, {_length(option.lasts_s)} in all, {switches}"


def _turn(option: Option) -> str:
    return f"{option.turn_h} h" if option.turn_h < 24 else _days(option.turn_h / 24)


def _length(seconds: float) -> str:
    whole_h = round(seconds / HOUR_S)
    days, rest_h = divmod(whole_h, 24)
    return " ".join([*([_days(days)] if days else []), *([f"{rest_h} h"] if rest_h or not days else [])])


def _days(n: float) -> str:
    return f"{n:g} day{'' if n == 1 else 's'}"


def _difference(value: float, how: Metric) -> str:
    return f"a factor of {value:.3g}" if how.unit == "ratio" else f"{value:.2g} {how.unit}"
