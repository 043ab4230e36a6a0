"""What rests on probes and on sightings: their frames, the effects on what the link can carry and on radios of another
band, what is remembered of them, and what is shown and shared."""

from __future__ import annotations

import json
import random

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from dashboards.analysis.carrying import sparse_trend
from dashboards.analysis.headline import carried, headline
from dashboards.answers import Answers
from dashboards.beside_frames import HOUR_MS, SHARP_MS, load_beside, load_probes, load_sightings
from dashboards.comparison import compare_versions, parts_with_both
from dashboards.comparison_words import comparison_text
from dashboards.frames import load_blocks
from dashboards.remembered import Remembered
from dashboards.report import find, write_html, write_tables
from dashboards.sentences import located_sentence
from dashboards.sharing import as_shared
from logger.aliases import Aliases
from logger.log import Log
from logger.one_moment import one_moment
from logger.tags import version_in_force
from logger.timeline import Timeline
from tests.dashboards.beside_log import (
    COPY_24,
    DOWN_RATIO,
    FAR_END,
    HOURS,
    LEVEL_DB,
    NEIGHBOUR,
    RADIO_24,
    add_probe,
    add_scan,
    make_beside_log,
)
from tests.logger.conftest import START_MS, HandClock

MINUTE_MS = 60_000
CHANGE_MS = START_MS + HOURS * HOUR_MS
END_MS = START_MS + 2 * HOURS * HOUR_MS


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    return make_beside_log(tmp_path_factory.mktemp("beside") / "pottery.db")


@pytest.fixture
def log(path, tmp_path):
    """A copy, to be written to."""
    copy = tmp_path / "pottery.db"
    copy.write_bytes(path.read_bytes())
    with Log.open(copy) as log:
        yield log


@pytest.fixture(scope="module")
def effects(path):
    with Log.open(path) as log:
        blocks, beside = load_blocks(log), load_beside(log)
    return compare_versions(blocks, 1, 2, beside=beside)


def of(effects, metric):
    (one,) = [one for one in effects if one.effect.metric == metric and one.band == "5" and not one.radio]
    return one.effect


# --- frames ---


def test_a_probe_has_the_tags_of_the_period_that_holds_it_and_what_it_measured(log):
    probes = load_probes(log)
    rows = log.db.execute(
        "SELECT probe_id, config_version, location, band FROM tagged_probe ORDER BY probe_id"
    ).fetchall()
    told = probes[["probe_id", "version", "location", "band"]].itertuples(index=False, name=None)
    assert [(number, int(version[1:]), *rest) for number, version, *rest in rows] == list(told)
    first = probes.iloc[0]
    down = dict(log.db.execute(
        "SELECT streams, goodput_mbps FROM transfer WHERE probe_id = ? AND direction = 'down'", (int(first["probe_id"]),)
    ).fetchall())  # fmt: skip
    assert (first["down_mbps"], first["down_one_mbps"], first["down_streams"]) == (down[4], down[1], 4)
    assert (first["far_end_method"], first["far_end_sent"], first["far_end_loads"]) == ("icmp", 60, "idle down up")
    assert probes["covered_s"].eq(1800).all()
    assert (probes["ended_at_utc_ms"] <= probes["period_ended_at_utc_ms"].fillna(np.inf)).all()


def test_what_did_not_get_beyond_slow_start_is_missing_and_a_running_probe_is_not_there(log):
    first = int(load_probes(log)["probe_id"].iloc[0])
    with log.transaction() as db:
        db.execute(
            "UPDATE transfer SET goodput_mbps = NULL, steady_ms = NULL WHERE probe_id = ? AND direction = 'up'",
            (first,),
        )
        db.execute("UPDATE probe SET outcome = 'running' WHERE id = ?", (first + 1,))
    probes = load_probes(log).set_index("probe_id")
    assert np.isnan(probes.loc[first, "up_mbps"])
    assert probes.loc[first, "down_mbps"] > 0
    assert first + 1 not in probes.index


def test_sightings_are_sharp_near_a_change_hourly_far_from_it_and_lose_none(log):
    heard = load_sightings(log)
    assert not set(heard["bssid"]) & {NEIGHBOUR, COPY_24}  # neither watched nor linked to
    for radio, mine in heard.groupby("bssid"):
        (n, total), *_ = log.db.execute(
            "SELECT count(*), sum(rssi_dbm) FROM sighting JOIN radio ON radio.id = radio_id WHERE bssid = ?", (radio,)
        ).fetchall()
        assert mine["rssi_n"].sum() == n
        assert (mine["rssi_n"] * mine["rssi_mean_dbm"]).sum() == pytest.approx(total)
        near = mine["first_utc_ms"].sub(CHANGE_MS).abs() < SHARP_MS
        assert mine.loc[near, "rssi_n"].eq(1).all()
        assert mine["rssi_n"].max() == 12
    spans = heard[["period_started_at_utc_ms", "first_utc_ms", "last_utc_ms", "period_ended_at_utc_ms"]].fillna(np.inf)
    assert (spans.diff(axis=1).iloc[:, 1:] >= 0).all(axis=None)


