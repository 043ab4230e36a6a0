"""Which effects are worked out, how they are said, and the JSON that is kept stable. The estimator itself is played
here; test_effect.py judges it."""

from __future__ import annotations

import json
from dataclasses import replace

import pandas as pd
import pytest

from dashboards.analysis import effect
from dashboards.analysis.effect_value import Effect
from dashboards.analysis.metrics import METRICS
from dashboards.comparison import (
    Judgement,
    LocatedEffect,
    NothingToCompare,
    compare_versions,
    effects_asked,
    find_location,
    judgement,
    nothing_in_common,
    parts_with_both,
    router_changes,
)
from dashboards.comparison_words import comparison_text
from dashboards.effect_json import comparison_json
from dashboards.sentences import aligned, amount, finding, located_sentence
from logger.settings import Settings

RSSI = Effect(
    "rssi", "dB", 6.1, 5.2, 7.0, 0.95, "better", 1.0, 2, 3, 20.0, 31.0, "location", "a method", ("one change only",)
)
RATE = replace(RSSI, metric="tx-rate", unit="ratio", estimate=1.6, low=1.41, high=1.83, margin=1.1)
OUTAGE = replace(RSSI, metric="outage", unit="min/day", estimate=-3.2, low=-5.4, high=-1.0, margin=0.5)
TOLD = {"tx_packets": 900, "tx_retries": 90, "tx_failed": 1}


def rows(*cells: tuple[str, str | None, int, bool]) -> pd.DataFrame:
    frame = pd.DataFrame(cells, columns=["location", "band", "version", "connected"])
    return frame.assign(
        source_id=1, source_kind="logger", covered_s=600.0, noise_n=0, noise_mean_dbm=0.0, busy_n=0, **TOLD
    )


BOTH = rows(
    ("bench", "5", 1, True), ("bench", "5", 2, True), ("bench", "2.4", 1, True), ("kiln room", "5", 1, True),
    ("kiln room", "5", 2, True), ("kiln room", "5", 3, True), ("shop", "5", 3, True),
)  # fmt: skip


@pytest.fixture
def asked(monkeypatch):
    """What the estimator is asked; it always finds the same."""
    asked = []

    def estimate(blocks, a, b, metric, *, margin, washout_s, radio_planned, running):
        asked.append((set(blocks["location"]), set(blocks["band"]), a, b, metric, margin, washout_s))
        return replace(RSSI, metric=metric)

    monkeypatch.setattr(effect, "estimate_effect", estimate)
    return asked


def test_every_location_and_band_that_has_both_versions_is_compared(asked):
    found = compare_versions(BOTH, 1, 2, metrics=("rssi",))
    assert [(one.location, one.band) for one in found] == [("bench", "5"), ("kiln room", "5")]
    assert [(places, bands) for places, bands, *_ in asked] == [({"bench"}, {"5"}), ({"kiln room"}, {"5"})]


def test_without_a_metric_all_that_were_recorded_are_worked_out(asked):
    common = ["rssi", "tx-rate", "rx-rate", "outage", "drop-outs"]
    found = compare_versions(BOTH, 1, 2, location="bench")
    assert [one.effect.metric for one in found] == [*common, "retry-share"]
    told_by_one = BOTH.assign(noise_n=BOTH["version"] % 2, tx_retries=0, tx_failed=0)
    found = compare_versions(told_by_one, 1, 2, location="bench")
    assert [one.effect.metric for one in found] == [*common, "noise"]


def test_a_metric_that_is_asked_for_is_answered_even_where_it_was_never_told(asked):
    found = compare_versions(BOTH, 1, 2, location="bench", metrics=("noise",))
    assert [one.effect.metric for one in found] == ["noise"]


def test_what_another_version_did_there_is_not_handed_to_the_estimator(monkeypatch):
    handed = []

    def estimate(blocks, *_, **__):
        handed.append(set(blocks["version"]))
        return RSSI

    monkeypatch.setattr(effect, "estimate_effect", estimate)
    compare_versions(BOTH, 1, 2, location="kiln room", metrics=("rssi",))
    assert handed == [{1, 2}]


def test_a_band_without_a_link_in_one_version_is_not_compared(asked):
    never_linked = rows(("bench", "5", 1, True), ("bench", "5", 2, False))
    assert compare_versions(never_linked, 1, 2) == []


def test_blocks_of_an_unknown_band_are_left_out(asked):
    unknown = rows(("bench", None, 1, True), ("bench", None, 2, True))
    assert compare_versions(unknown, 1, 2) == []


