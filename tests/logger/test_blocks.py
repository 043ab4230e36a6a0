"""Blocks: where the stretches are cut, what a block sums up, and that the table always equals its samples."""

from __future__ import annotations

import statistics
from math import log2

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from logger.blocks import (
    DURING_PROBE,
    FINE_ZONE_MS,
    FINEST_MS,
    RX_RATE_STALE,
    STRETCH_MS,
    TX_RATE_STALE,
    Fold,
    FoldSample,
    LinkFacts,
    decode_histogram,
    encode_histogram,
    rate_step,
    stretch_at,
)

LINKS = {0: LinkFacts(False, None), 1: LinkFacts(True, "5"), 2: LinkFacts(True, "2.4"), 3: LinkFacts(False, "5")}
HOUR_MS = 3_600_000


def sample(time_ms, rssi_dbm=-60.0, link_id=1, rate=None):
    return FoldSample(time_ms, link_id, rssi_dbm, None, rate, None, None, None, None, None, None, None, None)


def folded(samples, started_ms=0, ended_ms=None, interval_ms=5000, by_band=False):
    fold = Fold(started_ms, ended_ms, LINKS, by_band=by_band)
    blocks = [block for one in samples for block in fold.add(one, interval_ms)]
    return [*blocks, *fold.open.values()]


@given(
    started_ms=st.integers(0, 2_000_000_000_000),
    length_ms=st.one_of(st.none(), st.integers(1, 60 * 24 * HOUR_MS)),
    share=st.floats(0, 1, exclude_max=True),
)
def test_stretches_tile_the_period(started_ms, length_ms, share):
    ended_ms = None if length_ms is None else started_ms + length_ms
    time_ms = started_ms + int(share * (length_ms or 100 * HOUR_MS))
    stretch = stretch_at(time_ms, started_ms, ended_ms)
    assert stretch.started_at_utc_ms <= time_ms < stretch.ended_at_utc_ms
    assert 0 < stretch.ended_at_utc_ms - stretch.started_at_utc_ms <= STRETCH_MS
    assert stretch.started_at_utc_ms >= started_ms
    assert ended_ms is None or stretch.ended_at_utc_ms <= ended_ms
    assert stretch_at(stretch.started_at_utc_ms, started_ms, ended_ms) == stretch
    assert stretch_at(stretch.ended_at_utc_ms - 1, started_ms, ended_ms) == stretch


