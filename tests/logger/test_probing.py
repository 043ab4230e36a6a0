"""One turn of a probe: when it steps aside, what it writes, and how it ends."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from dataclasses import replace

import pytest

from adapters.contract import AdapterError, LinkEvent
from adapters.probing.target import far_end_target
from logger.claim import Claim
from logger.errors import LogError, LogInUse
from logger.log import Log
from logger.probe_table import bytes_moved, newest_probe
from logger.probing.standing import PURPOSE
from logger.tags import period_at
from tests.logger.conftest import START_MS
from tests.logger.played_probe import DOWN, LINK, UP, Played


@pytest.fixture
def played(log) -> Played:
    return Played(log)


def n_rows(log: Log, table: str) -> int:
    return int(log.db.execute(f"SELECT count(*) FROM {table}").fetchone()[0])


# What it writes


def test_a_turn_leaves_a_row_with_its_link_its_transfers_and_its_latency(played, log):
    probe = played.probe()
    assert (probe.outcome, probe.far_end, probe.words) == ("done", "192.168.1.5", "")
    assert (probe.started_at_utc_ms, probe.ended_at_utc_ms) == (START_MS, START_MS + 15_000)
    down, up = probe.transfers
    assert (down.direction, down.streams, down.n_bytes, down.goodput_mbps) == ("down", 4, DOWN.bytes, 200.0)
    assert (up.goodput_mbps, up.tcp_rtt_ms, up.tcp_retransmits) == (None, UP.tcp_rtt_ms, 12)
    assert [tuple(each) for each in probe.latencies] == [("gateway", "idle", "icmp", 20, 1, 2.5, 4.0, 1.75)]
    row = log.db.execute("SELECT bssid, frequency_mhz, band, location, outcome FROM tagged_probe").fetchone()
    assert tuple(row) == (LINK.bssid, 5180, "5", "unnamed spot", "done")


def test_the_row_is_on_the_disk_before_any_traffic(played, log):
    seen = []

    def look():
        with Log.open(log.path, create=False) as other:
            seen.append(newest_probe(other.db))

    played.meanwhile = look
    played.probe()
    assert [(probe.outcome, probe.ended_at_utc_ms, probe.started_at_utc_ms) for probe in seen] == [
        ("running", None, START_MS)
    ]


def test_a_probe_begins_the_timeline_of_a_log_that_has_none(played, log):
    played.probe()
    assert period_at(log.db, START_MS + 1) is not None


def test_without_a_far_end_latency_to_the_gateway_is_all(played):
    probe = played.probe(target=None)
    assert (probe.outcome, probe.far_end, probe.transfers) == ("done", "", ())
    assert len(probe.latencies) == 1
    assert played.asked == [("wlan0", "", None)]


# When it steps aside


@pytest.mark.parametrize(
    ("what", "words"),
    [
        ({"battery": True}, "the laptop runs on battery"),
        ({"is_metered": True}, "the connection is metered"),
        ({"user": "the link is in use: 3.1 MB/s received"}, "the link is in use: 3.1 MB/s received"),
    ],
)
def test_the_daemon_s_turn_steps_aside_and_sends_nothing(played, what, words):
    for name, value in what.items():
        setattr(played, name, value)
    probe = played.probe(scheduled=True)
    assert (probe.outcome, probe.words, probe.far_end) == ("stepped-aside", words, "192.168.1.5")
    assert (probe.started_at_utc_ms, probe.ended_at_utc_ms, played.asked) == (START_MS, START_MS, [])


def test_by_hand_a_battery_is_no_reason_and_the_rest_only_unless_told(played):
    played.battery = True
    assert played.probe().outcome == "done"
    played.is_metered = True
    assert played.probe().outcome == "stepped-aside"
    assert played.probe(anyway=True).outcome == "done"


def test_the_settings_may_say_that_battery_and_metered_are_no_reason(log):
    played = Played(log, probe_on_battery=1, probe_on_metered=1)
    played.battery = played.is_metered = True
    assert played.probe(scheduled=True).outcome == "done"


def test_a_far_end_that_another_laptop_has_is_left_alone(played):
    played.outcome, played.words = "stepped-aside", "another laptop probes there; it is free in 20 s"
    played.transfers = played.latencies = ()
    assert played.probe().outcome == "stepped-aside"


def test_the_daemon_s_turn_waits_once_for_another_laptop_that_has_the_far_end(played, log):
    """Two whose turns fall together: else the later one would never have its own."""
    played.outcome, played.words, played.busy_for_s = "stepped-aside", "another laptop probes there", 12.0
    found, played.transfers, played.latencies = (played.transfers, played.latencies), (), ()

    def is_free_after_the_wait():
        if played.waited_s:
            played.outcome, played.words, played.busy_for_s = "done", "", None
            played.transfers, played.latencies = found

    played.meanwhile = is_free_after_the_wait
    probe = played.probe(scheduled=True)
    assert (probe.outcome, len(probe.transfers), played.waited_s) == ("done", 2, [13.0])
    outcomes = [row[0] for row in log.db.execute("SELECT outcome FROM probe ORDER BY started_at_utc_ms")]
    assert outcomes == ["stepped-aside", "done"]


def test_whoever_uses_the_link_after_the_wait_is_let_be(played):
    played.outcome, played.words, played.busy_for_s = "stepped-aside", "another laptop probes there", 12.0
    played.transfers = played.latencies = ()

    def meanwhile():
        played.user = "the link is in use"

    played.meanwhile = meanwhile
    assert played.probe(scheduled=True).outcome == "stepped-aside"
    assert (played.waited_s, len(played.asked)) == ([13.0], 1)


def test_by_hand_nobody_waits_and_no_turn_waits_twice(played):
    played.outcome, played.words, played.busy_for_s = "stepped-aside", "another laptop probes there", 600.0
    played.transfers = played.latencies = ()
    assert played.probe().outcome == "stepped-aside"
    assert (played.waited_s, len(played.asked)) == ([], 1)
    assert played.probe(scheduled=True).outcome == "stepped-aside"
    assert (played.waited_s, len(played.asked)) == ([61.0], 3)


def test_after_the_clock_was_set_back_the_row_told_is_this_turn_s(played, log):
    played.probe()
    played.clock.set_wall(START_MS - 86_400_000)
    played.adapter.now = replace(LINK, connected=False, bssid=None)
    assert played.probe().words == "there is no link"


def test_one_that_gave_way_when_its_traffic_had_begun_has_failed_so_that_its_samples_are_marked(played):
    played.outcome, played.words = "stepped-aside", "another laptop probes there"
    assert (played.probe().outcome, played.probe().words) == ("failed", "another laptop probes there")


# The budget


def test_the_daemon_s_turns_share_the_day_s_budget_and_by_hand_there_is_none(log):
    played = Played(log, probe_daily_mb=4800)
    played.probe(scheduled=True)
    played.probe()
    (_, _, share), (_, _, by_hand) = played.asked
    left = 24 * 3_600_000 - START_MS % (24 * 3_600_000)
    assert 4_800_000_000 // 48 <= share <= 4_800_000_000 / (left // 1_800_000)
    assert by_hand is None


def test_a_budget_that_is_spent_is_a_reason(log):
    played = Played(log, probe_daily_mb=100)
    played.transfers = (replace(DOWN, bytes=100_000_000, steady_bytes=1_000_000),)
    played.probe()
    turns = []
    for _ in range(10):
        played.clock.advance(1800)
        turns.append(played.probe(scheduled=True))
    assert {turn.outcome for turn in turns} == {"stepped-aside"}
    assert any("this turn's share is 0 MB" in turn.words for turn in turns)
    assert len(played.asked) == 1


def test_a_fast_link_has_fewer_and_longer_turns_for_the_same_budget(log):
    """At 400 Mbit/s a transfer of two seconds takes 100 MB, and a probe has four."""
    played = Played(log, probe_daily_mb=4800)
    played.transfers = (replace(DOWN, bytes=1, steady_ms=2000, steady_bytes=100_000_000),)
    played.probe()
    outcomes = []
    for _ in range(48):
        played.clock.advance(1800)
        outcomes.append(played.probe(scheduled=True))
    ran = [probe for probe in outcomes if probe.outcome == "done"]
    assert 11 <= len(ran) <= 13
    assert all("one turn in 4 runs" in probe.words for probe in outcomes if probe.outcome != "done")
    assert all(n_bytes > 390_000_000 for _, _, n_bytes in played.asked[1:])


# How it ends


@pytest.mark.parametrize(
    ("change", "words"),
    [
        ({"bssid": "02:00:00:00:00:09"}, "the laptop went over to 02:00:00:00:00:09 meanwhile"),
        ({"frequency_mhz": 5500}, "the channel changed to 5500 MHz meanwhile"),
        ({"associated_at_boottime_ns": 8}, "the link was lost and came back meanwhile"),
        ({"connected": False, "bssid": None}, "the link was lost meanwhile"),
    ],
)
def test_a_link_that_changed_is_said_and_what_was_measured_belongs_to_no_radio(played, change, words):
    played.meanwhile = lambda: setattr(played.adapter, "now", replace(LINK, **change))
    probe = played.probe()
    assert (probe.outcome, probe.words, probe.link_id) == ("link-changed", words, 0)
    assert len(probe.transfers) == 2


def test_a_link_that_went_and_came_back_just_as_it_was_is_told_by_the_system_s_events(played):
    played.adapter.now = replace(LINK, associated_at_boottime_ns=None)
    played.adapter.told = [LinkEvent("roamed")]  # before
    played.meanwhile = lambda: played.adapter.told.append(LinkEvent("disconnected"))
    assert played.probe().outcome == "link-changed"
    played.meanwhile = lambda: played.adapter.told.append(LinkEvent("scan-started"))
    assert played.probe().outcome == "done"


def test_while_the_clock_is_not_set_there_is_no_turn_and_no_log_begins_in_1970(played, log):
    played.clock.set_wall(86_400_000)
    with pytest.raises(LogError, match="set it right"):
        played.probe()
    assert (n_rows(log, "probe"), n_rows(log, "period"), played.asked) == (0, 0, [])


def test_without_a_link_nothing_is_sent(played):
    played.adapter.now = replace(LINK, connected=False, bssid=None)
    probe = played.probe()
    assert (probe.outcome, probe.words, played.asked) == ("failed", "there is no link", [])


def test_a_turn_that_slept_is_thrown_away(played, log):
    played.meanwhile = lambda: played.clock.suspend(3600)
    probe = played.probe()
    assert (probe.outcome, probe.latencies) == ("failed", ())
    assert "slept" in probe.words
    assert [(each.n_bytes, each.goodput_mbps) for each in probe.transfers] == [(DOWN.bytes, None), (UP.bytes, None)]
    assert bytes_moved(log.db, START_MS, START_MS + 86_400_000) == DOWN.bytes + UP.bytes, "of the day's budget"
    assert probe.ended_at_utc_ms - probe.started_at_utc_ms <= 600_000  # an hour of samples is not its


def test_a_far_end_that_was_never_reached_is_not_named_in_words_that_somebody_may_hand_on(played):
    played.outcome, played.words = "failed", "'192.168.1.5' cannot be reached; is 192.168.1.5 on?"
    assert played.probe().words == "the far end cannot be reached; is the far end on?"
    played.words = "'e' does not answer"
    assert played.probe(far_end_target("e", "a-token")).words == "the far end does not answer"


def test_what_the_system_refuses_is_told_in_the_row(played):
    def refuse():
        raise AdapterError("wlan0 does not answer\x1b[2J")

    played.meanwhile = refuse
    probe = played.probe()
    assert (probe.outcome, probe.words) == ("failed", "wlan0 does not answer\\x1b[2J")


def test_a_fault_of_ours_is_in_the_row_and_is_not_hidden(played, log):
    def fault():
        raise ZeroDivisionError("by zero")

    played.meanwhile = fault
    with pytest.raises(ZeroDivisionError):
        played.probe()
    assert newest_probe(log.db).words == "ZeroDivisionError: by zero"


def test_one_that_is_told_to_end_says_so(played):
    played.outcome, played.words, played.transfers = "stepped-aside", "", ()
    played.meanwhile = lambda: setattr(played, "stop", True)
    probe = played.probe()
    assert (probe.outcome, probe.words) == ("failed", "it was told to end")


def test_two_probes_never_run_at_once_over_one_link(played, log):
    with Claim.take(log.path, PURPOSE), pytest.raises(LogInUse):
        played.probe()
    assert n_rows(log, "probe") == 0


@pytest.mark.skipif(sys.platform == "win32", reason="kills")
def test_a_probe_that_was_killed_has_failed_when_the_next_begins(played, log):
    program = (
        "import os, signal, sys\n"
        "from pathlib import Path\n"
        "from logger.log import Log\n"
        "from tests.logger.played_probe import Played\n"
        "played = Played(Log.open(Path(sys.argv[1])))\n"
        "played.meanwhile = lambda: os.kill(os.getpid(), signal.SIGKILL)\n"
        "played.probe()\n"
    )
    here = os.path.dirname(os.path.dirname(os.path.dirname(__file__)))
    killed = subprocess.run([sys.executable, "-c", program, str(log.path)], cwd=here)
    assert killed.returncode == -signal.SIGKILL
    assert newest_probe(log.db).outcome == "running"
    played.clock.advance(1800)
    played.probe()
    outcomes = [tuple(row) for row in log.db.execute("SELECT outcome, words FROM probe ORDER BY started_at_utc_ms")]
    assert outcomes == [("failed", "it ended without a word"), ("done", "")]
