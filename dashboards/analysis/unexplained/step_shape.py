"""Generalised least squares estimates of a step at every place of one window, from one inverse of its covariance.

For a step column x and a precision matrix P that leaves out what else is unknown, the estimate is x'Py / x'Px with
variance 1 / x'Px. A step between two slots has ones from there to the end, so both are sums over the ends of Py and of
P, of which cumulative sums give all at once (de Jong & Penzer, Diagnosing shocks in time series, JASA 93, 1998, have
the same by filtering).
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import lapack

LEAST_INFORMATION = 1e-6  # of a step that the unknowns have swallowed


@dataclass(frozen=True)
class StepShape:
    """``precision`` (n, n), and ``sums[i, j]`` of its rows from i and columns from j. Place 2 i of a step is between
    slots i - 1 and i, place 2 i + 1 within slot i."""

    precision: np.ndarray
    sums: np.ndarray

    @classmethod
    def of(cls, covariance: np.ndarray, known: list[int]) -> StepShape:
        """``covariance`` (n, n) of the slots' means; their level is unknown, and so are steps at the places
        ``known``. Raises LinAlgError where the covariance is none."""
        factor, failed = lapack.dpotrf(covariance, lower=0, clean=0)
        if failed:
            raise np.linalg.LinAlgError("the covariance of the slots is not positive definite: are slots repeated?")
        upper, _ = lapack.dpotri(factor, lower=0)
        inverse = np.triu(upper) + np.triu(upper, 1).T
        n = len(covariance)
        unknowns = np.column_stack([np.ones(n), *(step_column(n, place) for place in known)])
        weighted = inverse @ unknowns
        precision = inverse - weighted @ np.linalg.solve(unknowns.T @ weighted, weighted.T)
        sums = np.cumsum(np.cumsum(precision[::-1, ::-1], axis=0), axis=1)[::-1, ::-1]
        return cls(precision, sums)

    def steps(self, mean: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Of a step at each of the 2 n places: estimate over standard error, and estimate; 0 where nothing can be
        told, as at the first place and the last."""
        n = len(mean)
        score, own = np.append(self._scores(mean), 0.0), np.append(np.diagonal(self.sums), 0.0)
        next_to = np.append(np.diagonal(self.sums, 1), 0.0)
        information, scores = np.empty(2 * n), np.empty(2 * n)
        information[::2], scores[::2] = own[:-1], score[:-1]
        information[1::2] = (own[:-1] + own[1:] + 2 * next_to) / 4  # of half a step here and half a slot on
        scores[1::2] = (score[:-1] + score[1:]) / 2
        told = information > LEAST_INFORMATION
        told[0] = told[-1] = False
        information, scores = np.where(told, information, 1.0), np.where(told, scores, 0.0)
        return scores / np.sqrt(information), scores / information

    def stays(self, mean: np.ndarray, leaves: np.ndarray) -> np.ndarray:
        """|estimate| over standard error of a stay away from the level, from slot ``leaves[i]`` to before slot j, as
        element (i, j)."""
        scores, own = self._scores(mean), np.diagonal(self.sums)
        information = own[leaves, None] + own - 2 * self.sums[leaves]
        told = information > LEAST_INFORMATION
        statistic: np.ndarray = np.abs(scores[leaves, None] - scores) / np.sqrt(np.where(told, information, np.inf))
        return statistic

    def stay(self, mean: np.ndarray, leave: int, back: int) -> tuple[float, float]:
        """Of one stay away between two places: |estimate| over standard error, and estimate."""
        column = step_column(len(mean), leave) - step_column(len(mean), back)
        weighted = self.precision @ column
        information = float(column @ weighted)
        change = float(weighted @ mean) / information
        return abs(change) * np.sqrt(information), change

    def _scores(self, mean: np.ndarray) -> np.ndarray:
        scores: np.ndarray = np.cumsum((self.precision @ mean)[::-1])[::-1]
        return scores


def step_column(n: int, place: int) -> np.ndarray:
    """A step of one at ``place``, (n,); half of it in the slot that it lies within."""
    at, within = divmod(place, 2)
    column = (np.arange(n) >= at).astype(float)
    if within:
        column[at] = 0.5
    return column