def test_stretches_are_ten_seconds_at_a_change_and_ten_minutes_of_the_clock_far_from_it():
    started_ms, ended_ms = 7_000, 7_000 + 48 * HOUR_MS
    assert stretch_at(started_ms, started_ms, ended_ms) == (7_000, 17_000)
    assert stretch_at(ended_ms - 1, started_ms, ended_ms) == (ended_ms - FINEST_MS, ended_ms)
    assert stretch_at(24 * HOUR_MS, started_ms, ended_ms) == (24 * HOUR_MS, 24 * HOUR_MS + STRETCH_MS)
    half_an_hour_in = stretch_at(started_ms + FINE_ZONE_MS // 2, started_ms, ended_ms)
    assert 200_000 < half_an_hour_in.ended_at_utc_ms - half_an_hour_in.started_at_utc_ms <= 300_000


def test_a_time_before_the_period_has_a_stretch_that_ends_where_the_period_begins():
    assert stretch_at(899_000, 1_000_000, None) == (600_000, 1_000_000)


@given(st.dictionaries(st.integers(-127, 127), st.integers(1, 65_535)))
def test_a_histogram_comes_back_as_it_was_and_numpy_can_read_it(counts):
    blob = encode_histogram(counts)
    assert decode_histogram(blob) == counts
    array = np.frombuffer(blob, dtype=[("value", "i1"), ("count", "<u2")])
    assert dict(zip(array["value"].tolist(), array["count"].tolist(), strict=True)) == counts


@pytest.mark.parametrize(("mbps", "step"), [(1, 0), (2, 8), (6, 21), (54, 46), (433.3, 70), (46_120, 124)])
def test_rates_are_counted_per_eighth_of_an_octave(mbps, step):
    assert rate_step(mbps) == step == round(8 * log2(mbps))


@given(st.lists(st.tuples(st.integers(-95, -20), st.floats(1, 5000)), min_size=1, max_size=200))
def test_a_block_sums_up_its_samples(values):
    """Oracle: the statistics module over the same samples."""
    samples = [sample(600_000 + 1000 * i, rssi, rate=rate) for i, (rssi, rate) in enumerate(values)]
    [block] = folded(samples, started_ms=-10 * HOUR_MS, interval_ms=1000)
    rssi = [one.rssi_dbm for one in samples]
    rates = [one.tx_rate_mbps for one in samples]
    assert block.n_samples == len(values) == block.rssi_n == block.tx_rate_n
    assert block.rssi_sum / block.rssi_n == pytest.approx(statistics.fmean(rssi))
    assert block.tx_rate_sum / block.tx_rate_n == pytest.approx(statistics.fmean(rates))
    assert 2 ** (block.tx_rate_log2 / block.tx_rate_n) == pytest.approx(statistics.geometric_mean(rates))
    assert block.rssi == {value: rssi.count(value) for value in set(rssi)}
    assert (block.first_ms, block.last_ms) == (samples[0].time_utc_ms, samples[-1].time_utc_ms)
    mean_ms = block.stretch.started_at_utc_ms + block.offset_sum / block.n_samples
    assert mean_ms == pytest.approx(statistics.fmean(one.time_utc_ms for one in samples))


@given(st.lists(st.tuples(st.integers(0, 7), st.integers(-95, -20), st.booleans()), min_size=1, max_size=100))
def test_a_sample_that_a_probe_touched_counts_as_time_and_as_a_drop_out_and_for_nothing_else(values):
    """Oracle: the same samples, the touched ones without anything that was measured."""
    samples = [
        FoldSample(600_000 + 5000 * i, int(there), rssi, -90.0, None, None, 3, 2, 1, 1, 250, 60, 70, 0, flags)
        for i, (flags, rssi, there) in enumerate(values)
    ]
    bare = [
        one._replace(flags=0, **dict.fromkeys(FoldSample._fields[2:13])) if one.flags & DURING_PROBE else one
        for one in samples
    ]
    touched = [one for one in samples if one.flags & DURING_PROBE]
    clean = [one for one in samples if not one.flags & DURING_PROBE]
    rows = [block.row(1) for block in folded(samples, started_ms=-10 * HOUR_MS)]
    expected = [block.row(1) for block in folded(bare, started_ms=-10 * HOUR_MS)]
    assert [row[:-3] for row in rows] == [row[:-3] for row in expected]
    assert sum(row[-3] for row in rows) == len(touched)
    for at, flag in ((-2, TX_RATE_STALE), (-1, RX_RATE_STALE)):
        assert sum(row[at] for row in rows) == sum(1 for one in clean if one.flags & flag)


def test_samples_stand_for_the_time_since_the_last_and_a_gap_stands_for_nothing():
    times = [0, 5_000, 10_000, 400_000, 405_000]  # six and a half minutes asleep
    assert sum(block.covered_ms for block in folded([sample(time) for time in times])) == 5 * 5_000


def test_interleaved_bands_are_each_covered_in_full():
    samples = [
        sample(time + offset, link_id=link) for time in range(0, 60_000, 5000) for link, offset in ((1, 0), (2, 3))
    ]
    by_link: dict[int, int] = {}
    for block in folded(samples, by_band=True):
        by_link[block.link_id] = by_link.get(block.link_id, 0) + block.covered_ms
    assert by_link == {1: 60_000, 2: 60_000}


@pytest.mark.parametrize(
    ("link_ids", "by_band", "dropouts"),
    [
        ([1, 1, 0, 0, 1, 0], False, 2),
        ([0, 0, 1], False, 0),  # without a link from the start: an outage, but no drop-out seen
        ([1, 2, 1], False, 0),  # roaming is none
        ([1, 2, 3, 2, 3], True, 1),  # recorded band by band: only 5 GHz dropped, once
    ],
)
def test_dropouts_are_counted_when_a_link_that_stood_is_found_lost(link_ids, by_band, dropouts):
    samples = [sample(5000 * i, None, link_id) for i, link_id in enumerate(link_ids)]
    assert sum(block.n_dropouts for block in folded(samples, by_band=by_band)) == dropouts


@given(st.lists(st.sampled_from([0, 1, 2]), min_size=2, max_size=100))
def test_a_link_that_flaps_or_roams_covers_no_more_time_than_went_by(link_ids):
    """A third of the time lost is a third, whatever the order."""
    blocks = folded([sample(5000 * i, None, link_id) for i, link_id in enumerate(link_ids)])
    covered_ms = dict.fromkeys(link_ids, 0)
    for block in blocks:
        covered_ms[block.link_id] += block.covered_ms
    assert covered_ms == {link_id: 5000 * link_ids.count(link_id) for link_id in link_ids}


def test_a_link_lost_during_a_gap_is_no_dropout():
    assert sum(b.n_dropouts for b in folded([sample(0), sample(HOUR_MS, None, 0)])) == 0
