"""The log as frames, against what SQL says of its samples."""

from __future__ import annotations

import numpy as np
import pytest

from dashboards.frames import load_blocks, load_events, load_frames, load_periods, load_versions
from logger.log import Log
from logger.one_moment import one_moment
from logger.recorder import Recorder
from logger.sample import Sample
from tests.dashboards.kiln_log import END_MS, HOUR_MS, START_MS, ZONE, make_kiln_log


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    return make_kiln_log(tmp_path_factory.mktemp("frames") / "kiln.db")


@pytest.fixture
def log(path):
    with Log.open(path, create=False) as log:
        yield log


def test_blocks_hold_what_the_samples_do(log):
    blocks = load_blocks(log)
    for version in (1, 2):
        mine = blocks[(blocks["version"] == version) & (blocks["band"] == "5") & blocks["connected"]]
        n, mean, rate = log.db.execute(
            "SELECT count(*), avg(rssi_dbm), avg(tx_rate_mbps) FROM tagged_sample"
            " WHERE config_version = ? AND band = '5' AND connected",
            (f"v{version}",),
        ).fetchone()
        assert mine["n_samples"].sum() == mine["rssi_n"].sum() == n
        assert np.average(mine["rssi_mean_dbm"], weights=mine["rssi_n"]) == pytest.approx(mean)
        assert np.average(mine["tx_rate_mean_mbps"], weights=mine["tx_rate_n"]) == pytest.approx(rate)
        log2 = np.log2(
            [
                float(row[0])
                for row in log.db.execute(
                    "SELECT tx_rate_mbps FROM tagged_sample WHERE config_version = ? AND band = '5' AND connected",
                    (f"v{version}",),
                )
            ]
        )
        assert np.average(mine["tx_rate_mean_log2"], weights=mine["tx_rate_n"]) == pytest.approx(log2.mean())


def test_times_of_a_block_are_those_of_its_samples(log):
    blocks = load_blocks(log)
    assert blocks["first_utc_ms"].min() == START_MS
    assert blocks["last_utc_ms"].max() == END_MS - 60_000
    assert ((blocks["first_utc_ms"] <= blocks["mean_utc_ms"]) & (blocks["mean_utc_ms"] <= blocks["last_utc_ms"])).all()
    assert blocks["covered_s"].sum() == pytest.approx(46 * 3600)
    assert blocks["first_utc_ms"].is_monotonic_increasing


def test_a_block_without_a_link_has_the_band_that_was_used_around_it(log):
    blocks = load_blocks(log)
    absent = blocks[~blocks["connected"]]
    assert absent["covered_s"].sum() == pytest.approx(30 * 60)
    assert set(absent["band"]) == {"5"}
    assert set(blocks["band"]) == {"2.4", "5"}


def test_the_nearest_linked_block_decides_the_band_not_the_first(tmp_path):
    with Log.open(make_kiln_log(tmp_path / "other.db")) as log:
        with log.transaction() as db:  # an outage while on 2.4 GHz
            db.execute(
                "UPDATE block SET link_id = 0 WHERE started_at_utc_ms = ?", (START_MS + 25 * HOUR_MS + HOUR_MS // 2,)
            )
        blocks = load_blocks(log)
    moved = blocks[~blocks["connected"] & (blocks["started_at_utc_ms"] > START_MS + 20 * HOUR_MS)]
    assert list(moved["band"]) == ["2.4"]


def test_means_of_nothing_are_unknown_and_not_zero(log):
    blocks = load_blocks(log)
    absent = blocks[~blocks["connected"]]
    for name in ("rssi_mean_dbm", "tx_rate_mean_mbps", "rx_rate_mean_log2"):
        assert absent[name].isna().all()
    assert blocks["noise_mean_dbm"].isna().all()
    assert blocks["busy_mean_share"].isna().all()


def test_every_block_knows_its_tags(log):
    blocks = load_blocks(log)
    assert set(blocks["location"]) == {"kiln room"}
    assert set(blocks["placement"]) == {"1"}
    assert set(blocks["time_zone"]) == {ZONE}
    assert blocks.groupby("period_id")["version"].first().tolist() == [1, 2, 1, 2]
    assert (blocks["period_started_at_utc_ms"] <= blocks["first_utc_ms"]).all()
    assert blocks["period_ended_at_utc_ms"].isna().any()  # the last period is open
    assert set(blocks["source_started_at_utc_ms"]) == {blocks["period_started_at_utc_ms"].min()}
    assert blocks["source_ended_at_utc_ms"].isna().all()


def test_periods_versions_and_events_come_by_time(log):
    assert load_periods(log)["version"].tolist() == [1, 2, 1, 2]
    versions = load_versions(log)
    assert versions["label"].tolist() == ["as found", "longer antennas"]
    assert versions["settings"].tolist()[1]["antenna.5.gain_dbi"] == 5
    found = load_events(log)
    assert found["time_utc_ms"].is_monotonic_increasing
    assert found.loc[found["kind"] == "disconnected", "detail"].tolist() == [{"ssid": "pottery"}]


def test_an_empty_log_gives_the_same_columns_and_types(log, tmp_path):
    full = load_frames(log)
    with Log.open(tmp_path / "empty.db") as empty_log:
        empty = load_frames(empty_log)
    for name in ("blocks", "periods", "versions", "events"):
        bare, filled = getattr(empty, name), getattr(full, name)
        assert bare.empty or name == "versions"
        assert bare.dtypes.to_dict() == filled.dtypes.to_dict()


def test_reads_of_one_moment_do_not_see_what_is_written_meanwhile(path, tmp_path):
    make_kiln_log(tmp_path / "busy.db")
    with Log.open(tmp_path / "busy.db") as reader, Log.open(tmp_path / "busy.db") as writer:
        with one_moment(reader):
            before = len(load_blocks(reader))
            with writer.transaction() as db:
                db.execute("DELETE FROM block")
            assert len(load_blocks(reader)) == before
        assert load_blocks(reader).empty


def test_a_log_that_never_had_a_link_has_blocks_of_no_band(tmp_path):
    with Log.open(tmp_path / "offline.db") as log:
        Recorder(log).record([Sample(START_MS + 10_000 * number, None) for number in range(60)], [])
        blocks = load_blocks(log)
    assert len(blocks) > 0
    assert blocks["band"].isna().all()
