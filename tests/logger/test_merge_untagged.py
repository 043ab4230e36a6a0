"""Probes and scans of another machine's log, merged: each once, as it is there, with its radio."""

from __future__ import annotations

from dataclasses import replace

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from adapters.contract import ChannelVisit, HeardRadio
from logger.blocks import TX_RATE_STALE
from logger.console import main
from logger.probe_table import Latency, Transfer, begin_probe, end_probe, stepped_aside, write_results
from logger.sample import Event
from logger.sighting_table import write_scan
from tests.logger.conftest import POTTERY_5, POTTERY_24, START_MS, linked
from tests.logger.test_merge import MINUTE_MS, Machine, contents
from tests.logger.test_merge_always import merge_killed_after

ROUTER = HeardRadio("02:00:00:00:00:05", 5180, b"Pottery", 5210.0, 80, -61.0, 40, country="DE", country_max_dbm=23)
ROUTER_24 = HeardRadio(
    "02:00:00:00:00:02", 2437, b"Pottery", rssi_dbm=-48.0, age_ms=900, station_count=4, busy_share=0.3
)
PROBES = """
    SELECT probe.started_at_utc_ms, ended_at_utc_ms, far_end, outcome, words, link.bssid, transfer.direction, streams, bytes,
        goodput_mbps, tcp_retransmits, latency.target, load, method, n_sent, n_lost, median_ms, jitter_ms
    FROM probe JOIN link ON link.id = link_id LEFT JOIN transfer ON transfer.probe_id = probe.id
    LEFT JOIN latency ON latency.probe_id = probe.id WHERE source_id {} ORDER BY 1, 7, 8, 12, 13
"""
SCANS = """
    SELECT time_utc_ms, active, everyone, bssid, radio.frequency_mhz, ssid, ssid_text, band, center_mhz, width_mhz,
        country, country_max_dbm, age_ms, rssi_dbm, station_count, busy_permille, visit.frequency_mhz,
        visit.noise_dbm, active_ms, busy_ms
    FROM scan LEFT JOIN sighting ON sighting.scan_id = scan.id LEFT JOIN radio ON radio.id = radio_id
    LEFT JOIN visit ON visit.scan_id = scan.id WHERE source_id {} ORDER BY 1, 4, 5, 17
"""


def untagged(log, which="= 1"):
    """All that is in the log of probes and scans of some sources."""
    return [[tuple(row) for row in log.db.execute(sql.format(which))] for sql in (PROBES, SCANS)]


def probe(machine, number, outcome="done", link=POTTERY_5):
    at_ms = machine.clock.now_ms
    if outcome == "stepped-aside":
        return stepped_aside(machine.log, at_ms, "the link was in use")
    probe_id = begin_probe(machine.log, at_ms, far_end="wheel house")
    if outcome != "running":
        write_results(machine.log, probe_id, [Transfer("down", 4, at_ms + 5, 2500, 1000 * number, 2000, 900, 9.5)])
        end_probe(
            machine.log, probe_id, at_ms + 20_000, outcome, link=link,
            transfers=[Transfer("up", 1, at_ms + 9, 2500, number)],
            latencies=[Latency("gateway", "idle", "icmp", 20, 1, 2.5, 4.0, 1.5), Latency("far-end", "up", "icmp", 5, 5)],
        )  # fmt: skip
    return probe_id


def scan(machine, number, active=True):
    heard = [replace(ROUTER, rssi_dbm=-60.0 - number, country_max_dbm=20 + number % 3), ROUTER_24][: 1 + number % 2]
    with machine.log.transaction() as db:
        visits = [ChannelVisit(5180, -95, 100, number), ChannelVisit(2437, None, 90, 80)]
        return write_scan(db, machine.clock.now_ms, heard, visits, active=active, everyone=number % 2 == 0)


