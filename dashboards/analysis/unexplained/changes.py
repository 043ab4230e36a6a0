"""What changed at a link and was not written down: steps of its level, a slope, another spread.

Only within a stay is anything searched: what the owner told (another version, another placement) is a step of unknown
size that needs no explanation. The noise that a change must stand out of is learned from all stays of one recorder at
one location and band.

- **level**: ``step_search.py`` over ten-minute means of RSSI, the day's cycle and bursts taken out.
- **spread**: the same search over the logarithm of the standard deviation within ten minutes.
- **slope**: ``slope.py`` over a stay of a week or more, each level step found in it left free.

False alarms: fewer than one a month on any of the links of tests/bench/verdict/steps.py, which measures them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

import numpy as np
import pandas as pd

from dashboards.analysis.lasting.slope import slope_per_month
from dashboards.analysis.unexplained.seen import gap_before_s, what_was_seen
from dashboards.analysis.unexplained.slot_noise import day_cycle, harmonics, learn_slot_noise, without_outliers
from dashboards.analysis.unexplained.slots import SLOT_MS, SLOT_S, SLOTS_A_DAY, Stretch, stretches
from dashboards.analysis.unexplained.step_search import Step, StepSearch

Kind = Literal["level", "slope", "spread"]

LEAST_STEP_DB = 1.0
LEAST_SPREAD_FACTOR = 1.6
SPREAD_FLOOR_DB = 0.5  # what rounding makes of a smaller spread is no matter of the link
DB_PER_NEPER = 20 / np.log(10)  # logarithms of a spread in dB, so that its noise is of the size of a level's
LEAST_SLOPE_DAYS = 7
DAYS_A_MONTH = 30
LEAST_SLOPE_DB = 2.0  # over the stay
SLOPE_CONFIDENCE = 0.995
Z = 1.96


@dataclass(frozen=True)
class Unexplained:
    """One change. ``change`` with its 95 % interval in ``unit``: dB of a level (negative: it fell), dB/month of a
    slope, a ratio of spreads. It came between ``earliest_utc_ms`` and ``latest_utc_ms``, most likely at ``at_utc_ms``;
    a slope lasts from the one to the other. ``seen``: what was seen at the same time, in words.

    ``gap_s``: how long there were no samples just before it, 0 where there were. ``source_id`` is the recorder, whose
    tags can be edited if it is this machine's own."""

    kind: Kind
    location: str
    band: str
    version: int
    metric: str
    at_utc_ms: int
    earliest_utc_ms: int
    latest_utc_ms: int
    change: float
    low: float
    high: float
    unit: str
    seen: tuple[str, ...]
    gap_s: float = 0.0
    source_id: int = 1
    time_zone: str = "UTC"


def unexplained_changes(blocks: pd.DataFrame, events: pd.DataFrame) -> list[Unexplained]:
    """All changes of a log by time; frames as ``load_blocks`` and ``load_events`` give them."""
    found: list[Unexplained] = []
    links: dict[tuple[int, str, str], list[Stretch]] = {}
    for stretch in stretches(blocks):
        links.setdefault((stretch.source_id, stretch.location, stretch.band), []).append(stretch)
    for link in links.values():
        levels = _steps_of(link, [stretch.level_dbm for stretch in link], LEAST_STEP_DB)
        for stretch, steps in zip(link, levels, strict=True):
            found += [_level(stretch, step, events) for step in steps]
            found += _slope(stretch, steps)
        spreads = [DB_PER_NEPER * np.log(np.hypot(stretch.spread_db, SPREAD_FLOOR_DB)) for stretch in link]
        for stretch, steps in zip(
            link, _steps_of(link, spreads, DB_PER_NEPER * np.log(LEAST_SPREAD_FACTOR)), strict=True
        ):
            found += [_spread(stretch, step, events) for step in steps]
    return sorted(found, key=lambda one: (one.at_utc_ms, one.kind, one.location, one.band))


def _steps_of(link: Sequence[Stretch], values: Sequence[np.ndarray], least: float) -> list[list[Step]]:
    """The steps of each stretch; places are of the stretch's own slots."""
    known = [np.flatnonzero(np.isfinite(value)) for value in values]
    local_s = [stretch.local_s[rows] for stretch, rows in zip(link, known, strict=True)]
    kept = [value[rows] for value, rows in zip(values, known, strict=True)]
    measured = [pair for pair in zip(local_s, kept, strict=True) if len(pair[0])]
    if not measured:
        return [[] for _ in link]
    cycle, day_left = day_cycle(measured)
    clean = [
        without_outliers(mean - harmonics(at) @ cycle) if len(mean) else mean
        for at, mean in zip(local_s, kept, strict=True)
    ]
    series = [(stretch.slot[rows], mean) for stretch, rows, mean in zip(link, known, clean, strict=True) if len(mean)]
    noise = learn_slot_noise(series, day_left)
    steps = []
    for stretch, rows, mean in zip(link, known, clean, strict=True):
        found = StepSearch(stretch.slot[rows], mean, noise, least, stretch.still_open).run() if len(mean) else []
        steps.append([_in_slots_of(stretch, rows, step) for step in found])
    return steps


