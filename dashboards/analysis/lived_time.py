"""The time that a logger lived through, on a wall clock that somebody sets.

Set back, the clock shows an hour again: that hour of the wall was lived twice. Set forward, it leaves out time that
nobody lived. Events tell both ends of each step; lived time is what the wall clock would show had nobody touched it.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd


@dataclass(frozen=True, slots=True)
class LivedTime:
    """The stretches of the wall clock between its steps, in the order in which they were lived; milliseconds.

    ``begins_ms``, ``ends_ms``: of each stretch on the wall, infinite where nobody set the clock; ``ahead_ms``: what
    lived time is ahead of the wall in it.
    """

    begins_ms: np.ndarray
    ends_ms: np.ndarray
    ahead_ms: np.ndarray

    @classmethod
    def of(cls, events: pd.DataFrame, earliest_ms: float, last_ms: float) -> LivedTime:
        """From the events of one source in the order in which they were written, the earliest stamp of its samples, and
        the stamp of the sample taken last."""
        at_ms = events["time_utc_ms"].to_numpy(dtype="float64")
        is_step = (events["kind"] == "clock-set").to_numpy()
        begins, ends, ahead = [-np.inf], [], [0.0]
        for to_ms, detail in zip(at_ms[is_step].tolist(), events.loc[is_step, "detail"].tolist(), strict=True):
            from_ms = detail.get("from_utc_ms", to_ms - 1000 * detail.get("step_s", 0.0))
            from_ms = max(float(from_ms), begins[-1])
            ends.append(from_ms)
            begins.append(to_ms)
            ahead.append(ahead[-1] + from_ms - to_ms)
        ends.append(np.inf)
        if len(begins) > 1:  # how far a pass reaches matters where there are several
            stretch = is_step.cumsum()
            first, last = at_ms[stretch == 0].min(initial=np.inf), at_ms[stretch == stretch[-1]].max(initial=-np.inf)
            if first == np.inf or earliest_ms < min(begins[1:]):  # else it may be of a later stretch
                first = min(first, earliest_ms)
            begins[0], ends[-1] = min(float(first), ends[0]), max(float(last), last_ms, begins[-1])
        return cls(np.array(begins), np.array(ends), np.array(ahead))

    def of_events(self, events: pd.DataFrame) -> np.ndarray:
        """The lived time of each event, in the order in which they were written. A step is where it leads to."""
        stretch = (events["kind"] == "clock-set").to_numpy().cumsum()
        lived: np.ndarray = events["time_utc_ms"].to_numpy(dtype="float64") + self.ahead_ms[stretch]
        return lived

    def when(self, wall_ms: float, by_ms: float) -> float:
        """The last lived time up to ``by_ms``, which is lived time, too, at which the wall showed ``wall_ms``."""
        at = wall_ms + self.ahead_ms
        shown = (self.begins_ms <= wall_ms) & (wall_ms <= self.ends_ms) & (at <= by_ms)
        return float(at[shown].max(initial=-np.inf)) if shown.any() else float(at[0])

    def on_the_wall(self, begin_ms: np.ndarray, end_ms: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Stretches of lived time as pieces on the wall: begins, ends, and of which stretch each is a piece."""
        first = np.searchsorted(self.ends_ms[:-1] + self.ahead_ms[:-1], begin_ms, side="right")
        last = np.searchsorted(self.begins_ms[1:] + self.ahead_ms[1:], end_ms, side="left")
        n_pieces = np.maximum(last - first + 1, 0)
        of = np.repeat(np.arange(len(begin_ms)), n_pieces)
        stretch = first[of] + np.arange(len(of)) - np.repeat(np.cumsum(n_pieces) - n_pieces, n_pieces)
        begins = np.maximum(begin_ms[of] - self.ahead_ms[stretch], self.begins_ms[stretch])
        ends = np.minimum(end_ms[of] - self.ahead_ms[stretch], self.ends_ms[stretch])
        kept = ends > begins
        return begins[kept], ends[kept], of[kept]

    def lived_ms(self, edges_ms: np.ndarray) -> np.ndarray:
        """Time lived within each bin of the wall, an hour that was lived twice counting twice."""
        return overlap_ms(self.begins_ms, self.ends_ms, edges_ms)

    def unlived_ms(self, edges_ms: np.ndarray) -> np.ndarray:
        """Time of the wall within each bin that nobody lived."""
        order = np.argsort(self.begins_ms, kind="stable")
        begins, ends = self.begins_ms[order], np.maximum.accumulate(self.ends_ms[order])
        skipped = begins[1:] > ends[:-1]
        return overlap_ms(ends[:-1][skipped], begins[1:][skipped], edges_ms)


def overlap_ms(begin_ms: np.ndarray, end_ms: np.ndarray, edges_ms: np.ndarray) -> np.ndarray:
    """How much of the stretches lies within each bin between ascending edges; stretches that overlap count each."""
    low, high = edges_ms[0], edges_ms[-1]
    begins, ends = (np.sort(np.clip(at, low, high)) - low for at in (begin_ms, end_ms))
    at = edges_ms - low

    def passed_ms(times: np.ndarray) -> np.ndarray:
        """The time since each of ``times``, summed, at each edge."""
        n = np.searchsorted(times, at, side="right")
        sums = np.concatenate(([0.0], np.cumsum(times)))
        passed: np.ndarray = n * at - sums[n]
        return passed

    within: np.ndarray = np.maximum(np.diff(passed_ms(begins) - passed_ms(ends)), 0.0)
    return within
