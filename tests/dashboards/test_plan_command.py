"""`linktrial plan`, from the command line to the exit code: where, of what noise, when to switch and what to say."""

from __future__ import annotations

import json
import shlex
import subprocess
import sys
import time
from datetime import datetime
from importlib import import_module
from zoneinfo import ZoneInfo

import pytest

from dashboards import planning
from dashboards.analysis.outlook import learn_noise
from dashboards.commands import plan as command
from dashboards.planning import Wish, plan_json, plan_trial
from logger.console import COMMANDS, Parser, main
from logger.log import Log
from logger.recorder import Recorder
from logger.timeline import Timeline
from tests.dashboards.kiln_log import END_MS, EVIL, HOUR_MS, START_MS, ZONE, HandClock, make_kiln_log, samples


@pytest.fixture(scope="module")
def path(tmp_path_factory):
    return make_kiln_log(tmp_path_factory.mktemp("plan") / "kiln.db")


@pytest.fixture(scope="module", autouse=True)
def _noise_learnt_once():
    """Of the same blocks the same noise: most of the time of these tests would go into learning it again."""
    known: dict[tuple[object, ...], object] = {}

    def learn(blocks, metric):
        key = (metric, len(blocks), *blocks["started_at_utc_ms"].iloc[:1], blocks["rssi_mean_dbm"].sum())
        if key not in known:
            known[key] = learn_noise(blocks, metric)
        return known[key]

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(planning, "learn_noise", learn)
        yield


@pytest.fixture(scope="module")
def first_hour(tmp_path_factory):
    """A log of one hour and one version."""
    with Log.open(tmp_path_factory.mktemp("plan") / "new.db") as log:
        Timeline(log, HandClock(), ZONE).at("kiln room", START_MS)
        Recorder(log).set_pace(60_000, START_MS)
        Recorder(log).record(samples(b"pottery")[:60], [])
        return log.path


def ask(capsys, *words: object) -> tuple[int, str, str]:
    code = main(["plan", *map(str, words)])
    out, err = capsys.readouterr()
    return code, out, err


def answer(capsys, *words: object, placements: int = 1) -> dict:
    code, out, err = ask(capsys, "--placements", placements, *words, "--json")
    assert (code, err) == (0, "")
    return json.loads(out)


def wall(utc_ms: int) -> datetime:
    return datetime.fromtimestamp(utc_ms / 1000, ZoneInfo(ZONE))


# For people


def test_for_people_it_says_what_to_do_a_table_the_times_and_what_to_mind(path, capsys):
    code, out, err = ask(capsys, "2", "--db", path)
    assert (code, err) == (0, "")
    assert out.startswith("To see 2 dB in RSSI on 5 GHz at kiln room: A")
    assert "A is v1 “as found”, B is v2 “longer antennas”." in out
    for words in ("order ", "each turn", "in all", "switches", "placements", "least seen while it runs"):
        assert words in out
    assert f'linktrial back-to v1 --db "{path}"\n' in out, "pasted, it goes to the log that was planned for"
    assert f'linktrial compare v1 v2 --db "{path}"\n' in out
    assert "If there is no difference, " in out
    assert "- The noise is that of 44 h logged here.\n" in out


def test_what_cannot_be_seen_is_said_plainly_with_the_least_that_can(path, capsys):
    _, out, _ = ask(capsys, "0.2", "--days", "7", "--db", path)
    assert out.startswith("0.2 dB in RSSI cannot be seen on 5 GHz at kiln room in 7 days: the least that can be is ")


def test_the_words_of_the_owner_cannot_move_the_cursor(tmp_path, capsys):
    path = make_kiln_log(tmp_path / "evil.db", location=EVIL, label=EVIL)
    _, out, _ = ask(capsys, "--placements", "2", "--db", path)
    assert f'linktrial at "{EVIL}"' in out
    assert all(c.isprintable() or c == "\n" for c in out)


# For machines


