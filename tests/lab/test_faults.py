"""What goes wrong in a year, played on the real Wi-Fi stack (faults.py): the log tells each for what it was."""

from __future__ import annotations

import shutil
from itertools import pairwise
from pathlib import Path

import pytest
from faults import LONG_OUTAGE_S
from guest import INTERVAL_S
from trip import Entry, Trip

from dashboards.analysis.coverage import KINDS, explained_stretches
from dashboards.report import Findings, find
from logger.log import Log

ROUTER = "02:00:00:00:00:00"
SETTLE_MS = 1000
LISTENED_S = 60  # to a radar channel, before the router may use it
LATE_S = 10  # a pause between two tries to read a card that is gone


def kinds(events: list[tuple[str, Entry]], *, but: tuple[str, ...] = ()) -> list[str]:
    return [kind for kind, _ in events if kind not in but]


SET_DOWN = ("radio-off", "radio-on")  # whoever takes a card away may have set its interface down before


def set_down_only(events: list[tuple[str, Entry]]) -> bool:
    return all(detail["by"] == "interface down" for kind, detail in events if kind == "radio-off")


def test_an_interface_taken_down_and_up_is_a_radio_off_and_no_outage(trip: Trip) -> None:
    events = trip.events("interface down", "card pulled out")
    assert kinds(events) == ["disconnected", "radio-off", "radio-on", "connected"]
    assert set_down_only(events)
    assert not [
        row for row in trip.samples("interface down", "card pulled out", settle_ms=SETTLE_MS) if not row["connected"]
    ]


def test_a_vanished_card_is_a_gap_and_logging_goes_on_when_it_is_back(trip: Trip) -> None:
    events = trip.events("card pulled out", "logging again")
    assert kinds(events, but=SET_DOWN) == ["disconnected", "interface-gone", "interface-back", "connected"]
    assert set_down_only(events)
    assert not trip.samples("card pulled out", "card back", settle_ms=SETTLE_MS)
    assert {row["connected"] for row in trip.samples("card back", "logging again")} == {1}


def test_two_minutes_without_the_router_are_an_outage_without_a_hole(trip: Trip) -> None:
    (lost, found) = trip.events("router off", "router to a radar channel")
    assert (lost[0], lost[1]["by_access_point"]) == ("disconnected", False)
    assert (found[0], found[1]["bssid"]) == ("connected", ROUTER)
    rows = trip.samples("no link any more", "router on", settle_ms=SETTLE_MS)
    assert {(row["connected"], row["rssi_dbm"], row["bssid"]) for row in rows} == {(0, None, None)}
    assert len(rows) >= 0.97 * LONG_OUTAGE_S / INTERVAL_S
    assert max(later["time_utc_ms"] - row["time_utc_ms"] for row, later in pairwise(rows)) <= 3000 * INTERVAL_S


def test_while_the_router_listens_for_radar_there_is_no_link(trip: Trip) -> None:
    left, joined = trip.events("router to a radar channel", "radar")
    assert (left[0], left[1]["by_access_point"]) == ("disconnected", True)
    assert (joined[0], joined[1]["bssid"]) == ("connected", ROUTER)
    rows = trip.samples("router to a radar channel", "on channel 52", settle_ms=SETTLE_MS)
    assert sum(not row["connected"] for row in rows) >= 0.95 * LISTENED_S / INTERVAL_S
    assert {row["frequency_mhz"] for row in trip.samples("on channel 52", "radar", settle_ms=SETTLE_MS)} == {5260}


def test_a_radar_is_a_channel_switch_that_keeps_the_link(trip: Trip) -> None:
    [(kind, detail)] = trip.events("radar", "airplane mode on")
    assert kind == "channel-switched"
    assert (detail["from_frequency_mhz"], detail["frequency_mhz"]) == (5260, 5200)
    rows = trip.samples("away from radar", "airplane mode on", settle_ms=SETTLE_MS)
    assert {(row["connected"], row["bssid"], row["frequency_mhz"]) for row in rows} == {(1, ROUTER, 5200)}


def test_airplane_mode_is_neither_an_outage_nor_a_missing_card(trip: Trip) -> None:
    events = trip.events("airplane mode on", "radio deleted")
    assert kinds(events) == ["disconnected", "radio-off", "radio-on", "connected"]
    assert events[1][1] == {"by": "blocked by software"}
    assert not trip.samples("airplane mode on", "airplane mode off", settle_ms=SETTLE_MS)
    after = trip.samples("linked after airplane mode", "radio deleted", settle_ms=SETTLE_MS)
    assert {row["connected"] for row in after} == {1}


