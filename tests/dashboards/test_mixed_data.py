"""Cautions that the data themselves are mixed, cut short or made up are known as such, in the very words they are said
in."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd
import pytest

from dashboards.analysis.cautions import about_artefacts, about_own_outages, about_radios, of_mixed_data
from dashboards.analysis.effect import estimate_effect
from dashboards.analysis.radio import OwnRadio, Radio
from dashboards.overview import by_place, mixed_data
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
    assert all(map(of_mixed_data, cautions))


def test_what_the_driver_made_up_and_a_level_that_stood_still_are_such_data():
    assert all(map(of_mixed_data, about_artefacts({1: 0.1})))
    flat = estimate_effect(still_link(-60, -60, sd=0), 1, 2, "rssi").warnings
    assert any("never left one step" in caution and of_mixed_data(caution) for caution in flat)


def test_a_router_that_is_worked_on_mixes_nothing():
    assert not any(map(of_mixed_data, about_own_outages({1: 600.0})))


def test_such_a_caution_stands_with_the_verdict_once():
    (caution,) = about_artefacts({1: 0.1})
    effects = at("kiln room", replace(UNSURE, warnings=(caution, "One change only.")), replace(UNSURE, metric="noise"))
    assert mixed_data(by_place(effects)["kiln room", "5"]) == [caution]
