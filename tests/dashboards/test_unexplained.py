"""Changes that no tag explains: found where planted, silent where tagged, and what was seen at the same time."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from dashboards.analysis.unexplained.changes import Unexplained, unexplained_changes
from dashboards.analysis.unexplained.slots import stretches
from tests.bench.verdict.steps import FAMILIES, NO_EVENTS, SLOT, blocks_of
from tests.bench.verdict.worlds import Readings, read

DAY = 86_400.0
DAY_BLOCKS = 144
HOUR_MS, DAY_MS = 3_600_000, 86_400_000


def ten_days(family: str = "home", seed: int = 1) -> Readings:
    return read(replace(FAMILIES[family], stays_h=(240.0,)), 0.0, np.random.default_rng(seed))[0]


def stepped(readings: Readings, db: float, from_day: float, to_day: float = 99.0) -> Readings:
    away = (readings.t_s >= from_day * DAY) & (readings.t_s < to_day * DAY)
    return replace(readings, rssi=readings.rssi + db * away)


def moment_ms(blocks: pd.DataFrame, day: float) -> float:
    return float(blocks["started_at_utc_ms"].iloc[0]) + day * DAY_MS


def tagged(blocks: pd.DataFrame, day: float, **tags: int) -> pd.DataFrame:
    """A new period from then on."""
    at_ms = moment_ms(blocks, day)
    later = blocks["started_at_utc_ms"] >= at_ms
    blocks = blocks.copy()
    blocks.loc[~later, "period_ended_at_utc_ms"] = at_ms
    blocks.loc[later, "period_started_at_utc_ms"] = at_ms
    for name, value in {"period_id": 2, **tags}.items():
        blocks.loc[later, name] = value
    return blocks


def found(blocks: pd.DataFrame, events: pd.DataFrame = NO_EVENTS, kind: str = "level") -> list[Unexplained]:
    return [one for one in unexplained_changes(blocks, events) if one.kind == kind]


@pytest.mark.parametrize("family", ["still", "home", "bursts", "half"])
def test_where_nothing_changed_nothing_is_said(family):
    assert unexplained_changes(blocks_of(ten_days(family)), NO_EVENTS) == []


@pytest.mark.parametrize("db", [4.0, -4.0])
def test_a_step_that_nobody_wrote_down_is_found_with_its_time_and_size(db):
    blocks = blocks_of(stepped(ten_days(), db, 4.3, 5.3))
    changes = found(blocks)
    assert len(changes) == 2
    for change, day, size in zip(changes, (4.3, 5.3), (db, -db), strict=True):
        assert change.earliest_utc_ms <= moment_ms(blocks, day) <= change.latest_utc_ms
        assert abs(change.at_utc_ms - moment_ms(blocks, day)) <= HOUR_MS
        assert change.low < size < change.high
        assert (change.location, change.band, change.version) == ("bench by the window", "5", 1)
        assert (change.metric, change.unit, change.seen, change.gap_s) == ("rssi", "dB", (), 0.0)


@pytest.mark.parametrize("tags", [{"version": 2}, {"placement_id": 2}, {"version": 2, "placement_id": 2}])
def test_a_tagged_change_is_never_reported(tags):
    blocks = blocks_of(stepped(ten_days(), 8.0, 5.0))
    assert len(found(blocks)) == 1
    assert found(tagged(blocks, 5.0, **tags)) == []
    assert found(tagged(blocks, 5.01, **tags)) == []  # nor one whose tag is a quarter of an hour late


def test_a_split_period_tags_nothing():
    blocks = blocks_of(stepped(ten_days(), 6.0, 5.0))
    assert len(found(tagged(blocks, 5.0))) == 1


def test_a_change_within_a_later_version_is_of_that_version():
    blocks = tagged(blocks_of(stepped(stepped(ten_days(), -6.0, 4.0), 4.0, 7.0)), 4.0, version=2)
    (change,) = found(blocks)
    assert change.version == 2
    assert abs(change.at_utc_ms - moment_ms(blocks, 7.0)) <= HOUR_MS


def test_shifting_all_samples_changes_nothing_and_turning_them_turns_the_change():
    readings = stepped(ten_days(), 4.0, 4.3)
    (plain,) = found(blocks_of(readings))
    (shifted,) = found(blocks_of(replace(readings, rssi=readings.rssi + 9)))
    (turned,) = found(blocks_of(replace(readings, rssi=-130 - readings.rssi)))
    assert replace(shifted, change=0, low=0, high=0) == replace(plain, change=0, low=0, high=0)
    assert (shifted.change, shifted.low, shifted.high) == pytest.approx((plain.change, plain.low, plain.high))
    assert (-turned.change, -turned.high, -turned.low) == pytest.approx((plain.change, plain.low, plain.high))


def test_another_spread_is_found_and_is_no_level():
    readings = ten_days("white")
    away = readings.t_s >= 5.2 * DAY
    wider = -68 + np.round((readings.rssi + 68) * np.where(away, 2.5, 1.0))
    blocks = blocks_of(replace(readings, rssi=wider))
    (change,) = unexplained_changes(blocks, NO_EVENTS)
    assert (change.kind, change.unit) == ("spread", "ratio")
    assert change.low < 2.4 < change.high  # half a dB that rounding may make is counted with both
    assert change.earliest_utc_ms <= moment_ms(blocks, 5.2) <= change.latest_utc_ms


def test_a_slope_of_many_days_is_told_once_with_its_interval():
    readings = ten_days("white")
    sinking = np.round(readings.rssi - 1.0 * readings.t_s / DAY)
    (change,) = unexplained_changes(blocks_of(replace(readings, rssi=sinking)), NO_EVENTS)
    assert (change.kind, change.unit) == ("slope", "dB/month")
    assert change.low < -30 < change.high < -20


def test_what_was_seen_at_the_same_time_is_told():
    blocks = blocks_of(stepped(ten_days(), -5.0, 5.0))
    later = blocks["started_at_utc_ms"] >= moment_ms(blocks, 5.0)
    blocks = blocks.assign(
        frequency_mhz=np.where(later, 5500.0, 5180.0), noise_n=5, noise_mean_dbm=np.where(later, -86.0, -95.0),
        busy_n=5, busy_mean_share=np.where(later, 0.6, 0.1), bssid="02:00:00:00:00:05",
    )  # fmt: skip
    gone = (blocks["started_at_utc_ms"] >= moment_ms(blocks, 4.9)) & ~later
    events = pd.DataFrame(
        {
            "time_utc_ms": [moment_ms(blocks, day) for day in (2.0, 4.9, 5.0, 5.0)],
            "kind": ["roamed", "suspended", "resumed", "channel-switched"],
            "source_id": [1, 1, 1, 2],
            "detail": [{}, {}, {"asleep_s": 8640}, {}],
        }
    )
    (change,) = found(blocks[~gone], events)
    assert change.seen == (
        "channel at 5180 MHz before, 5500 MHz after",
        "noise -95 dBm before, -86 dBm after",
        "channel busy 10% of the time before, 60% after",
        "no samples for 2 h 20 min before it",
        "the laptop went to sleep",
        "the laptop is awake again, after 2 h 24 min",
    )
    assert change.gap_s == pytest.approx(2.4 * 3600, abs=700)
    assert change.at_utc_ms == moment_ms(blocks, 5.0)


def test_a_link_that_roams_to_and_fro_has_two_levels_and_no_change():
    readings = ten_days()
    other = (readings.t_s // (6 * 3600)) % 2 == 1
    blocks = blocks_of(replace(readings, rssi=readings.rssi - 9 * other))
    other_radio = other[: len(blocks) * SLOT : SLOT]
    blocks["bssid"] = np.where(other_radio, "02:00:00:00:00:06", "02:00:00:00:00:05")
    assert found(blocks) == []
    assert len(stretches(blocks)) == 2


def test_recorders_locations_and_bands_are_searched_each_by_itself():
    blocks = blocks_of(stepped(ten_days(), 5.0, 5.0))
    for column, value in (("source_id", 2), ("location", "kiln room"), ("band", "2.4")):
        still = blocks_of(ten_days(seed=2)).assign(period_id=7, **{column: value})
        (change,) = found(pd.concat([blocks, still], ignore_index=True))
        assert getattr(change, column) == blocks[column].iloc[0]


def test_what_a_driver_made_up_for_a_minute_is_no_change():
    readings = ten_days()
    rssi = readings.rssi.copy()
    rssi[5 * 8640 : 5 * 8640 + 6] = -20
    assert found(blocks_of(replace(readings, rssi=rssi))) == []


def test_of_an_empty_log_and_of_one_without_a_link_nothing_is_said():
    blocks = blocks_of(ten_days())
    assert unexplained_changes(blocks[:0], NO_EVENTS) == []
    assert unexplained_changes(blocks.assign(connected=False, rssi_n=0, rssi_mean_dbm=np.nan), NO_EVENTS) == []
