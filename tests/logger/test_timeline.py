"""The timeline: what the owner says, afterthoughts, and undo; samples and blocks always follow."""

from __future__ import annotations

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.block_table import rebuild_blocks
from logger.errors import TagError
from logger.log import Log
from logger.recorder import Recorder
from logger.timeline import Timeline
from tests.logger.conftest import START_MS, HandClock, block_rows, linked

MINUTE_MS = 60_000
HOUR_MS = 60 * MINUTE_MS


@pytest.fixture
def logged(log, timeline, clock):
    """Four hours at the wheel, a sample every 10 s."""
    timeline.at("wheel by the window")
    recorder = Recorder(log)
    recorder.set_pace(10_000, START_MS)
    recorder.record([linked(START_MS + 10_000 * i) for i in range(1440)], [])
    clock.now_ms = START_MS + 4 * HOUR_MS
    return timeline


def spans(timeline):
    """Each period as (hours since the start, location, placement, version, samples)."""
    return [
        ((p.started_at_utc_ms - START_MS) / HOUR_MS, p.location, p.placement, p.config_version, p.n_samples)
        for p in timeline.periods()
    ]


def assert_true_to_its_samples(log):
    """Every sample lies in its period, and the blocks are what the samples give."""
    astray = log.db.execute(
        "SELECT count(*) FROM sample JOIN period ON period.id = period_id"
        " WHERE time_utc_ms < started_at_utc_ms OR time_utc_ms >= ifnull(ended_at_utc_ms, time_utc_ms + 1)"
    ).fetchone()[0]
    assert astray == 0
    kept = block_rows(log)
    with log.transaction() as db:
        for (period_id,) in db.execute("SELECT id FROM period").fetchall():
            rebuild_blocks(db, period_id)
    assert block_rows(log) == kept


def test_a_back_dated_change_takes_the_samples_since_then_along(log, logged):
    logged.changed("longer antennas", START_MS + 3 * HOUR_MS)
    assert spans(logged) == [(0, "wheel by the window", "1", 1, 1080), (3, "wheel by the window", "1", 2, 360)]
    assert_true_to_its_samples(log)


def test_a_back_dated_place_holds_until_the_laptop_was_next_moved(log, logged):
    logged.at("kiln room", START_MS + 3 * HOUR_MS)
    logged.at("glaze shelf", START_MS + 1 * HOUR_MS)
    assert [span[:2] for span in spans(logged)] == [(0, "wheel by the window"), (1, "glaze shelf"), (3, "kiln room")]
    assert_true_to_its_samples(log)


def test_a_back_dated_change_runs_on_through_later_moves_until_the_next_change(log, logged):
    logged.at("kiln room", START_MS + 2 * HOUR_MS)
    logged.changed("channel 100", START_MS + 3 * HOUR_MS)
    logged.changed("longer antennas", START_MS + 1 * HOUR_MS)
    assert [(span[0], span[1], span[3]) for span in spans(logged)] == [
        (0, "wheel by the window", 1),
        (1, "wheel by the window", 3),
        (2, "kiln room", 3),
        (3, "kiln room", 2),
    ]
    assert_true_to_its_samples(log)


def test_each_setting_down_is_a_new_placement_unless_said_otherwise(log, logged):
    logged.at("kiln room", START_MS + 1 * HOUR_MS)
    logged.at("wheel by the window", START_MS + 2 * HOUR_MS)
    logged.at("kiln room", START_MS + 3 * HOUR_MS, same_placement=True)
    assert [(span[1], span[2]) for span in spans(logged)] == [
        ("wheel by the window", "1"),
        ("kiln room", "1"),
        ("wheel by the window", "2"),
        ("kiln room", "1"),
    ]


def test_going_back_is_the_earlier_version_itself(log, logged):
    logged.changed("longer antennas", START_MS + 1 * HOUR_MS)
    logged.back_to(1, START_MS + 2 * HOUR_MS)
    assert [span[3] for span in spans(logged)] == [1, 2, 1]


def test_settings_are_kept_whole_and_inherited(logged):
    first, _ = logged.changed("longer antennas", START_MS + HOUR_MS, {"antenna.5.gain_dbi": 5, "radio.5.channel": 36})
    second, _ = logged.changed("other channel", START_MS + 2 * HOUR_MS, {"radio.5.channel": 100})
    third, _ = logged.changed("antennas off", None, {"antenna.5.gain_dbi": None})
    assert first.settings == {"antenna.5.gain_dbi": 5, "radio.5.channel": 36}
    assert second.settings == {"antenna.5.gain_dbi": 5, "radio.5.channel": 100}
    assert third.settings == {"radio.5.channel": 100}


def test_a_period_can_be_amended_split_and_joined(log, logged):
    later = logged.split(START_MS + 2 * HOUR_MS)
    logged.amend_period(later, location="kiln room", started_ms=START_MS + 3 * HOUR_MS)
    assert spans(logged) == [(0, "wheel by the window", "1", 1, 1080), (3, "kiln room", "1", 1, 360)]
    assert_true_to_its_samples(log)
    logged.join(later)
    assert spans(logged) == [(0, "wheel by the window", "1", 1, 1440)]
    assert_true_to_its_samples(log)


