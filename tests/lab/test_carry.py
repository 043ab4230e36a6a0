"""Transfers over a real association agree with a plain download beside them; the story is in carry.py."""

from __future__ import annotations

import json

import pytest
from carry import SHAPED_MBPS
from trip import Trip

# Of an Ethernet frame of 1514 bytes, TCP with timestamps carries 1448 (RFC 9293, RFC 7323).
PAYLOAD_SHARE = 1448 / 1514


@pytest.fixture(scope="module")
def probe(trip: Trip) -> dict[str, list[dict[str, float]]]:
    answer = trip.answer("probe")
    assert (answer["code"], answer["stderr"]) == (0, "")
    return json.loads(answer["stdout"])


def plain_mbps(trip: Trip) -> float:
    return (trip.moment("plain download")["mbps"] + trip.moment("plain download again")["mbps"]) / 2


def test_the_far_end_is_met_by_its_token(trip: Trip) -> None:
    answer = trip.answer("pair")
    assert (answer["code"], answer["stderr"]) == (0, "")


@pytest.mark.parametrize("streams", [1, 4])
def test_goodput_is_that_of_a_plain_download_and_that_of_the_planted_rate(trip: Trip, probe, streams: int) -> None:
    for transfer in probe["transfers"]:
        if transfer["streams"] == streams:
            assert transfer["goodput_mbps"] == pytest.approx(SHAPED_MBPS * PAYLOAD_SHARE, rel=0.05)
            assert transfer["goodput_mbps"] == pytest.approx(plain_mbps(trip), rel=0.1)
    assert {each["direction"] for each in probe["transfers"] if each["streams"] == streams} == {"down", "up"}


def test_latency_grows_with_the_queue_that_a_transfer_fills(probe) -> None:
    median_ms = {(each["target"], each["load"]): each["median_ms"] for each in probe["latencies"]}
    for target in ("gateway", "far-end"):
        assert median_ms[target, "idle"] < 10
        assert median_ms[target, "down"] > 2 * median_ms[target, "idle"]
    assert all(each["method"] == "icmp" and each["n_sent"] > 10 for each in probe["latencies"])


def test_the_kernel_tells_the_same_of_the_transfer_s_own_packets_in_both_directions(probe) -> None:
    idle_ms = next(each["median_ms"] for each in probe["latencies"] if each["load"] == "idle")
    assert all(each["tcp_rtt_ms"] > 2 * idle_ms for each in probe["transfers"])
    resent = [(each["direction"], each["tcp_retransmits"] is None) for each in probe["transfers"]]
    assert set(resent) == {("down", True), ("up", False)}


def test_samples_of_a_probe_are_flagged_and_no_others(trip: Trip) -> None:
    row = trip.db.execute("SELECT * FROM probe WHERE outcome = 'done'").fetchone()
    span = (row["started_at_utc_ms"], row["ended_at_utc_ms"])
    flagged = trip.db.execute("SELECT time_utc_ms, during_probe FROM tagged_sample ORDER BY time_utc_ms").fetchall()
    inside = [each["during_probe"] for each in flagged if span[0] <= each["time_utc_ms"] <= span[1]]
    assert len(inside) > 15
    assert all(inside)
    beside = [each for each in flagged if not span[0] - 100 <= each["time_utc_ms"] <= span[1] + 1000]
    assert not any(each["during_probe"] for each in beside)


def test_a_probe_belongs_to_the_period_and_the_radio_that_it_ran_over(trip: Trip) -> None:
    row = trip.db.execute("SELECT * FROM tagged_probe WHERE outcome = 'done'").fetchone()
    assert (row["location"], row["frequency_mhz"], row["bssid"]) == ("wheel by the window", 5200, "02:00:00:00:00:00")
