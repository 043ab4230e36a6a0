"""What ``compare`` says on a terminal: within its width, once, and of probes how many and how."""

from __future__ import annotations

from dataclasses import replace

import pytest

from dashboards.analysis.cautions import about_placements, about_time, what_is_lacking
from dashboards.analysis.cautions_beside import about_few
from dashboards.analysis.metrics import METRICS
from dashboards.comparison_words import comparison_text
from tests.dashboards.test_effect import still_link
from tests.dashboards.test_overview import FASTER, STRONGER, UNSURE, at, effect

DOWN = effect("transfer-down", 0.9, 0.5, 1.6, measured="with 4 streams", n_probes=(53, 1))
LACKS = "v2 has 5 probes after the washout; an interval needs at least 6 of each version"
LABELS = {1: "as found", 2: "longer antennas"}


def of_probes(*numbers: int):
    blocks = still_link(-60.0, -60.0, placements=(0, 1))
    return {
        v: blocks[blocks["version"] == v].head(n).assign(n_samples=1, covered_s=1800.0)
        for v, n in enumerate(numbers, 1)
    }


@pytest.mark.parametrize("width", [40, 80, 120])
def test_it_fits_the_terminal(width):
    long = replace(UNSURE, warnings=("Of this link little is known. " * 10,), needed=("More of all of it. " * 10,))
    lines = comparison_text(1, 2, LABELS, at("wheel by the window", long, FASTER, DOWN), width).splitlines()
    (table,) = [n for n, line in enumerate(lines) if line.startswith("metric ")]
    assert [line for line in lines[table + 6 :] if len(line) > width] == []
    if width >= 80:
        assert max(map(len, lines)) <= width


def test_of_probes_their_number_and_their_way_are_told_without_a_verdict():
    text = comparison_text(1, 2, LABELS, at("kiln room", DOWN))
    assert "53 / 1 probes" in text
    assert "\nTransfer down: with 4 streams.\n" in text


def test_what_is_lacking_of_several_metrics_is_said_once():
    lacking = [effect(name, lacking=(LACKS,), warnings=(f"Of {METRICS[name].words}, {LACKS}.",))
               for name in ("transfer-down", "transfer-up", "loss")]  # fmt: skip
    text = comparison_text(1, 2, LABELS, at("kiln room", *lacking))
    assert text.count("has 5 probes") == 1
    assert "Too little of transfer down, transfer up, loss: v2 has 5 probes" in text


def test_what_is_needed_at_several_places_is_said_once():
    wants = replace(UNSURE, needed=("Not even 28 days more would tell.",))
    text = comparison_text(1, 2, LABELS, [*at("kiln room", wants), *at("wheel", wants)])
    assert "Not even 28 days more would tell. (RSSI on 5 GHz at kiln room; RSSI on 5 GHz at wheel)" in text
    assert text.count("28 days") == 1


def test_where_the_report_withholds_a_verdict_it_is_said_why():
    barely = effect("rssi", 3.8, 0.1, 7.5, "better")
    several = [
        barely,
        effect("tx-rate", 1.1, 0.7, 1.7),
        effect("outage", 0.0, -9.0, 9.0),
        effect("drop-outs", 0, -9, 9),
    ]
    text = comparison_text(1, 2, LABELS, at("kiln room", *several))
    assert "Holm's rule" in text
    assert "here RSSI on 5 GHz at kiln room." in text
    assert "Holm" not in comparison_text(1, 2, LABELS, at("kiln room", STRONGER, FASTER))


def test_cautions_count_probes_in_words_that_can_be_read():
    few, down = of_probes(21, 1), METRICS["transfer-down"]
    told = about_few(of_probes(21, 9), down)[0].text
    assert told.startswith("Only 21 probes with v1 and 9 probes with v2: how much probes differ by themselves")
    lacking = what_is_lacking({2: few[2]}, {2: few[2]}, down)[0].text
    assert "v2 has 1 probe after the washout" in lacking
    assert about_time(of_probes(40, 30), down)[0].text.startswith(
        "Measured: v1 by only 40 probes and v2 by only 30 probes"
    )


@pytest.mark.parametrize(
    ("metric", "moved"),
    [
        ("rssi", "changes the level by about 3 dB,"),
        ("busy-share", "changes the busy share by about 15 percentage points,"),
        ("tx-rate", "changes the tx rate by a factor of about 1.5,"),
        ("outage", "may change outage, too"),
    ],
)
def test_what_a_move_alone_does_is_told_in_the_unit_of_the_metric(metric, moved):
    (caution,) = about_placements(of_probes(9, 9), METRICS[metric])
    assert moved in caution.text
