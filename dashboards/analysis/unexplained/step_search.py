"""Steps in a series of ten-minute means whose noise has a long memory.

At every place, and for every stay away from the level, from minutes to more than a day: the generalised least squares
estimate of such a step over a window of three days and a half, with the covariance learned from the link's own record,
divided by its standard error (``step_shape.py``). What stands out most joins the model as an unknown, and the search
goes on until nothing stands out. A stay of less than three hours is a spell (somebody in the path) and is not told.

What is often used for change points is right for other noise. A cumulative sum (Page, Biometrika 41, 1954) or a
penalised segmentation (PELT: Killick, Fearnhead & Eckley, JASA 107, 2012, the heart of the library ruptures) counts
evidence as if what is left around the level were independent; on a link's floor of flicker noise the level wanders
for ever, and they report several changes a day. Penalties can be made for AR(1) noise on a random walk (Romano et
al., Detecting abrupt changes in the presence of local fluctuations and autocorrelated noise, JASA 117, 2022); a floor
and the cycle of a day are neither.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np

from dashboards.analysis.unexplained.slot_noise import SlotNoise
from dashboards.analysis.unexplained.slots import SLOTS_A_DAY
from dashboards.analysis.unexplained.step_shape import StepShape

WINDOW = 7 * SLOTS_A_DAY // 2
STRIDE = SLOTS_A_DAY
OWN = 3 * SLOTS_A_DAY // 4  # where a window's own day begins: as much lies before it as after a day away from the level
LEAST_HELD = 18  # slots on either side of a step: three hours
HELD = 36  # slots on either side whose medians must show it
HELD_PART = 0.2
STEP_THRESHOLD = 4.4  # standard errors; measured, see tests/bench/verdict/steps.py
STAY_THRESHOLD = 5.8  # the same of a stay away from the level: there are many more of them
STAY_CANDIDATE = 4.7
EDGE_THRESHOLD = 3.8  # of each step in the end, given all others
NEAR = 3  # slots: where a step is known or was refused, no other is told apart
GAP = 2  # slots apart are still neighbours
RANGE_DROP = 8.0  # of the squared statistic, down to which a place is still as likely
MOST_STEPS = 40
SHAPES_KEPT = 8  # 3 MB each


@dataclass(frozen=True)
class Step:
    """``place`` 2 i: between slots i - 1 and i of the series, 2 i + 1: within slot i. ``earliest`` and ``latest``
    likewise."""

    place: int
    earliest: int
    latest: int
    change: float
    sd: float


@dataclass(frozen=True)
class _Found:
    score: float  # statistic over threshold
    places: tuple[int, ...]
    change: float

    @property
    def spell(self) -> bool:
        """Whether the level was back before long."""
        return len(self.places) == 2 and self.places[1] - self.places[0] < 2 * LEAST_HELD


@dataclass
class StepSearch:
    """``slot`` (n,) rising integers, ``mean`` (n,) with outliers and the day taken out; ``least``: a smaller step is
    none, in the unit of ``mean``; ``still_open``: more slots are to come and will be searched again, so that what is
    told too soon would be told in vain many times."""

    slot: np.ndarray
    mean: np.ndarray
    noise: SlotNoise
    least: float
    still_open: bool = False
    known: list[int] = field(default_factory=list)
    spells: list[int] = field(default_factory=list)
    refused: list[int] = field(default_factory=list)

    def __post_init__(self) -> None:
        n = len(self.slot)
        self._starts = list(range(0, max(n - WINDOW, 0), STRIDE)) + [max(n - WINDOW, 0)]
        self._gap_before = np.diff(self.slot, prepend=self.slot[:1]) > GAP
        self._shapes: dict[tuple[int, ...], StepShape] = {}

    def run(self) -> list[Step]:
        """All steps, by place."""
        if len(self.slot) < 2 * LEAST_HELD:
            return []
        found = [self._search(window) for window in range(len(self._starts))]
        while len(self.known) < MOST_STEPS:
            best = max((each for part in found for each in part), key=lambda each: each.score, default=None)
            if best is None:
                break
            if best.spell:
                self.spells += best.places
            elif self._held(best.places, best.change):
                self.known = sorted({*self.known, *best.places})
            else:
                self.refused += best.places
            for window, start in enumerate(self._starts):
                if any(start < place / 2 < start + WINDOW for place in best.places):
                    found[window] = self._search(window)
        return self._settled()

    # One window

    def _search(self, window: int) -> list[_Found]:
        """The best step and the best stay away of one window, if they stand out."""
        start, stop = self._bounds(window)
        shape, mean = self._shape(start, stop, [*self.known, *self.spells]), self.mean[start:stop]
        allowed = self._allowed(window)
        statistic, change = shape.steps(mean)
        z = np.where(allowed & (np.abs(change) >= self.least), np.abs(statistic), 0.0)
        place = int(np.argmax(z))
        found = []
        if z[place] > STEP_THRESHOLD:
            found.append(_Found(float(z[place]) / STEP_THRESHOLD, (place + 2 * start,), float(change[place])))
        stay = self._best_stay(shape, mean, np.flatnonzero(allowed[::2]), start)
        return [*found, stay] if stay else found

    def _allowed(self, window: int) -> np.ndarray:
        """Which of a window's 2 n places are its own, and neither at a stretch's ends nor where something is known."""
        start, stop = self._bounds(window)
        first, last = self._own(window)
        place = np.arange(2 * start, 2 * stop)
        allowed = (place >= 2 * max(first, LEAST_HELD)) & (place < 2 * last)
        allowed &= place <= 2 * (len(self.slot) - self._least_after)
        for settled in (*self.known, *self.spells, *self.refused):
            allowed &= np.abs(place - settled) > 2 * NEAR
        return allowed

    def _best_stay(self, shape: StepShape, mean: np.ndarray, leaves: np.ndarray, start: int) -> _Found | None:
        """Away at one of the slots ``leaves``, back at another: whole slots first, then half a slot to either side."""
        if len(leaves) == 0:
            return None
        back = np.arange(len(mean))
        may_end = back > 0
        for place in (*self.known, *self.spells, *self.refused):
            may_end &= np.abs(back + start - place // 2) > NEAR
        z = np.where((back > leaves[:, None]) & may_end, shape.stays(mean, leaves), 0.0)
        i, end = np.unravel_index(np.argmax(z), z.shape)
        if z[i, end] < STAY_CANDIDATE:
            return None
        best: _Found | None = None
        for leave in range(2 * int(leaves[i]) - 1, 2 * int(leaves[i]) + 2):
            for come in range(max(2 * int(end) - 1, leave + 1), min(2 * int(end) + 2, 2 * len(mean) - 1)):
                statistic, change = shape.stay(mean, leave, come)
                score = statistic / STAY_THRESHOLD
                if score > (best.score if best else 1.0) and abs(change) >= self.least:
                    best = _Found(score, (leave + 2 * start, come + 2 * start), change)
        return best

    def _shape(self, start: int, stop: int, known: list[int]) -> StepShape:
        """Of one window. All that have every slot and nothing known share one; of others a few are kept."""
        slot = self.slot[start:stop]
        inside = [place - 2 * start for place in known if 2 * start < place < 2 * stop - 1]
        regular = slot[-1] - slot[0] == len(slot) - 1
        key = (0 if regular else start, len(slot), *inside)
        shape = self._shapes.pop(key, None) or StepShape.of(self.noise.between(slot), inside)
        self._shapes[key] = shape  # now the youngest
        if len(self._shapes) > SHAPES_KEPT:
            self._shapes.pop(next(iter(self._shapes)))
        return shape

    def _bounds(self, window: int) -> tuple[int, int]:
        start = self._starts[window]
        return start, min(start + WINDOW, len(self.slot))

    def _own(self, window: int) -> tuple[int, int]:
        """The places that this window is the best to tell of: one day, for the first and last one to the end."""
        start, stop = self._bounds(window)
        first = 1 if window == 0 else self._own(window - 1)[1]
        last = stop if window == len(self._starts) - 1 else start + OWN + STRIDE
        return first, last

    # What stands in the end

    def _held(self, places: tuple[int, ...], change: float) -> bool:
        """Whether the medians of the hours before and after show it too: somebody in the path is no change."""
        for place, way in zip(places, (change, -change), strict=False):
            at, within = divmod(place, 2)
            before, after = self.mean[max(0, at - HELD) : at], self.mean[at + within : at + within + HELD]
            if len(before) < LEAST_HELD or len(after) < self._least_after:
                return False
            if (np.median(after) - np.median(before)) * np.sign(way) < HELD_PART * abs(way):
                return False
        return True

    @property
    def _least_after(self) -> int:
        """Slots after a step, before it is told."""
        return HELD if self.still_open else LEAST_HELD

    def _settled(self) -> list[Step]:
        """The found steps, each moved to its best place given the others; what does not stand there is dropped. Twice,
        for all but the last were moved before the others were."""
        steps: dict[int, Step] = {}
        for _ in range(2):
            steps = {}
            for place in list(self.known):
                others = [each for each in self.known if each != place]
                step = self._refined(place, [*others, *self.spells])
                stands = step is not None and self._held((step.place,), step.change)
                self.known = sorted({*others, step.place}) if step is not None and stands else others
                if step is not None and stands:
                    steps[step.place] = step
        return [steps[place] for place in sorted(steps)]

    def _refined(self, place: int, others: list[int]) -> Step | None:
        n = len(self.slot)
        start = min(max(0, place // 2 - WINDOW // 2), max(0, n - WINDOW))
        stop = min(start + WINDOW, n)
        statistic, change = self._shape(start, stop, others).steps(self.mean[start:stop])
        z = np.abs(statistic)
        here = place - 2 * start
        for other in others:
            z[max(0, other - 2 * start - 2 * NEAR) : max(0, other - 2 * start + 2 * NEAR + 1)] = 0.0
        z[: max(0, here - HELD)] = 0.0
        z[here + HELD + 1 :] = 0.0
        best = int(np.argmax(z))
        if z[best] < EDGE_THRESHOLD or abs(change[best]) < self.least:
            return None
        likely = np.flatnonzero((z > 0) & (z**2 >= z[best] ** 2 - RANGE_DROP))
        at_gaps = likely[(likely % 2 == 0) & (self._gap_before[start:stop][likely // 2])]
        if len(at_gaps):  # what happens unseen happens there: a laptop that sleeps is carried about
            best = int(at_gaps[np.argmax(z[at_gaps])])
        return Step(
            place=best + 2 * start,
            earliest=int(likely[0]) + 2 * start,
            latest=int(likely[-1]) + 2 * start,
            change=float(change[best]),
            sd=float(abs(change[best]) / z[best]),
        )
