"""The report and its tables: what they say, what they keep to themselves, what they do with too little."""

from __future__ import annotations

import csv
import getpass
import json
import os
import re
import socket
from dataclasses import replace

import numpy as np
import pytest

from dashboards import page
from dashboards.analysis.coverage import KINDS
from dashboards.analysis.unexplained.changes import Unexplained
from dashboards.effect_json import comparison_json
from dashboards.report import effects_table, find, time_edges, write_html, write_report, write_tables
from dashboards.setting_words import spoken
from logger.console import main
from logger.log import Log
from logger.timeline import Timeline
from tests.dashboards.kiln_log import END_MS, EVIL, HOUR_MS, START_MS, ZONE, HandClock, make_kiln_log


@pytest.fixture(scope="module")
def findings(tmp_path_factory):
    path = make_kiln_log(tmp_path_factory.mktemp("report") / "kiln.db")
    with Log.open(path) as log:
        return find(log, now_utc_ms=END_MS, zone=ZONE)


@pytest.fixture(scope="module")
def html(findings):
    return page.render(findings)


@pytest.fixture(scope="module")
def words(html):
    """The page as a reader sees it: no scripts, no tags, single blanks."""
    bare = re.sub(r"(?s)<(script|style)\b.*?</\1>|<[^>]+>", " ", html)
    return " ".join(bare.replace("\N{NO-BREAK SPACE}", " ").split())


def test_the_first_screen_tells_what_the_latest_change_did_at_each_location_and_band(words):
    first = words[words.index("The latest change") : words.index("Change by change")]
    assert re.search(
        r"v2 longer antennas Tue 3 Mar 06:00, after v1: .* kiln room, 5 GHz better"
        r" Both directions improved: downlink RSSI \+\d\.\d dB \[\d\.\d, \d\.\d\]",
        first,
    )


def test_the_first_figure_shows_both_directions_with_their_intervals(html):
    first = html[html.index('class="lanes several"') : html.index("Change by change")]
    assert re.search(r"RSSI.*Tx rate", first, re.DOTALL)
    assert first.count('<svg class="lane"') == 2


def test_a_handful_of_things_to_mind_is_open_and_the_rest_folded(findings):
    ((change, effects),) = findings.changes
    many = replace(effects[0].effect, warnings=tuple(f"Caution {letter}." for letter in "abcde"))
    page_of_many = page.render(replace(findings, changes=[(change, [replace(effects[0], effect=many)])]))
    before, _, folded = page_of_many.partition("<summary>2 more</summary>")
    assert re.findall(r"Caution .", before) == ["Caution a", "Caution b", "Caution c"]
    assert re.findall(r"Caution .", folded) == ["Caution d", "Caution e"]


def test_the_head_says_whose_links_were_measured(findings, words):
    assert re.search(r"\d h of one laptop.s Wi-Fi link at 1 location", words)
    blocks = findings.frames.blocks
    for kinds, said in (
        (blocks["source_kind"].where(blocks["version"] == 1, "import"), "laptop’s Wi-Fi link and of imported ones at"),
        ("import", " of an imported Wi-Fi link at"),
    ):
        told = replace(findings, frames=replace(findings.frames, blocks=blocks.assign(source_kind=kinds)))
        assert said in page.render(told).replace("\N{NO-BREAK SPACE}", " ")


@pytest.mark.parametrize(
    ("phrase", "words"),
    [
        ("antenna.5.cable_loss_db 0 -> 1 dB", "5 GHz antenna: cable loss 0\u00a0→\u00a01 dB"),
        ("radio.2.4.width_mhz 20 MHz", "2.4 GHz radio: width 20 MHz"),
        ("router.position no longer said", "router position no longer said"),
    ],
)
def test_settings_are_said_in_words(phrase, words):
    assert spoken(phrase) == words


def test_sections_come_in_the_readers_order(html):
    places = [
        html.index(f'id="{name}"')
        for name in (
            "overview",
            "changes",
            "lasting",
            "trend",
            "locations",
            "outages",
            "versions",
            "coverage",
            "method",
        )
    ]
    assert places == sorted(places)


def test_times_are_those_of_the_zone(words):
    assert "from Mon 2 Mar 2026 10:00" in words  # 09:00 UTC
    assert f"Times are those of {ZONE}" in words