def test_bins_of_a_figure_are_cut_at_versions_and_have_the_quantiles_of_their_rows():
    times = np.arange(12) * HOUR_MS
    rows = pd.DataFrame(
        {"source_id": 1, "version": [1] * 7 + [2] * 5, "mean_utc_ms": times + 0.5, "x": np.arange(12.0) ** 2}
    )
    rows = rows.assign(started_at_utc_ms=times, ended_at_utc_ms=times + HOUR_MS)
    rows.loc[2, "x"] = np.nan
    found = sparse_trend(rows.iloc[::-1], "x", width_ms=4 * HOUR_MS, origin_utc_ms=0)
    assert found["n"].tolist() == [3, 3, 1, 4]
    assert found["version"].tolist() == [1, 1, 2, 2]
    assert found["joined"].tolist() == [False, True, False, True]
    for name, share in (("low", 0.1), ("median", 0.5), ("high", 0.9)):
        expected = [
            np.quantile(np.array(x, dtype=float) ** 2, share) for x in ((0, 1, 3), (4, 5, 6), (7,), (8, 9, 10, 11))
        ]
        assert found[name].tolist() == pytest.approx(expected)


def test_a_log_without_any_gives_empty_frames_of_the_same_columns(tmp_path, log):
    with Log.open(tmp_path / "empty.db") as empty:
        probes, heard = load_beside(empty)
    assert probes.empty
    assert heard.empty
    assert set(probes) >= {"down_mbps", "far_end_idle_ms", "gateway_loads", "covered_s", "band", "version"}
    assert set(heard) == set(load_sightings(log))


# --- effects ---


def test_what_was_planted_is_found_and_what_was_not_is_not(effects):
    down, idle, up = of(effects, "transfer-down"), of(effects, "latency-idle"), of(effects, "transfer-up")
    assert down.verdict == "better"
    assert down.low < DOWN_RATIO < down.high
    assert (down.measured, idle.measured) == ("with 4 streams", "to the far end by ICMP")
    assert idle.verdict == "better"
    assert idle.low < 0.6 < idle.high
    assert up.low < 1 < up.high
    loss = of(effects, "loss")
    assert loss.unit == "points"
    assert loss.low < 0 < loss.high
    (heard,) = [one for one in effects if one.band == "2.4"]
    assert (heard.radio, heard.laptop_on, heard.effect.verdict) == (RADIO_24, ("5",), "better")
    assert heard.effect.low < LEVEL_DB < heard.effect.high
    said = located_sentence(heard)
    assert said.startswith(f"On 2.4 GHz at wheel, from scans of {RADIO_24}, the laptop being on 5 GHz, RSSI rose by ")


def test_rssi_of_a_band_that_the_laptop_was_not_on_comes_from_scans(path):
    with Log.open(path) as log:
        blocks, beside = load_blocks(log), load_beside(log)
    (only,) = compare_versions(blocks, 1, 2, band="2.4", metrics=("rssi",), beside=beside)
    assert (only.effect.metric, only.radio) == ("sighting", RADIO_24)
    assert compare_versions(blocks, 1, 2, band="2.4", metrics=("rssi",)) == []
    (link,) = compare_versions(blocks, 1, 2, band="5", metrics=("rssi",), beside=beside)
    assert (link.effect.metric, link.radio) == ("rssi", "")


def test_copies_of_one_radio_count_once(log):
    with log.transaction() as db:
        db.execute("INSERT INTO watched (bssid, since_utc_ms) VALUES (?, 0)", (COPY_24,))
    blocks, beside = load_blocks(log), load_beside(log)
    assert COPY_24 in set(beside.sightings["bssid"])
    (part,) = [part for part in parts_with_both(blocks, 1, 2, beside=beside) if part.band == "2.4"]
    assert (part.radios, part.linked) == ((RADIO_24,), False)