def test_a_band_that_the_laptop_seldom_chose_is_said_to_be_no_fair_sample(asked):
    seldom = pd.concat([BOTH, rows(("bench", "2.4", 2, True))], ignore_index=True)
    seldom.loc[seldom["band"] == "2.4", "covered_s"] = 60.0
    by_band = {one.band: one.effect for one in compare_versions(seldom, 1, 2, location="bench", metrics=("rssi",))}
    assert (by_band["5"].warnings, by_band["5"].verdict) == (RSSI.warnings, "better")
    assert by_band["2.4"].verdict == "undecided"
    assert (
        by_band["2.4"]
        .warnings[0]
        .startswith(
            "The laptop was on 2.4 GHz for only 9 % of its linked time with v1 and 9 % of its linked time with v2"
        )
    )
    imported = seldom.assign(
        source_id=2, source_kind="import"
    )  # whoever recorded both bands at once had no choice to make
    assert {one.effect.warnings for one in compare_versions(imported, 1, 2, metrics=("rssi",))} == {RSSI.warnings}


@pytest.mark.parametrize(
    ("before", "after", "planned"),
    [
        ({"radio.5.channel": 36}, {"radio.5.channel": 100}, True),
        ({}, {"radio.5.channel": 100}, True),
        ({"router.model": "old"}, {"router.model": "new"}, True),
        ({"radio.5.channel": 36, "radio.2.4.channel": 1}, {"radio.5.channel": 36, "radio.2.4.channel": 6}, False),
        ({}, {}, False),
    ],
)
def test_the_settings_say_whether_another_channel_was_part_of_the_change(monkeypatch, before, after, planned):
    told = []

    def estimate(*_, radio_planned, **__):
        told.append(radio_planned)
        return RSSI

    monkeypatch.setattr(effect, "estimate_effect", estimate)
    compare_versions(BOTH, 1, 2, location="bench", metrics=("rssi",), settings={1: before, 2: after})
    assert told == [planned]


def test_location_and_band_narrow_the_question(asked):
    assert compare_versions(BOTH, 1, 2, band="2.4") == []
    assert [one.location for one in compare_versions(BOTH, 1, 2, location="kiln room", metrics=("rssi",))] == [
        "kiln room"
    ]


def test_margins_and_washout_are_the_owners(asked):
    judged = judgement(
        Settings(
            margin_rssi_db=2.0, margin_rate_ratio=1.3, margin_outage_min_per_day=9, margin_dropouts_per_day=3,
            margin_retry_ratio=1.5, margin_noise_db=4, washout_s=600,
        )
    )  # fmt: skip
    assert judged.margins["noise"] == 4
    compare_versions(BOTH, 1, 2, location="bench", judged=judged)
    assert [(metric, margin, washout_s) for *_, metric, margin, washout_s in asked] == [
        ("rssi", 2.0, 600),
        ("tx-rate", 1.3, 600),
        ("rx-rate", 1.3, 600),
        ("outage", 9, 600),
        ("drop-outs", 3, 600),
        ("retry-share", 1.5, 600),
    ]


def test_the_estimators_own_margin_holds_where_none_is_said(asked):
    compare_versions(BOTH, 1, 2, location="bench", metrics=("rssi",), judged=Judgement({}, 60.0))
    assert asked[0][-2:] == (METRICS["rssi"].default_margin, 60.0)


def test_json_has_the_promised_keys_and_no_other():
    answer = comparison_json(1, 2, [LocatedEffect(1, 2, "bench", "5", RSSI)])
    assert answer == {
        "a": "v1",
        "b": "v2",
        "directions": [],
        "effects": [
            {
                "location": "bench", "band": "5", "metric": "rssi", "unit": "dB", "estimate": 6.1, "low": 5.2,
                "high": 7.0, "anytime_low": None, "anytime_high": None, "open": False, "confidence": 0.95,
                "verdict": "better", "margin": 1.0, "n_placements_a": 2, "n_placements_b": 3, "hours_a": 20.0,
                "hours_b": 31.0, "scope": "location", "needed": [], "warnings": ["one change only"], "measured": "",
                "radio": None, "laptop_on": [],
            }
        ],
    }  # fmt: skip


@pytest.mark.parametrize("unknown", [None, float("nan"), float("inf")])
def test_what_is_no_number_is_null_in_json(unknown):
    answer = comparison_json(1, 2, [LocatedEffect(1, 2, "bench", "5", replace(RSSI, estimate=unknown, low=unknown))])
    json.dumps(answer, allow_nan=False)
    assert answer["effects"][0]["estimate"] is None
    assert answer["effects"][0]["low"] is None


def test_a_location_is_found_whatever_its_case_and_else_the_nearest_is_named():
    periods = pd.DataFrame({"location": ["wheel by the window", "kiln room", "wheel by the window"]})
    assert find_location(periods, "Kiln Room") == "kiln room"
    with pytest.raises(NothingToCompare, match="did you mean 'wheel by the window'"):
        find_location(periods, "whel")