def test_the_config_log_shows_each_version_as_the_difference_from_the_one_before(words):
    assert "5 GHz antenna: gain 5 dBi" in words
    assert "on a metre of cable" in words
    assert "5 GHz EIRP 19.0 dBm" in words  # EIRP: 14 dBm and 5 dBi


def test_what_nobody_wrote_down_is_told_newest_first_with_its_command(findings):
    changes = [
        Unexplained("level", EVIL, "5", 2, "rssi", at_ms, at_ms - 300_000, at_ms + 300_000, -6.0, -7.2, -4.8, "dB", ())
        for at_ms in range(START_MS, END_MS, 10 * HOUR_MS)
    ]
    html = page.render(replace(findings, unexplained=changes))
    said = html[html.index("What nobody wrote down") :]
    assert "5 changes that nobody wrote down" in html
    before, _, folded = said.partition("<summary>2 more</summary>")
    assert [part.count("<code>linktrial changed") for part in (before, folded)] == [3, 2]
    assert before.index("2026-03-04 01:00") < before.index("2026-03-03 15:00")
    assert EVIL not in said


def test_that_nothing_is_unexplained_is_said_too(words, findings):
    assert not findings.unexplained
    assert "Nothing stands out" in words
    assert "nobody wrote down</a>" not in words


def test_it_is_said_of_the_latest_change_whether_it_lasts(words):
    first = words[words.index("The latest change") : words.index("Change by change")]
    assert "Whether it lasts cannot be told before 3 days, and of a restless level later; 1.2 have passed." in first


def test_outages_and_gaps_are_kept_apart(words):
    assert "1 outage, 30 min in all" in words
    assert "Mon 2 Mar 18:00, 2 h: suspended" in words


def test_a_table_has_columns_for_what_was_measured_only(html, findings):
    heads = re.compile(r"<th class=\"n\">(?:Noise|Tx rate)<br>")
    assert heads.findall(html) == ['<th class="n">Tx rate<br>']
    noisy = replace(findings, summary=findings.summary.assign(noise_dbm=-92.0, tx_rate_mbps=np.nan))
    assert heads.findall(page.render(noisy)) == ['<th class="n">Noise<br>']


def test_what_was_not_measured_is_said(words):
    assert "noise: this card and driver gave none" in words
    assert "transfers and latency" in words


def test_cautions_and_method_are_there(words, findings):
    for caution in ("national regulator", "mains", "without its antenna", "own or may measure", "warranty"):
        assert caution in words
    for located in findings.effects:
        assert located.effect.method in words.replace("&#39;", "'") or located.effect.method.capitalize() in words


def test_the_page_asks_nothing_of_any_network(html):
    policy = re.search(r'http-equiv="Content-Security-Policy" content="([^"]+)"', html)[1]
    assert "default-src 'none'" in policy
    ours = re.sub(r"(?s)<script>.*?</script>", "", html)
    assert not re.search(r"https?://|src=|@import|url\(", ours)


def test_the_page_is_small_enough_to_send(html):
    assert len(html.encode()) < 6_000_000


def test_nothing_of_this_machine_stands_in_the_page(html):
    ours = re.sub(r'(?s)<(script|style)>.*?</\1>|"bdata":"[^"]*"', "", html)
    for secret in {os.getcwd(), os.path.expanduser("~"), socket.gethostname(), getpass.getuser(), "/tmp", "kiln.db"}:
        assert not re.search(rf"(?<!\w){re.escape(secret)}(?!\w)", ours)


def test_names_from_the_air_stay_text(tmp_path):
    path = make_kiln_log(tmp_path / "evil.db", location=EVIL, label="</script>" + EVIL, ssid=EVIL.encode()[:32])
    with Log.open(path) as log:
        written = write_report(log, tmp_path / "evil.html", now_utc_ms=END_MS, zone=ZONE)
    text = written.read_text(encoding="utf-8")
    assert "&lt;script&gt;" in text
    assert "<script>document" not in text
    assert text.count("</script>") == text.count("<script")


def test_figures_are_json_that_no_html_parser_misreads(html):
    figures = re.findall(r'(?s)<script type="application/json">(.*?)</script>', html)
    assert len(figures) == html.count('<figure class="plot"') >= 2 + 1 + 1  # trends, outages, coverage
    for figure in figures:
        assert not set("<>&") & set(figure)
        json.loads(figure)


