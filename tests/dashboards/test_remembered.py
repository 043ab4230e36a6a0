"""Nothing remembered is ever wrong, and nothing that still holds is worked out again.

The estimator is played by one whose answer is a hash of all that it is given: any change that could matter changes it.
"""

from __future__ import annotations

import sqlite3
import subprocess
import sys
from contextlib import suppress
from hashlib import blake2b
from pathlib import Path
from tempfile import TemporaryDirectory

import pytest
from hypothesis import HealthCheck, given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st

from dashboards import answers, many_effects
from dashboards.analysis import effect as effect_module
from dashboards.analysis.effect_value import Effect
from dashboards.answers import FORGOTTEN_AFTER_MS, KEPT_AT_LEAST_EVERY_S, Answers
from dashboards.comparison import Judgement, compare_versions
from dashboards.frames import load_blocks
from dashboards.remembered import Remembered
from logger.errors import ImportRefused, TagError
from logger.exchange.importing import import_recording
from logger.log import Log
from logger.merging.merge import merge
from logger.one_moment import one_moment
from logger.recorder import Recorder
from logger.tags import read_versions, version_in_force
from logger.timeline import Timeline
from tests.dashboards.kiln_log import make_kiln_log
from tests.logger.conftest import POTTERY_5, POTTERY_24, START_MS, HandClock, linked, unlinked

MINUTE_MS = 60_000
PLAIN = Judgement({})
UNKNOWN_BAND = POTTERY_5._replace(frequency_mhz=None, band=None)


@pytest.fixture
def worked_out(monkeypatch):
    """The (a, b, metric) of each effect that was worked out, and an estimator that looks at everything."""
    done = []

    def estimate(blocks, a, b, metric, *, margin, washout_s, radio_planned, running):
        done.append((a, b, metric))
        told = blocks.reset_index(drop=True).to_csv() + repr((a, b, metric, margin, washout_s, radio_planned, running))
        digest = blake2b(told.encode()).hexdigest()
        estimate = int(digest[:8], 16) / 7.0
        return Effect(
            *(metric, "dB", estimate, None, 1e-300, 0.95, "better", margin, 1, 2, 0.1, 3e5, "position", digest),
            warnings=("kiln \N{SNOWMAN}",), open=True, needed=("a", "b"),
        )  # fmt: skip

    monkeypatch.setattr(effect_module, "estimate_effect", estimate)
    monkeypatch.setattr(answers, "method_mark", lambda: b"played")  # no matter who edits a source file meanwhile
    return done