@pytest.mark.parametrize(
    ("gone", "back", "again"),
    [
        ("radio deleted", "radio back", "logging after the radio's return"),
        ("driver unloaded", "driver loaded", "logging with the new driver"),
    ],
)
def test_a_radio_or_driver_that_goes_is_a_gap_and_is_logged_again_when_it_is_back(
    trip: Trip, gone: str, back: str, again: str
) -> None:
    events = trip.events(gone, again)
    told = kinds(events, but=SET_DOWN)
    assert told[-3:] == ["interface-gone", "interface-back", "connected"]
    assert told[:-3] in ([], ["disconnected"])
    assert set_down_only(events)
    assert not trip.samples(gone, back, settle_ms=SETTLE_MS)
    rows = trip.samples(back, again)
    assert {row["connected"] for row in rows} == {1}
    assert rows[0]["time_utc_ms"] - trip.moment(back)["at_utc_ms"] <= 1000 * LATE_S


def test_after_another_driver_the_kernels_own_word_is_heard(trip: Trip) -> None:
    """nl80211 has another number then, and its groups have to be joined again."""
    events = trip.events("router says goodbye", "told to stop")
    [detail] = [detail for kind, detail in events if kind == "disconnected"]
    assert (detail["by_access_point"], detail["reason_code"], detail.get("inferred")) == (True, 3, None)


@pytest.fixture(scope="module")
def found(trip: Trip, tmp_path_factory: pytest.TempPathFactory) -> Findings:
    with Log.open(Path(shutil.copy(trip.log, tmp_path_factory.mktemp("faults")))) as log:
        return find(log, now_utc_ms=trip.moment("stopped")["at_utc_ms"], zone="UTC")


@pytest.mark.parametrize(
    ("begin", "end", "reason"),
    [
        ("interface down", "interface up", "radio off"),
        ("card pulled out", "card back", "card gone"),
        ("airplane mode on", "airplane mode off", "radio off"),
        ("radio deleted", "radio back", "card gone"),
        ("driver unloaded", "driver loaded", "card gone"),
    ],
)
def test_the_report_gives_each_gap_its_reason(trip: Trip, found: Findings, begin: str, end: str, reason: str) -> None:
    told = explained_stretches(found.frames.blocks, found.frames.events)
    middle_ms = (trip.moment(begin)["at_utc_ms"] + trip.moment(end)["at_utc_ms"]) / 2
    here = told[(told["started_at_utc_ms"] < middle_ms) & (told["ended_at_utc_ms"] > middle_ms)]
    assert here["reason"].tolist() == [reason]


@pytest.mark.parametrize(
    ("begin", "end"),
    [("router off", "router on"), ("router to a radar channel", "on channel 52"), ("radar", "away from radar")],
)
def test_the_report_has_no_gap_while_only_the_router_was_away(
    trip: Trip, found: Findings, begin: str, end: str
) -> None:
    told = explained_stretches(found.frames.blocks, found.frames.events)
    began_ms, ended_ms = trip.moment(begin)["at_utc_ms"], trip.moment(end)["at_utc_ms"]
    assert told[(told["started_at_utc_ms"] < ended_ms) & (told["ended_at_utc_ms"] > began_ms)].empty


def test_the_whole_story_is_covered(found: Findings) -> None:
    (source,) = found.coverages
    seconds = {kind: 3600 * float(source.hours[kind].sum()) for kind in KINDS}
    whole_s = (source.edges_utc_ms[-1] - source.edges_utc_ms[0]) / 1000
    assert sum(seconds.values()) == pytest.approx(whole_s, abs=0.1)
    assert LONG_OUTAGE_S + LISTENED_S <= seconds["no link"] <= LONG_OUTAGE_S + LISTENED_S + 60
    for reason in ("card gone", "radio off"):
        told = explained_stretches(found.frames.blocks, found.frames.events)
        mine = told[told["reason"] == reason]
        told_s = float((mine["ended_at_utc_ms"] - mine["started_at_utc_ms"]).sum()) / 1000
        assert seconds[reason] == pytest.approx(told_s, abs=2)  # a sample stands for half a second either side
    assert seconds["unexplained"] <= 0.01 * whole_s
    assert [seconds[kind] for kind in ("suspended", "adapter failed")] == [0, 0]
