"""Probes and sightings as tables: one row per transfer, round and radio heard, with tags, and aliases to share."""

from __future__ import annotations

import csv

import pytest

from adapters.contract import HeardRadio
from logger.exchange.exporting import export_tables
from logger.exchange.importing import import_recording
from logger.probe_table import Latency, Transfer, begin_probe, end_probe, stepped_aside
from logger.recorder import Recorder
from logger.sighting_table import write_scan
from tests.logger.conftest import POTTERY_5, START_MS, block_rows, linked

FAR_END = "http://wheelhouse.example:8080/clay"


def table(files, name):
    path = next(path for path in files if path.name == f"{name}.csv")
    with path.open(newline="") as file:
        return list(csv.DictReader(file))


@pytest.fixture
def probed(log, timeline):
    timeline.at("kiln room", START_MS)
    probe_id = begin_probe(log, START_MS + 1000, far_end=FAR_END)
    end_probe(
        log, probe_id, START_MS + 21_000, "done", link=POTTERY_5,
        transfers=[Transfer("down", 4, START_MS + 1500, 2500, 90_000_000, 2000, 80_000_000, 320.5, 4.5, 3),
                   Transfer("up", 1, START_MS + 4500, 2500, 1000)],
        latencies=[Latency("gateway", "idle", "icmp", 20, 1, 2.5, 4.0, 1.75)],
    )  # fmt: skip
    failed = begin_probe(log, START_MS + 60_000, far_end=FAR_END)
    end_probe(log, failed, START_MS + 61_000, "failed", words="wheelhouse.example did not answer")
    stepped_aside(log, START_MS - 5000, "=the link was in use")
    with log.transaction() as db:
        heard = [
            HeardRadio(
                "02:00:00:00:00:05", 5180, b"Pottery", 5210.0, 80, -61.5, 1040, True, 3, 0.25, "DE", 23, 3
            ),
            HeardRadio("02:00:00:00:00:02", 2437, b"=Next door", age_ms=10),
        ]  # fmt: skip
        write_scan(db, START_MS + 2000, heard, active=True, everyone=True)
    return log


def test_each_transfer_and_round_is_a_row_with_the_tags_of_its_time(probed, tmp_path):
    rows = table(export_tables(probed, tmp_path), "probes")
    aside, *done, failed = rows
    assert (aside["outcome"], aside["words"], aside["bssid"]) == ("stepped-aside", "'=the link was in use", "")
    assert [(row["transfer"], row["streams"], row["latency"], row["load"]) for row in done] == [
        ("down", "4", "", ""),
        ("up", "1", "", ""),
        ("", "", "gateway", "idle"),
    ]
    down, up, idle = done
    assert (down["started_at_utc"], down["transfer_started_at_utc"]) == (
        "2026-09-21T14:13:21.000Z",
        "2026-09-21T14:13:21.500Z",
    )
    assert {row["location"] for row in [*done, failed]} == {"kiln room"}
    assert (down["bssid"], down["band"], down["version"]) == (POTTERY_5.bssid, "5", "1")
    assert (down["duration_s"], down["goodput_mbps"], down["tcp_retransmits"]) == ("2.5", "320.5", "3")
    assert (up["goodput_mbps"], up["bytes"]) == ("", "1000")
    assert (idle["method"], idle["n_sent"], idle["n_lost"], idle["jitter_ms"]) == ("icmp", "20", "1", "1.75")
    assert (failed["outcome"], failed["transfer"], failed["latency"]) == ("failed", "", "")


def test_each_radio_heard_is_a_row(probed, tmp_path):
    five, two = table(export_tables(probed, tmp_path), "sightings")
    assert (five["location"], five["bssid"], five["ssid"], five["band"]) == (
        "kiln room",
        POTTERY_5.bssid,
        "Pottery",
        "5",
    )
    assert (five["scan_utc"], five["heard_utc"]) == ("2026-09-21T14:13:22.000Z", "2026-09-21T14:13:20.960Z")
    assert (five["age_s"], five["busy_share"], five["station_count"], five["rssi_dbm"]) == (
        "1.04",
        "0.25",
        "3",
        "-61.5",
    )
    assert (two["ssid"], two["rssi_dbm"], two["busy_share"]) == ("'=Next door", "", "")


def test_what_is_heard_before_any_period_has_a_row_without_tags(log, tmp_path):
    with log.transaction() as db:
        write_scan(db, 1000, [HeardRadio("02:00:00:00:00:05", 5180, age_ms=1)], active=False, everyone=False)
    (row,) = table(export_tables(log, tmp_path), "sightings")
    assert (row["location"], row["bssid"]) == ("", "02:00:00:00:00:05")


def test_to_share_names_and_addresses_become_aliases(probed, tmp_path):
    files = export_tables(probed, tmp_path, share=True)
    text = "".join(path.read_text() for path in files)
    for secret in ("wheelhouse", "02:00:00:00:00:0", "Pottery", "Next door"):
        assert secret not in text
    rows = table(files, "probes")
    ends = {row["far_end"] for row in rows if row["far_end"]}
    assert len(ends) == 1
    assert ends.pop().startswith("far-end-")
    assert rows[-1]["words"].startswith("far-end-")
    assert rows[-1]["words"].endswith(" did not answer")
    five, two = table(files, "sightings")
    assert five["bssid"] == rows[1]["bssid"]
    assert two["ssid"].startswith("network-")


def test_samples_that_a_probe_touched_are_no_ordinary_samples_where_they_are_imported(log, tmp_path):
    path = tmp_path / "kiln.csv"
    rows = [f"{START_MS // 1000 + 5 * n},kiln,1,v1,5,{-60 - n},{int(n in (3, 4))}" for n in range(10)]
    path.write_text("time,location,placement,version,band,rssi_dbm,during_probe\n" + "\n".join(rows))
    import_recording(log, path, now_utc_ms=START_MS, zone="UTC")
    sums = [sum(row[at] for row in block_rows(log)) for at in (6, 10, -3)]
    assert sums == [10, 8, 2]
    assert log.db.execute("SELECT count(*) FROM sample WHERE flags = 1").fetchone()[0] == 2


def test_a_file_without_the_column_is_read_as_before(log, tmp_path):
    path = tmp_path / "kiln.csv"
    path.write_text(f"time,location,placement,version,band,rssi_dbm\n{START_MS // 1000},kiln,1,v1,5,-60\n")
    import_recording(log, path, now_utc_ms=START_MS, zone="UTC")
    assert log.db.execute("SELECT flags FROM sample").fetchone()[0] is None


def test_recorded_and_shared_logs_agree_on_who_is_who(probed, tmp_path):
    Recorder(probed).record([linked(START_MS + 90_000)], [])
    files = export_tables(probed, tmp_path, share=True)
    of_blocks = {row["bssid"] for row in table(files, "blocks")}
    assert table(files, "sightings")[0]["bssid"] in of_blocks
