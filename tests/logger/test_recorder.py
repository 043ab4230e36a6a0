"""The recorder: each sample into its period, radios and rates interned, blocks true at every commit."""

from __future__ import annotations

import json

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from adapters.contract import BitRate
from logger.block_table import rebuild_blocks
from logger.errors import LogFull
from logger.log import Log
from logger.recorder import Recorder
from logger.sample import Event, LinkIdentity, Sample
from logger.timeline import Timeline
from tests.logger.conftest import POTTERY_5, POTTERY_24, RATE, START_MS, HandClock, block_rows, linked, unlinked


def rebuilt_rows(log):
    with log.transaction() as db:
        for (period_id,) in db.execute("SELECT id FROM period").fetchall():
            rebuild_blocks(db, period_id)
    return block_rows(log)


def test_a_log_without_tags_begins_with_an_unnamed_spot_and_the_router_as_found(log):
    Recorder(log).record([linked(START_MS)], [])
    row = log.db.execute("SELECT location, placement, config_version FROM tagged_sample").fetchone()
    assert tuple(row) == ("unnamed spot", 1, "v1")


def test_a_sample_comes_back_as_it_went_in(log):
    sample = Sample(
        START_MS + 123, POTTERY_5, -61, -60, -62, (None, -61), -91, RATE, BitRate(866.7, "VHT", 9, 2, 80, 400),
        10, 3, 1, 0, 250, 12_345, 678,
    )  # fmt: skip
    Recorder(log).record([sample], [])
    row = dict(log.db.execute("SELECT * FROM tagged_sample").fetchone())
    assert row["time_utc"] == "2026-09-21T14:13:20.123Z"
    assert (row["ssid"], row["bssid"], row["band"], row["frequency_mhz"]) == ("Pottery", POTTERY_5.bssid, "5", 5180)
    assert (row["rssi_dbm"], row["noise_dbm"], row["busy_share"], row["connected"]) == (-61, -91, 0.25, 1)
    assert (row["tx_rate_mbps"], row["rx_rate_mbps"], row["rx_streams"], row["rx_bytes"]) == (433.3, 866.7, 2, 12_345)
    chains = log.db.execute("SELECT chain_rssi_dbm FROM sample").fetchone()[0]
    assert chains == bytes([0, 256 - 61])


@pytest.mark.parametrize(
    "ssid", [b"<script>alert(1)</script>", b"\xff\xfe\x00clay", "ünïcödé 🏺".encode(), b"", b"a\nb\x1b[31m"]
)
def test_any_ssid_is_kept_byte_for_byte_and_has_a_text_for_people(log, ssid):
    Recorder(log).record([linked(START_MS, link=POTTERY_5._replace(ssid=ssid))], [])
    kept, text = log.db.execute("SELECT ssid, ssid_text FROM link WHERE connected").fetchone()
    assert kept == ssid
    assert text.isprintable()


def test_unknown_stays_unknown(log):
    Recorder(log).record(
        [Sample(START_MS, LinkIdentity("wlan0", None, None, None, None, None)), unlinked(START_MS + 5)], []
    )
    rows = log.db.execute("SELECT connected, rssi_dbm, tx_rate_mbps, noise_dbm, ssid FROM tagged_sample").fetchall()
    assert [tuple(row) for row in rows] == [(1, None, None, None, None), (0, None, None, None, None)]


def test_nan_is_refused_rather_than_stored_as_null(log):
    with pytest.raises(ValueError, match="NaN"):
        Recorder(log).record([linked(START_MS, float("nan"))], [])


def test_two_readings_of_one_millisecond_are_both_kept(log):
    Recorder(log).record([linked(START_MS, -60), linked(START_MS, -70)], [])
    assert [row[0] for row in log.db.execute("SELECT rssi_dbm FROM tagged_sample")] == [-60, -70]
    assert block_rows(log) == rebuilt_rows(log)


def test_more_readings_of_one_millisecond_than_it_has_room_for_go_on_into_the_next(log):
    Recorder(log).record([linked(START_MS, -40 - i) for i in range(20)], [])
    times = [row[0] - START_MS for row in log.db.execute("SELECT time_utc_ms FROM sample ORDER BY id")]
    assert times == [0] * 16 + [1] * 4


def test_a_tag_said_while_samples_wait_for_their_commit_divides_them_by_time(log, timeline, clock):
    recorder = Recorder(log)
    recorder.record([linked(START_MS)], [])
    clock.now_ms = START_MS + 12_000
    timeline.changed("longer antennas")
    recorder.record([linked(START_MS + 10_000), linked(START_MS + 15_000)], [])
    rows = log.db.execute("SELECT time_utc_ms - ?, config_version FROM tagged_sample", (START_MS,)).fetchall()
    assert [tuple(row) for row in rows] == [(0, "v1"), (10_000, "v1"), (15_000, "v2")]