def test_an_empty_log_says_what_to_do_next(tmp_path):
    with Log.open(tmp_path / "empty.db") as log:
        text = write_report(log, tmp_path / "empty.html", now_utc_ms=END_MS, zone=ZONE).read_text(encoding="utf-8")
    assert "Nothing has been logged yet" in text
    assert "linktrial log" in text


def test_tags_without_samples_are_no_mistake(tmp_path):
    with Log.open(tmp_path / "tagged.db") as log:
        timeline = Timeline(log, HandClock(), ZONE)
        timeline.at("kiln room", START_MS)
        timeline.changed("longer antennas", START_MS + HOUR_MS)
        findings = find(log, now_utc_ms=END_MS, zone=ZONE)
    assert "Nothing has been logged yet" in page.render(findings)
    assert len(write_tables(findings, tmp_path / "tables")) == 7


def test_a_log_with_one_version_says_what_is_missing(tmp_path):
    path = make_kiln_log(tmp_path / "one.db")
    with Log.open(path) as log:
        with log.transaction() as db:
            db.execute("UPDATE period SET config_version = 1")
        text = write_report(log, tmp_path / "one.html", now_utc_ms=END_MS, zone=ZONE).read_text(encoding="utf-8")
    assert "nothing to compare it with" in text
    assert "linktrial changed" in text


def read(path):
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def test_tables_hold_what_the_page_shows(findings, tmp_path):
    paths = write_tables(findings, tmp_path)
    assert [path.name for path in paths] == [
        "summary.csv",
        "effects.csv",
        "stability.csv",
        "carrying.csv",
        "sightings.csv",
        "coverage.csv",
        "outages.csv",
    ]
    summary, effects, stability, _, _, coverage, outages = map(read, paths)
    assert {(row["location"], row["version"], row["band"]) for row in summary} == {
        ("kiln room", "v1", "5"),
        ("kiln room", "v2", "5"),
        ("kiln room", "v2", "2.4"),
    }
    assert [row["metric"] for row in effects] == ["rssi", "tx-rate", "rx-rate", "outage", "drop-outs", "retry-share"]
    assert {(row["version"], row["quantity"]) for row in stability} >= {("v1", "outages"), ("v2", "outages")}
    hours = sum(float(row[f"{kind.replace(' ', '_')}_h"]) for row in coverage for kind in KINDS)
    assert hours == pytest.approx(48, abs=0.05)
    assert sum(float(row["suspended_h"]) for row in coverage) == pytest.approx(2, abs=0.05)
    assert [(row["started_at_utc"], row["lasted_s"]) for row in outages] == [("2026-03-02T12:00:00Z", "1800")]


def test_what_the_one_word_allows_for_is_said(words):
    assert "allows for its several metrics (Holm's rule)" in words.replace("&#39;", "'")


def test_the_table_of_effects_has_what_the_json_of_compare_has(findings):
    open_one = replace(findings.effects[0].effect, open=True, anytime_low=1.5, needed=("A day more.", "Then a move."))
    row = replace(findings.effects[0], effect=open_one)
    table = effects_table([row], {})
    (told,) = comparison_json(1, 2, [row])["effects"]
    assert list(table) == ["a", "b", *told, "as_of_utc_ms"]
    shown = table.iloc[0]
    assert (shown["a"], shown["b"], shown["anytime_low"], shown["open"]) == ("v1", "v2", 1.5, True)
    assert shown["needed"] == "A day more. Then a move."


def test_tables_say_of_when_they_are_where_they_may_lack_something(findings, tmp_path):
    lagging = replace(findings, as_of_utc_ms={(1, 2): START_MS}, stability_as_of_utc_ms=START_MS + HOUR_MS)
    for told, of_effects, of_stability in (
        (findings, {""}, {""}),
        (lagging, {"2026-03-02T09:00:00Z"}, {"2026-03-02T10:00:00Z"}),
    ):
        _, effects, stability, *_ = map(read, write_tables(told, tmp_path))
        assert {row["as_of_utc"] for row in effects} == of_effects
        assert {row["as_of_utc"] for row in stability} == of_stability
    _, effects, stability, *_ = write_tables(replace(findings, changes=[], stability=[]), tmp_path)
    for path in (effects, stability):
        assert path.read_text("utf-8").rstrip().endswith(",as_of_utc")


