"""Whatever the air and the owner call things: no command lets it move a terminal's cursor, hide, reorder or run."""

from __future__ import annotations

import io
import json
import re
import sqlite3
from contextlib import closing
from html import unescape
from html.parser import HTMLParser
from unicodedata import category

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st

from logger.console import COMMANDS, main
from logger.printable import printable, printable_json
from logger.voice import Voice
from tests.dashboards.kiln_log import make_kiln_log

UNSEEN = "\u034f\u115f\u1160\u17b4\u180b\u3164\ufe00\uffa0\U000e0100"
EVIL = (
    "</script><script>document.title='owned'</script>",
    "<img src=x onerror=document.title='owned'>",
    "\"'><svg onload=document.title=1>",
    "{{ 7 * 7 }}{% raw %}%s %(x)s {0}",
    "\x1b]0;owned\x07\x1b[2J\x9b31m\r\x08",
    "line\nfeed\u2028\u2029\x85",
    "\u202egnirts\u2066\u200b\u200d\u00ad\ufeff",
    f"un{UNSEEN}seen",
    "&amp;&lt;script&gt;\\u003cscript\\u003e",
    "=cmd|' /C calc'!A0;=1+1",
)
ANY_TEXT = st.text(st.characters(exclude_categories=["Cs"]), min_size=1, max_size=40) | st.sampled_from(EVIL)


def make_hostile_log(path, names: list[str], ssid: bytes):
    """As somebody hostile may hand it on: every text in it is one of ``names``, also where linktrial refuses it."""
    make_kiln_log(path, ssid=b"Pottery")
    call_everything(path, names, ssid)
    return path


def call_everything(path, names: list[str], ssid: bytes) -> None:
    told = {"bssid": names[0], "ssid_text": names[1], "message": names[2], "reason_code": names[3], "n": names[4]}
    with closing(sqlite3.connect(path, isolation_level=None)) as db:
        db.execute("BEGIN")
        location = names[0].lstrip("\0")[:80] or "x"  # the one that a log cannot hold, whoever made it
        db.execute("UPDATE location SET name = ?", (location,))
        db.execute("UPDATE placement SET name = ?", (names[1],))
        db.execute(
            "UPDATE config_version SET label = ?, notes = ?, settings = ?",
            (names[2], names[3], json.dumps({"router.model": names[4], names[5]: names[6]})),
        )
        db.execute("UPDATE source SET name = ?", (names[7],))
        db.execute("UPDATE link SET ssid = ?, ssid_text = ?, interface = ? WHERE connected", (ssid, names[8], names[9]))
        db.execute("UPDATE link SET bssid = ? || id WHERE connected", (names[1],))
        db.execute("UPDATE event SET detail = ?", (json.dumps(told),))
        db.execute("UPDATE edit SET words = ?", (names[0],))
        when_ms = db.execute("SELECT min(started_at_utc_ms) FROM period WHERE source_id = 1").fetchone()[0]
        db.execute("INSERT OR IGNORE INTO scan VALUES (1, 1, ?, 1, 1)", (when_ms + 1,))
        db.execute("INSERT OR IGNORE INTO radio (id, bssid, band, frequency_mhz) VALUES (1, '', '5', 5180)")
        db.execute("INSERT OR IGNORE INTO sighting VALUES (1, 1, 0, -60.0, NULL, NULL)")
        heard = (names[0], ssid, names[1], names[2])
        db.execute("UPDATE radio SET bssid = ? || id, ssid = ?, ssid_text = ?, country = ?", heard)
        db.execute("DELETE FROM answer")
        db.execute("DELETE FROM finding")
        db.execute("COMMIT")


def harmful(text: str) -> list[str]:
    """Characters that a terminal obeys or does not show; the end of a line is none."""
    return [c for c in text if c != "\n" and (category(c) in ("Cc", "Cf", "Zl", "Zp", "Cs", "Co") or c in UNSEEN)]


def said(capsys, *words: str) -> str:
    """What a command wrote, on either stream; it did not crash."""
    code = main(list(words))
    captured = capsys.readouterr()
    assert code in (0, 1, 2)
    assert "Traceback" not in captured.err
    return captured.out + captured.err


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    return make_hostile_log(tmp_path_factory.mktemp("hostile") / "evil.db", list(EVIL), b"\x1b[2J<b>\xff\x00")