def test_a_tag_from_another_process_is_seen_at_the_next_commit(log, clock):
    recorder = Recorder(log)
    recorder.record([linked(START_MS)], [])
    clock.now_ms = START_MS + 3_000
    with Log.open(log.path) as other:
        Timeline(other, clock).at("kiln room")
    recorder.record([linked(START_MS + 5_000)], [])
    rows = log.db.execute("SELECT location FROM tagged_sample ORDER BY time_utc_ms").fetchall()
    assert [row[0] for row in rows] == ["unnamed spot", "kiln room"]


def test_a_clock_set_back_reorders_nothing_and_loses_nothing(log, timeline, clock):
    """Stamped before the change, but taken after it: the samples stay with the version that was in force."""
    recorder = Recorder(log)
    recorder.record([linked(START_MS + 5_000 * i) for i in range(2_000)], [])
    clock.now_ms = START_MS + 5_000 * 2_000
    timeline.changed("longer antennas")
    recorder.record([linked(clock.now_ms + 5_000 * i, -50) for i in range(10)], [])
    set_back_ms = clock.now_ms - 3_600_000
    recorder.record([linked(set_back_ms + 5_000 * i, -50) for i in range(200)], [])
    assert log.db.execute("SELECT count(*) FROM sample").fetchone()[0] == 2_210
    levels = log.db.execute("SELECT config_version, rssi_dbm, count(*) FROM tagged_sample GROUP BY 1, 2").fetchall()
    assert [tuple(row) for row in levels] == [("v1", -60, 2_000), ("v2", -50, 210)]
    assert sum(row[6] for row in block_rows(log)) == 2_210
    assert block_rows(log) == rebuilt_rows(log)


def test_a_full_disk_leaves_the_log_whole_and_the_same_samples_can_be_recorded_again(log):
    recorder = Recorder(log)
    recorder.record([linked(START_MS)], [])
    pages = log.db.execute("PRAGMA page_count").fetchone()[0]
    log.db.execute(f"PRAGMA max_page_count = {pages}")
    waiting = [linked(START_MS + 5_000 * i, link=POTTERY_5._replace(bssid=f"02::{i}")) for i in range(1, 2_000)]
    with pytest.raises(LogFull):
        recorder.record(waiting, [])
    log.db.execute("PRAGMA max_page_count = 100000")
    recorder.record(waiting, [])
    assert log.db.execute("SELECT count(*) FROM sample").fetchone()[0] == 2_000
    assert block_rows(log) == rebuilt_rows(log)


def test_events_are_kept_with_their_details(log):
    Recorder(log).record([], [Event(START_MS, "disconnected", {"reason_code": 3, "ssid": "🏺"})])
    row = log.db.execute("SELECT time_utc_ms, kind, detail FROM event").fetchone()
    assert (row[0], row[1], json.loads(row[2])) == (START_MS, "disconnected", {"reason_code": 3, "ssid": "🏺"})


SAMPLES = st.lists(
    st.tuples(
        st.integers(1, 40),  # steps of the interval since the sample before
        st.sampled_from([POTTERY_5, POTTERY_24, None]),
        st.one_of(st.none(), st.integers(-95, -20)),
    ),
    min_size=1,
    max_size=120,
)


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    samples=SAMPLES, batch=st.integers(1, 30), restarts=st.booleans(), interval_ms=st.sampled_from([100, 5_000, 60_000])
)
def test_blocks_kept_while_logging_equal_blocks_folded_from_the_samples(
    tmp_path_factory, samples, batch, restarts, interval_ms
):
    with Log.open(tmp_path_factory.mktemp("log") / "pottery.db") as log:
        clock = HandClock()
        Timeline(log, clock, "UTC").at("wheel by the window")
        recorder = Recorder(log)
        recorder.set_pace(interval_ms, START_MS)
        time_ms, waiting = START_MS, []
        for steps, link, rssi in samples:
            time_ms += steps * interval_ms
            waiting.append(Sample(time_ms, link, None if link is None else rssi))
            if len(waiting) >= batch:
                recorder.record(waiting, [])
                waiting = []
                if restarts:
                    recorder = Recorder(log)
        recorder.record(waiting, [])
        assert log.db.execute("SELECT count(*) FROM sample").fetchone()[0] == len(samples)
        assert block_rows(log) == rebuilt_rows(log)
