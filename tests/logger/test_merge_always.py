"""Whatever is done over there between merges, and wherever a merge is killed: the merged source is what it is there."""

from __future__ import annotations

from contextlib import suppress

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from adapters.simulated.clock import SimulatedClock
from logger.errors import TagError
from logger.log import Log
from logger.pruning import Pruner, horizon_of
from tests.logger.conftest import START_MS
from tests.logger.said_tags import say_tag
from tests.logger.test_merge import MINUTE_MS, Machine, contents, merged, samples_of

BLOCKS = """
    SELECT block.started_at_utc_ms, block.ended_at_utc_ms, first_utc_ms, last_utc_ms, n_samples, offset_ms_sum,
        covered_ms, n_dropouts, rssi_n, rssi_sum_dbm, rssi_histogram, noise_n, tx_rate_n, tx_rate_sum_log2,
        tx_packets, rx_bytes, band, bssid, location.name, config_version.label, period.started_at_utc_ms
    FROM block JOIN period ON period.id = period_id JOIN link ON link.id = link_id
    JOIN placement ON placement.id = placement_id JOIN location ON location.id = location_id
    JOIN config_version ON config_version.number = period.config_version WHERE source_id {} ORDER BY 1, 2, 3, 4, 5, 16, 17, 18
"""


def blocks_of(log: Log, which: str) -> list[tuple[object, ...]]:
    return [tuple(row) for row in log.db.execute(BLOCKS.format(which))]


class Killed(BaseException):
    """As a process is, at any moment."""


def merge_killed_after(here: Machine, there: Machine, n_steps: int) -> None:
    """Stop where the n-th step is told; as the process ends there, so does its connection."""
    left = n_steps

    def stop(*_):
        nonlocal left
        left -= 1
        if left < 0:
            raise Killed

    try:
        here.merge(there, progress=stop)
    except Killed:
        here.log.close()
        here.log = Log.open(here.path)


def prune(log: Log, now_ms: int, keep_hours: int) -> None:
    pruner = Pruner(log, SimulatedClock(now_ms), keep_days=keep_hours / 24)
    pruner.move_horizons(now_ms)
    while pruner.bite():
        pass


def do(machine: Machine, what: str, number: int, minutes: int) -> None:
    timeline = machine.timeline
    if say_tag(timeline, what, number, START_MS + minutes * MINUTE_MS):
        return
    match what:
        case "logs":
            machine.clock.now_ms += 13_000 * number  # too short for a gap, but for the event that tells it
            machine.logs(20 + 40 * number, pace_ms=30_000 * (1 + number % 2), rssi_dbm=-50 - number)
        case "logs long":
            machine.logs(600, pace_ms=60_000)
        case "back":
            machine.clock.now_ms = max(START_MS, machine.clock.now_ms - number * 7 * MINUTE_MS)
        case "rename":
            timeline.amend_version(1, label=f"other {number}")
        case "prune":
            prune(machine.log, machine.clock.now_ms, 2 + number)


steps = st.lists(
    st.one_of(
        st.tuples(
            st.sampled_from(
                ["logs", "logs", "logs long", "back", "at", "changed", "split", "join", "starts", "rename", "undo"]
            ),
            st.integers(1, 6),
            st.integers(0, 900),
        ),
        st.tuples(st.sampled_from(["merge", "killed"]), st.integers(0, 12), st.just(0)),
    ),
    min_size=2,
    max_size=9,
)
with_pruning = st.lists(
    st.one_of(
        st.tuples(
            st.sampled_from(["logs", "logs long", "at", "changed", "join", "undo", "prune", "prune here"]),
            st.integers(1, 6),
            st.integers(0, 1500),
        ),
        st.tuples(st.sampled_from(["merge", "killed"]), st.integers(0, 12), st.just(0)),
    ),
    min_size=3,
    max_size=9,
)