ANSWERS = [
    ["status"],
    ["timeline"],
    ["timeline", "undo"],
    ["timeline", "join", "2"],
    ["timeline", "amend", "v2", "--label", "\x1b[2J\u202e"],
    ["timeline", "amend", "\x9b2J", "--name", "x"],
    ["at", "\x1b[2J\u200b"],
    ["at", "two\nlines"],
    ["changed", "\u202elabel", "--notes", "\x1b"],
    ["changed", "x", "--set", "router.model=\x1b[2J"],
    ["changed", "x", "--set", "\x1b[2J=5"],
    ["back-to", "\x1b[2J"],
    ["compare", "v1", "v2"],
    ["compare", "\x1b[2J", "v2"],
    ["compare", "v1", "v2", "--location", "\x9b2J"],
    ["watch"],
    ["watch", "\x1b[2J"],
    ["watch", "\u202e", "--stop"],
    ["probe", "--\x1b[2J"],
    ["far-end", "--port", "\x1b[2J"],
    ["channels"],
    ["channels", "--location", "\x1b[2J"],
    ["plan", "2"],
    ["plan", "2", "--location", "\x1b[2J"],
    ["review"],
    ["export", "--location", "\x1b[2J"],
    ["export", "--from", "\x1b[2J"],
    ["export", "--output", "/no\x1b[2J/such"],
    ["import", "/no\x1b[2J/such.csv"],
    ["report", "--output", "/no\x1b[2J/such"],
    ["rescue", "/no\x1b[2J/such"],
    ["backup", "/no\x1b[2J/such"],
    ["merge", "/no\x1b[2J/such"],
    ["service", "show", "--db", "/no\x1b[2J/such"],
    ["log", "--interface", "\x1b[2J"],
    ["log", "--interval", "\x1b[2J"],
    ["check", "--interface", "\x1b[2J"],
    ["status", "--db", "/no\x1b[2J/such"],
    ["status", "--\x1b[2J"],
    ["\x1b[2J"],
]


@pytest.mark.parametrize("words", ANSWERS, ids=lambda words: printable(" ".join(words)))
@pytest.mark.parametrize("form", [[], ["--json"]], ids=["words", "json"])
def test_no_command_says_what_a_terminal_obeys(words, form, hostile, capsys, monkeypatch):
    monkeypatch.setenv("LINKTRIAL_DB", str(hostile))
    assert harmful(said(capsys, *words, *form)) == []


def test_every_command_is_asked_above_but_the_demo():
    assert {words[0] for words in ANSWERS} >= set(COMMANDS) - {"demo"}


def test_report_and_tables_say_where_they_are_and_harm_no_spreadsheet(hostile, tmp_path, capsys):
    folder = tmp_path / "\x1b[2J"
    folder.mkdir()
    for form in ([], ["--json"]):
        words = ["--db", str(hostile), "--output", str(folder / "x.html"), "--csv", str(folder)]
        assert harmful(said(capsys, "report", *words, *form)) == []
    assert harmful(said(capsys, "export", "--db", str(hostile), "--tables", str(folder))) == []
    for path in folder.glob("*.csv"):
        cells = re.split(r'[,;\t\r\n]"?', path.read_text("utf-8"))
        numbers = re.compile(r"[-+]?[\d.]+(e[-+]?\d+)?")
        assert [cell for cell in cells if cell.startswith(("=", "+", "-", "@")) and not numbers.fullmatch(cell)] == []


def test_a_hostile_log_is_copied_merged_and_rescued_without_a_word_that_harms(hostile, tmp_path, capsys):
    for form in ([], ["--json"]):
        folder = tmp_path / f"\u202e{len(form)}"
        folder.mkdir()
        copy = folder / "\x1b[2J.db"
        assert harmful(said(capsys, "backup", str(copy), "--db", str(hostile), *form)) == []
        assert harmful(said(capsys, "rescue", str(copy), "--into", str(folder / "\x9b.db"), *form)) == []
        assert main(["at", "shelf", "--db", str(folder / "own.db")]) == 0
        assert harmful(said(capsys, "merge", str(copy), "--db", str(folder / "own.db"), *form)) == []
        assert harmful(said(capsys, "timeline", "--db", str(folder / "own.db"), *form)) == []