@pytest.mark.parametrize("words", [("2",), ("2dB",), ("2", "dB"), ("2 dB",), ("2.0",), ("x2",)])
def test_a_difference_is_said_as_people_say_it(words):
    parser = Parser(prog="plan")
    command.configure(parser)
    assert parser.parse_args([*words, "--days", "7"]).difference == 2.0
    assert parser.parse_args(["--days", "7", *words]).difference == 2.0


def test_without_a_difference_it_is_3_db_and_of_rates_what_these_are_worth(path, capsys):
    assert answer(capsys, "--db", path)["difference"] == 3.0
    assert answer(capsys, "--metric", "tx-rate", "--db", path)["difference"] == 1.5


def test_of_rates_a_ratio_is_asked_and_told_and_the_other_way_round_is_the_same(path, capsys):
    up = answer(capsys, "1.25", "--metric", "rx-rate", "--db", path)
    down = answer(capsys, "0.8", "--metric", "rx-rate", "--db", path)
    assert up["unit"] == "ratio"
    assert up["difference"] == pytest.approx(down["difference"])
    assert 1 < up["proposed"]["least_difference"] <= 1.25


def test_what_is_proposed_sees_the_difference(path, capsys):
    _, out, _ = ask(capsys, "2", "--json", "--db", path)
    found = json.loads(out)
    assert found["can_be_seen"]
    assert found["proposed"] in found["options"]
    assert found["proposed"]["least_difference"] <= 2
    assert found["proposed"]["least_difference_once_ended"] < found["proposed"]["least_difference"]
    assert {option["placements"] for option in found["options"]} == {1, 2, 3, 4}


def test_how_busy_the_channel_is_can_be_planned_for_in_points(path, capsys):
    found = answer(capsys, "--metric", "busy-share", "--db", path)
    assert (found["unit"], found["difference"], found["margin"]) == ("points", 10, 5)
    assert found["hours_logged"] is None, "this log's driver tells no busy time"
    assert "cannot be planned for" in ask(capsys, "200", "--metric", "busy-share", "--db", path)[2]


def test_placements_and_days_are_as_many_as_were_said(path, capsys):
    found = answer(capsys, "2", "--days", "5", "--db", path, placements=2)
    assert {option["placements"] for option in found["options"]} == {2}
    assert max(option["lasts_h"] for option in found["options"]) <= 120
    assert sum(f'linktrial at "kiln room" --db "{path}"' in step["commands"] for step in found["steps"]) == 1


def test_every_command_that_it_tells_is_one_that_the_program_takes(path, capsys):
    for difference, placements in (("2", 1), ("6", 2)):
        for step in answer(capsys, difference, "--db", path, placements=placements)["steps"]:
            for said in step["commands"]:
                _, verb, *rest = shlex.split(said)
                parser = Parser(prog=verb)
                import_module(COMMANDS[verb][0]).configure(parser)
                parser.parse_args(rest)


# When


def plan_at(path, now_ms: int, difference: float = 2.0, **more):
    with Log.open(path) as log:
        return plan_trial(log, Wish("rssi", difference, 14.0, 1), now_ms, margin=1.0, washout_s=120.0, **more)


def test_the_first_switch_comes_within_a_day_and_all_when_people_are_about(path):
    for hour in (0, 10, 19):
        now_ms = END_MS + hour * HOUR_MS + 1234
        planned = plan_at(path, now_ms, 4.0)
        assert now_ms < planned.steps[0].at_utc_ms <= now_ms + 24 * HOUR_MS
        for step in planned.steps:
            assert 8 <= wall(step.at_utc_ms).hour <= 20
            assert (wall(step.at_utc_ms).minute, wall(step.at_utc_ms).second) == (0, 0)


def test_when_clocks_go_forward_the_switches_stay_at_the_hours_of_the_clock(path):
    before_ms = round(datetime(2026, 3, 28, 17, 30, tzinfo=ZoneInfo(ZONE)).timestamp() * 1000)
    planned = plan_at(path, before_ms, 1.0)
    days = [step for step in planned.steps if wall(step.at_utc_ms).date() != wall(before_ms).date()]
    assert days
    assert all(8 <= wall(step.at_utc_ms).hour <= 20 and wall(step.at_utc_ms).minute == 0 for step in days)