def play(folder, script):
    here, there = Machine(folder, "office"), Machine(folder, "kiln")
    try:
        here.timeline.at("wheel by the window")
        here.logs(10, pace_ms=60_000)
        there.timeline.at("kiln room")
        there.logs(30, pace_ms=60_000)
        own = samples_of(here.log)
        for what, number, minutes in script:
            seen = blocks_of(here.log, "<> 1")
            match what:
                case "merge":
                    here.merge(there)
                    assert blocks_of(here.log, "<> 1") == blocks_of(there.log, "= 1")
                case "killed":
                    merge_killed_after(here, there, number)
                    assert seen or blocks_of(here.log, "<> 1") in ([], blocks_of(there.log, "= 1"))
                case "prune here":
                    prune(here.log, there.clock.now_ms, 2 + number)
                case _:
                    with suppress(TagError):  # an edit that cannot be
                        do(there, what, number, minutes)
        here.clock.now_ms = there.clock.now_ms
        here.merge(there)
        assert blocks_of(here.log, "<> 1") == blocks_of(there.log, "= 1")
        horizons = [horizon_of(here.log.db, row[0]) or 0 for row in here.log.db.execute("SELECT id FROM source")]
        since_ms = max(*horizons, horizon_of(there.log.db) or 0)
        young = [row for row in samples_of(there.log) if row[8] >= since_ms]
        assert [row for row in merged(here.log) if row[8] >= since_ms] == young
        if not horizon_of(here.log.db):
            assert samples_of(here.log) == own
        before = contents(here.path)
        assert here.merge(there).n_new == 0
        assert contents(here.path) == before
        astray = here.log.db.execute(
            "SELECT count(*) FROM sample WHERE period_id NOT IN (SELECT id FROM period)"
        ).fetchone()
        assert astray[0] == 0
    finally:
        here.log.close()
        there.log.close()


@pytest.mark.slow
@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(steps)
@example([("merge", 0, 0), ("back", 3, 0), ("logs", 1, 0), ("merge", 0, 0)])
@example([("killed", 3, 0), ("at", 1, 1)])
@example([("merge", 0, 0), ("logs long", 1, 0), ("killed", 9, 0), ("at", 1, 100), ("join", 2, 0)])
def test_a_merged_source_is_what_it_is_there(tmp_path_factory, script):
    play(tmp_path_factory.mktemp("merged"), script)


@pytest.mark.slow
@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(with_pruning)
@example([("logs long", 1, 0), ("logs long", 1, 0), ("merge", 0, 0), ("prune", 1, 0), ("merge", 0, 0)])
@example([("logs long", 1, 0), ("merge", 0, 0), ("logs long", 1, 0), ("prune", 1, 0), ("merge", 0, 0)])
@example([("logs long", 1, 0), ("merge", 0, 0), ("prune here", 1, 0), ("at", 1, 60), ("merge", 0, 0)])
def test_so_it_is_where_either_of_the_two_gave_samples_up(tmp_path_factory, script):
    play(tmp_path_factory.mktemp("merged"), script)


def test_a_first_merge_shows_all_or_nothing_wherever_it_is_killed(tmp_path):
    there = Machine(tmp_path, "kiln")
    there.timeline.at("kiln room")
    for number in range(4):
        there.logs(300, pace_ms=10_000)
        there.timeline.changed(f"label {number}")
    whole = blocks_of(there.log, "= 1")
    seen = set()
    for n_steps in range(0, 60, 2):
        here = Machine(tmp_path, f"office {n_steps}")
        merge_killed_after(here, there, n_steps)
        shown = blocks_of(here.log, "<> 1")
        assert shown in ([], whole)
        seen.add(len(shown))
        here.merge(there)
        assert blocks_of(here.log, "<> 1") == whole
        assert merged(here.log) == samples_of(there.log)
        here.log.close()
    assert len(seen) == 2
    there.log.close()


def test_samples_that_are_given_up_here_while_they_come_are_in_their_blocks(tmp_path):
    here, there = Machine(tmp_path, "office"), Machine(tmp_path, "kiln")
    there.timeline.at("kiln room")
    there.logs(600, pace_ms=60_000)
    here.merge(there)
    there.logs(600, pace_ms=60_000)
    pruned = []

    def prune_once(what, n, of):
        if what == "bringing samples" and n and not pruned:
            prune(here.log, there.clock.now_ms, 5)
            pruned.append(n)

    here.merge(there, progress=prune_once)
    assert pruned
    assert blocks_of(here.log, "<> 1") == blocks_of(there.log, "= 1")
    here.log.close()
    there.log.close()