def test_nothing_in_common_says_in_one_line_what_each_location_has():
    line = nothing_in_common(BOTH, 2, 3, "shop", None)
    assert "\n" not in line
    assert "'shop' has v3" in line
    line = nothing_in_common(BOTH, 1, 9, None, None)
    assert line.startswith("no location has both v1 and v9")
    assert "'kiln room' has v1, v2, v3" in line


def test_a_name_with_control_characters_cannot_steer_the_terminal():
    evil = rows(("\x1b[2J\u202ebench", "5", 1, True))
    line = nothing_in_common(evil, 1, 2, None, None)
    located = LocatedEffect(1, 2, "\x1b[2J\u202ebench", "5", replace(RSSI, warnings=("\x07bell",)))
    text = comparison_text(1, 2, {1: "a\x1bb", 2: "c"}, [located])
    for shown in (line, text):
        assert all(char.isprintable() or char == "\n" for char in shown)
        assert "bench" in shown


def periods_of(*marks: tuple[int, int], source_id: int = 1, kind: str = "logger") -> pd.DataFrame:
    return pd.DataFrame(
        {
            "source_id": source_id, "source_kind": kind, "version": [version for _, version in marks], "time_zone": "Europe/Paris",
            "period_started_at_utc_ms": [at for at, _ in marks],
        }
    )  # fmt: skip


def test_each_new_version_is_a_change_against_what_was_in_force_and_going_back_is_none():
    found = router_changes(periods_of((0, 1), (10, 2), (20, 1), (30, 3), (40, 2)))
    assert [(change.before, change.version, change.at_utc_ms) for change in found] == [(1, 2, 10), (1, 3, 30)]


def test_imported_recordings_of_one_version_each_are_changes_one_after_the_other():
    apart = [periods_of((at, number), source_id=number + 1, kind="import") for at, number in ((0, 1), (5, 3), (9, 2))]
    assert told_of(*apart) == [(1, 3, 5), (3, 2, 9)]


def told_of(*recorders: pd.DataFrame) -> list[tuple[int, int, int]]:
    found = router_changes(pd.concat(recorders, ignore_index=True))
    return [(change.before, change.version, change.at_utc_ms) for change in found]


def test_what_another_recorder_began_with_is_no_change_and_its_own_changes_follow_it():
    own = periods_of((0, 1), (18, 4))
    assert told_of(own, periods_of((15, 5), source_id=2)) == [(1, 4, 18)]
    assert told_of(own, periods_of((15, 5), (30, 6), source_id=2)) == [(1, 4, 18), (5, 6, 30)]


def test_of_a_change_that_two_recorders_tell_this_machines_own_counts():
    own, other = periods_of((10, 1), (20, 2)), periods_of((0, 3), (19, 2), (25, 1), source_id=2)
    assert told_of(own, other) == [(1, 2, 20)]  # v1, too, was what the log began with: going back is no change
    assert told_of(periods_of((30, 2)), other) == [(3, 2, 19), (2, 1, 25)]
    assert told_of(periods_of((3, 2)), other) == [(2, 1, 25)]


def test_a_change_that_was_written_down_later_is_told_where_it_was():
    assert told_of(periods_of((0, 1), (10, 3), (20, 2))) == [(1, 3, 10), (3, 2, 20)]


def test_a_log_without_a_change_has_none():
    assert router_changes(periods_of((0, 1), (10, 1))) == []
    assert router_changes(periods_of()) == []


@pytest.mark.parametrize(
    ("effect", "words"),
    [
        (RSSI, "RSSI rose by 6.1 dB [5.2, 7.0]"),
        (replace(RSSI, estimate=-6.1, low=-7.0, high=-5.2, verdict="worse"), "RSSI fell by 6.1 dB [5.2, 7.0]"),
        (RATE, "tx rate is 1.6 times what it was [1.4, 1.8]"),
        (OUTAGE, "outage fell by 3 min a day [1, 5]"),
        (
            replace(RSSI, estimate=0.1, low=-0.4, high=0.6, verdict="no-difference"),
            "no difference in RSSI that matters: +0.1 dB [−0.4, +0.6]",
        ),
        (
            replace(RSSI, estimate=0.4, low=-1.2, high=2.0, verdict="undecided"),
            "whether RSSI changed cannot be told yet: +0.4 dB [−1.2, +2.0]",
        ),
        (replace(RSSI, low=None, high=None, verdict="undecided"), "too little was measured to judge RSSI"),
    ],
)
def test_a_finding_is_said_in_plain_words(effect, words):
    assert finding(effect) == words
    assert located_sentence(LocatedEffect(1, 2, "bench", "5", effect)) == f"On 5 GHz at bench, {words}."