def test_one_effect_has_one_way_of_measuring(log):
    """v2 with eight streams and TCP connections for most, ICMP and four streams for some: these count."""
    chance = random.Random(5)
    with log.transaction() as db:
        db.execute("DELETE FROM probe WHERE started_at_utc_ms >= ?", (CHANGE_MS,))
    for k in range(40):
        common = k % 4 == 0
        at_ms = CHANGE_MS + (10 + 30 * k) * MINUTE_MS
        add_probe(log, at_ms, chance, streams=4 if common else 8, method="icmp" if common else "tcp-connect")
    found = compare_versions(load_blocks(log), 1, 2, beside=load_beside(log))
    down, idle = of(found, "transfer-down"), of(found, "latency-idle")
    assert down.hours_b == idle.hours_b == 5.0
    assert any("30 of v2 were not, and are apart" in warning for warning in down.warnings)
    assert any("Only 10 probes with v2" in warning for warning in idle.warnings)
    with log.transaction() as db:
        db.execute("UPDATE latency SET method = 'tcp-connect' WHERE probe_id IN (SELECT id FROM probe"
                   " WHERE started_at_utc_ms >= ?)", (CHANGE_MS,))  # fmt: skip
    (unlike,) = compare_versions(load_blocks(log), 1, 2, metrics=("latency-idle",), beside=load_beside(log))
    assert unlike.effect.low is None
    assert "never measured in one way" in unlike.effect.lacking[0]


def test_with_too_few_probes_there_is_no_interval_and_that_is_said(log):
    with log.transaction() as db:
        db.execute("DELETE FROM probe WHERE started_at_utc_ms >= ?", (CHANGE_MS + 2 * HOUR_MS,))
    (one,) = compare_versions(load_blocks(log), 1, 2, metrics=("transfer-down",), beside=load_beside(log))
    assert one.effect.low is None
    assert one.effect.lacking == ("v2 has 4 probes after the washout; an interval needs at least 6 of each version",)


def test_probes_that_failed_lost_the_link_or_came_to_no_number_are_told_though_they_have_no_link(log):
    chance = random.Random(6)
    ways = ("transfer-up", "transfer-down")
    plain = of(compare_versions(load_blocks(log), 1, 2, metrics=ways, beside=load_beside(log)), "transfer-up")
    assert not [warning for warning in plain.warnings if "no number" in warning or "stepped aside" in warning]
    rows = [
        probe_id for (probe_id,) in log.db.execute("SELECT id FROM probe WHERE started_at_utc_ms >= ?", (CHANGE_MS,))
    ]
    with log.transaction() as db:
        for k, outcome in enumerate(("failed", "link-changed", "failed", "link-changed")):
            db.execute("UPDATE probe SET outcome = ?, link_id = 0 WHERE id = ?", (outcome, rows[4 * k]))
        for probe_id in rows[1:17:4]:
            db.execute("UPDATE transfer SET goodput_mbps = NULL WHERE direction = 'up' AND probe_id = ?", (probe_id,))
    for k in range(24):
        probe_id = add_probe(log, CHANGE_MS + (20 + 30 * k) * MINUTE_MS, chance, outcome="stepped-aside")
        with log.transaction() as db:
            db.execute("UPDATE probe SET link_id = 0 WHERE id = ?", (probe_id,))
            for table in ("transfer", "latency"):
                db.execute(f"DELETE FROM {table} WHERE probe_id = ?", (probe_id,))
    effects = compare_versions(load_blocks(log), 1, 2, metrics=ways, beside=load_beside(log))
    up, down = of(effects, "transfer-up"), of(effects, "transfer-down")
    assert [one[:60] for one in up.mixed] == [
        "0 % of the probes of v1 and 17 % of the probes of v2 failed ",
        "0 % of the probes of v1 and 33 % of the probes of v2 stepped",
    ]
    assert "8 % of the probes of v2 failed or came to no number" in down.mixed[0]


def test_what_a_change_came_into_is_of_neither_side(log):
    heard, before = load_sightings(log), load_probes(log)
    chance = random.Random(8)
    over = add_probe(log, CHANGE_MS - 10_000, chance)
    add_scan(log, CHANGE_MS + 500, chance)  # of beacons a second old
    assert over not in set(load_probes(log)["probe_id"])
    assert len(load_probes(log)) == len(before)
    assert load_sightings(log)["rssi_n"].sum() == heard["rssi_n"].sum()


def test_probing_costs_the_word_on_the_link_nothing(effects):
    found = {one.effect.metric: one.effect for one in effects if one.band == "5" and not one.radio}
    of_link = {
        name: one for name, one in found.items() if name in ("rssi", "tx-rate", "retry-share", "outage", "noise")
    }
    assert headline(found) == headline(of_link | {name: found[name] for name in ("rx-rate", "drop-outs")})
    assert carried(found).word == "better"
    assert set(carried(found).decided_by) >= {"transfer-down", "latency-idle"}


# --- what is remembered ---