@pytest.fixture
def two(tmp_path):
    here, there = Machine(tmp_path, "office"), Machine(tmp_path, "kiln")
    here.timeline.at("wheel by the window")
    here.logs(10)
    probe(here, 7, link=POTTERY_24)
    scan(here, 7)
    there.timeline.at("kiln room")
    for number, outcome in enumerate(["done", "failed", "stepped-aside", "link-changed", "running"]):
        there.logs(60)
        probe(there, number, outcome)
        scan(there, number)
    yield here, there
    here.log.close()
    there.log.close()


def test_each_probe_and_scan_is_here_once_with_its_radios_and_tags(two):
    here, there = two
    own = untagged(here.log)
    done = here.merge(there)
    assert [(source.n_probes, source.n_scans) for source in done.sources] == [(5, 5)]
    assert untagged(here.log, "<> 1") == untagged(there.log)
    assert untagged(here.log) == own
    for view in ("tagged_probe", "tagged_sighting"):
        rows = here.log.db.execute(f"SELECT count(*) FROM {view} WHERE location = 'kiln room'").fetchone()
        assert rows == there.log.db.execute(f"SELECT count(*) FROM {view}").fetchone()
        assert rows[0] >= 5


def test_merging_again_changes_nothing(two):
    here, there = two
    here.merge(there)
    before = contents(here.path)
    done = here.merge(there)
    assert [(source.n_probes, source.n_scans) for source in done.sources] == [(0, 0)]
    assert contents(here.path) == before


def test_what_is_new_ended_or_gone_over_there_follows(two):
    here, there = two
    here.merge(there)
    there.logs(60)
    running = there.log.db.execute("SELECT max(id) FROM probe").fetchone()[0]
    end_probe(there.log, running, there.clock.now_ms, "done", link=POTTERY_5)
    probe(there, 9)
    scan(there, 9)
    there.log.db.execute("DELETE FROM probe WHERE outcome = 'failed'")
    there.log.db.execute("DELETE FROM scan WHERE id = 2")
    done = here.merge(there)
    assert [(source.n_probes, source.n_scans) for source in done.sources] == [(2, 1)]
    assert untagged(here.log, "<> 1") == untagged(there.log)


def test_a_probe_without_any_new_sample_comes_along(two):
    here, there = two
    here.merge(there)
    there.clock.now_ms += 1
    probe(there, 3)
    here.merge(there)
    assert untagged(here.log, "<> 1") == untagged(there.log)


def test_an_old_backup_takes_no_probe_back(two, tmp_path):
    here, there = two
    backup = tmp_path / "backup.db"
    there.log.db.execute("VACUUM INTO ?", (str(backup),))
    there.clock.now_ms += 60_000
    probe(there, 3)
    scan(there, 3)
    here.merge(there)
    assert here.merge(backup).sources[0].left_out
    assert untagged(here.log, "<> 1") == untagged(there.log)


def test_each_into_the_other_and_a_third(two, tmp_path):
    here, there = two
    office, kiln = untagged(here.log), untagged(there.log)
    here.merge(there)
    there.merge(here)
    assert (untagged(here.log), untagged(here.log, "<> 1")) == (office, kiln)
    assert (untagged(there.log), untagged(there.log, "<> 1")) == (kiln, office)
    third = Machine(tmp_path, "attic")
    for other in (here, there, here):
        third.merge(other)
        assert sorted(untagged(third.log, "<> 1")[0], key=str) == sorted(office[0] + kiln[0], key=str)
        assert sorted(untagged(third.log, "<> 1")[1], key=str) == sorted(office[1] + kiln[1], key=str)
    third.log.close()


def test_what_is_watched_stays_each_machines_own(two):
    here, there = two
    there.log.db.execute("INSERT INTO watched (ssid, since_utc_ms) VALUES (x'41', 5)")
    here.merge(there)
    assert here.log.db.execute("SELECT count(*) FROM watched").fetchone()[0] == 0


