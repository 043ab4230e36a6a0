"""Cautions that the data themselves are mixed, cut short or made up are known as such, whatever their words."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from dashboards.analysis.cautions import about_artefacts, about_own_outages, about_radios, what_is_lacking
from dashboards.analysis.effect import estimate_effect
from dashboards.analysis.metrics import METRICS
from dashboards.analysis.radio import OwnRadio, Radio
from dashboards.overview import by_place, mixed_data, what_to_mind
from tests.dashboards.test_effect import still_link
from tests.dashboards.test_overview import UNSURE, at

KILN, OFFICE = Radio("02:00:00:00:00:05", 5180), Radio("02:00:00:00:00:06", 5745)


def on(radio: Radio, **rest) -> OwnRadio:
    return OwnRadio(radio, pd.DataFrame(), **{"others_share": 0.0} | rest)


@pytest.mark.parametrize(
    ("radios", "planned"),
    [
        ((on(KILN, others_share=0.3, others=frozenset({OFFICE})), on(KILN)), False),
        ((on(KILN, copies=frozenset({OFFICE})), on(KILN)), False),
        ((on(KILN), on(OFFICE)), True),
    ],
)
def test_other_radios_channels_and_copies_mix_the_data(radios, planned):
    cautions = about_radios(dict(enumerate(radios, 1)), planned=planned)
    assert cautions
    assert {caution.kind for caution in cautions} == {"mixed"}


def test_what_the_driver_made_up_and_a_level_that_stood_still_are_such_data():
    assert [caution.kind for caution in about_artefacts({1: 0.1})] == ["mixed"]
    flat = estimate_effect(still_link(-60, -60, sd=0), 1, 2, "rssi")
    assert any("never left one step" in caution for caution in flat.mixed)
    assert {*flat.mixed} < {*flat.warnings}  # a single change is plain


def test_a_router_that_is_worked_on_mixes_nothing():
    assert [caution.kind for caution in about_own_outages({1: 600.0})] == ["plain"]


def test_such_a_caution_stands_with_the_verdict_once():
    (caution,) = about_artefacts({1: 0.1})
    said = {"warnings": (caution.text, "One change only."), "mixed": (caution.text,)}
    effects = at("kiln room", replace(UNSURE, **said), replace(UNSURE, metric="noise"))
    assert mixed_data(by_place(effects)["kiln room", "5"]) == [caution.text]
    assert what_to_mind(effects) == {"One change only.": ["kiln room, 5 GHz"]}


@pytest.mark.parametrize("metric", ["outage", "drop-outs"])
def test_why_there_is_no_interval_is_said_without_the_name_of_the_metric_too(metric):
    brief = estimate_effect(still_link(-60, -60), 1, 2, metric)  # minutes of each
    (reason,) = brief.lacking
    assert reason.endswith("an interval needs at least 6 h of each version")
    assert brief.warnings[0] == f"Of outage, {reason}."


def test_of_a_version_without_a_reading_nothing_was_recorded():
    some = pd.DataFrame({"covered_s": [600.0, 600.0]})
    (caution,) = what_is_lacking({1: some, 2: some[:0]}, {1: some, 2: some[:0]}, METRICS["tx-rate"])
    assert (caution.kind, caution.text, caution.unnamed) == (
        "lacking", "No tx rate was recorded with v2.", "nothing was recorded with v2",
    )  # fmt: skip
