"""Whether another channel would be better, and how sure that is.

A channel is better where fewer neighbours are heard on it, and where it is less busy, too, if that is known of both.
Each has to hold from day to day, over days on which somebody listened on both. What a channel is like that nobody
listened on is not known, so it is none to go to. In a scan a card stays on each channel for a moment, and goes back to
its own in between: so it misses neighbours elsewhere that it hears on its own, and a few less are not taken for fewer.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from typing import Literal

from dashboards.analysis.air.airtime import LEAST_DAYS, Difference, difference
from dashboards.analysis.air.overlap import Channel

Verdict = Literal["better elsewhere", "no better", "too few days", "no evidence"]
Missing = Literal["fewer neighbours", "fewer neighbours beyond doubt", "less busy", "less busy beyond doubt"]

LEAST_FEWER = 0.5  # neighbours at a look
LEAST_FEWER_SHARE = 1 / 3  # of those on the own channel
LEAST_LESS_BUSY = 0.05  # of the time
_PRIMARIES_MHZ: Mapping[str, Sequence[int]] = {  # IEEE 802.11-2020 annex E, 802.11ax-2021
    "2.4": (2412, 2437, 2462),  # 1, 6 and 11: the three that do not meet; what lies between gets in the way of two
    "5": (*range(5180, 5321, 20), *range(5500, 5721, 20), *range(5745, 5886, 20)),
    "6": range(5955, 7116, 20),
}


@dataclass(frozen=True, slots=True)
class Candidate:
    """A channel with what was found there, in the mean of each day on which somebody listened there. ``busy``: share of
    the time, empty if unknown."""

    channel: Channel
    neighbours: Mapping[int, float]
    busy: Mapping[int, float]
    listened: bool = True  # on each 20 MHz of it, on enough days
    allowed: bool = True
    restricted: bool = False  # radar detection, or indoors only: taken only where nothing else is as good


@dataclass(frozen=True, slots=True)
class Pick:
    """``best``: where to go, or, where nothing is better, what came nearest, with what it is ``missing``. Differences
    are own less best. ``busy_days``: on how many days it is known how busy the own is, how busy best, and both."""

    verdict: Verdict
    best: Candidate | None = None
    neighbours: Difference | None = None
    busy: Difference | None = None
    n_compared: int = 0
    n_unheard: int = 0  # channels that nobody listened on often enough
    n_barred: int = 0  # that the rules do not allow
    least_fewer: float | None = None  # neighbours at a look: so many fewer it takes
    least_less_busy: float = LEAST_LESS_BUSY  # and so much less of the time, where that is known of both
    missing: tuple[Missing, ...] = ()
    busy_days: tuple[int, int, int] = (0, 0, 0)


def channels_of(band: str, width_mhz: float) -> list[Channel]:
    """The channels of a width, each with its lowest primary; in 2.4 GHz 20 MHz wide."""
    if band == "2.4":
        return [Channel.known(mhz, None, 20) for mhz in _PRIMARIES_MHZ[band]]
    by_centre: dict[float, list[Channel]] = {}
    for mhz in _PRIMARIES_MHZ.get(band, ()):
        channel = Channel.known(mhz, None, width_mhz)
        by_centre.setdefault(channel.center_mhz, []).append(channel)
    return [found[0] for found in by_centre.values() if len(found) * 20 == width_mhz]


def pieces_mhz(channel: Channel) -> list[int]:
    """The centres of the 20 MHz channels that it is made of."""
    n = max(round(channel.width_mhz / 20), 1)
    return [round(channel.low_mhz + 10 + 20 * i) for i in range(n)]


def pick(own: Candidate, others: Iterable[Candidate]) -> Pick:
    """Whether one of ``others`` is better than the channel in use, on the evidence."""
    all_others = list(others)
    heard = [other for other in all_others if other.listened]
    fair = [other for other in heard if other.allowed]
    n_unheard, n_barred = len(all_others) - len(heard), len(heard) - len(fair)
    if len(own.neighbours) < LEAST_DAYS:
        return Pick("too few days", n_unheard=n_unheard, n_barred=n_barred)
    if not fair:
        return Pick("no evidence", n_unheard=n_unheard, n_barred=n_barred)
    judged = [(other, *_differences(own, other, len(fair))) for other in fair]
    fewest = max(LEAST_FEWER, LEAST_FEWER_SHARE * _mean(own.neighbours))
    better = [each for each in judged if not _missing(fewest, *each[1:])]
    chosen = min(better or judged, key=lambda each: (bool(better) and each[0].restricted, *_worth(each[0])))
    best = chosen[0]
    return Pick(
        "better elsewhere" if better else "no better",
        *chosen,
        len(fair),
        n_unheard,
        n_barred,
        least_fewer=fewest,
        missing=_missing(fewest, *chosen[1:]),
        busy_days=(len(own.busy), len(best.busy), len(own.busy.keys() & best.busy.keys())),
    )


def _differences(own: Candidate, other: Candidate, n_compared: int) -> tuple[Difference | None, Difference | None]:
    busy = difference(own.busy, other.busy, n_compared=n_compared)
    if busy is not None and busy.low is None:  # of too few days: as good as unknown
        busy = None
    return difference(own.neighbours, other.neighbours, n_compared=n_compared), busy


def _missing(fewest: float, neighbours: Difference | None, busy: Difference | None) -> tuple[Missing, ...]:
    """What keeps a channel from being better; nothing, if it is."""
    missing: list[Missing] = []
    if neighbours is None or neighbours.estimate < fewest:
        missing.append("fewer neighbours")
    elif not _beyond_doubt(neighbours):
        missing.append("fewer neighbours beyond doubt")
    if busy is not None and busy.estimate < LEAST_LESS_BUSY:
        missing.append("less busy")
    elif busy is not None and not _beyond_doubt(busy):
        missing.append("less busy beyond doubt")
    return tuple(missing)


def _beyond_doubt(found: Difference) -> bool:
    return found.low is not None and found.low > 0


def _worth(other: Candidate) -> tuple[float, float, float]:
    return _mean(other.neighbours), _mean(other.busy), other.channel.primary_mhz


def _mean(by_day: Mapping[int, float]) -> float:
    return sum(by_day.values()) / len(by_day) if by_day else 0.0