def test_marks_of_samples_and_their_blocks_come_along(two):
    here, there = two
    later_ms = there.clock.now_ms + 20 * MINUTE_MS  # when the last probe cannot run any more
    there.recorder.record([linked(later_ms), linked(later_ms + 5000)._replace(flags=TX_RATE_STALE)], [])
    here.merge(there)
    sql = (
        "SELECT sum(probing_n), sum(tx_rate_stale_n), sum(n_samples) FROM block JOIN period ON period.id = period_id"
        " WHERE source_id {}"
    )
    sums = tuple(there.log.db.execute(sql.format("= 1")).fetchone())
    assert tuple(here.log.db.execute(sql.format("<> 1")).fetchone()) == sums
    assert sums[0] > 0
    assert sums[1] == 1
    flags = "SELECT time_utc_ms, flags FROM sample JOIN period ON period.id = period_id WHERE source_id {} ORDER BY 1"
    assert [tuple(row) for row in here.log.db.execute(flags.format("<> 1"))] == [
        tuple(row) for row in there.log.db.execute(flags.format("= 1"))
    ]


def test_the_command_says_what_came(two, capsys, monkeypatch):
    here, there = two
    monkeypatch.setenv("LINKTRIAL_DB", str(here.path))
    assert main(["merge", str(there.path)]) == 0
    assert "5 probes and 5 scans came or changed" in capsys.readouterr().out


def test_wherever_a_merge_is_killed_the_next_one_completes_it(two, tmp_path):
    _, there = two
    whole, seen = untagged(there.log), set()
    for n_steps in range(0, 40, 2):
        here = Machine(tmp_path, f"office {n_steps}")
        merge_killed_after(here, there, n_steps)
        seen.add(len(untagged(here.log, "<> 1")[1]))
        here.merge(there)
        assert untagged(here.log, "<> 1") == whole
        here.log.close()
    assert len(seen) > 1


DOINGS = st.lists(
    st.tuples(
        st.sampled_from(
            ["probe", "running", "stepped-aside", "scan", "look", "back", "later", "gone", "merge", "killed", "at"]
        ),
        st.integers(0, 9),
    ),
    max_size=14,
)


@pytest.mark.slow
@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(DOINGS)
def test_probes_and_scans_of_a_merged_source_are_what_they_are_there(tmp_path_factory, doings):
    folder = tmp_path_factory.mktemp("merged")
    here, there = Machine(folder, "office"), Machine(folder, "kiln")
    here.timeline.at("wheel by the window")
    there.timeline.at("kiln room")
    there.logs(2)
    for what, n in doings:
        there.clock.now_ms += 1000
        match what:
            case "probe":
                probe(there, n)
            case "running" | "stepped-aside":
                probe(there, n, what)
            case "scan" | "look":
                scan(there, n, active=what == "scan")
            case "back":
                there.clock.now_ms -= n * MINUTE_MS
            case "later":
                there.clock.now_ms += n * 300 * MINUTE_MS
            case "gone":
                for table in ("probe", "scan"):
                    there.log.db.execute(f"DELETE FROM {table} WHERE id % 10 = ?", (n,))
            case "at" if there.clock.now_ms > START_MS + 5 * MINUTE_MS:
                there.timeline.at(f"place {n}", there.clock.now_ms - MINUTE_MS)
            case "merge":
                here.merge(there)
            case "killed":
                merge_killed_after(here, there, n)
    # Whatever is newest counts, so that this state is newer than those merged before.
    newest = there.log.db.execute(
        "SELECT max(time_utc_ms) FROM (SELECT time_utc_ms FROM scan UNION SELECT ? AS t)", (there.clock.now_ms,)
    )
    there.recorder.record([], [Event(newest.fetchone()[0] + 86_400_000, "logger-stopped", {})])
    here.merge(there)
    assert untagged(here.log, "<> 1") == untagged(there.log)
    before = contents(here.path)
    here.merge(there)
    assert contents(here.path) == before
    here.log.close()
    there.log.close()
