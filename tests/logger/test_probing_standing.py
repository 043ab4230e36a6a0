"""The last probe and the next, as ``linktrial status`` shows them."""

from __future__ import annotations

import pytest

from logger.console import main
from logger.probe_table import begin_probe, end_probe, stepped_aside
from logger.probing.pairing import Paired, keep_pairing
from logger.probing.plan import phase_ms, turn_before
from logger.probing.standing import log_number, probe_lines, probe_standing, probe_standing_json, probe_standing_lines
from logger.recorder import Recorder
from logger.sample import Event
from tests.logger.conftest import START_MS
from tests.logger.played_probe import Played

NOW_MS = START_MS + 720_000


@pytest.fixture(autouse=True)
def settings(tmp_path, monkeypatch):
    """The settings file of this test alone."""
    file = tmp_path / "settings.toml"
    file.write_text("")
    monkeypatch.setenv("LINKTRIAL_SETTINGS", str(file))
    return file


def lines(log, *, logging: bool = True) -> list[str]:
    return probe_standing_lines(probe_standing(log.db, NOW_MS, logging=logging), NOW_MS)


def test_the_last_probe_is_one_line_with_the_transfer_of_most_streams_that_told_a_rate(log):
    Played(log).probe()
    first, _ = lines(log)
    assert first == "last probe: 12 min ago, 200 Mbit/s down, 2.5 ms to the gateway (95 % within 4 ms)"


def test_why_one_stepped_aside_or_failed_is_said_and_other_people_s_text_is_harmless(log):
    stepped_aside(log, START_MS, "the laptop runs on battery")
    assert lines(log)[0] == "last probe: 12 min ago, stepped aside: the laptop runs on battery"
    end_probe(log, begin_probe(log, START_MS + 1), START_MS + 2, "failed", words="HTTP \x1b[2J")
    assert lines(log)[0].endswith("failed: HTTP \\x1b[2J")


def test_a_turn_that_was_left_out_hides_no_probe_that_was_done(log):
    Played(log).probe()
    stepped_aside(log, START_MS + 360_000, "one turn in 5 runs")
    assert lines(log)[:2] == [
        "last probe: 12 min ago, 200 Mbit/s down, 2.5 ms to the gateway (95 % within 4 ms)",
        "since then: 6 min ago, stepped aside: one turn in 5 runs",
    ]
    told = probe_standing_json(probe_standing(log.db, NOW_MS, logging=True))
    assert (told["last"]["outcome"], told["done"]["outcome"]) == ("stepped-aside", "done")


def test_the_next_lies_on_the_grid_and_whom_it_speaks_to_is_said(log):
    due = turn_before(NOW_MS, 1_800_000, phase_ms(log_number(log.db), 1_800_000)) + 1_800_000
    standing = probe_standing(log.db, NOW_MS, logging=True)
    assert (standing.next_utc_ms, standing.whom, standing.none) == (due, None, None)
    assert "latency to the gateway only" in lines(log)[-1]
    keep_pairing(Paired("192.168.1.5", "office", "a-token-that-nobody-knows"))
    assert lines(log)[-1].endswith(", to 192.168.1.5")


@pytest.mark.parametrize(
    ("text", "why"),
    [
        ("probe_every_s = 0", "'probe_every_s' is 0 in the settings"),
        ('probe_far_end = "192.168.1.9"', "pair with it first"),
        ("probe_every_s = 'x'", "must be a number"),
    ],
)
def test_where_there_will_be_none_it_says_why(log, settings, text, why):
    settings.write_text(text)
    (only,) = lines(log)
    assert only.startswith("no probe will come: ")
    assert why in only


def test_nobody_probes_where_nothing_logs_or_the_radio_is_simulated(log):
    assert lines(log, logging=False) == ["no probe will come: nothing is logging"]
    Recorder(log).record([], [Event(START_MS, "logger-started", {"adapter": "simulated"})])
    assert lines(log) == ["no probe will come: a simulated radio carries nothing"]
    Recorder(log).record([], [Event(START_MS + 1, "logger-started", {"adapter": "linux"})])
    assert lines(log)[0].startswith("next probe: in ")


def test_all_that_a_probe_found_has_units_and_says_how_it_was_measured(log):
    probe = Played(log).probe()
    assert probe_lines(probe) == [
        "far end    192.168.1.5",
        "down       200 Mbit/s with 4 streams (60.0 MB in 2.5 s, round trip 3.5 ms)",
        "up         no rate can be told with 1 stream (30.0 MB in 2.5 s)",
        "latency    gateway, link idle: median 2.5 ms, 95 % within 4, varies by 1.75, 1 of 20 lost; by ICMP echo",
    ]


def test_json_has_the_probe_without_the_log_s_own_numbers(log):
    Played(log).probe()
    told = probe_standing_json(probe_standing(log.db, NOW_MS, logging=True))
    assert set(told) == {"last", "done", "next_utc_ms", "far_end", "none"}
    assert not {"id", "link_id"} & set(told["last"])
    assert told["last"]["transfers"][0]["goodput_mbps"] == 200.0


def test_status_shows_them(log, capsys):
    Played(log).probe()
    assert main(["status", "--db", str(log.path)]) == 0
    out = capsys.readouterr().out
    assert "last probe: " in out
    assert "no probe will come: nothing is logging" in out