def test_a_first_period_that_is_shortened_keeps_its_early_samples(log, logged):
    """Nothing is lost: what lies before the new beginning stays with the period."""
    logged.amend_period(1, started_ms=START_MS + HOUR_MS)
    assert spans(logged) == [(1, "wheel by the window", "1", 1, 1440)]


def test_versions_and_locations_can_be_amended(logged):
    logged.changed("longer antenas", START_MS + HOUR_MS)
    logged.amend_version(2, label="longer antennas", settings={"antenna.5.gain_dbi": 5}, notes="both tilted")
    logged.amend_location("wheel by the window", "wheel")
    version = logged.find_version("longer antennas")
    assert (version.number, version.settings, version.notes) == (2, {"antenna.5.gain_dbi": 5}, "both tilted")
    assert logged.locations() == ["wheel"]


@pytest.mark.parametrize(
    ("edit", "words"),
    [
        (lambda t: t.at("kiln", START_MS - 1), "the log began at"),
        (lambda t: t.changed("x", START_MS - HOUR_MS), "the log began at"),
        (lambda t: t.changed("x", START_MS + 100 * HOUR_MS), "lies in the future"),
        (lambda t: t.back_to(7), "there is no config version 'v7'"),
        (lambda t: t.back_to(1), "in v1 then already"),
        (lambda t: t.at("wheel by the window", same_placement=True), "then already"),
        (lambda t: t.at("kiln", same_placement=True), "has not stood at 'kiln' before"),
        (lambda t: t.at("x" * 200), "takes up to 80 characters, not 200"),
        (lambda t: t.at("  "), "at least one character"),
        (lambda t: t.at("kiln\x1b[31m"), "control characters"),
        (lambda t: t.amend_period(9, location="kiln"), "has no period 9"),
        (lambda t: t.amend_location("attic", "roof"), "there is no location 'attic'"),
        (lambda t: t.join(1), "the first period"),
        (lambda t: t.split(START_MS), "begins at that very moment"),
        (lambda t: t.find_version("v9"), "there are: v1"),
    ],
)
def test_what_cannot_be_is_refused_in_one_line_and_changes_nothing(log, logged, edit, words):
    before = spans(logged)
    with pytest.raises(TagError, match=words) as refused:
        edit(logged)
    assert "\n" not in str(refused.value)
    assert spans(logged) == before
    assert logged.locations() == ["wheel by the window"]


def test_places_may_have_any_printable_name(log, logged):
    logged.at("🏺 étagère, 窯")
    logged.at("-DROP TABLE sample;--")
    assert logged.locations()[1:] == ["🏺 étagère, 窯", "-DROP TABLE sample;--"]


def test_there_is_nothing_to_undo_at_first(timeline):
    with pytest.raises(TagError, match="nothing to undo"):
        timeline.undo()


def test_a_first_tag_said_by_mistake_can_be_undone_before_anything_is_logged(timeline):
    timeline.at("kilm room")
    timeline.undo()
    timeline.at("kiln room")
    assert timeline.locations() == ["kiln room"]


def test_the_first_tag_of_a_log_with_samples_cannot_be_undone(log, logged):
    with pytest.raises(TagError, match="amend it instead"):
        logged.undo()
    assert spans(logged)[0][4] == 1440


def import_recording(log):
    """What an import does to the tables that the timeline shares."""
    with log.transaction() as db:
        source = db.execute("INSERT INTO source (kind, name, added_at_utc_ms) VALUES ('import', 'x', 0)").lastrowid
        location = db.execute("INSERT INTO location (name) VALUES (hex(randomblob(8)))").lastrowid
        placement = db.execute("INSERT INTO placement (location_id, number) VALUES (?, 1)", (location,)).lastrowid
        db.execute(
            "INSERT INTO period (source_id, placement_id, config_version, started_at_utc_ms, ended_at_utc_ms, time_zone)"
            " VALUES (?, ?, 1, ?, ?, 'UTC')",
            (source, placement, START_MS, START_MS + HOUR_MS),
        )


def test_undo_after_an_import_takes_back_our_own_and_leaves_the_import_alone(log, logged):
    logged.at("kiln room", START_MS + 2 * HOUR_MS)
    before = spans(logged)
    logged.join(logged.periods()[-1].id)
    import_recording(log)
    imported = [tuple(row) for row in log.db.execute("SELECT * FROM period WHERE source_id <> 1")]
    logged.undo()
    assert [span for span in spans(logged) if span[4]] == before
    assert [tuple(row) for row in log.db.execute("SELECT * FROM period WHERE source_id <> 1")] == imported
    assert_true_to_its_samples(log)


def test_undoing_a_rename_after_an_import_made_the_old_name_is_refused_in_one_line(log, logged):
    logged.amend_location("wheel by the window", "wheel")
    with log.transaction() as db:
        db.execute("INSERT INTO location (name) VALUES ('wheel by the window')")
    with pytest.raises(TagError, match="cannot be undone"):
        logged.undo()
    assert "wheel" in logged.locations()


