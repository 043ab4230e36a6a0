"""What part of the time was logged, why the rest was not, and when there was no link."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboards.analysis.coverage import KINDS, coverage, gaps
from dashboards.analysis.outages import outage_spells

MINUTE_MS, HOUR_MS = 60_000, 3_600_000


def blocks_of(*stretches: tuple[float, float, bool], dropouts: int = 1) -> pd.DataFrame:
    """Blocks of ten minutes with a sample a minute, from stretches of (begin hour, end hour, linked)."""
    rows = []
    for begin, end, linked in stretches:
        at = round(begin * HOUR_MS)
        first = True
        while at < round(end * HOUR_MS):
            stop = min(at + 10 * MINUTE_MS, round(end * HOUR_MS))
            n = (stop - at) // MINUTE_MS
            rows.append((at, stop - MINUTE_MS, n, 60.0 * n, linked, 0 if linked or not first else dropouts))
            at, first = stop, False
    names = ["first_utc_ms", "last_utc_ms", "n_samples", "covered_s", "connected", "n_dropouts"]
    return pd.DataFrame(rows, columns=names).assign(source_id=1, location="kiln room", band="5", version=1)


def events_of(*told: tuple[float, str]) -> pd.DataFrame:
    return pd.DataFrame(
        {"time_utc_ms": [round(hour * HOUR_MS) for hour, _ in told], "kind": [kind for _, kind in told]}
    ).astype({"time_utc_ms": "int64", "kind": "str"})


def total(found: pd.DataFrame) -> dict[str, float]:
    return {kind: round(float(hours), 6) for kind, hours in found.sum().items() if hours > 1e-9}


def test_time_with_and_without_a_link_is_told_apart():
    blocks = blocks_of((0, 4, True), (4, 5, False), (5, 8, True))
    found = coverage(blocks, events_of(), np.array([0, 8 * HOUR_MS]))
    assert total(found) == {"link": 7, "no link": 1}


@pytest.mark.parametrize(
    ("opens", "closes", "reason"),
    [
        ("suspended", "resumed", "suspended"),
        ("logger-stopped", "logger-started", "logger off"),
        ("adapter-failed", "adapter-recovered", "adapter failed"),
        ("interface-gone", "interface-back", "adapter failed"),
    ],
)
def test_a_gap_has_the_reason_that_events_give(opens, closes, reason):
    blocks = blocks_of((0, 4, True), (6, 8, True))
    told = events_of((4, opens), (6, closes))
    assert total(coverage(blocks, told, np.array([0, 8 * HOUR_MS]))) == {"link": 6, reason: 2}
    assert gaps(blocks, told)["reason"].tolist() == [reason]


def test_a_power_cut_tells_nobody_but_the_next_start_does():
    blocks = blocks_of((0, 4, True), (6, 8, True))
    told = events_of((6, "logger-started"))
    assert total(coverage(blocks, told, np.array([0, 8 * HOUR_MS]))) == {"link": 6, "logger off": 2}


def test_a_gap_that_nothing_explains_is_unexplained():
    blocks = blocks_of((0, 4, True), (6, 8, True))
    assert total(coverage(blocks, events_of(), np.array([0, 8 * HOUR_MS]))) == {"link": 6, "unexplained": 2}
    found = gaps(blocks, events_of())
    assert found["reason"].tolist() == ["unexplained"]
    assert (found["ended_at_utc_ms"] - found["started_at_utc_ms"]).tolist() == [2 * HOUR_MS]


def test_a_gap_inside_a_block_counts_though_no_block_is_missing():
    blocks = blocks_of((0, 1, True))
    blocks["covered_s"] = [600, 600, 240, 600, 600, 600]  # asleep for six minutes of the third
    blocks["n_samples"] = [10, 10, 4, 10, 10, 10]
    told = events_of((22 / 60, "suspended"), (28 / 60, "resumed"))
    assert total(coverage(blocks, told, np.array([0, HOUR_MS]))) == {"link": 0.9, "suspended": 0.1}


def test_a_block_across_midnight_goes_to_both_days():
    blocks = blocks_of((0, 1, True))
    found = coverage(blocks, events_of(), np.array([0, 25 * MINUTE_MS, HOUR_MS]))
    assert found["link"].tolist() == pytest.approx([25 / 60, 35 / 60])


@settings(deadline=None)
@given(
    st.lists(st.tuples(st.integers(0, 40), st.integers(1, 6), st.booleans()), min_size=1, max_size=8),
    st.lists(st.tuples(st.integers(0, 60), st.sampled_from(["suspended", "resumed", "logger-started"])), max_size=8),
)
def test_shares_always_add_to_all_of_the_time(stretches, told):
    at, parts = 0, []
    for pause, length, linked in stretches:
        parts.append((at + pause, at + pause + length, linked))
        at += pause + length
    edges = np.linspace(parts[0][0], at, 5) * HOUR_MS
    found = coverage(blocks_of(*parts), events_of(*sorted(told)), edges)
    assert list(found.columns) == list(KINDS)
    assert (found >= 0).all().all()
    assert found.sum(axis=1).to_numpy() == pytest.approx(np.diff(edges) / HOUR_MS)


def test_an_outage_across_blocks_is_one_spell():
    found = outage_spells(blocks_of((0, 1, True), (1, 2.5, False), (2.5, 3, True)))
    assert found["lasted_s"].tolist() == [5400]
    assert found["started_at_utc_ms"].tolist() == [HOUR_MS]


def test_outages_with_a_link_between_are_two_spells():
    found = outage_spells(blocks_of((0, 1, False), (1, 2, True), (2, 3, False)))
    assert found["lasted_s"].tolist() == [3600, 3600]


def test_a_gap_ends_a_spell():
    found = outage_spells(blocks_of((0, 1, False), (5, 6, False), dropouts=0))
    assert found["lasted_s"].tolist() == [3600, 3600]
    assert found["n_dropouts"].tolist() == [1, 1]


def test_several_outages_in_one_block_are_counted():
    found = outage_spells(blocks_of((0, 0.1, False), dropouts=4))
    assert found["n_dropouts"].tolist() == [4]


def test_a_log_without_outages_has_no_spells():
    assert outage_spells(blocks_of((0, 1, True))).empty
