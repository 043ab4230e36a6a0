"""The demo: a log as an owner would have made it, a report, and a story that tells the truth beside the finding."""

from __future__ import annotations

import sqlite3

import pytest

from adapters.clock import SystemClock
from adapters.simulated import pottery
from dashboards.analysis.unexplained.changes import unexplained_changes
from dashboards.commands.demo import REPORT_MARK
from dashboards.frames import load_blocks, load_events
from dashboards.trial import play_pottery
from logger.claim import Claim
from logger.console import main
from logger.log import Log
from logger.timeline import Timeline


@pytest.fixture(scope="module")
def played_log(tmp_path_factory):
    with Log.open(tmp_path_factory.mktemp("demo") / "pottery.db") as log:
        play_pottery(log, seed=1, interval_s=120, time_zone="Europe/Paris")
        yield log


def rows(log: Log, query: str, *values: object) -> list[tuple]:
    return [tuple(row) for row in log.db.execute(query, values)]


def test_the_periods_are_those_of_the_pottery(played_log):
    periods = Timeline(played_log, SystemClock(), "Europe/Paris").periods()
    start_utc_ms = periods[0].started_at_utc_ms
    hours = sorted({hour for hour, _ in (*pottery.STAYS, *pottery.ROUTER_CHANGES)})
    assert [(period.started_at_utc_ms - start_utc_ms) / 3_600_000 for period in periods] == pytest.approx(hours)
    for period, hour in zip(periods, hours, strict=True):
        assert period.location == [place for at_hour, place in pottery.STAYS if at_hour <= hour][-1]
        assert period.config_version == [number for at_hour, number in pottery.ROUTER_CHANGES if at_hour <= hour][-1]
        assert period.time_zone == "Europe/Paris"


def test_the_versions_are_written_down_as_an_owner_would(played_log):
    versions = Timeline(played_log, SystemClock()).versions()
    assert [(version.number, version.label) for version in versions] == [
        (number, version.label) for number, version in pottery.VERSIONS.items()
    ]
    assert versions[1].settings["antenna.5.gain_dbi"] == 8
    assert versions[4].settings["router.firmware"] == "1.6"
    assert versions[4].settings["antenna.5.gain_dbi"] == 8


def test_each_tagged_step_is_in_the_samples_of_its_placement(played_log):
    # Of two placements at the wheel one saw v1 turn into v2 and the next saw v2 turn back, at the same hour:
    # what the day adds to one it takes from the other.
    means = {
        (placement, version): mean_dbm
        for placement, version, mean_dbm in rows(
            played_log,
            "SELECT placement, config_version, avg(rssi_dbm) FROM tagged_sample"
            " WHERE location = ? AND band = '5' GROUP BY placement, config_version",
            pottery.WHEEL,
        )
    }
    there_db = means[2, "v2"] - means[2, "v1"]
    and_back_db = means[3, "v2"] - means[3, "v1"]
    assert (there_db + and_back_db) / 2 == pytest.approx(5, abs=0.7)


def test_nights_with_the_lid_shut_are_gaps_and_not_outages(played_log):
    asleep = rows(played_log, "SELECT time_utc_ms FROM event WHERE kind = 'suspended' ORDER BY time_utc_ms")
    awake = rows(played_log, "SELECT time_utc_ms FROM event WHERE kind = 'resumed' ORDER BY time_utc_ms")
    assert len(asleep) == len(awake) == len(pottery.SLEEPS)
    for (from_ms,), (to_ms,) in zip(asleep, awake, strict=True):
        between = "SELECT count(*) FROM sample WHERE time_utc_ms > ? AND time_utc_ms < ?"
        assert rows(played_log, between, from_ms, to_ms) == [(0,)]


def test_the_new_firmware_loses_the_link_less_often(played_log):
    lost = dict(
        rows(
            played_log,
            "SELECT config_version, avg(NOT connected) FROM tagged_sample GROUP BY config_version",
        )
    )
    assert lost["v5"] < 0.25 * lost["v4"]


def test_both_bands_and_every_event_of_a_link_occur(played_log):
    assert rows(played_log, "SELECT DISTINCT band FROM tagged_sample WHERE connected ORDER BY band") == [
        ("2.4",),
        ("5",),
    ]
    kinds = {kind for (kind,) in rows(played_log, "SELECT DISTINCT kind FROM event")}
    assert {"connected", "disconnected", "roamed", "suspended", "resumed"} <= kinds


def test_what_nobody_wrote_down_is_found_and_nothing_else_is(played_log):
    (change,) = unexplained_changes(load_blocks(played_log), load_events(played_log))
    began_utc_ms = Timeline(played_log, SystemClock()).periods()[0].started_at_utc_ms
    came_utc_ms = began_utc_ms + pottery.UNTAGGED_HOUR * 3_600_000
    assert (change.kind, change.location, change.band) == ("level", pottery.KILN, "5")
    assert change.earliest_utc_ms <= came_utc_ms <= change.latest_utc_ms
    assert change.low < -pottery.UNTAGGED_LOSS_DB["5"] < change.high