@pytest.mark.parametrize("start", ["=", "+", "-", "@", "'", "\t"])
def test_no_cell_runs_in_a_spreadsheet(findings, tmp_path, start):
    evil = replace(findings, summary=findings.summary.assign(location=f"{start}1+1"))
    cells = [cell for path in write_tables(evil, tmp_path) for row in read(path) for cell in row.values()]
    assert f"'{start}1+1" in cells
    assert f"{start}1+1" not in cells


def test_edges_fall_on_local_midnights_also_where_the_clock_changes():
    begin = 1_774_600_000_000  # 2026-03-27 08:26 UTC; clocks go forward in Paris on the 29th
    edges = time_edges(begin, begin + 4 * 24 * HOUR_MS, ZONE)
    assert np.diff(edges[1:-1]).tolist() == [24 * HOUR_MS, 23 * HOUR_MS, 24 * HOUR_MS]
    assert (edges[0], edges[-1]) == (begin, begin + 4 * 24 * HOUR_MS)


def test_short_logs_are_shown_by_the_hour_or_ten_minutes():
    assert set(np.diff(time_edges(0, 24 * HOUR_MS, ZONE))) == {HOUR_MS}
    assert set(np.diff(time_edges(0, 2 * HOUR_MS, ZONE))) == {HOUR_MS / 6}


def test_the_command_writes_page_and_tables_and_says_where(tmp_path, capsys, monkeypatch):
    path = make_kiln_log(tmp_path / "kiln.db")
    monkeypatch.chdir(tmp_path)
    assert main(["report", "--csv", "tables", "--json", "--db", str(path)]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert answer["report"] == "linktrial-report.html"
    assert (tmp_path / "linktrial-report.html").stat().st_size > 1_000_000
    assert sorted(answer["tables"]) == sorted(
        f"tables{os.sep}{name}.csv"
        for name in ("summary", "effects", "stability", "carrying", "sightings", "coverage", "outages")
    )
    written = [tmp_path / "linktrial-report.html", *(tmp_path / "tables").iterdir()]
    assert {path.stat().st_mode & 0o777 for path in written} == {0o600}


def test_a_report_that_cannot_be_written_is_said_in_one_line(findings, tmp_path, capsys):
    path = make_kiln_log(tmp_path / "kiln.db")
    code = main(["report", "--output", str(tmp_path / "no/such/folder/report.html"), "--db", str(path)])
    err = capsys.readouterr().err
    assert code == 1
    assert err.count("\n") == 1
    assert "cannot be written: No such file or directory; say another file" in err


@pytest.mark.parametrize("folder", ["/proc/x", "/proc", "taken"])
def test_where_the_tables_cannot_be_written_the_page_is_not_replaced_either(tmp_path, capsys, folder):
    log, page_path = make_kiln_log(tmp_path / "kiln.db"), tmp_path / "report.html"
    (tmp_path / "taken").write_text("")
    earlier = "<!doctype html><title>What each change at the router did</title>as it was"
    page_path.write_text(earlier)
    where = tmp_path / folder  # an absolute path stays what it is
    assert main(["report", "--csv", str(where), "--output", str(page_path), "--db", str(log)]) == 1
    assert capsys.readouterr().err.endswith("; say --csv with another folder\n")
    assert page_path.read_text() == earlier


def test_only_an_earlier_report_is_replaced(tmp_path, capsys):
    log, note = make_kiln_log(tmp_path / "kiln.db"), tmp_path / "note.html"
    for text in ("<p>glaze: two parts ash", ""):
        note.write_text(text)
        assert main(["report", "--output", str(note), "--db", str(log)]) == 1
        said = capsys.readouterr().err
        assert (
            said
            == f"linktrial: {note} is there already and is no report of linktrial; say --output with another file\n"
        )
        assert note.read_text() == text
    note.unlink()
    for _ in range(2):  # the second time over the first
        assert main(["report", "--output", str(note), "--db", str(log)]) == 0
    assert main(["report", "--share", "--output", str(note), "--db", str(log)]) == 0
    assert main(["report", "--output", os.devnull, "--db", str(log)]) == 0


def test_the_same_log_gives_the_same_page(findings, tmp_path):
    pages = [write_html(findings, tmp_path / name).read_bytes() for name in ("a.html", "b.html")]
    assert pages[0] == pages[1]