def test_the_version_in_force_is_not_said_again(path):
    planned = plan_at(path, END_MS)  # v2 is in force
    assert (planned.a, planned.b) == (1, 2)
    assert [step.version for step in planned.steps[:3]] == [1, 2, 1][: len(planned.steps)]
    assert planned.steps[0].commands == ("linktrial back-to v1",)


def test_where_there_is_one_version_the_next_one_is_b(first_hour):
    planned = plan_at(first_hour, START_MS + HOUR_MS, 5.0)
    assert (planned.a, planned.b, planned.b_is_new) == (1, 2, True)
    said = [words for step in planned.steps for words in step.commands]
    assert planned.steps[0].commands == ()
    assert said[0] == 'linktrial changed "WHAT YOU CHANGED"'
    assert set(said[1:]) <= {"linktrial back-to v1", "linktrial back-to v2"}


# Of what noise


def test_with_an_hour_of_record_it_says_that_published_links_speak(first_hour, capsys):
    _, out, _ = ask(capsys, "--db", first_hour)
    assert "Only 1 h were logged here on 5 GHz: the figures are mostly those of published links" in out


def test_a_band_that_was_never_on_is_planned_from_published_links_and_takes_longer(path, capsys):
    never = answer(capsys, "4", "--band", "6", "--db", path)
    assert never["hours_logged"] is None
    assert never["proposed"]["lasts_h"] > answer(capsys, "4", "--db", path)["proposed"]["lasts_h"]
    _, out, _ = ask(capsys, "4", "--band", "6", "--db", path)
    assert "Nothing was logged here on 6 GHz: the figures are those of published links" in out


def test_a_location_without_a_link_has_the_band_that_is_usual_elsewhere(path, capsys):
    with Log.open(path) as log:
        Timeline(log, HandClock(), ZONE).at("yard", END_MS)
    try:
        planned = plan_at(path, END_MS + 1)
        assert (planned.location, planned.band, planned.hours) == ("yard", "5", None)
        assert plan_at(path, END_MS + 1, location="Kiln Room").hours == pytest.approx(44.5, abs=1)
    finally:
        with Log.open(path) as log:
            Timeline(log, HandClock(), ZONE).undo()


def test_the_same_log_gives_the_same_plan(path):
    assert plan_json(plan_at(path, END_MS)) == plan_json(plan_at(path, END_MS))


# What cannot be answered


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("much",), 2, "'much' is no difference; say it like '2 dB'"),
        (("-3",), 2, "'-3' is no difference"),
        (("0",), 1, "a difference of 0 dB cannot be planned for"),
        (("1", "--metric", "tx-rate"), 1, "a ratio of 1 cannot be planned for"),
        (("41",), 1, "say 0.1 to 40"),
        (("--days", "0"), 2, "from 1 to 366"),
        (("--days", "nan"), 2, "from 1 to 366"),
        (("--placements", "9"), 2, "--placements"),
        (("--band", "7"), 2, "--band"),
        (("--location", "kiln rom"), 1, "did you mean 'kiln room'?"),
    ],
)
def test_what_cannot_be_planned_is_said_in_one_line(path, capsys, words, code, said):
    got, out, err = ask(capsys, *words, "--db", path)
    assert (got, out) == (code, "")
    assert err.count("\n") == 1
    assert said in err


def test_a_log_in_which_nothing_was_logged_says_what_to_do(tmp_path, capsys):
    with Log.open(tmp_path / "new.db"):
        pass
    code, out, err = ask(capsys, "--db", tmp_path / "new.db")
    assert (code, out) == (1, "")
    assert "nothing has been logged yet" in err
    assert "'linktrial log'" in err
    assert err.count("\n") == 1


def test_a_command_line_that_is_wrong_loads_no_pandas():
    words = "import sys; from logger.console import main; main(['plan', 'much']); assert 'pandas' not in sys.modules"
    subprocess.run([sys.executable, "-c", words], check=True, capture_output=True)


def test_it_takes_a_few_seconds_of_processor_time(path):
    before_s = time.process_time()
    plan_at(path, END_MS)
    assert time.process_time() - before_s < 6  # half a second on a quiet machine