class Pottery:
    """A log that is written to and asked."""

    def __init__(self, path: Path) -> None:
        self.log, self.clock = Log.open(path), HandClock()
        self.log.db.execute("PRAGMA synchronous = OFF")
        self.timeline, self.recorder = Timeline(self.log, self.clock, "Europe/Berlin"), Recorder(self.log)
        self.recorder.set_pace(10_000, START_MS)

    def record(self, minutes: int, link=POTTERY_5) -> None:
        begin_ms = self.clock.now_ms
        times_ms = range(begin_ms, begin_ms + minutes * MINUTE_MS, 10_000)
        samples = [linked(at_ms, -60 - at_ms // 10_000 % 7, link) if link else unlinked(at_ms) for at_ms in times_ms]
        self.recorder.record(samples, [])
        self.clock.now_ms = begin_ms + minutes * MINUTE_MS

    def take_in(self, folder: Path, text: str) -> None:
        file = folder / f"{len(text)}-{self.clock.now_ms}.csv"
        file.write_text(text, "utf-8")
        import_recording(self.log, file, now_utc_ms=self.clock.now_ms, zone="UTC")

    def ask(self, *pairs: tuple[int, int], judged: Judgement = PLAIN, work: bool = True, **choices):
        """Of each pair, what is remembered and worked out, and what is found without a memory."""
        versions = {version.number: version.settings for version in read_versions(self.log.db)}
        with one_moment(self.log):
            blocks = load_blocks(self.log)
            asked = Remembered(Answers(self.log), pairs, settings=versions, judged=judged, **choices)
        if work:
            asked.work_out(blocks, now_utc_ms=self.clock.now_ms)
        choices |= {"judged": judged, "settings": versions, "in_force": version_in_force(self.log.db)}
        fresh = [compare_versions(blocks, *pair, **choices) for pair in pairs]
        return asked, [asked.effects(*pair) for pair in pairs], fresh


@pytest.fixture
def pottery(tmp_path):
    """v1 and v2 by turns at the wheel; then v3, which goes on."""
    pottery = Pottery(tmp_path / "pottery.db")
    pottery.timeline.at("wheel")
    pottery.record(30)
    pottery.timeline.changed("longer antennas", settings={"antenna.5.gain_dbi": 5})
    pottery.record(30)
    pottery.timeline.back_to(1)
    pottery.record(20, POTTERY_24)
    pottery.record(20)
    pottery.timeline.changed("channel 100")
    pottery.record(30)
    yield pottery
    pottery.log.close()


def assert_true(pottery: Pottery, *pairs: tuple[int, int], **how) -> None:
    _, told, fresh = pottery.ask(*pairs, **how)
    assert told == fresh


# --- what holds ---


def test_what_was_worked_out_once_is_known_the_second_time_to_the_last_digit(pottery, worked_out):
    first, told, fresh = pottery.ask((1, 2), (2, 3))
    assert told == fresh
    assert all(told)
    assert first.complete
    worked_out.clear()
    second, again, _ = pottery.ask((1, 2), (2, 3), work=False)
    assert second.complete
    assert again == told
    assert len(worked_out) == len(told[0] + told[1])  # by compare_versions, without a memory


def test_a_version_that_is_logged_on_leaves_the_effects_between_others_alone(pottery, worked_out):
    pottery.ask((1, 2), (1, 3))
    pottery.record(10)
    pottery.timeline.changed("tilted")
    pottery.record(10)
    pottery.timeline.at("glaze shelf")
    pottery.record(10)
    asked, _, _ = pottery.ask((1, 2), work=False)
    assert asked.complete
    with one_moment(pottery.log):
        assert not Remembered(Answers(pottery.log), [(1, 3)], settings={}).complete
    assert_true(pottery, (1, 2), (1, 3), (3, 4))


def test_one_metric_or_band_asked_for_alone_is_not_worked_out_again_among_all(pottery, worked_out):
    pottery.ask((1, 2), metrics=("rssi",), band="5")
    worked_out.clear()
    _, (told,), _ = pottery.ask((1, 2))
    remembered_here = len(told) * 2 - len(worked_out)  # each is also worked out once without a memory
    assert remembered_here == 1


def test_each_margin_and_washout_has_its_own_answer(pottery, worked_out):
    strict, wide = Judgement({"rssi": 0.5}), Judgement({"rssi": 3.0}, 600.0)
    for judged in (PLAIN, strict, wide):
        assert_true(pottery, (1, 2), judged=judged)
    for judged in (wide, strict, PLAIN):
        assert pottery.ask((1, 2), judged=judged, work=False)[0].complete


# --- what does not ---


def rename(pottery, folder):
    pottery.timeline.amend_location("wheel", "glaze shelf")


def exchange_places(pottery, folder):
    pottery.timeline.at("kiln room")
    pottery.record(10)
    pottery.timeline.back_to(1)
    pottery.record(10)
    pottery.timeline.back_to(2)
    pottery.record(10)
    assert_true(pottery, (1, 2))
    pottery.timeline.amend_location("wheel", "other")
    pottery.timeline.amend_location("kiln room", "wheel")


def by_hand(sql):
    return lambda pottery, folder: pottery.log.db.execute(sql)


RECORDING = "time,location,placement,version,band,rssi_dbm\n" + "".join(
    f"{START_MS / 1000 + 10 * i},wheel,9,v{1 + i // 60},5,{-50 - i % 5}\n" for i in range(120)
)
EDITS = {
    "the open version is logged on": lambda pottery, folder: pottery.timeline.back_to(2) and pottery.record(1),
    "a back-dated change": lambda pottery, folder: pottery.timeline.changed("x", START_MS + 10 * MINUTE_MS),
    "a move": lambda pottery, folder: pottery.timeline.at("shop", START_MS + 20 * MINUTE_MS),
    "a new placement": lambda pottery, folder: pottery.timeline.amend_period(2, location="wheel"),
    "another version": lambda pottery, folder: pottery.timeline.amend_period(2, number=3),
    "another beginning": lambda pottery, folder: pottery.timeline.amend_period(3, started_ms=START_MS + 59 * MINUTE_MS),
    "a split": lambda pottery, folder: pottery.timeline.split(START_MS + 5 * MINUTE_MS),
    "a join": lambda pottery, folder: pottery.timeline.join(2),
    "another channel in the settings": lambda pottery, folder: pottery.timeline.amend_version(
        2, settings={"radio.5.channel": 100}
    ),
    "undo": lambda pottery, folder: pottery.timeline.undo(),
    "an import": lambda pottery, folder: pottery.take_in(folder, RECORDING),
    "another name": rename,
    "two places exchange names": exchange_places,
    "a block by hand": by_hand("UPDATE block SET rssi_sum_dbm = rssi_sum_dbm - 1 WHERE period_id = 1"),
    "a block fewer": by_hand("DELETE FROM block WHERE period_id = 1 AND started_at_utc_ms % 3 = 0"),
    "another zone": by_hand("UPDATE period SET time_zone = 'Asia/Tokyo' WHERE id = 2"),
}


@pytest.mark.parametrize("edit", EDITS.values(), ids=EDITS)
def test_after_every_edit_the_answer_is_what_it_would_be_without_a_memory(pottery, worked_out, tmp_path, edit):
    pairs = [(1, 2), (2, 1), (1, 3), (2, 3)]
    assert_true(pottery, *pairs)
    edit(pottery, tmp_path)
    assert_true(pottery, *pairs)
    assert pottery.ask(*pairs, work=False)[0].complete


def test_a_period_without_any_link_follows_the_band_of_its_neighbours(pottery, worked_out):
    pottery.timeline.back_to(2)
    pottery.record(5, None)
    pottery.timeline.back_to(3)
    pottery.record(5)
    assert_true(pottery, (1, 2))
    pottery.log.db.execute(  # the nearest link was on the other band
        "UPDATE block SET link_id = (SELECT id FROM link WHERE band = '2.4') WHERE period_id IN (4, 6) AND link_id > 0"
    )
    assert_true(pottery, (1, 2))


def test_another_method_works_everything_out_again(pottery, worked_out, monkeypatch):
    pottery.ask((1, 2))
    monkeypatch.setattr(answers, "method_mark", lambda: b"a better one")
    with one_moment(pottery.log):
        assert not Remembered(Answers(pottery.log), [(1, 2)], settings={}).complete
    assert_true(pottery, (1, 2))


def test_the_method_is_known_by_its_source_text(tmp_path, monkeypatch):
    sources = [
        f"dashboards/{name}.py" for name in ("analysis/lasting/allan", "analysis/effect", *answers.WORKED_OUT_BY)
    ]
    sources += [f"logger/{name}.py" for name in ("blocks", "passes", "router_settings")]
    for path in (*sources, "dashboards/sentences.py"):
        (tmp_path / path).parent.mkdir(exist_ok=True, parents=True)
        (tmp_path / path).write_text("x = 1\n", "utf-8")
    monkeypatch.setattr(answers, "__file__", str(tmp_path / "dashboards/answers.py"))
    mark = answers.method_mark()
    (tmp_path / "dashboards/sentences.py").write_text("x = 2\n", "utf-8")
    assert answers.method_mark() == mark
    for path in sources:
        (tmp_path / path).write_text("x = 2\n", "utf-8")
        assert answers.method_mark() != mark
        mark = answers.method_mark()
    (tmp_path / "dashboards/frames.py").unlink()
    assert answers.method_mark() != answers.method_mark()  # nothing to know it by: nothing is remembered


MOMENTS = st.integers(0, 200).map(lambda minute: START_MS + minute * MINUTE_MS)
LINKS = st.sampled_from([POTTERY_5, POTTERY_24, UNKNOWN_BAND, None])
OPERATIONS = st.one_of(
    st.tuples(st.just("record"), st.integers(1, 12), LINKS),
    st.tuples(st.just("at"), st.sampled_from(["wheel", "kiln room"]), st.none() | MOMENTS),
    st.tuples(st.just("changed"), st.just("x"), st.none() | MOMENTS),
    st.tuples(st.just("back_to"), st.integers(1, 3), st.none() | MOMENTS),
    st.tuples(st.just("amend_period"), st.integers(1, 8), st.sampled_from(["wheel", "kiln room"]), st.integers(1, 3)),
    st.tuples(st.just("amend_location"), st.just("wheel"), st.sampled_from(["shop", "kiln room"])),
    st.tuples(st.just("split"), MOMENTS),
    st.tuples(st.just("join"), st.integers(2, 8)),
    st.tuples(st.just("undo")),
    st.tuples(st.just("import")),
)


@hypothesis_settings(max_examples=12, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(operations=st.lists(OPERATIONS, min_size=3, max_size=10))
def test_whatever_is_done_to_the_log_nothing_remembered_is_ever_wrong(worked_out, operations):
    with TemporaryDirectory() as folder:
        pottery = Pottery(Path(folder) / "pottery.db")
        pottery.timeline.at("wheel")
        pottery.record(5)
        for word, *told in operations:
            with suppress(TagError, ImportRefused):
                if word == "record":
                    pottery.record(*told)
                elif word == "amend_period":
                    pottery.timeline.amend_period(told[0], location=told[1], number=told[2])
                elif word == "import":
                    pottery.take_in(Path(folder), RECORDING + f"{START_MS / 1000 + 2000},shop,1,v1,5,-40\n")
                else:
                    getattr(pottery.timeline, word)(*told)
            assert_true(pottery, (1, 2), (2, 3), metrics=("rssi", "outage"))
        pottery.log.close()


# --- when the log cannot help ---


def recalled(pottery: Pottery, lag_share: float, pair=(1, 3)) -> Remembered:
    with one_moment(pottery.log):
        answers = Answers(pottery.log, now_utc_ms=pottery.clock.now_ms, lag_share=lag_share)
        return Remembered(answers, [pair], settings={})


def test_an_answer_may_lack_a_small_share_of_its_time_and_says_of_when_it_is(pottery, worked_out):
    """v3 was logged for 30 min: a tenth of 33 is more than 3, a tenth of 34 is less than 4."""
    _, told, _ = pottery.ask((1, 3))
    found_at_ms = pottery.clock.now_ms
    assert recalled(pottery, 0.1).as_of_utc_ms(1, 3) is None  # nothing came since
    pottery.record(3)
    again = recalled(pottery, 0.1)
    assert again.complete
    assert again.effects(1, 3) == told[0]
    assert again.as_of_utc_ms(1, 3) == found_at_ms
    assert not recalled(pottery, 0.0).complete
    pottery.record(1)
    assert not recalled(pottery, 0.1).complete


def test_no_answer_outlives_an_edit_however_small_the_share_that_it_lacks(pottery, worked_out):
    pottery.ask((1, 3))
    pottery.record(1)
    assert recalled(pottery, 0.9).complete
    pottery.timeline.at("wheel")  # a new placement
    pottery.record(1)
    assert not recalled(pottery, 0.9).complete


def test_the_share_is_of_what_was_measured_not_of_what_was_slept_through(pottery, worked_out):
    """The laptop lay in a drawer for a year under v3: 30 min were measured, and a tenth of that is less than 4."""
    pottery.clock.now_ms += 365 * 1440 * MINUTE_MS
    pottery.ask((1, 3))
    pottery.record(4)
    assert not recalled(pottery, 0.1).complete


def test_what_a_merge_brings_is_never_taken_for_a_small_share(pottery, worked_out, tmp_path):
    """Another machine's period is open, too, but its last hours come at once, whenever it is merged."""
    other = Pottery(tmp_path / "kiln.db")
    other.timeline.at("kiln")
    other.record(60)
    other.timeline.changed("longer antennas", settings={"antenna.5.gain_dbi": 5})
    other.record(60)
    merge(pottery.log, other.log.path, now_utc_ms=pottery.clock.now_ms)
    pottery.ask((1, 2))
    other.record(60)
    merge(pottery.log, other.log.path, now_utc_ms=pottery.clock.now_ms)
    pottery.clock.now_ms += MINUTE_MS
    assert not recalled(pottery, 0.5, (1, 2)).complete
    other.log.close()


def test_what_settled_long_ago_is_exact_or_worked_out(pottery, worked_out):
    pottery.ask((1, 2))
    with pottery.log.transaction() as db:
        db.execute("UPDATE block SET rssi_n = rssi_n + 1 WHERE period_id = (SELECT min(id) FROM period)")
    assert not recalled(pottery, 0.9, (1, 2)).complete


def test_a_log_that_cannot_be_written_is_worked_out_each_time(pottery, worked_out):
    pottery.log.db.execute("PRAGMA query_only = ON")
    assert_true(pottery, (1, 2))
    assert not pottery.log.db.execute("SELECT count(*) FROM answer").fetchone()[0]


def test_a_busy_log_is_not_waited_for(pottery, worked_out, monkeypatch):
    monkeypatch.setattr(answers, "BUSY_MS", 20)
    other = sqlite3.connect(pottery.log.path, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    assert_true(pottery, (1, 2))
    other.execute("ROLLBACK")
    other.close()
    assert pottery.log.db.execute("PRAGMA busy_timeout").fetchone()[0] == 10_000
    assert_true(pottery, (1, 2))
    assert pottery.ask((1, 2), work=False)[0].complete


def test_what_was_done_before_an_interruption_is_remembered(pottery, worked_out, monkeypatch):
    def broken_off(asked, blocks, n_processes, beside):
        yield (
            asked[0],
            effect_module.estimate_effect(
                blocks, 1, 2, "rssi", margin=1.0, washout_s=0.0, radio_planned=False, running=False
            ),
        )
        raise KeyboardInterrupt

    with monkeypatch.context() as interrupted:
        interrupted.setattr(many_effects, "judge_many", broken_off)
        with pytest.raises(KeyboardInterrupt):
            pottery.ask((1, 2))
    questions = [row[0] for row in pottery.log.db.execute("SELECT question FROM answer ORDER BY question")]
    assert [("parts" in question, '"metric":"rssi"' in question) for question in questions] == [
        (False, True),
        (True, False),
    ]


def test_slow_effects_are_kept_as_they_come(pottery, worked_out, monkeypatch):
    now_s, kept = 0.0, []
    one_after_another = many_effects.judge_many

    def slowly(asked, blocks, n_processes, beside):
        nonlocal now_s
        for judged in one_after_another(asked, blocks, n_processes, beside):
            kept.append(pottery.log.db.execute("SELECT count(*) FROM answer").fetchone()[0])
            now_s += KEPT_AT_LEAST_EVERY_S / 2
            yield judged

    monkeypatch.setattr(many_effects, "judge_many", slowly)
    with one_moment(pottery.log):
        blocks = load_blocks(pottery.log)
        asked = Remembered(
            Answers(pottery.log), [(1, 2)], settings={}, metrics=("rssi", "tx-rate", "rx-rate", "outage")
        )
    asked.work_out(blocks, now_utc_ms=pottery.clock.now_ms, elapsed_s=lambda: now_s)
    assert kept == [0, 0, 3, 3]  # with the parts that came first


def test_work_that_may_take_so_long_ends_then_and_goes_on_the_next_time(pottery, worked_out):
    """Each look at the clock is a second later."""
    seconds = iter(range(1000))
    for _ in range(20):
        before = len(worked_out)
        with one_moment(pottery.log):
            blocks = load_blocks(pottery.log)
            asked = Remembered(Answers(pottery.log), [(1, 2), (1, 3)], settings={})
        if asked.complete:
            break
        asked.work_out(blocks, now_utc_ms=1, elapsed_s=lambda: float(next(seconds)), within_s=6.0)
        assert 0 < len(worked_out) - before < 6
    assert asked.complete
    assert len(worked_out) == len(set(worked_out)) == 14


def test_answers_that_nobody_asked_for_in_a_year_are_forgotten(pottery, worked_out):
    pottery.ask((1, 2))
    pottery.clock.now_ms += FORGOTTEN_AFTER_MS + 1
    pottery.ask((1, 3))
    assert not pottery.log.db.execute("SELECT count(*) FROM answer WHERE question LIKE '%\"b\":2%'").fetchone()[0]


def test_outside_of_one_moment_it_refuses(pottery):
    with pytest.raises(ValueError, match="inside one_moment"):
        Remembered(Answers(pottery.log), [(1, 2)], settings={})


# --- the real estimator, from the command line ---


def test_the_real_estimators_answers_come_back_as_they_were(tmp_path):
    path = make_kiln_log(tmp_path / "kiln.db")
    with Log.open(path) as log:
        found = []
        for _ in range(2):
            with one_moment(log):
                blocks = load_blocks(log)
                asked = Remembered(Answers(log), [(1, 2)], settings={}, metrics=("rssi", "outage"))
            asked.work_out(blocks, now_utc_ms=0)
            found.append(asked.effects(1, 2))
        assert (
            found[0]
            == found[1]
            == compare_versions(blocks, 1, 2, metrics=("rssi", "outage"), in_force=version_in_force(log.db))
        )


@pytest.mark.parametrize("how", [["--json"], []])
def test_a_comparison_that_is_remembered_loads_neither_pandas_nor_scipy(tmp_path, how):
    path = make_kiln_log(tmp_path / "kiln.db")
    words = ["compare", "v1", "v2", "--metric", "rssi", "--db", str(path), *how]
    heavy = "('pandas', 'numpy', 'scipy', 'plotly', 'sqlite_utils', 'multiprocessing', 'tqdm')"
    code = (
        f"import sys; from logger.console import main; main({words}); print([m for m in {heavy} if m in sys.modules])"
    )
    runs = [subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True) for _ in range(2)]
    assert runs[0].stdout.splitlines()[:-1] == runs[1].stdout.splitlines()[:-1]
    assert "pandas" in runs[0].stdout.splitlines()[-1]
    assert runs[1].stdout.splitlines()[-1] == "[]"