def _in_slots_of(stretch: Stretch, rows: np.ndarray, step: Step) -> Step:
    def place(of_known: int) -> int:
        return int(2 * rows[of_known // 2] + of_known % 2)

    return Step(place(step.place), place(step.earliest), place(step.latest), step.change, step.sd)


def _level(stretch: Stretch, step: Step, events: pd.DataFrame) -> Unexplained:
    reach = Z * step.sd
    return _of_step("level", stretch, step, events, (step.change, step.change - reach, step.change + reach), "dB")


def _spread(stretch: Stretch, step: Step, events: pd.DataFrame) -> Unexplained:
    reach = Z * step.sd
    low, ratio, high = np.exp(np.array([step.change - reach, step.change, step.change + reach]) / DB_PER_NEPER)
    return _of_step("spread", stretch, step, events, (float(ratio), float(low), float(high)), "ratio")


def _of_step(
    kind: Kind, stretch: Stretch, step: Step, events: pd.DataFrame, size: tuple[float, float, float], unit: str
) -> Unexplained:
    earliest_ms, at_ms, latest_ms = _times(stretch, step)
    change, low, high = size
    return Unexplained(
        kind=kind,
        location=stretch.location,
        band=stretch.band,
        version=stretch.version,
        metric="rssi",
        at_utc_ms=at_ms,
        earliest_utc_ms=earliest_ms,
        latest_utc_ms=latest_ms,
        change=change,
        low=low,
        high=high,
        unit=unit,
        seen=what_was_seen(stretch, step, events, earliest_ms, latest_ms),
        gap_s=gap_before_s(stretch, step),
        source_id=stretch.source_id,
        time_zone=stretch.time_zone,
    )


def _times(stretch: Stretch, step: Step) -> tuple[int, int, int]:
    """Earliest, likeliest, latest. Half a slot's mean would show a step earlier or later than that."""
    at, within = divmod(step.place, 2)
    first = stretch.first_utc_ms[at]
    at_ms = (stretch.slot[at] + 0.5) * SLOT_MS if within else first
    early, early_within = divmod(step.earliest, 2)
    earliest_ms = stretch.slot[early] * SLOT_MS if early_within else (stretch.slot[early - 1] + 0.5) * SLOT_MS
    late, late_within = divmod(step.latest, 2)
    latest_ms = (stretch.slot[late] + (1.0 if late_within else 0.5)) * SLOT_MS
    at_ms = min(max(at_ms, earliest_ms), latest_ms)
    return int(earliest_ms), int(at_ms), int(latest_ms)


def _slope(stretch: Stretch, steps: Sequence[Step]) -> list[Unexplained]:
    days = (stretch.slot[-1] - stretch.slot[0]) / SLOTS_A_DAY
    if days < LEAST_SLOPE_DAYS:
        return []
    sure = _slope_interval(stretch, steps, SLOPE_CONFIDENCE)
    if sure is None or sure[1] <= 0 <= sure[2] or abs(sure[0]) * days / DAYS_A_MONTH < LEAST_SLOPE_DB:
        return []
    change, low, high = _slope_interval(stretch, steps, 0.95) or sure
    first_ms, last_ms = int(stretch.first_utc_ms[0]), int(stretch.last_utc_ms[-1])
    return [
        Unexplained(
            "slope", stretch.location, stretch.band, stretch.version, "rssi", first_ms, first_ms, last_ms,
            change, low, high, "dB/month", (), source_id=stretch.source_id, time_zone=stretch.time_zone,
        )
    ]  # fmt: skip


def _slope_interval(stretch: Stretch, steps: Sequence[Step], confidence: float) -> tuple[float, float, float] | None:
    """dB a month and its interval; each level step leaves the level after it free."""
    after = np.searchsorted([(step.place + 1) // 2 for step in steps], np.arange(len(stretch.slot)), side="right")
    time_s = (stretch.slot - stretch.slot[0]) * SLOT_S
    local_s = stretch.local_s - stretch.local_s[0] // 86_400 * 86_400
    found = slope_per_month(time_s, local_s, stretch.level_dbm, after, confidence=confidence)
    if found is None or found.estimate is None or found.low is None or found.high is None:
        return None
    return found.estimate, found.low, found.high
