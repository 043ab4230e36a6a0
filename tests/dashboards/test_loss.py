"""How sure a difference of lost requests is: its clumps, its corners."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest

from dashboards.analysis.loss_effect import loss_difference, loss_record

HOUR_MS = 3_600_000


def test_lossy_probes_one_after_another_are_one_clump_within_six_hours():
    hour = np.array([0.0, 0.5, 1.0, 1.5, 2.0, 2.5, 5.5, 6.5, 7.0, 7.5])
    lost = [0, 2, 1, 0, 0, 0, 3, 4, 0, 0]
    record = loss_record(pd.DataFrame({"started_at_utc_ms": (hour * HOUR_MS).astype(int), "sent": 50.0, "lost": lost}))
    assert record.watched_days.tolist() == [3.5, 1.5]  # hundreds of requests
    assert record.episode_dropouts.tolist() == [3, 3, 4]
    assert record.episode_day.tolist() == [0, 0, 1]


def lost_of(sent, lost):
    """The record of a probe each half hour."""
    times = 30 * 60_000 * np.arange(len(lost))
    return loss_record(pd.DataFrame({"started_at_utc_ms": times, "sent": float(sent), "lost": lost}))


def test_the_loss_of_nothing_of_all_and_of_one_in_ten_thousand_has_an_interval_that_can_be():
    none, every, one = lost_of(100, [0] * 100), lost_of(100, [100] * 100), lost_of(100, [1] + [0] * 99)
    estimate, low, high = loss_difference(none, none, 0.95, 0)
    assert estimate == 0
    assert -0.3 < low < -0.01 < 0.01 < high < 0.3  # of 10,000 each: three would be .03
    estimate, low, high = loss_difference(none, one, 0.95, 0)
    assert estimate == pytest.approx(0.01)
    assert -0.3 < low < 0 < high < 0.3
    estimate, low, high = loss_difference(none, every, 0.95, 0)
    assert (estimate, high) == (100.0, 100.0)
    assert 60 < low < 100
    estimate, low, high = loss_difference(every, every, 0.95, 0)
    assert -45 < low < estimate == 0 < high < 45  # episodes are a Poisson count: wide, where nothing is left to lose


def test_what_is_thought_of_hours_that_lose_more_does_not_hang_on_the_unit_of_what_is_sent():
    lost = [0, 0, 1, 0, 3, 0] * 16
    (_, low, high), (_, few_low, few_high) = (
        loss_difference(lost_of(sent, lost), lost_of(sent, lost[::-1]), 0.95, 0) for sent in (1000, 10)
    )
    assert 100 * (high - low) == pytest.approx(few_high - few_low)