def test_two_plays_of_one_seed_are_the_same(tmp_path):
    contents = []
    for name in ("one", "two"):
        with Log.open(tmp_path / name) as log:
            play_pottery(log, seed=7, days=2, interval_s=300, time_zone="UTC")
            contents.append(
                [rows(log, f"SELECT * FROM {table}") for table in ("sample", "block", "period", "rate", "link")]
            )
    assert contents[0] == contents[1]
    assert contents[0][0]


def test_progress_is_told_in_days_and_reaches_the_end(tmp_path):
    told: list[float] = []
    with Log.open(tmp_path / "log.db") as log:
        play_pottery(log, seed=1, days=1.5, interval_s=300, progress=told.append)
    assert told == sorted(told)
    assert told[-1] == pytest.approx(1.5, abs=0.01)


@pytest.fixture
def demo(tmp_path, monkeypatch):
    monkeypatch.chdir(tmp_path)

    def run(*words: str) -> int:
        return main(["demo", "--quick", "--days", "4", *words])

    return run


def test_the_demo_leaves_a_log_and_a_report_and_tells_the_truth_beside_the_finding(demo, tmp_path, capsys):
    assert demo() == 0
    story, complaints = capsys.readouterr()
    assert complaints == "", "no bar where nobody watches"
    assert "v2" in story
    assert "planted       +5 dB   On 5 GHz at wheel by the window, RSSI" in story
    assert "linktrial compare v1 v2" in story
    assert "--db linktrial-demo.db" in story
    page = (tmp_path / "linktrial-demo.html").read_bytes()
    assert b"wheel by the window" in page
    assert page.endswith(REPORT_MARK)
    with Log.open(tmp_path / "linktrial-demo.db", create=False) as log:
        assert rows(log, "SELECT count(*) FROM sample")[0][0] > 2000


def test_a_second_demo_takes_the_place_of_the_first(demo, tmp_path, capsys):
    for seed in ("1", "2"):
        assert demo("--seed", seed, "--days", "0.1") == 0
    assert "compare" not in capsys.readouterr().out, "there is one version only"
    with Log.open(tmp_path / "linktrial-demo.db", create=False) as log:
        assert len(rows(log, "SELECT DISTINCT config_version FROM period")) == 1
    assert sorted(path.name for path in tmp_path.glob("linktrial-demo*")) == [
        "linktrial-demo.db",
        "linktrial-demo.html",
    ]


def real_log(path) -> None:
    Log.open(path).close()


def database(path) -> None:
    with sqlite3.connect(path) as db:
        db.execute("CREATE TABLE source (id, name)")
    db.close()


@pytest.mark.parametrize(
    "make",
    [real_log, database, lambda path: path.write_text("dear diary"), lambda path: path.mkdir()],
    ids=["a real log", "a database", "a text", "a folder"],
)
def test_a_file_that_is_no_demos_log_is_left_alone(demo, tmp_path, capsys, make):
    path = tmp_path / "mine.db"
    make(path)
    before = path.read_bytes() if path.is_file() else None
    assert demo("--db", str(path)) == 1
    said = capsys.readouterr().err
    assert said == f"linktrial: {path} is there already and is no demo's log; say --db with another file\n"
    assert path.is_dir() or path.read_bytes() == before
    assert not (tmp_path / "linktrial-demo.html").exists()


def test_a_page_that_is_no_demos_report_is_left_alone(demo, tmp_path, capsys):
    page = tmp_path / "thesis.html"
    page.write_text("<p>linktrial is fine")
    assert demo("--output", str(page)) == 1
    assert "is no demo's report; say --output with another file" in capsys.readouterr().err
    assert page.read_text() == "<p>linktrial is fine"
    assert not (tmp_path / "linktrial-demo.db").exists()


def test_a_demo_log_that_a_daemon_writes_is_left_alone(demo, tmp_path, capsys):
    assert demo("--days", "0.1") == 0
    with Claim.take(tmp_path / "linktrial-demo.db"):
        assert demo("--days", "0.1") == 1
    assert "a daemon is logging into" in capsys.readouterr().err


@pytest.mark.parametrize("words", [["--days", "0"], ["--days", "nan"], ["--days", "many"], ["--seed", "x"]])
def test_impossible_arguments_are_wrong_usage(demo, words, capsys):
    assert demo(*words) == 2
    assert len(capsys.readouterr().err.splitlines()) == 1


def test_a_missing_folder_and_one_file_for_both_are_said_in_one_line(demo, capsys):
    assert demo("--db", "nowhere/demo.db") == 1
    assert capsys.readouterr().err.startswith("linktrial: there is no folder nowhere")
    assert demo("--db", "x", "--output", "./x") == 1
    assert "cannot be both" in capsys.readouterr().err
