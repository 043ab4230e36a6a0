"""What part of the time was logged, why the rest was not, and when there was no link."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from dashboards.analysis.coverage import KINDS, coverage, gaps, logged_span_ms, shares_percent
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


def events_of(*told: tuple[float, str] | tuple[float, str, dict]) -> pd.DataFrame:
    """In the order in which they were written, given by their hour, their kind and what belongs to it."""
    rows = [(round(each[0] * HOUR_MS), each[1], each[2] if len(each) > 2 else {}) for each in told]
    times, kinds, details = zip(*rows, strict=True) if rows else ((), (), ())
    return pd.DataFrame(
        {
            "time_utc_ms": np.array(times, dtype="int64"),
            "kind": pd.Series(kinds, dtype="str"),
            "detail": pd.Series(details, dtype=object),
            "event_id": np.arange(len(rows), dtype="int64"),
        }
    )


def clock_set(from_hour: float, to_hour: float) -> tuple[float, str, dict]:
    return to_hour, "clock-set", {"from_utc_ms": from_hour * HOUR_MS, "to_utc_ms": to_hour * HOUR_MS}


def total(found: pd.DataFrame) -> dict[str, float]:
    return {kind: round(float(hours), 6) for kind, hours in found.sum().items() if hours > 1e-9}


def test_a_short_spell_ends_where_the_link_is_back_though_its_block_began_before():
    """Three spells within one block of ten minutes; the next block begins seconds after the last of them."""
    blocks = blocks_of((0, 1 / 6, True), (1 / 6, 1, True))
    blocks.loc[0, ["n_samples", "covered_s"]] = [9, 600 - 24]
    told = [
        event
        for began, opens, closes in (
            (60, "radio-off", "radio-on"),
            (300, "interface-gone", "interface-back"),
            (580, "radio-off", "radio-on"),
        )
        for event in ((began / 3600, opens), ((began + 7) / 3600, closes), ((began + 8) / 3600, "connected"))
    ]
    found = coverage(blocks, events_of(*told), np.array([0, HOUR_MS]))
    assert total(found) == pytest.approx(
        {"link": (3600 - 24) / 3600, "card gone": 8 / 3600, "radio off": 16 / 3600}, abs=1e-6
    )


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
        ("interface-gone", "interface-back", "card gone"),
        ("radio-off", "radio-on", "radio off"),
        ("logger-lost", "logger-started", "logger off"),
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


def test_a_run_that_was_lost_to_a_restart_of_the_machine_is_told_as_that():
    blocks = blocks_of((0, 4, True), (6, 8, True))
    told = events_of((4, "logger-lost", {"reason": "rebooted"}), (6, "logger-started"))
    assert total(coverage(blocks, told, np.array([0, 8 * HOUR_MS]))) == {"link": 6, "rebooted": 2}
    assert gaps(blocks, told)["reason"].tolist() == ["rebooted"]


def test_samples_that_were_dropped_leave_a_gap_with_a_name():
    blocks = blocks_of((0, 4, True), (6, 8, True))
    dropped = {"n": 120, "from_utc_ms": 4 * HOUR_MS, "to_utc_ms": 6 * HOUR_MS}
    told = events_of((7, "samples-dropped", dropped))
    assert total(coverage(blocks, told, np.array([0, 8 * HOUR_MS]))) == {"link": 6, "samples dropped": 2}


def test_no_moment_has_two_reasons():
    """The radio is switched off, the laptop sleeps meanwhile, and two hours are missing that nothing explains."""
    blocks = blocks_of((0, 1, True), (5, 6, True), (8, 9, True))
    told = events_of((1, "radio-off"), (2, "suspended"), (4, "resumed"), (5, "radio-on"))
    found = total(coverage(blocks, told, np.array([0, 9 * HOUR_MS])))
    assert found == {"link": 3, "suspended": 2, "radio off": 2, "unexplained": 2}


def test_what_was_open_when_the_logger_ended_is_closed_with_it():
    """Nobody knows when the radio was switched on again while the logger was off."""
    blocks = blocks_of((0, 1, True), (4, 5, True), (7, 8, True))
    told = events_of((1, "radio-off"), (2, "logger-stopped"), (4, "logger-started"))
    assert total(coverage(blocks, told, np.array([0, 8 * HOUR_MS]))) == {
        "link": 3, "radio off": 1, "logger off": 2, "unexplained": 2
    }  # fmt: skip


def test_the_moments_in_which_a_link_comes_back_belong_to_the_sleep():
    blocks = blocks_of((0, 4, True), (6, 8, True))
    told = events_of((4, "suspended"), (6 - 15 / 3600, "resumed"))
    assert total(coverage(blocks, told, np.array([0, 8 * HOUR_MS]))) == {"link": 6, "suspended": 2}


# A clock that was set


def test_of_an_hour_that_was_lived_twice_each_pass_counts_for_half():
    """The first pass had a link, the second none; the hour after is as it was."""
    blocks = pd.concat([blocks_of((0, 1, True)), blocks_of((0, 1, False), (1, 2, True))])
    told = events_of(clock_set(1, 0))
    found = coverage(blocks, told, np.array([0, HOUR_MS, 2 * HOUR_MS]))
    assert total(found.iloc[:1]) == {"link": 0.5, "no link": 0.5}
    assert total(found.iloc[1:]) == {"link": 1}


def test_samples_dropped_before_and_after_the_clock_was_set_back_are_one_spell():
    """From a quarter to 2 on; at 2 the clock was set back by an hour; until half past 1, as it shows then."""
    blocks = pd.concat([blocks_of((0, 1.75, True)), blocks_of((1.5, 3, True))])
    dropped = {"n": 540, "from_utc_ms": round(1.75 * HOUR_MS), "to_utc_ms": round(1.5 * HOUR_MS)}
    found = coverage(blocks, events_of(clock_set(2, 1), (1.5, "samples-dropped", dropped)), np.arange(4.0) * HOUR_MS)
    assert total(found.iloc[1:2]) == {"link": 0.625, "samples dropped": 0.375}
    assert total(found) == {"link": 2.625, "samples dropped": 0.375}


def test_a_gap_in_one_of_two_passes_is_named():
    blocks = pd.concat([blocks_of((0, 1, True)), blocks_of((0, 0.5, True))])
    told = events_of(clock_set(1, 0), (0.5, "radio-off"), (1, "radio-on"))
    assert total(coverage(blocks, told, np.array([0, HOUR_MS]))) == {"link": 0.75, "radio off": 0.25}


def test_a_sleep_in_which_the_clock_was_set_back_lasts_as_long_as_it_did():
    """Asleep from 1 to 4, when the clock was set to 3: hour 3 to 4 is slept through and then logged."""
    blocks = blocks_of((0, 1, True), (3, 5, True))
    told = events_of((1, "suspended"), clock_set(4, 3), (3, "resumed"))
    found = coverage(blocks, told, np.arange(6.0) * HOUR_MS)
    assert found["link"].round(6).tolist() == [1, 0, 0, 0.5, 1]
    assert found["suspended"].round(6).tolist() == [0, 1, 1, 0.5, 0]


def test_wall_time_that_a_clock_set_forward_leaves_out_was_lived_by_nobody():
    blocks = blocks_of((0, 1, True), (3, 4, True))
    told = events_of(clock_set(1, 3))
    assert total(coverage(blocks, told, np.array([0, 4 * HOUR_MS]))) == {"link": 2, "clock set": 2}
    assert gaps(blocks, told)["reason"].tolist() == ["clock set"]


def test_an_older_log_tells_the_step_alone():
    blocks = blocks_of((0, 1, True), (3, 4, True))
    told = events_of((3, "clock-set", {"step_s": 7200.0}))
    assert total(coverage(blocks, told, np.array([0, 4 * HOUR_MS]))) == {"link": 2, "clock set": 2}


def test_a_clock_set_forward_and_back_again_was_a_step_aside():
    blocks = blocks_of((0, 1, True), (3, 4, True), (1, 4, True))
    told = events_of(clock_set(1, 3), clock_set(4, 1))
    found = coverage(blocks, told, np.arange(5.0) * HOUR_MS)
    assert found["link"].round(6).tolist() == [1, 1, 1, 1]


def test_a_second_pass_that_goes_on_is_counted_as_far_as_it_has_come():
    """Set back by an hour, and a quarter of an hour later the report is made."""
    blocks = pd.concat([blocks_of((0, 1, True)), blocks_of((0, 0.25, False))])
    told = events_of((0, "logger-started"), clock_set(1, 0))
    found = coverage(blocks, told, np.array([0, HOUR_MS]), last_taken_ms=0.25 * HOUR_MS)
    assert total(found) == {"link": 0.8, "no link": 0.2}


# Whatever happens

SPELLS = st.sampled_from(
    [
        ("suspended", "resumed"), ("radio-off", "radio-on"), ("interface-gone", "interface-back"),
        ("adapter-failed", "adapter-recovered"), ("logger-stopped", "logger-started"), ("logger-lost", "logger-started"),
        ("logger-started", "logger-started"), ("suspended", None), (None, "radio-on"),
    ]
)  # fmt: skip
DOINGS = st.lists(
    st.one_of(
        st.tuples(st.sampled_from(["link", "no link", "gap"]), st.integers(1, 400)),
        st.tuples(st.just("spell"), st.integers(1, 400), SPELLS),
        st.tuples(st.just("spell in a spell"), st.integers(2, 400), SPELLS, SPELLS),
        st.tuples(st.just("dropped"), st.integers(1, 100)),
        st.tuples(st.just("set"), st.integers(-600, 600)),
    ),
    min_size=1,
    max_size=25,
)


def lived_through(doings) -> tuple[pd.DataFrame, pd.DataFrame]:
    """Blocks and events of a logger that lives through these, in minutes."""
    at, stretches, told = 6000, [], []
    for what, minutes, *spells in doings:
        if what == "set":
            told.append(clock_set(at / 60, (at + minutes) / 60))
        elif what in ("link", "no link"):
            stretches.append((at / 60, (at + minutes) / 60, what == "link"))
        elif what == "dropped":
            detail = {"n": minutes, "from_utc_ms": at * MINUTE_MS, "to_utc_ms": (at + minutes) * MINUTE_MS}
            told.append(((at + minutes) / 60, "samples-dropped", detail))
        times = [at, at + minutes, at + minutes // 2, at + minutes]
        kinds = [kind for spell in spells for kind in spell]
        told += [
            (time / 60, kind, {}) for time, kind in sorted(zip(times, kinds, strict=False), key=lambda t: t[0]) if kind
        ]
        at += minutes
    return blocks_of(*(stretches or [(100, 101, True)])), events_of(*told)


@settings(deadline=None, max_examples=200)
@given(DOINGS, st.integers(10, 2000))
def test_shares_always_add_to_all_of_the_time(doings, bin_minutes):
    blocks, told = lived_through(doings)
    begin, end = logged_span_ms(blocks, told)
    edges = np.append(np.arange(begin, end, bin_minutes * MINUTE_MS), end)
    if len(edges) > 2 and edges[-1] - edges[-2] < 10 * MINUTE_MS:
        edges = np.delete(edges, -2)
    found = coverage(blocks, told, edges)
    assert list(found.columns) == list(KINDS)
    assert (found.to_numpy() >= 0).all()
    assert (
        np.abs(found.sum(axis=1).to_numpy() - np.diff(edges) / HOUR_MS).max() <= 1e-9 * np.diff(edges).min() / HOUR_MS
    )
    shares = shares_percent(found.sum())
    assert sum(round(10 * share) for share in shares.values()) == 1000
    assert min(shares.values()) >= 0
    assert all(abs(shares[kind] - 100 * found[kind].sum() / found.to_numpy().sum()) < 0.1 + 1e-9 for kind in KINDS)


@settings(deadline=None, max_examples=200)
@given(DOINGS)
def test_what_was_lived_is_found_again_over_the_whole(doings):
    """An oracle in plain minutes: each spell of its own, no clock set; every minute has the kind that it had."""
    kept = [each for each in doings if each[0] in ("link", "no link", "gap", "dropped")]
    spells = {
        ("suspended", "resumed"): "suspended", ("radio-off", "radio-on"): "radio off",
        ("interface-gone", "interface-back"): "card gone", ("adapter-failed", "adapter-recovered"): "adapter failed",
        ("logger-stopped", "logger-started"): "logger off",
    }  # fmt: skip
    kept += [each for each in doings if each[0] == "spell" and each[2] in spells]
    kept = [("link", 10), *kept, ("link", 10)]
    blocks, told = lived_through(kept)
    expected: dict[str, float] = {}
    for what, minutes, *spell in kept:
        kind = {"gap": "unexplained", "dropped": "samples dropped", "spell": spell and spells[spell[0]]}.get(what, what)
        expected[kind] = expected.get(kind, 0) + minutes / 60
    begin, end = logged_span_ms(blocks, told)
    assert total(coverage(blocks, told, np.array([begin, end]))) == pytest.approx(expected, abs=1e-5)


def test_shares_of_nothing_are_nothing():
    assert set(shares_percent(pd.Series(0.0, index=list(KINDS))).values()) == {0.0}


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
