"""What is told of each place by itself, remembered as effects are (see ``answers.py``): does it last, and what changed
that nobody wrote down."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import asdict, fields, is_dataclass
from functools import cache
from itertools import groupby
from types import UnionType
from typing import TYPE_CHECKING, Any, TypeVar, Union, get_args, get_origin, get_type_hints

from dashboards.analysis.lasting.stability import Stability, stability
from dashboards.analysis.unexplained.changes import Unexplained, unexplained_changes
from dashboards.answers import Answers, Period, as_question

if TYPE_CHECKING:
    import pandas as pd

Told = TypeVar("Told", Stability, Unexplained)


def remembered_stability(
    answers: Answers,
    blocks: pd.DataFrame,
    *,
    needed_rate_mbps: float | None,
    washout_s: Mapping[int, float],
    now_utc_ms: int,
) -> tuple[list[Stability], int | None]:
    """As ``stability`` gives it, and the earliest moment that any of it is of; None where all know everything."""

    def of(here: pd.DataFrame) -> list[Stability]:
        return stability(here, needed_rate_mbps=needed_rate_mbps, washout_s=washout_s)

    asked = {"needed_rate_mbps": needed_rate_mbps, "washout_s": sorted(washout_s.items())}
    found, as_of_ms = _of_places(answers, blocks, now_utc_ms, Stability, asked, ("location", "version"), of)
    return sorted(found, key=lambda one: (one.location, one.band, one.version)), as_of_ms


def remembered_changes(
    answers: Answers, blocks: pd.DataFrame, events: pd.DataFrame, *, now_utc_ms: int, source_id: int | None = None
) -> tuple[list[Unexplained], int | None]:
    """As ``unexplained_changes`` gives them, of one source where it is told; and the earliest moment, as above."""

    def of(here: pd.DataFrame) -> list[Unexplained]:
        return unexplained_changes(here, events)

    # Events are only ever added, and those of other sources are not looked at.
    n_events = events["source_id"].value_counts().to_dict()
    found, as_of_ms = _of_places(
        *(answers, blocks, now_utc_ms, Unexplained, {}, ("source_id", "location"), of),
        rests_on=lambda period: n_events.get(period.source_id, 0),
        are_asked=lambda period: source_id in (None, period.source_id),
    )
    return sorted(found, key=lambda one: (one.at_utc_ms, one.kind, one.location, one.band)), as_of_ms


def _of_places(
    answers: Answers,
    blocks: pd.DataFrame,
    now_utc_ms: int,
    kind: type[Told],
    asked: Mapping[str, object],
    names: Sequence[str],
    work_out: Callable[[pd.DataFrame], list[Told]],
    *,
    rests_on: Callable[[Period], object] = lambda period: None,
    are_asked: Callable[[Period], bool] = lambda period: True,
) -> tuple[list[Told], int | None]:
    """What is told of each place, a place being all periods that have the same ``names``, and the earliest moment that
    an answer is of. ``rests_on``: what an answer hangs on beside the blocks, the same for all periods of a place;
    ``are_asked``: which periods it is about."""
    told: list[Told] = []
    of_ms = []
    with answers.keeping(now_utc_ms) as keep:
        for place, periods in _places([period for period in answers.periods if are_asked(period)], names):
            question = as_question({"asked": kind.__name__.lower(), **asked, **place})
            fingerprint = answers.fingerprint(periods, rests_on(periods[0]))
            known = answers.recall(question, fingerprint, lambda told: [_built(kind, one) for one in told])
            if known is None:
                here = blocks[blocks["period_id"].isin([period.id for period in periods])]
                found = work_out(here)
                keep(question, fingerprint, [asdict(one) for one in found])
            else:
                found = known.answer
                if known.as_of_utc_ms is not None:
                    of_ms.append(known.as_of_utc_ms)
            told += found
    return told, min(of_ms, default=None)


def _places(periods: Sequence[Period], names: Sequence[str]) -> Iterator[tuple[dict[str, object], list[Period]]]:
    def place(period: Period) -> tuple[Any, ...]:
        return tuple(getattr(period, name) for name in names)

    for key, mine in groupby(sorted(periods, key=place), key=place):
        yield dict(zip(names, key, strict=True)), sorted(mine, key=lambda period: period.id)


def _built(kind: Any, told: Any) -> Any:
    """A value of type ``kind`` from what ``asdict`` and JSON made of it."""
    if told is None:
        return None
    if isinstance(kind, type) and is_dataclass(kind):
        return kind(**{name: _built(of, told[name]) for name, of in _types(kind).items() if name in told})
    if get_origin(kind) in (Union, UnionType):
        return _built(next(of for of in get_args(kind) if of is not type(None)), told)
    if get_origin(kind) is tuple:
        return tuple(_built(get_args(kind)[0], one) for one in told)
    return told


@cache
def _types(kind: Any) -> dict[str, Any]:
    hints = get_type_hints(kind)
    return {field.name: hints[field.name] for field in fields(kind)}