def asked(log, work=True, progress=lambda done, expected: None):
    with one_moment(log):
        blocks, beside = load_blocks(log), load_beside(log)
        remembered = Remembered(Answers(log), [(1, 2)], settings={}, metrics=("loss", "sighting"))
    if work:
        remembered.work_out(blocks, now_utc_ms=END_MS, beside=beside, progress=progress)
    fresh = compare_versions(
        blocks, 1, 2, metrics=("loss", "sighting"), beside=beside, in_force=version_in_force(log.db)
    )
    return remembered, fresh


def forget_a_probe(log):
    log.db.execute("DELETE FROM probe WHERE id = (SELECT max(id) FROM probe WHERE started_at_utc_ms < ?)", (CHANGE_MS,))


CHANCE = random.Random(7)
EDITS = {
    "a probe": lambda log: add_probe(log, END_MS - 3 * HOUR_MS - 7 * MINUTE_MS, CHANCE),  # before the later change
    "a look": lambda log: add_scan(log, END_MS - 3 * HOUR_MS - 2 * MINUTE_MS, CHANCE),
    "a probe fewer": forget_a_probe,
    "a later change": lambda log: Timeline(log, clock_at_the_end(), "UTC").changed("x", END_MS - 3 * HOUR_MS),
    "another beginning": lambda log: Timeline(log, clock_at_the_end(), "UTC").amend_period(
        2, started_ms=CHANGE_MS + HOUR_MS
    ),
    "a radio watched": lambda log: log.db.execute(
        f"INSERT INTO watched (bssid, since_utc_ms) VALUES ('{NEIGHBOUR}', 0)"
    ),
}


def clock_at_the_end():
    clock = HandClock()
    clock.now_ms = END_MS
    return clock


@settings(max_examples=4, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(edits=st.lists(st.sampled_from(sorted(EDITS)), min_size=1, max_size=2, unique=True))
def test_what_is_remembered_follows_every_probe_look_and_edit(path, tmp_path, edits):
    copy = tmp_path / f"{'-'.join(edits)}.db"
    copy.write_bytes(path.read_bytes())
    with Log.open(copy) as log:
        asked(log)
        assert asked(log, work=False)[0].complete
        for name in edits:
            EDITS[name](log)
            assert not asked(log, work=False)[0].complete
            remembered, fresh = asked(log)
            assert remembered.effects(1, 2) == fresh


def test_a_copy_that_is_watched_by_now_is_heeded_though_the_work_was_broken_off(log):
    asked(log)
    log.db.execute(f"INSERT INTO watched (bssid, since_utc_ms) VALUES ('{COPY_24}', 0)")

    def broken_off(done, expected):
        raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        asked(log, progress=broken_off)
    remembered, fresh = asked(log)
    assert remembered.effects(1, 2) == fresh
    assert any("copies of one measurement" in one for located in fresh for one in located.effect.warnings)


# --- what is shown ---


def test_the_report_shows_both_and_a_shared_one_names_neither_machine_nor_radio(path, tmp_path):
    with Log.open(path) as log:
        findings = find(log, now_utc_ms=END_MS, zone="Europe/Vienna")
        shared = as_shared(findings, Aliases.of(log))
    page = write_html(findings, tmp_path / "own.html").read_text("utf-8")
    for words in ("What the link can carry", "What scans heard", "What it carries: transfer down is", RADIO_24):
        assert words in page
    write_tables(findings, tmp_path / "own")
    carrying = pd.read_csv(tmp_path / "own/carrying.csv")
    assert carrying["far_end"].tolist() == [FAR_END] * 2
    assert carrying["down_mbps"].iloc[1] / carrying["down_mbps"].iloc[0] == pytest.approx(DOWN_RATIO, rel=0.1)
    assert carrying["n_done"].tolist() == [2 * HOURS] * 2
    texts = [write_html(shared, tmp_path / "shared.html"), *write_tables(shared, tmp_path / "shared")]
    for file in texts:
        text = file.read_text("utf-8").casefold()
        assert not [name for name in (FAR_END, RADIO_24, "02:00:00:", ">pottery<") if name in text], file.name


def test_the_terminal_names_the_radio_and_json_has_it(effects):
    from dashboards.effect_json import comparison_json

    text = comparison_text(1, 2, {1: "a", 2: "b"}, effects)
    assert f"\n{RADIO_24} " in text
    assert "An address: RSSI of that radio, from scans." in text
    told = json.loads(json.dumps(comparison_json(1, 2, effects)))["effects"]
    assert {(one["radio"], tuple(one["laptop_on"])) for one in told if one["band"] == "2.4"} == {(RADIO_24, ("5",))}
