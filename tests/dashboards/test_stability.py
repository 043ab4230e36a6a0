"""Long-term stability from a whole log: what is told of each location, band and version, and what is not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest

from dashboards.analysis.lasting.stability import Stability, stability
from dashboards.frames import load_blocks
from logger.blocks import encode_histogram, rate_step
from logger.log import Log
from tests.dashboards.kiln_log import make_kiln_log

HOUR_MS, DAY_MS = 3_600_000, 86_400_000


@pytest.fixture(scope="module")
def kiln(tmp_path_factory) -> pd.DataFrame:
    """See kiln_log: 48 hours, v1 and v2 by turns, an outage of 30 min under v1 at 3 h."""
    with Log.open(make_kiln_log(tmp_path_factory.mktemp("stability") / "kiln.db")) as log:
        return load_blocks(log)


def cell(found: list[Stability], band: str, version: int) -> Stability:
    [mine] = [one for one in found if (one.band, one.version) == (band, version)]
    return mine


def test_there_is_one_entry_per_location_band_and_version_in_order(kiln):
    found = stability(kiln)
    assert [(one.location, one.band, one.version) for one in found] == [
        ("kiln room", "2.4", 2),
        ("kiln room", "5", 1),
        ("kiln room", "5", 2),
    ]
    assert stability(kiln.iloc[:0]) == []


def test_the_logged_outage_is_counted_once_and_the_time_asleep_is_no_outage(kiln):
    outages = cell(stability(kiln), "5", 1).outages
    assert (outages.count.estimate, outages.longest_min.estimate) == (1, pytest.approx(30, abs=1))
    assert outages.days == pytest.approx((20 - 2 + 10) / 24, abs=0.01)  # less two washouts
    assert cell(stability(kiln), "5", 2).outages.count.estimate == 0


def test_a_record_of_two_days_is_too_short_for_slope_day_and_needed_rate_and_long_enough_for_hours_and_minutes(kiln):
    found = cell(stability(kiln, needed_rate_mbps=250.0), "5", 1)
    assert (found.slope_db_per_month, found.day_less_night_db, found.under_rate) == (None, None, ())
    assert {600.0, 3600.0} <= {point.scale_s for point in found.allan}
    v1_h = {(10 + hour) % 24 for start, end in ((0, 8), (10, 20), (30, 40)) for hour in range(start, end)}
    assert {one.hour for one in found.hours} == v1_h  # the log begins at 10 h in Paris


def test_the_allan_deviation_is_that_of_the_links_own_noise_not_of_the_change_at_the_router(kiln):
    for one in stability(kiln):
        for point in one.allan:
            assert point.deviation_db.estimate < 2


def months(days: int = 20, fall_db_a_month: float = 0.0, slow_every: int = 0) -> pd.DataFrame:
    """Ten-minute blocks of white noise of .5 dB about -60 dBm, without a gap; of every so many blocks one is slow."""
    n = days * 144
    started = 1_772_409_600_000 + np.arange(n) * 600_000  # 2026-03-02, midnight UTC
    level = -60.3 - fall_db_a_month * np.arange(n) / 144 / 30 + 0.5 * np.random.default_rng(1).standard_normal(n)
    slow = np.arange(n) % slow_every == 0 if slow_every else np.zeros(n, bool)
    rates = [encode_histogram({rate_step(2.0 if one else 300.0): 60}) for one in slow]
    return pd.DataFrame(
        {
            "source_id": 1, "period_id": 1, "placement_id": 1, "location": "kiln room", "version": 1, "band": "5",
            "bssid": "02:00:00:00:00:05", "frequency_mhz": 5180.0, "link_id": 1, "period_started_at_utc_ms": started[0],
            "period_ended_at_utc_ms": np.nan, "started_at_utc_ms": started, "ended_at_utc_ms": started + 600_000,
            "first_utc_ms": started, "last_utc_ms": started + 590_000, "mean_utc_ms": started + 295_000.0,
            "time_zone": "UTC", "connected": True, "covered_s": 600.0, "n_samples": 60, "n_dropouts": 0, "rssi_n": 60,
            "rssi_mean_dbm": level, "rssi_histogram": [encode_histogram({round(one): 60}) for one in level],
            "tx_rate_histogram": rates, "rx_rate_histogram": b"",
        }
    )  # fmt: skip


def test_a_fall_is_found_and_no_fall_is_not():
    steady, falling = (stability(months(fall_db_a_month=fall))[0].slope_db_per_month for fall in (0.0, 4.0))
    assert steady.low < 0 < steady.high
    assert falling.low < -4 < falling.high < 0


def test_the_share_under_a_needed_rate_is_told_by_direction_and_not_when_not_asked_for():
    found = stability(months(slow_every=50), needed_rate_mbps=5.0)[0]
    [share] = found.under_rate
    assert (share.direction, share.rate_mbps) == ("tx", 5.0)
    assert share.share.estimate == pytest.approx(0.02, rel=0.02)
    assert share.share.low < 0.02 < share.share.high < 0.06
    assert stability(months(slow_every=50))[0].under_rate == ()
    assert stability(months(slow_every=50), needed_rate_mbps=0.0)[0].under_rate == ()


def test_another_channel_is_set_apart_and_its_share_is_told():
    blocks = months()
    blocks.loc[: len(blocks) // 4, "frequency_mhz"] = 5500.0
    blocks.loc[: len(blocks) // 4, "rssi_mean_dbm"] += 9
    found, still = stability(blocks)[0], stability(months())[0]
    assert found.other_radios_share == pytest.approx(0.25, abs=0.001)
    assert found.slope_db_per_month.low < 0 < found.slope_db_per_month.high
    assert found.allan[0].deviation_db.estimate == pytest.approx(still.allan[0].deviation_db.estimate, rel=0.05)


def test_what_comes_within_the_washout_is_left_out_but_not_of_a_source_that_has_none():
    blocks = months(4)
    whole, less = (stability(blocks, washout_s=washout)[0].days for washout in ({2: 7200.0}, {1: 7200.0}))
    assert whole == pytest.approx(4)
    assert less == pytest.approx(4 - 2 / 24)


def test_a_copy_of_a_recording_adds_nothing_at_all():
    """A second source that saw the very same, as another name of one radio does."""
    blocks = months(fall_db_a_month=1.0, slow_every=50)
    copy = blocks.assign(source_id=2, period_id=2, placement_id=2, rssi_mean_dbm=blocks["rssi_mean_dbm"] + 1)
    one, both = (stability(these, needed_rate_mbps=5.0)[0] for these in (blocks, pd.concat([blocks, copy])))
    assert one == both


def test_two_recordings_one_after_the_other_both_count():
    blocks = months(6)
    later = np.arange(len(blocks)) >= len(blocks) // 2
    parted = blocks.assign(source_id=1 + later, period_id=1 + later, placement_id=1 + later)
    assert stability(parted, washout_s=0.0)[0].days == pytest.approx(6)


def test_the_same_blocks_give_the_same_answer_in_any_order():
    blocks = months(6, slow_every=9)
    shuffled = blocks.sample(frac=1, random_state=1)
    one, other = (stability(these, needed_rate_mbps=5.0)[0] for these in (blocks, shuffled))
    assert replace(one, allan=()) == replace(other, allan=())
    for a, b in zip(one.allan, other.allan, strict=True):
        assert a.deviation_db.estimate == pytest.approx(b.deviation_db.estimate)


def test_a_band_that_was_never_linked_is_not_spoken_of():
    blocks = months(3).assign(connected=False, rssi_n=0, rssi_mean_dbm=np.nan, rssi_histogram=b"")
    assert stability(blocks) == []


def test_a_card_that_tells_no_level_still_has_its_outages_told():
    found = stability(months(3).assign(rssi_n=0, rssi_mean_dbm=np.nan, rssi_histogram=b""))[0]
    assert (found.allan, found.hours, found.slope_db_per_month, found.day_less_night_db) == ((), (), None, None)
    assert found.outages.count.estimate == 0
