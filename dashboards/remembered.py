"""Effects are worked out once, and again only when what they came from has changed: see ``answers.py``.

The questions that are kept are an effect with its margin, washout and the rest, and which bands and metrics a location
has. Nothing here loads pandas before there is something to work out.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping
from dataclasses import asdict, dataclass, field
from math import inf
from time import monotonic
from typing import TYPE_CHECKING, Any

from dashboards.analysis.effect_value import Effect
from dashboards.answers import Answers, Fingerprint, Recalled, as_question
from dashboards.comparison import (
    METRICS,
    PLAIN_JUDGEMENT,
    Asked,
    Judgement,
    LocatedEffect,
    Part,
    effects_asked,
    located,
    parts_with_both,
)
from logger.router_settings import Settings as RouterSettings
from logger.tags import version_in_force

if TYPE_CHECKING:
    import pandas as pd

    from dashboards.beside_frames import Beside


@dataclass(slots=True)
class _Place:
    """Two versions at one location: what is known of them there, None or missing where it is yet to be worked out."""

    a: int
    b: int
    location: str
    fingerprint: Fingerprint
    parts_fingerprint: Fingerprint
    parts: Recalled[list[Part]] | None = None
    effects: dict[Asked, Recalled[Effect]] = field(default_factory=dict)

    def fingerprint_of(self, asked: Asked) -> Fingerprint:
        """Which networks are watched decides whose sightings there are, and so which copies of a radio."""
        return self.parts_fingerprint if asked.radio else self.fingerprint


class Remembered:
    """The effects between pairs of versions: those that the log remembers, and the way to the others.

    ``pairs`` are (a, b), compared as ``compare_versions`` does, with the same choices; ``settings`` are those of the
    versions. Has to be made inside the one moment of ``answers``; the blocks that ``work_out`` is given have to be read
    inside the same.
    """

    def __init__(
        self,
        answers: Answers,
        pairs: Iterable[tuple[int, int]],
        *,
        settings: Mapping[int, RouterSettings],
        location: str | None = None,
        band: str | None = None,
        metrics: tuple[str, ...] = METRICS,
        judged: Judgement = PLAIN_JUDGEMENT,
    ) -> None:
        self._answers = answers
        self._choices: dict[str, Any] = {"band": band, "metrics": metrics, "judged": judged, "settings": settings}
        self._choices["in_force"] = version_in_force(answers.log.db)
        self._places = [place for a, b in pairs for place in _places(answers, a, b, location)]
        for place in self._places:
            place.parts = answers.recall(_parts_question(place), place.parts_fingerprint, _parts_from)
            for asked in self._asked(place):
                effect = answers.recall(_question(asked), place.fingerprint_of(asked), _effect_from)
                if effect is not None:
                    place.effects[asked] = effect

    @property
    def complete(self) -> bool:
        """Whether nothing is yet to be worked out."""
        return not any(place.parts is None or self._missing(place) for place in self._places)

    def effects(self, a: int, b: int) -> list[LocatedEffect]:
        """Of one pair, as ``compare_versions`` gives them. Raises LookupError before all are known."""
        return [
            located(asked, part, place.effects[asked].answer)
            for place in self._places
            if (place.a, place.b) == (a, b)
            for part in _known(place)
            for asked in effects_asked(part, a, b, **self._choices)
        ]

    def as_of_utc_ms(self, a: int, b: int) -> int | None:
        """The earliest moment that an effect of the pair is of; None where all know everything there is."""
        told = [one for place in self._places if (place.a, place.b) == (a, b) for one in place.effects.values()]
        return min((one.as_of_utc_ms for one in told if one.as_of_utc_ms is not None), default=None)

    def work_out(
        self,
        blocks: pd.DataFrame,
        *,
        now_utc_ms: int,
        beside: Beside | None = None,
        n_processes: int = 1,
        progress: Callable[[int, int], object] = lambda done, expected: None,
        elapsed_s: Callable[[], float] = monotonic,
        within_s: float = inf,
    ) -> None:
        """Work out what is missing, or as much of it as ``within_s`` allows, and have the log remember it, if it can be
        written to just now. ``beside`` as load_beside gives it, of the same moment as ``blocks``.

        ``n_processes`` at most work at it (see ``judge_many``). ``progress`` is told how many effects are done, of how
        many. What is done when this is broken off is remembered, too; when it is killed, all but the last seconds
        of it, which ``elapsed_s`` counts."""
        if self.complete:
            return
        from dashboards.many_effects import judge_many

        until_s = elapsed_s() + within_s
        with self._answers.keeping(now_utc_ms, elapsed_s) as keep:
            for place in self._places:
                if place.parts is None:
                    parts = parts_with_both(blocks, place.a, place.b, location=place.location, beside=beside)
                    place.parts = Recalled(parts, None)
                    keep(_parts_question(place), place.parts_fingerprint, [asdict(part) for part in parts])
            place_of = {asked: place for place in self._places for asked in self._missing(place)}
            progress(0, len(place_of))
            for done, (asked, effect) in enumerate(judge_many(list(place_of), blocks, n_processes, beside), 1):
                place = place_of[asked]
                place.effects[asked] = Recalled(effect, None)
                keep(_question(asked), place.fingerprint_of(asked), asdict(effect))
                progress(done, len(place_of))
                if elapsed_s() >= until_s:
                    break

    def _asked(self, place: _Place) -> Iterator[Asked]:
        for part in place.parts.answer if place.parts else ():
            yield from effects_asked(part, place.a, place.b, **self._choices)

    def _missing(self, place: _Place) -> list[Asked]:
        return [asked for asked in self._asked(place) if asked not in place.effects]


def _known(place: _Place) -> list[Part]:
    if place.parts is None:
        raise LookupError(f"v{place.a} and v{place.b} at {place.location!r} are yet to be worked out")
    return place.parts.answer


def _places(answers: Answers, a: int, b: int, location: str | None) -> Iterator[_Place]:
    """The locations that have both versions, by name."""
    for name in sorted({period.location for period in answers.periods}):
        here = [period for period in answers.periods if period.location == name and period.version in (a, b)]
        if location in (None, name) and {a, b} <= {period.version for period in here}:
            yield _Place(a, b, name, answers.fingerprint(here), answers.fingerprint(here, answers.counted_radios))


def _question(asked: Asked) -> str:
    return as_question({"asked": "effect", **asdict(asked)})


def _parts_question(place: _Place) -> str:
    return as_question({"asked": "parts", "a": place.a, "b": place.b, "location": place.location})


def _effect_from(told: dict[str, Any]) -> Effect:
    return Effect(**_tuples(told))


def _parts_from(told: list[dict[str, Any]]) -> list[Part]:
    return [Part(**_tuples(one)) for one in told]


def _tuples(told: Mapping[str, Any]) -> dict[str, Any]:
    """As it was before it became JSON."""
    return {name: tuple(value) if isinstance(value, list) else value for name, value in told.items()}
