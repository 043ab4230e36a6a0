"""Stability in sentences, JSON, tables, figures and sections."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dashboards.analysis.lasting.allan import AllanPoint
from dashboards.analysis.lasting.daily_spread import HourSpread
from dashboards.analysis.lasting.interval import Interval
from dashboards.analysis.lasting.outage_count import Outages
from dashboards.analysis.lasting.stability import Stability
from dashboards.analysis.lasting.under_rate import UnderRate
from dashboards.stability_figures import MOST_VERSIONS, allan_figure, hours_figure
from dashboards.stability_sections import notes, sections_of
from dashboards.stability_words import stability_sentences, stability_table
from tests.dashboards.kiln_log import EVIL

OUTAGES = Outages(
    9.0, Interval(3, 0.62, 8.8), Interval(41, 12.2, 160), Interval(30, 4.1, 95), Interval(3.0, 1.03, 14.5)
)
POINTS = tuple(AllanPoint(scale, Interval(0.9, 0.8, 1.1), 99, False) for scale in (600.0, 3600.0, 86_400.0))
HOURS = tuple(HourSpread(hour, -62.0 - hour / 10, -60.0, -58.0, 500) for hour in range(24))
RATES = tuple(UnderRate(way, 5.0, Interval(0.002, 0.0, 0.009)) for way in ("tx", "rx"))
FOUND = Stability(
    "kiln room", "5", 2, 9.0, 9.2, 0.0, POINTS, Interval(-0.4, -1.1, 0.3), HOURS, Interval(-0.8, -1.3, -0.3), OUTAGES,
    RATES,
)  # fmt: skip


def told(**changed: object) -> str:
    return " ".join(stability_sentences(replace(FOUND, **changed), "a video call"))


@pytest.mark.parametrize(
    ("slope", "words"),
    [
        (
            Interval(-0.4, -1.1, 0.3),
            "Under v2 the level fell by 0.4 dB a month [−0.3, 1.1], which is none that can be told.",
        ),
        (Interval(-2.1, -2.9, -1.3), "Under v2 the level fell by 2.1 dB a month [1.3, 2.9]."),
        (Interval(2.1, 1.3, 2.9), "Under v2 the level rose by 2.1 dB a month [1.3, 2.9]."),
        (
            Interval(3.0, -60.0, 70.0),
            "Under v2 it cannot be told yet whether the level rises or falls: it wandered too much over 9.2 days.",
        ),
    ],
)
def test_a_slope_is_told_with_its_interval_and_whether_it_is_any(slope, words):
    assert words in told(slope_db_per_month=slope)


def test_outages_are_told_with_how_many_how_long_and_how_far_between():
    assert (
        "3 outages [0.62, 8.8] in 9 days, 41 min [12, 160] in all, the longest 30 min [4, 95]; "
        "one every 3 days [1, 14]." in told()
    )


def test_no_outage_is_told_with_how_many_there_may_be():
    none = Outages(9.0, Interval(0, 0, 3.69), Interval(0, 0, None), Interval(0, 0, None), Interval(None, 2.44, None))
    assert "No outage in 9 days; such a link may have up to 3.7 in as many: one every 2.4 days or less often." in told(
        outages=none
    )


def test_one_outage_of_which_there_may_be_no_second_says_never():
    assert "one every 9 days [1.8, never]." in told(
        outages=replace(OUTAGES, count=Interval(1, 0.001, 5), between_days=Interval(9.0, 1.8, None))
    )


def test_outages_of_hours_apart_are_told_in_hours():
    assert "one every 12 h [6, 36]." in told(outages=replace(OUTAGES, between_days=Interval(0.5, 0.25, 1.5)))


def test_the_share_under_a_rate_names_what_needs_it_and_both_directions():
    assert (
        "The link rate was under 5 Mbit/s, which a video call needs, for 0.2 % [0.0, 0.9] of the time from the laptop "
        "and 0.2 % [0.0, 0.9] of the time to the laptop." in told()
    )


def test_day_against_night_is_told_either_way_or_as_none():
    assert "The level by day (8 to 22 h) is 0.8 dB [0.3, 1.3] lower than by night." in told()
    assert "is 0.8 dB [0.3, 1.3] higher" in told(day_less_night_db=Interval(0.8, 0.3, 1.3))
    none = told(day_less_night_db=Interval(0.1, -0.3, 0.5))
    assert "No difference of the level by day (8 to 22 h) from that by night can be told: 0.1 dB [−0.3, 0.5]." in none


def test_wander_and_hours_are_told():
    assert (
        "From one stretch of time to the next the level wanders by 0.9 dB [0.8, 1.1] at 10 min, 0.9 dB [0.8, 1.1] at 1 h "
        "and 0.9 dB [0.8, 1.1] at 1 day (Allan deviation)." in told()
    )
    assert "within 4.0 dB at 0 h, where they spread least, and 6.3 dB at 23 h, where most." in told()


def test_what_the_record_is_too_short_for_is_said_once_and_how_much_it_takes():
    words = stability_sentences(
        replace(
            FOUND,
            days=0.2,
            slope_db_per_month=None,
            day_less_night_db=None,
            outages=None,
            under_rate=(),
            allan=(),
            hours=(),
        )
    )
    assert words == [
        "Under v2 the record of 4.8 h is too short to tell whether the level rises or falls (it takes 3 days), day against "
        "night (3 whole ones) and outages (6 hours)."
    ]


def test_the_table_has_a_row_per_quantity_with_its_interval():
    table = stability_table([FOUND, replace(FOUND, version=3, slope_db_per_month=None)])
    slope = table[table["quantity"] == "slope"]
    assert slope[["version", "location", "band", "unit", "estimate", "low", "high"]].to_numpy().tolist() == [
        ["v2", "kiln room", "5", "dB/month", -0.4, -1.1, 0.3]
    ]
    assert (table["quantity"] == "tx rate under 5 Mbit/s").sum() == 2
    assert stability_table([]).empty


def test_a_section_per_location_and_band_holds_its_versions_and_figures():
    found = [FOUND, replace(FOUND, version=3), replace(FOUND, band="2.4", allan=(), hours=())]
    one, other = sections_of(found, {2: "longer antennas"}, needed_rate_for="a video call")
    assert (one["location"], one["band"], other["band"]) == ("kiln room", "5 GHz", "2.4 GHz")
    assert [(version["version"], version["label"]) for version in one["versions"]] == [
        ("v2", "longer antennas"),
        ("v3", ""),
    ]
    assert [figure["name"] for figure in one["figures"]] == ["Allan deviation", "Hour of the day"]
    assert other["figures"] == []
    assert len(notes(found)) == 2
    assert notes([replace(FOUND, outages=None, under_rate=())]) == []


def test_what_the_owner_wrote_reaches_no_figure_and_control_characters_no_sentence():
    [section] = sections_of([replace(FOUND, location=EVIL)], {2: "a\x1b[31m"}, needed_rate_for="x\x07y")
    assert all(EVIL not in figure["figure"].to_json() for figure in section["figures"])
    assert section["versions"][0]["label"].isprintable()
    assert all(sentence.isprintable() for sentence in section["versions"][0]["sentences"])


@pytest.mark.parametrize("draw", [allan_figure, hours_figure])
def test_figures_are_small_and_draw_the_latest_versions_each_told_by_name(draw):
    many = [replace(FOUND, version=version) for version in range(1, 9)]
    figure = draw(many)
    names = [note.text for note in figure.layout.annotations]
    assert len(names) == MOST_VERSIONS
    assert all(any(f"v{version}" in name for name in names) for version in range(4, 9))
    assert len(figure.to_json()) < 25_000


def test_nothing_to_draw_is_no_figure():
    assert allan_figure([replace(FOUND, allan=POINTS[:1])]) is None
    assert hours_figure([replace(FOUND, hours=HOURS[:5])]) is None


def test_lines_are_told_apart_without_colour():
    figure = allan_figure([replace(FOUND, version=version) for version in range(1, 6)])
    lines = [trace for trace in figure.data if trace.mode == "lines+markers"]
    assert len({(trace.line.dash, trace.marker.symbol) for trace in lines}) == 5