def test_numbers_are_as_precise_as_their_interval():
    assert amount(replace(RATE, estimate=1.03, low=0.98, high=1.08)) == "× 1.03 [0.98, 1.08]"
    assert amount(replace(RATE, estimate=12.4, low=4.6, high=33.2)) == "× 12 [4.6, 33]"
    assert amount(replace(OUTAGE, estimate=-0.99, low=-11.36, high=8.49)) == "−1 min/day [−11, +8]"
    assert amount(replace(RATE, estimate=1.12, low=1.0049, high=1.25)) == "× 1.12 [1.005, 1.25]"
    assert amount(replace(RATE, estimate=1.6, low=0.996, high=2.6)) == "× 1.6 [0.996, 2.6]"
    assert amount(replace(RSSI, estimate=0.3, low=0.04, high=0.6)) == "+0.3 dB [0.04, 0.6]"
    assert amount(replace(RSSI, estimate=-0.3, low=-0.6, high=-0.004)) == "−0.3 dB [−0.6, −0.004]"
    assert amount(replace(OUTAGE, estimate=9.0, low=0.3, high=21.0)) == "+9 min/day [0.3, 21]"
    assert amount(replace(RSSI, estimate=0.3, low=0.0, high=0.6)) == "+0.3 dB [0.0, 0.6]"  # it is none
    assert amount(replace(RSSI, estimate=-0.04, low=-0.3, high=0.2)) == "0.0 dB [−0.3, +0.2]"


def test_an_estimate_without_an_interval_is_not_shown():
    assert amount(replace(RSSI, low=None, high=None)) == "too little data"


def test_the_table_lines_up_whatever_is_written_in_it():
    effects = [LocatedEffect(1, 2, place, "5", RSSI) for place in ("bench", "窯の部屋", "🏺")]
    text = comparison_text(1, 2, {1: "as found", 2: "longer antennas"}, effects)
    assert text.startswith("v2 “longer antennas” against v1 “as found”, with 95 % intervals\n")
    columns = [line.index("5 GHz") for line in aligned([(one.location, "5 GHz") for one in effects])]
    assert columns == [10, 10 - 4, 10 - 1]  # each wide character stands for two columns


def test_what_to_mind_is_said_once_with_all_its_places():
    effects = [LocatedEffect(1, 2, place, "5", RSSI) for place in ("bench", "kiln room")]
    text = comparison_text(1, 2, {1: "a", 2: "b"}, effects)
    assert "- one change only (bench, 5 GHz; kiln room, 5 GHz)" in text
    assert "one in twenty misses it by chance" in " ".join(text.split())


def test_the_allowance_for_looking_early_is_said_of_running_trials_only():
    ended = LocatedEffect(1, 2, "bench", "5", replace(RSSI, open=False))
    running = replace(ended, effect=replace(RSSI, open=True, anytime_low=0.2, anytime_high=0.9))
    texts = [comparison_text(1, 2, {1: "a", 2: "b"}, effects) for effects in ([ended], [ended, running])]
    assert ["may be looked at as often as one likes" in text for text in texts] == [False, True]
    assert all("one in twenty misses it by chance" in text for text in texts)


def test_nothing_of_an_imported_recording_is_washed_out_unless_asked_for(asked):
    owners = Judgement({}, washout_s=300.0)
    wishes = [(owners, BOTH), (owners, BOTH.assign(source_id=2, source_kind="import")),
              (Judgement({}, 300.0, imported_washout_s=60.0), BOTH.assign(source_id=2, source_kind="import"))]  # fmt: skip
    for judged, blocks in wishes:
        compare_versions(blocks, 1, 2, location="bench", metrics=("rssi",), judged=judged)
    assert [washout_s for *_, washout_s in asked] == [300.0, 0.0, 60.0]


def test_a_trial_goes_on_while_one_of_its_versions_is_in_force_wherever_the_laptop_is(asked):
    both = [effects_asked(parts_with_both(BOTH, 1, 2)[0], 1, 2, metrics=("rssi",), settings={}, in_force=number)[0]
            for number in (None, 1, 2, 3)]  # fmt: skip
    assert [one.running for one in both] == [False, True, True, False]
    imported = parts_with_both(BOTH.assign(source_id=2, source_kind="import"), 1, 2)[0]
    assert not effects_asked(imported, 1, 2, settings={}, in_force=2)[0].running


def test_what_an_undecided_effect_still_needs_is_said_once_for_the_metrics_that_need_the_same():
    wants = ("About 6 h more of v2 would tell.",)
    effects = [
        LocatedEffect(1, 2, "bench", "5", replace(one, verdict="undecided", needed=wants)) for one in (RSSI, RATE)
    ]
    text = comparison_text(1, 2, {1: "a", 2: "b"}, effects)
    assert "What is still needed:\n- About 6 h more of v2 would tell. (RSSI, tx rate on 5 GHz at bench)\n" in text
    assert "What is still needed" not in comparison_text(
        1, 2, {1: "a", 2: "b"}, [LocatedEffect(1, 2, "bench", "5", RSSI)]
    )