@settings(max_examples=30, deadline=None, suppress_health_check=list(HealthCheck))
@given(names=st.lists(ANY_TEXT, min_size=10, max_size=10), ssid=st.binary(max_size=32))
def test_no_name_gets_through_status_timeline_and_export(names, ssid, hostile, capsys):
    call_everything(hostile, names, ssid)
    for words in (["status"], ["timeline"], ["status", "--json"], ["timeline", "--json"]):
        assert harmful(said(capsys, *words, "--db", str(hostile))) == []


@settings(max_examples=4, deadline=None, suppress_health_check=list(HealthCheck))
@given(names=st.lists(ANY_TEXT, min_size=10, max_size=10), ssid=st.binary(max_size=32))
@example(names=list(EVIL), ssid=b"<script>")
@example(names=[EVIL[4], EVIL[6], *EVIL[4:8], *EVIL[4:8]], ssid=b"\x1b")
def test_no_name_becomes_a_tag_of_the_report(names, ssid, hostile, tmp_path_factory, capsys):
    call_everything(hostile, names, ssid)
    for share in ([], ["--share"]):
        out = tmp_path_factory.mktemp("page") / "x.html"
        assert harmful(said(capsys, "report", *share, "--db", str(hostile), "--output", str(out))) == []
        html = out.read_text("utf-8")
        tags = re.findall(r"<\s*(script|img|svg|iframe|a|object|style|link|meta|base|form)\b", html)
        ours = re.sub(r"(?s)<script>.*?</script>", "", html)
        assert ours.count("<script") == ours.count('<script type="application/json">') == ours.count("</script>")
        assert tags.count("script") >= 2
        assert not re.search(r"(?i)<(img|iframe|object|base|form|embed)\b", ours)
        assert [name for name in attributes_of(ours) if name.startswith("on")] == []
        assert [c for c in harmful(unescape(ours)) if c not in "\t"] == []


def attributes_of(html):
    """Names of attributes, as a browser reads them: what stands escaped within a value is none."""
    found = set()

    class Reader(HTMLParser):
        def handle_starttag(self, tag, attributes):
            found.update(name for name, _ in attributes)

    Reader().feed(html)
    return found


@pytest.mark.parametrize("name", EVIL)
def test_the_live_line_and_the_lines_below_it_are_one_line_each(name):
    class Terminal(io.StringIO):
        def isatty(self):
            return True

    out, err = Terminal(), Terminal()
    voice = Voice(out, err)
    voice.now(name, 1.0)
    assert harmful(out.getvalue()) == []
    assert "\n" not in out.getvalue()
    voice.line(0, name)
    voice.event(0, name)
    voice.complain(name)
    shown = out.getvalue().replace("\r\x1b[K", "")
    assert harmful(shown + err.getvalue()) == []
    assert (shown.count("\n"), err.getvalue().count("\n")) == (2, 1)


@settings(deadline=None)
@given(st.text(max_size=30))
def test_printable_shows_every_character_of_a_text_and_keeps_texts_apart(text):
    shown = printable(text)
    joiners = {"\u200d", "\ufe0e", "\ufe0f"}
    assert {c for c in shown if not c.isprintable()} <= joiners
    assert printable(shown) == shown
    assert json.loads(printable_json({"x": text})) == {"x": text}


@pytest.mark.parametrize("text", ["👩\u200d🔬", "❤\ufe0f\u200d🔥", "1\ufe0f\u20e3", "werkbank für töpfe", "窯"])
def test_emoji_and_any_script_stay(text):
    assert printable(text) == text


@pytest.mark.parametrize("text", ["a\u200db", "kiln\ufe0f", "x\ufe00", "\U000e0061tag", "ㅤ", "re\u00adport"])
def test_what_nobody_sees_is_shown(text):
    assert printable(text) != text