def test_our_own_router_begins_with_a_version_of_its_own_after_an_import(log, timeline):
    with log.transaction() as db:
        db.execute("INSERT INTO config_version (number, label) VALUES (1, 'the neighbour''s')")
    timeline.at("kiln room")
    assert [(version.number, version.label) for version in timeline.versions()] == [
        (1, "the neighbour's"),
        (2, "as found"),
    ]


def test_a_wrong_spot_said_for_two_periods_of_one_placement_can_be_mended_as_one_placement(log, logged):
    logged.changed("longer antennas", START_MS + 2 * HOUR_MS)
    first, second = (period.id for period in logged.periods())
    logged.amend_period(first, location="kiln room")
    logged.amend_period(second, location="kiln room", same_placement=True)
    assert [(span[1], span[2], span[3]) for span in spans(logged)] == [("kiln room", "1", 1), ("kiln room", "1", 2)]


def test_after_a_clock_set_back_a_tag_is_refused_until_the_last_one_is_mended(log, logged, clock):
    logged.at("kiln room")
    last = logged.periods()[-1].id
    clock.now_ms -= 2 * HOUR_MS
    with pytest.raises(TagError, match=f"timeline amend {last} --starts now"):
        logged.at("glaze shelf")
    logged.amend_period(last, started_ms=clock.now_ms)
    clock.now_ms += 1
    logged.at("glaze shelf")
    assert [span[1] for span in spans(logged)] == ["wheel by the window", "kiln room", "glaze shelf"]


def test_a_label_that_two_versions_share_is_not_guessed_at(logged):
    for hours in (1, 2):
        logged.changed("longer antennas", START_MS + hours * HOUR_MS)
    with pytest.raises(TagError, match="2 config versions are called 'longer antennas'; say v2, v3"):
        logged.find_version("longer antennas")
    logged.changed("2", START_MS + 3 * HOUR_MS)
    assert logged.find_version("2").number == 2
    assert logged.find_version("V4").number == 4


EDITS = st.lists(
    st.tuples(
        st.sampled_from(["at", "same", "changed", "back", "split", "join", "amend", "start", "import", "undo"]),
        st.integers(0, 7 * 60),
        st.integers(0, 5),
    ),
    min_size=1,
    max_size=8,
)


def play(log: Log, timeline: Timeline, verb: str, minute: int, number: int) -> None:
    when_ms = START_MS + minute * MINUTE_MS
    periods = [period for period in timeline.periods() if period.source is None]
    period = periods[number % len(periods)].id
    match verb:
        case "at":
            timeline.at(f"place {number}", when_ms)
        case "same":
            timeline.at(f"place {number}", when_ms, same_placement=True)
        case "changed":
            timeline.changed(f"change {number}", when_ms, {"antenna.5.gain_dbi": number})
        case "back":
            timeline.back_to(1 + number % 3, when_ms)
        case "split":
            timeline.split(when_ms)
        case "join":
            timeline.join(period)
        case "amend":
            timeline.amend_period(period, location=f"place {number}")
        case "start":
            if period != periods[0].id:  # see the test on the first period
                timeline.amend_period(period, started_ms=when_ms)
        case "import":
            import_recording(log)
        case "undo":
            timeline.undo()


@settings(max_examples=40, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(edits=EDITS)
def test_whatever_is_edited_samples_and_blocks_follow_and_undo_brings_all_back(tmp_path_factory, edits):
    with Log.open(tmp_path_factory.mktemp("log") / "pottery.db") as log:
        clock = HandClock()
        timeline = Timeline(log, clock, "UTC")
        timeline.at("place 0")
        recorder = Recorder(log)
        recorder.set_pace(60_000, START_MS)
        recorder.record([linked(START_MS + MINUTE_MS * i, -40 - i % 30) for i in range(8 * 60)], [])
        clock.now_ms = START_MS + 8 * HOUR_MS
        own = {
            "location": "id IN (SELECT location_id FROM placement WHERE id IN (SELECT placement_id FROM period WHERE source_id = 1))",
            "placement": "id IN (SELECT placement_id FROM period WHERE source_id = 1)",
            "config_version": "1",
            "period": "source_id = 1",
            "sample": "1",
            "block": "1",
        }

        def contents():
            return {
                t: [tuple(row) for row in log.db.execute(f"SELECT * FROM {t} WHERE {which}")]
                for t, which in own.items()
            }

        states = [contents()]
        for verb, minute, number in edits:
            try:
                play(log, timeline, verb, minute, number)
            except TagError:
                assert contents() == states[-1]  # a refused edit changes nothing
                continue
            assert_true_to_its_samples(log)
            if verb == "undo":
                states.pop()
                assert contents() == states[-1]
            elif (
                log.db.execute("SELECT count(*) FROM edit WHERE undone_at_utc_ms IS NULL").fetchone()[0]
                == len(states) + 1
            ):
                states.append(contents())
        recorder.record([linked(clock.now_ms, -55)], [])
        assert_true_to_its_samples(log)
