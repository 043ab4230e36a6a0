"""Steps in a series of ten-minute means whose noise has a long memory.

At every place, and for every stay of three hours to two days away from the level: the generalised least squares
estimate of such a step over a window of three days, with the covariance learned from the link's own record, divided by
its standard error. One inverse of the window's covariance serves all places at once, for the estimates are sums over
its rows and columns (de Jong & Penzer, Diagnosing shocks in time series, JASA 93, 1998, here in matrices). A step that
is found joins the model as an unknown, and the search goes on until nothing stands out.

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
from scipy.linalg import lapack

from dashboards.analysis.slot_noise import SlotNoise
from dashboards.analysis.slots import SLOTS_A_DAY

WINDOW = 3 * SLOTS_A_DAY
STRIDE = SLOTS_A_DAY
LEAST_HELD = 18  # slots on either side of a step: three hours
HELD = 36  # slots on either side whose medians must show it
HELD_PART = 0.35
STEP_THRESHOLD = 4.4  # standard errors; measured, see tests/bench/verdict/steps.py
STAY_THRESHOLD = 6.0  # the same of a stay away from the level: there are many more of them
STAY_CANDIDATE = 4.8
EDGE_THRESHOLD = 3.0  # of either end of such a stay
NEAR = 3  # slots: where a step is known, no other is told apart
RANGE_DROP = 8.0  # of the squared statistic, down to which a place is still as likely
MOST_STEPS = 40


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
class _Shape:
    """What a window's times and known steps make of it: ``precision`` (n, n) leaves the mean and them out;
    ``sums[i, j]`` is the sum of its rows from i and columns from j."""

    precision: np.ndarray
    sums: np.ndarray


@dataclass(frozen=True)
class _Found:
    score: float  # statistic over threshold
    places: tuple[int, ...]
    change: float


@dataclass
class StepSearch:
    """``slot`` (n,) rising integers, ``mean`` (n,) with outliers and the day taken out; ``least``: a smaller step is
    none, in the unit of ``mean``."""

    slot: np.ndarray
    mean: np.ndarray
    noise: SlotNoise
    least: float
    known: list[int] = field(default_factory=list)
    refused: set[int] = field(default_factory=set)

    def __post_init__(self) -> None:
        n = len(self.slot)
        self._starts = list(range(0, max(n - WINDOW, 0), STRIDE)) + [max(n - WINDOW, 0)]
        self._regular: dict[int, _Shape] = {}

    def run(self) -> list[Step]:
        """All steps, by place."""
        if len(self.slot) < 2 * LEAST_HELD:
            return []
        found = [self._search(window) for window in range(len(self._starts))]
        while len(self.known) < MOST_STEPS:
            best = max((each for part in found for each in part), key=lambda each: each.score, default=None)
            if best is None:
                break
            if self._held(best):
                self.known = sorted({*self.known, *best.places})
            else:
                self.refused.update(best.places)
            for window, start in enumerate(self._starts):
                if any(start < place / 2 < start + WINDOW for place in best.places):
                    found[window] = self._search(window)
        return self._settled()

    # One window

    def _search(self, window: int) -> list[_Found]:
        """The best step and the best stay away of one window, if they stand out."""
        start, stop = self._bounds(window)
        first, last = self._own(window)
        shape, scores = self._shape(start, stop, self.known)
        statistic, change = _steps(shape, scores)
        n = stop - start
        allowed = np.zeros(2 * n, dtype=bool)
        allowed[2 * (first - start) : 2 * (last - start)] = True
        allowed[: 2 * LEAST_HELD if start == 0 else 0] = False
        if stop == len(self.slot):
            allowed[2 * (n - LEAST_HELD) + 1 :] = False
        for place in self.known:
            allowed[max(0, place - 2 * start - 2 * NEAR) : max(0, place - 2 * start + 2 * NEAR + 1)] = False
        for place in self.refused:
            if 0 <= place - 2 * start < 2 * n:
                allowed[place - 2 * start] = False
        found = []
        z = np.where(allowed & (np.abs(change) >= self.least), np.abs(statistic), 0.0)
        place = int(np.argmax(z))
        if z[place] > STEP_THRESHOLD:
            found.append(_Found(float(z[place]) / STEP_THRESHOLD, (place + 2 * start,), float(change[place])))
        stay = self._best_stay(shape, scores, allowed, start)
        return [*found, stay] if stay else found

    def _best_stay(self, shape: _Shape, scores: np.ndarray, allowed: np.ndarray, start: int) -> _Found | None:
        """Away at one place, back at another: places between slots first, then half a slot to either side."""
        sums, n = shape.sums, len(scores)
        leaves = np.flatnonzero(allowed[::2])
        if len(leaves) == 0:
            return None
        free = np.ones(n, dtype=bool)
        for place in [*self.known, *self.refused]:
            free[max(0, place // 2 - start - NEAR) : max(0, place // 2 - start + NEAR + 1)] = False
        if start + n == len(self.slot):
            free[n - LEAST_HELD + 1 :] = False
        own = np.diagonal(sums)
        information = own[leaves, None] + own - 2 * sums[leaves]
        with np.errstate(divide="ignore", invalid="ignore"):
            z = np.abs(scores[leaves, None] - scores) / np.sqrt(information)
        lasts = np.arange(n) - leaves[:, None]
        z[(lasts < LEAST_HELD) | ~free | ~(information > 1e-6)] = 0.0
        i, back = np.unravel_index(np.argmax(z), z.shape)
        if z[i, back] < STAY_CANDIDATE:
            return None
        return self._finer_stay(shape, scores, start, int(leaves[i]), int(back))

    def _finer_stay(self, shape: _Shape, scores: np.ndarray, start: int, away: int, back: int) -> _Found | None:
        best, best_z = None, STAY_THRESHOLD
        n = len(scores)
        for leave in range(2 * away - 1, 2 * away + 2):
            for come in range(2 * back - 1, 2 * back + 2):
                if leave < 1 or come >= 2 * n - 1:
                    continue
                column = step_column(n, leave) - step_column(n, come)
                inner = shape.precision @ column
                information = float(column @ inner)
                change = float(inner @ self.mean[start : start + n]) / information
                z = abs(change) * np.sqrt(information)
                if z > best_z and abs(change) >= self.least:
                    best_z = z
                    best = _Found(z / STAY_THRESHOLD, (leave + 2 * start, come + 2 * start), change)
        return best

    def _shape(self, start: int, stop: int, known: list[int]) -> tuple[_Shape, np.ndarray]:
        """And the scores: what each slot's row of the precision says of the means, summed from the end."""
        slot, n = self.slot[start:stop], stop - start
        columns = [step_column(n, place - 2 * start) for place in known if 2 * start < place < 2 * stop - 1]
        regular = not columns and slot[-1] - slot[0] == n - 1
        shape = self._regular.get(n) if regular else None
        if shape is None:
            shape = _shape_of(self.noise.between(slot), np.column_stack([np.ones(n), *columns]))
            if regular:
                self._regular[n] = shape
        weighted = shape.precision @ self.mean[start:stop]
        return shape, np.cumsum(weighted[::-1])[::-1]

    def _bounds(self, window: int) -> tuple[int, int]:
        start = self._starts[window]
        return start, min(start + WINDOW, len(self.slot))

    def _own(self, window: int) -> tuple[int, int]:
        """The places that this window is the best to tell of: its middle, for the first and last one to the end."""
        start, stop = self._bounds(window)
        first = 1 if window == 0 else self._own(window - 1)[1]
        last = stop if window == len(self._starts) - 1 else start + (WINDOW + STRIDE) // 2
        return first, last

    # What stands in the end

    def _held(self, found: _Found) -> bool:
        """Whether the medians of the hours before and after show it too: somebody in the path is no change."""
        way = 1.0
        for place in found.places:
            at, within = divmod(place, 2)
            before, after = self.mean[max(0, at - HELD) : at], self.mean[at + within : at + within + HELD]
            if min(len(before), len(after)) < LEAST_HELD:
                return False
            shown = way * (np.median(after) - np.median(before))
            if shown * np.sign(found.change) < HELD_PART * abs(found.change):
                return False
            way = -way
        return True

    def _settled(self) -> list[Step]:
        """The found steps, each moved to its best place given the others; what no longer stands out is dropped."""
        steps: dict[int, Step] = {}
        for place in list(self.known):
            others = [each for each in self.known if each != place]
            step = self._refined(place, others)
            self.known = sorted({*others, step.place} if step else others)
        for place in list(self.known):
            step = self._refined(place, [each for each in self.known if each != place])
            if step:
                steps[step.place] = step
        return [steps[place] for place in sorted(steps)]

    def _refined(self, place: int, others: list[int]) -> Step | None:
        n = len(self.slot)
        start = min(max(0, place // 2 - WINDOW // 2), max(0, n - WINDOW))
        stop = min(start + WINDOW, n)
        shape, scores = self._shape(start, stop, others)
        statistic, change = _steps(shape, scores)
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
        return Step(
            place=best + 2 * start,
            earliest=int(likely[0]) + 2 * start,
            latest=int(likely[-1]) + 2 * start,
            change=float(change[best]),
            sd=float(abs(change[best]) / z[best]),
        )


def step_column(n: int, place: int) -> np.ndarray:
    """A step of one at ``place``, (n,); half of it in the slot that it lies within."""
    at, within = divmod(place, 2)
    column = (np.arange(n) >= at).astype(float)
    if within:
        column[at] = 0.5
    return column


def _steps(shape: _Shape, scores: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """The statistic and the change of a step at each of the 2 n places; 0 where nothing can be told."""
    sums, n = shape.sums, len(scores)
    own, next_to = np.diagonal(sums), np.append(np.diagonal(sums, 1), 0.0)
    after = np.append(scores[1:], 0.0)
    information, score = np.empty(2 * n), np.empty(2 * n)
    information[::2], score[::2] = own, scores
    information[1::2] = (own + np.append(own[1:], 0.0) + 2 * next_to) / 4
    score[1::2] = (scores + after) / 2
    told = information > 1e-6
    told[0] = told[-1] = False
    information = np.where(told, information, 1.0)
    score = np.where(told, score, 0.0)
    return score / np.sqrt(information), score / information


def _shape_of(covariance: np.ndarray, unknowns: np.ndarray) -> _Shape:
    factor, failed = lapack.dpotrf(covariance, lower=0, clean=0)
    if failed:
        raise np.linalg.LinAlgError("the covariance of the slots is not positive definite: are slots repeated?")
    upper, _ = lapack.dpotri(factor, lower=0)
    inverse = np.triu(upper) + np.triu(upper, 1).T
    weighted = inverse @ unknowns
    gram = unknowns.T @ weighted
    precision = inverse - weighted @ np.linalg.solve(gram, weighted.T)
    sums = np.cumsum(np.cumsum(precision[::-1, ::-1], axis=0), axis=1)[::-1, ::-1]
    return _Shape(precision, sums)
