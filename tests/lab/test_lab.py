"""The installed program against a real WPA2 link over the kernel's own software radios; the story is in guest.py."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from pathlib import Path

import pytest
from guest import AFTER_DBM, BEFORE_DBM, DOWNLINK, DOWNLINK_HT, INTERVAL_S, UPLINK, UPLINK_HT
from trip import Trip

FIVE, TWO = "02:00:00:00:00:00", "02:00:00:00:02:00"
LOCATION = "wheel by the window"
SETTLE_MS = 1000  # from a change at the sender until a beacon, and then a sample, has carried it


def quantities(trip: Trip, run: str) -> dict[str, dict[str, object]]:
    answer = trip.answer(run)
    assert (answer["code"], answer["stderr"]) == (0, "")
    return {found["quantity"]: found for found in json.loads(answer["stdout"])["quantities"]}


def test_check_tells_what_this_card_gives(trip: Trip) -> None:
    found = quantities(trip, "check")
    assert found["rssi_dbm"]["now"] == f"{BEFORE_DBM} dBm"
    assert found["frequency_mhz"]["now"] == "5180 MHz"
    assert found["width_mhz"]["now"] == "80 MHz"
    given = (
        "ssid",
        "bssid",
        "tx_rate",
        "rx_rate",
        "tx_retries_total",
        "beacon_loss_total",
        "connected_time_s",
        "events",
    )
    assert all(found[quantity]["available"] for quantity in given)


def test_check_gives_an_unprivileged_user_the_same(trip: Trip) -> None:
    as_nobody = quantities(trip, "check as nobody")
    assert json.loads(trip.answer("check as nobody")["stdout"])["user_id"] == 65534
    told = {name: found["available"] for name, found in as_nobody.items()}
    assert told == {name: found["available"] for name, found in quantities(trip, "check").items()}


def test_samples_lie_on_the_clock_grid(trip: Trip) -> None:
    for stay in ("first stay", "second stay"):
        rows = trip.samples(stay, f"{stay} over")
        span_ms = trip.moment(f"{stay} over")["at_utc_ms"] - trip.moment(stay)["at_utc_ms"]
        step_ms = 1000 * INTERVAL_S
        off_grid_ms = [abs((row["time_utc_ms"] + step_ms / 2) % step_ms - step_ms / 2) for row in rows]
        assert len(rows) >= 0.97 * span_ms / step_ms
        assert sorted(off_grid_ms)[round(0.97 * len(rows))] <= 50


def test_rssi_follows_the_senders_level_within_1_db(trip: Trip) -> None:
    compared = 0
    for row, level_dbm in trip.samples_with_planted_level(SETTLE_MS):
        assert row["rssi_dbm"] == pytest.approx(level_dbm, abs=1), row["time_utc"]
        compared += 1
    assert compared > 500


def test_link_and_rates_are_what_iw_shows(trip: Trip) -> None:
    for scene in ("first stay", "second stay", "2.4 GHz", "channel 40"):
        looks = trip.looks(scene)
        assert looks
        for shown in looks:
            logged = trip.sample_at(shown.at_utc_ms)
            link = (logged["bssid"], logged["frequency_mhz"], logged["width_mhz"])
            assert link == (shown.bssid, shown.frequency_mhz, shown.width_mhz)
            assert logged["rssi_dbm"] == pytest.approx(shown.rssi_dbm, abs=1)
            if scene != "channel 40":  # there rate control tries widths, and two looks need not meet the same
                assert (logged["tx_rate_mbps"], logged["rx_rate_mbps"]) == (shown.tx_rate_mbps, shown.rx_rate_mbps)


@pytest.mark.parametrize("after", [False, True])
def test_vht_rates_fixed_at_both_ends_are_logged_to_mcs_and_streams(trip: Trip, after: bool) -> None:
    stay = ("first stay", "second stay")[after]
    rows = trip.samples(stay, f"{stay} over", settle_ms=SETTLE_MS)
    rows = [row for row in rows if row["tx_packets"] is not None]  # on a busy host a tick may come late: a gap
    assert len(rows) > 600
    assert {(row["tx_phy_mode"], row["tx_streams"], row["tx_mcs"]) for row in rows} == {("VHT", *UPLINK[after])}
    assert {(row["rx_phy_mode"], row["rx_streams"], row["rx_mcs"]) for row in rows} == {("VHT", *DOWNLINK[after])}


def test_ht_rates_are_logged_with_the_streams_that_their_mcs_means(trip: Trip) -> None:
    rows = trip.samples("on 2.4 GHz", "asked to roam", settle_ms=SETTLE_MS)
    assert {(row["tx_phy_mode"], row["tx_streams"], row["tx_mcs"]) for row in rows} == {("HT", 1, UPLINK_HT)}
    assert {(row["rx_phy_mode"], row["rx_streams"], row["rx_mcs"]) for row in rows} == {("HT", 2, DOWNLINK_HT)}


def test_every_sample_carries_the_tags_of_its_time(trip: Trip) -> None:
    step_ms = trip.moment("second stay")["step_utc_ms"]
    for row in trip.samples("first stay", "second stay over"):
        assert row["location"] == LOCATION
        assert row["config_version"] == ("v1" if row["time_utc_ms"] < step_ms else "v2")


def test_the_interval_of_compare_holds_the_planted_step(trip: Trip, tmp_path: Path) -> None:
    log = shutil.copy(trip.log, tmp_path)
    command = [Path(sys.executable).with_name("linktrial"), "compare", "v1", "v2", "--json", "--db", log]
    answer = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
    effects = {effect["metric"]: effect for effect in answer["effects"]}
    assert {(effect["location"], effect["band"]) for effect in effects.values()} == {(LOCATION, "5")}
    tx, rx = 130.0 / 39.0, 104.0 / 52.0  # VHT-MCS 4 x 1 to 7 x 2 and 3 x 2 to 5 x 2, at 20 MHz
    for metric, planted in {"rssi": AFTER_DBM - BEFORE_DBM, "tx-rate": tx, "rx-rate": rx}.items():
        effect = effects[metric]
        assert effect["low"] < planted < effect["high"]
        assert effect["verdict"] == "better"
        assert (effect["scope"], effect["n_placements_a"], effect["n_placements_b"]) == ("position", 1, 1)


def test_losing_5_ghz_moves_the_laptop_to_the_other_band(trip: Trip) -> None:
    left, joined = trip.events("5 GHz leaves the air", "asked to roam")
    assert left[0] == "disconnected"
    assert (left[1]["bssid"], left[1]["by_access_point"], left[1]["reason_code"]) == (FIVE, True, 3)
    assert joined[0] == "connected"
    assert joined[1]["bssid"] == TWO
    rows = trip.samples("on 2.4 GHz", "asked to roam", settle_ms=SETTLE_MS)
    assert {(row["band"], row["bssid"], row["frequency_mhz"]) for row in rows} == {("2.4", TWO, 2437)}


def test_a_roam_is_told_as_one(trip: Trip) -> None:
    *before, (kind, detail) = trip.events("asked to roam", "asked to switch the channel")
    assert kind == "roamed"
    assert [kind for kind, _ in before] in ([], ["disconnected"])  # the latter if a tick fell into the roam
    assert (detail["from_bssid"], detail["bssid"]) == (TWO, FIVE)
    rows = trip.samples("back on 5 GHz", "asked to switch the channel", settle_ms=SETTLE_MS)
    assert {row["band"] for row in rows} == {"5"}


def test_a_channel_switch_is_an_event_and_moves_the_samples(trip: Trip) -> None:
    events = trip.events("asked to switch the channel", "router's plug pulled")
    assert [kind for kind, _ in events] == ["channel-switched"]
    [(_, detail)] = events
    assert (detail["from_frequency_mhz"], detail["frequency_mhz"]) == (5180, 5200)
    rows = trip.samples("on channel 40", "router's plug pulled", settle_ms=SETTLE_MS)
    assert {(row["frequency_mhz"], row["width_mhz"]) for row in rows} == {(5200, 40)}


def test_an_outage_is_samples_without_a_link_between_two_events(trip: Trip) -> None:
    lost, found = trip.events("router's plug pulled", "interface down")
    assert (lost[0], lost[1]["by_access_point"]) == ("disconnected", False)
    assert (found[0], found[1]["bssid"]) == ("connected", FIVE)
    rows = trip.samples("link lost", "router's plug back", settle_ms=SETTLE_MS)
    assert len(rows) >= 8
    assert {(row["connected"], row["rssi_dbm"], row["bssid"]) for row in rows} == {(0, None, None)}


def test_a_second_daemon_is_refused_in_one_line(trip: Trip) -> None:
    answer = trip.answer("a second daemon")
    assert answer["code"] == 1
    assert answer["stderr"].count("\n") == 1
    assert "is logging into" in answer["stderr"]


@pytest.mark.parametrize("run", ["at", "changed", "changed again", "status"])
def test_tags_and_status_work_while_the_daemon_writes(trip: Trip, run: str) -> None:
    answer = trip.answer(run)
    assert (answer["code"], answer["stderr"]) == (0, "")


def test_sigterm_leaves_a_complete_log(trip: Trip) -> None:
    assert trip.moment("told to stop")["alive"]
    stopped = trip.moment("stopped")
    assert stopped["code"] == 0
    assert stopped["files"].get("lab.db") == "-rw-------"
    assert "lab.db-wal" not in stopped["files"]
    assert trip.db.execute("PRAGMA integrity_check").fetchone()[0] == "ok"
    assert not trip.db.execute("PRAGMA foreign_key_check").fetchall()
    kind, detail = trip.events("told to stop", "stopped")[-1]
    count, last_ms = trip.db.execute("SELECT count(*), max(time_utc_ms) FROM sample").fetchone()
    assert (kind, detail["n_samples"]) == ("logger-stopped", count)
    assert trip.moment("told to stop")["at_utc_ms"] - last_ms <= 2000 * INTERVAL_S


def test_blocks_and_samples_agree(trip: Trip) -> None:
    query = """
        SELECT period_id, link_id, sum(n_samples), sum(rssi_sum_dbm) FROM block GROUP BY 1, 2
        EXCEPT SELECT period_id, link_id, count(*), ifnull(sum(rssi_dbm) FILTER (WHERE ifnull(flags, 0) & 1 = 0), 0.0)
            FROM sample GROUP BY 1, 2
    """
    assert not trip.db.execute(query).fetchall()


def test_the_daemon_costs_less_than_a_shell_loop_round_iw(trip: Trip) -> None:
    cost = trip.cost()
    assert cost["daemon_cpu_ms_per_sample"] < cost["iw_alone_cpu_ms_per_run"]
    assert cost["resident_mb"] < 50
