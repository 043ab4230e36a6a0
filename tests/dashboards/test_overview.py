"""The report's first screen in words: what changed comes first, nothing is said twice, too little data is an answer."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dashboards.analysis.effect_value import Effect
from dashboards.analysis.lasting.interval import Interval
from dashboards.analysis.lasting.stability import Stability
from dashboards.analysis.metrics import METRICS
from dashboards.analysis.unexplained.changes import Unexplained
from dashboards.comparison import LocatedEffect, by_place
from dashboards.effect_figure import effects_figure
from dashboards.overview import brief, deciding, details, lacking, overview, told, verdict_of, what_to_mind
from dashboards.sentences import amount, warnings_by_place
from tests.dashboards.kiln_log import START_MS


def effect(metric: str, estimate=None, low=None, high=None, verdict: str = "undecided", **rest) -> Effect:
    how = METRICS[metric]
    return Effect(
        metric=metric, unit=how.unit, estimate=estimate, low=low, high=high, confidence=0.95, verdict=verdict,
        margin=how.default_margin, n_placements_a=2, n_placements_b=3, hours_a=30.0, hours_b=12.0, scope="location",
        method="", **{"warnings": ()} | rest,
    )  # fmt: skip


def at(place: str, *effects: Effect, band: str = "5", seldom: bool = False) -> list[LocatedEffect]:
    return [LocatedEffect(1, 2, place, band, one, seldom) for one in effects]


def of_one_place(*effects: Effect) -> dict[str, LocatedEffect]:
    return by_place(at("kiln room", *effects))["kiln room", "5"]


STRONGER = effect("rssi", 6.0, 5.0, 7.0, "better")
FASTER = effect("tx-rate", 1.6, 1.4, 1.8, "better")
UNSURE = effect("rssi", 0.5, -2.0, 3.0)
UNSURE_RATE = effect("tx-rate", 1.1, 0.7, 1.7)
FEWER_OUTAGES = effect("outage", -18.0, -47.0, -5.0, "better")
FEWER_OUTAGES_PERHAPS = effect("outage", -18.0, -47.0, 5.0)
NOISE_ALIKE = effect("noise", 0.1, -0.4, 0.6, "no-difference")
NOTHING = effect("rssi", lacking=("v2 has 30 s after the washout; an interval needs at least 1 min",))


def test_both_directions_are_told_with_their_intervals():
    assert told(of_one_place(STRONGER, FASTER)).startswith(
        "Both directions improved: downlink RSSI +6.0 dB [5.0, 7.0], uplink tx rate × 1.6 [1.4, 1.8]"
    )


def test_no_antenna_is_blamed_for_rates_that_fell_at_the_same_level():
    slower = [effect(metric, 0.5, 0.4, 0.6, "worse") for metric in ("tx-rate", "rx-rate")]
    assert told(of_one_place(UNSURE, *slower)) == (
        "Both directions worsened: downlink rx rate × 0.50 [0.40, 0.60], uplink tx rate × 0.50 [0.40, 0.60]."
    )


def test_what_is_of_no_direction_stands_by_itself():
    assert told(of_one_place(UNSURE, UNSURE_RATE, FEWER_OUTAGES, NOISE_ALIKE)) == (
        "Outage fell by 18 min a day [5, 47]. No difference that matters in noise (+0.1 dB [−0.4, +0.6]). "
        "Neither direction can be told yet: RSSI +0.5 dB [−2.0, +3.0], tx rate × 1.1 [0.70, 1.7]."
    )


def test_what_cannot_be_told_yet_is_said_by_how_it_looks_now():
    assert told(of_one_place(UNSURE, UNSURE_RATE)) == "RSSI +0.5 dB [−2.0, +3.0], tx rate × 1.1 [0.70, 1.7]."


def test_too_little_data_reads_as_an_answer():
    (story,) = overview(at("kiln room", NOTHING))["stories"]
    assert story["words"] == "not enough data yet"
    assert story["told"] == "Of RSSI, v2 has 30 s after the washout; an interval needs at least 1 min."
    assert lacking(of_one_place(replace(NOTHING, lacking=()))) == "too little was measured"


def test_what_would_tell_is_said_where_nothing_is_decided_only():
    would = ("About 6 h more of v2 would tell.",)
    wanted = replace(UNSURE, needed=would)
    (undecided,) = overview(at("kiln room", wanted, UNSURE_RATE))["stories"]
    (decided,) = overview(at("kiln room", wanted, FEWER_OUTAGES))["stories"]
    assert (undecided["needed"], decided["needed"]) == ([*would], [])


def test_an_earlier_change_is_told_by_one_amount_that_fits_the_directions():
    assert brief(of_one_place(STRONGER, FASTER)) == "both directions, RSSI +6.0 dB [5.0, 7.0], also tx rate"
    assert brief(of_one_place(STRONGER, UNSURE_RATE)) == "downlink, RSSI +6.0 dB [5.0, 7.0]"
    assert brief(of_one_place(UNSURE, FASTER)) == "uplink, tx rate × 1.6 [1.4, 1.8]"
    assert brief(of_one_place(UNSURE, FEWER_OUTAGES)) == "outage −18 min/day [−47, −5]"
    assert brief(of_one_place(UNSURE, UNSURE_RATE)) == "RSSI +0.5 dB [−2.0, +3.0]"
    assert brief(of_one_place(STRONGER, FEWER_OUTAGES)) == "downlink, RSSI +6.0 dB [5.0, 7.0], also outage"
    more_outages = replace(FEWER_OUTAGES, estimate=18.0, low=5.0, high=47.0, verdict="worse")
    assert brief(of_one_place(STRONGER, more_outages)) == "RSSI +6.0 dB [5.0, 7.0], outage +18 min/day [5, 47]"
    assert brief(of_one_place(NOTHING)) == "RSSI too little data"


def test_what_is_better_by_itself_only_decides_nothing_and_is_named():
    barely = effect("rx-rate", 1.12, 1.005, 1.25, "better")
    found = of_one_place(UNSURE, UNSURE_RATE, barely)
    assert verdict_of(found) == "undecided"
    assert told(found) == (
        f"By itself rx rate ({amount(barely)}) is better, but of 2 things that are judged one may look so by chance. "
        "RSSI +0.5 dB [−2.0, +3.0], tx rate × 1.1 [0.70, 1.7]."
    )
    assert brief(found) == "RSSI +0.5 dB [−2.0, +3.0]"


def test_figure_and_table_withhold_what_the_one_word_withholds():
    barely, unsure = effect("rssi", 3.9, 0.6, 7.0, "better"), effect("noise", 0.4, -2.0, 3.0)
    found = of_one_place(barely, UNSURE_RATE, FEWER_OUTAGES_PERHAPS, unsure)
    assert verdict_of(found) == "undecided"
    shown = details(found)
    assert shown["cells"][0] == {
        "metric": "RSSI", "amount": amount(barely), "verdict": "undecided", "words": "better by itself only",
    }  # fmt: skip
    assert shown["withheld"].startswith("By itself only: of 4 things that are judged here one may look so by chance")
    figure = effects_figure([("v2", {("kiln room", "5"): found})], ["rssi"])
    (lane,) = figure.groups[0][1][0].lanes
    assert lane.verdict == "undecided"


def test_what_decides_the_one_word_stays_decided_in_figure_and_table():
    found = of_one_place(STRONGER, UNSURE_RATE)
    assert (details(found)["cells"][0]["words"], details(found)["withheld"]) == ("better", "")
    figure = effects_figure([("v2", {("kiln room", "5"): found})], ["rssi"])
    assert figure.groups[0][1][0].lanes[0].verdict == "better"


def test_no_difference_names_the_metric_that_shows_none():
    alike = effect("rssi", 0.1, -0.4, 0.6, "no-difference")
    found = of_one_place(alike, UNSURE_RATE, effect("rx-rate", 1.1, 0.7, 1.7))
    assert verdict_of(found) == "no-difference"
    assert told(found) == "No difference that matters in RSSI (+0.1 dB [−0.4, +0.6]). Tx rate × 1.1 [0.70, 1.7]."


def test_whether_it_lasts_is_said_at_the_location_or_once_where_it_is_too_early():
    early, steady = link("kiln room", 1.9), link("office", 30.0, Interval(-0.4, -1.1, 0.3))
    said = overview([*at("kiln room", STRONGER), *at("office", STRONGER)], [early, steady])
    assert [story["lasts"] for story in said["stories"]] == [
        "", "Under v2 the level fell by 0.4 dB a month [−0.3, 1.1], which is none that can be told.",
    ]  # fmt: skip
    assert (
        said["too_early"]
        == "Whether it lasts cannot be told before 3 days, and of a restless level later; 1.9 have passed."
    )


def link(place: str, days: float, slope: Interval | None = None) -> Stability:
    return Stability(
        location=place, band="5", version=2, days=days, span_days=days, other_radios_share=0.0, allan=(),
        slope_db_per_month=slope, hours=(), day_less_night_db=None, outages=None, under_rate=(),
    )  # fmt: skip


@pytest.mark.parametrize(
    ("verdicts", "word"),
    [
        (("better", "undecided", "undecided"), "better"),
        (("undecided", "no-difference", "worse"), "worse"),
        (("better", "undecided", "worse"), "mixed"),
        (("no-difference", "undecided", "undecided"), "no-difference"),
        (("undecided", "no-difference", "no-difference"), "undecided"),
    ],
)
def test_one_word_stands_for_all_metrics_of_a_location_and_band(verdicts, word):
    effects = (STRONGER, FASTER, FEWER_OUTAGES)
    judged = [replace(one, verdict=verdict) for one, verdict in zip(effects, verdicts, strict=True)]
    assert verdict_of(of_one_place(*judged)) == word


def test_a_running_trial_is_told_by_the_interval_that_holds_at_every_look():
    running = replace(STRONGER, anytime_low=3.5, anytime_high=8.5, open=True)
    assert amount(running) == "+6.0 dB [3.5, 8.5]"
    assert amount(replace(running, open=False)) == "+6.0 dB [5.0, 7.0]"


def test_a_seldom_used_band_is_named_and_gets_neither_story_nor_caution():
    seldom = at("kiln room", replace(UNSURE, warnings=("Seldom used.",)), band="2.4", seldom=True)
    said = overview([*seldom, *at("kiln room", STRONGER)])
    assert [story["where"] for story in said["stories"]] == ["kiln room, 5 GHz"]
    assert said["seldom"] == {"2.4 GHz": ["kiln room"]}
    assert what_to_mind(seldom) == {}


def test_details_show_a_metric_only_where_there_is_something():
    lacking = {"warnings": ("Of outage, v2 has 2 h.",), "lacking": ("v2 has 2 h",)}
    outages = [effect(metric, **lacking) for metric in ("outage", "drop-outs")]
    shown = details(of_one_place(STRONGER, *outages))
    assert [cell["metric"] for cell in shown["cells"]] == ["RSSI"]
    assert shown["too_little"] == {"v2 has 2 h": ["outage", "drop-out rate"]}
    assert (shown["hours"], shown["placements"]) == (("30 h", "12 h"), (2, 3))
    assert what_to_mind(at("kiln room", STRONGER, *outages)) == {}


def test_what_differs_in_its_numbers_only_is_said_once_for_all():
    texts = ["v1 has only 4.7 h.", "v1 has only 4.8 h.", "v2 was off for 2 % of 3 h."]
    effects = [effect(metric, warnings=(text,)) for metric, text in zip(METRICS, texts, strict=False)]
    assert warnings_by_place(at("kiln room", *effects)) == {
        texts[0]: ["kiln room, 5 GHz"], texts[2]: ["kiln room, 5 GHz"],
    }  # fmt: skip
    elsewhere = at("office", effect("rssi", warnings=("v1 has only 12 h.",)))
    assert warnings_by_place([*at("kiln room", *effects), *elsewhere]) == {
        "v1 has only 4.7 to 12 h.": ["kiln room, 5 GHz", "office, 5 GHz"], texts[2]: ["kiln room, 5 GHz"],
    }  # fmt: skip


def test_a_step_that_nobody_wrote_down_is_said_beside_the_numbers_it_is_part_of():
    step = Unexplained(
        "level", "kiln room", "5", 2, "rssi", START_MS, START_MS, START_MS, -6.0, -7.0, -5.0, "dB", (), 0.0, 1, "UTC"
    )
    steps = [step, replace(step, version=7), replace(step, band="2.4"), replace(step, kind="spread")]
    (story,) = overview(at("kiln room", STRONGER), unexplained=steps)["stories"]
    assert [text for text in story["mixed"] if "nobody" in text] == [
        "Within v2, about Mon 2 Mar 2026 09:00, RSSI fell by 6.0 dB and nobody wrote down why: that is part of these numbers "
        "until it is tagged."
    ]


def test_what_was_found_of_what_the_link_carries_stands_before_a_link_that_cannot_be_told():
    sooner = effect("latency-loaded", 0.19, 0.13, 0.28, "better")
    (found,) = overview(at("kiln room", UNSURE, UNSURE_RATE, sooner))["stories"]
    assert (found["found"], found["carried_first"], found["carried_verdicts"]) == (True, True, ["better"])
    assert (found["carried_words"], found["words"]) == ("what it carries: better", "cannot be told yet")
    assert found["carried_brief"] == "latency under load × 0.19 [0.13, 0.28]"
    (link,) = overview(at("kiln room", STRONGER, FASTER, sooner))["stories"]
    assert (link["found"], link["carried_first"]) == (True, False)
    (nothing,) = overview(at("kiln room", UNSURE, replace(sooner, verdict="undecided")))["stories"]
    assert (nothing["found"], nothing["carried_first"], nothing["carried_brief"]) == (False, False, "")
    assert deciding(of_one_place(UNSURE, UNSURE_RATE, sooner)) == ("latency-loaded",)
