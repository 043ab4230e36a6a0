"""``linktrial watch``: names as people type them, what is watched, and what was heard of it."""

from __future__ import annotations

import json
import shlex

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.clock import SystemClock
from adapters.ieee80211 import ssid_of, ssid_text
from logger.console import main
from logger.log import Log
from logger.sightings.watched import Name, last_heard, name_of, read_watched, stop_watching, watch

FIVE, TWO, OTHER = "02:00:00:00:00:05", "02:00:00:00:00:02", "02:00:00:00:00:99"


@given(st.binary(max_size=32))
def test_a_name_as_it_is_printed_is_the_name(ssid):
    assert ssid_of(ssid_text(ssid)) == ssid


@pytest.mark.parametrize(
    ("word", "name"),
    [
        ("Pottery", Name(b"Pottery", None)),
        ("Töpferei", Name("Töpferei".encode(), None)),
        (r"\x00\xffclay", Name(b"\x00\xffclay", None)),
        (r"a\b", Name(rb"a\b", None)),
        (FIVE, Name(None, FIVE)),
        ("02-00-00-00-00-AB", Name(None, "02:00:00:00:00:ab")),
        (r"\x302:00:00:00:00:05", Name(FIVE.encode(), None)),
        ("02:00:00-00:00:05", Name(b"02:00:00-00:00:05", None)),
    ],
)
def test_what_a_word_means(word, name):
    assert name_of(word) == name


@given(st.text())
def test_any_word_is_a_name_or_refused(word):
    try:
        name = name_of(word)
    except ValueError:
        return
    assert (name.ssid is None) != (name.bssid is None)
    assert name_of(str(name)) == name or name.ssid is not None  # a network may be called as a radio is


@settings(deadline=None, max_examples=25)
@given(
    st.lists(
        st.one_of(st.binary(min_size=1, max_size=32).map(lambda ssid: Name(ssid, None)), st.just(Name(None, FIVE)))
    )
)
def test_each_name_is_watched_once_whatever_its_bytes(tmp_path_factory, names):
    with Log.open(tmp_path_factory.mktemp("log") / "pottery.db") as log:
        for nth, name in enumerate(names):
            assert watch(log, name, 1) == (name not in names[:nth])
        assert {watched.name for watched in read_watched(log.db)} == set(names)
        for name in set(names):
            stop_watching(log, name)
        assert not read_watched(log.db)


@pytest.fixture
def db(tmp_path):
    path = tmp_path / "pottery.db"
    with Log.open(path):
        pass
    return path


def run(capsys, db, *words: str) -> tuple[int, str, str]:
    code = main(["watch", *words, "--db", str(db)])
    captured = capsys.readouterr()
    return code, captured.out, captured.err


def hear(db, *rows: tuple[str, bytes | None, str, int, float, int], ago_ms: int = 120_000, active: int = 1) -> None:
    """A scan some time ago: rows of address, name, band, channel, level and age."""
    with Log.open(db) as log, log.transaction() as sql:
        at_ms = SystemClock().utc_ms() - ago_ms
        scan = sql.execute("INSERT INTO scan VALUES (NULL, 1, ?, ?, 0)", (at_ms, active)).lastrowid
        for bssid, ssid, band, frequency_mhz, rssi_dbm, age_ms in rows:
            text = None if ssid is None else ssid_text(ssid)
            radio = sql.execute(
                "INSERT INTO radio (bssid, ssid, ssid_text, band, frequency_mhz) VALUES (?, ?, ?, ?, ?)"
                " ON CONFLICT DO UPDATE SET band = band RETURNING id",
                (bssid, ssid, text, band, frequency_mhz),
            ).fetchone()[0]
            sql.execute("INSERT INTO sighting VALUES (?, ?, ?, ?, NULL, NULL)", (scan, radio, age_ms, rssi_dbm))


def test_a_network_that_no_scan_has_heard_is_taken_with_a_word(capsys, db):
    code, said, _ = run(capsys, db, "Pottery")
    assert code == 0
    assert "'Pottery' is watched from now on" in said
    assert "no scan has heard it yet" in said
    assert "not logging" in said
    assert "is watched already" in run(capsys, db, "Pottery")[1]


def test_all_radios_of_a_network_are_shown_as_they_were_heard_last(capsys, db):
    run(capsys, db, "Pottery")
    hear(db, (TWO, b"Pottery", "2.4", 2437, -40.0, 0), (FIVE, b"Pottery", "5", 5180, -70.0, 0), ago_ms=900_000)
    hear(db, (FIVE, b"Pottery", "5", 5180, -61.0, 1000), (OTHER, b"Bakery", "5", 5500, -80.0, 0))
    code, said, _ = run(capsys, db)
    assert code == 0
    assert f"{TWO}, 2.4 GHz, 2437 MHz: -40 dBm, 15 min ago" in said
    assert f"{FIVE}, 5 GHz, 5180 MHz: -61 dBm, 2 min 1 s ago" in said
    assert OTHER not in said
    assert "2 scans that linktrial asked for" in said


def test_one_radio_is_watched_by_its_address(capsys, db):
    run(capsys, db, FIVE.upper())
    hear(db, (TWO, b"Pottery", "2.4", 2437, -40.0, 0), (FIVE, None, "5", 5180, -70.0, 0))
    answer = json.loads(run(capsys, db, "--json")[1])
    [watched] = answer["watched"]
    assert (watched["bssid"], watched["ssid_text"]) == (FIVE, None)
    assert [(radio["bssid"], radio["rssi_dbm"]) for radio in watched["radios"]] == [(FIVE, -70.0)]
    assert answer["scans_last_day"] == {"active": 1, "of_others": 0}
    assert answer["logging"] is False


def test_a_radio_that_switched_its_channel_is_shown_where_it_is_now(db):
    name = Name(b"Pottery", None)
    hear(db, (FIVE, b"Pottery", "5", 5180, -70.0, 0), ago_ms=600_000)
    hear(db, (FIVE, b"Pottery", "5", 5500, -72.0, 0), ago_ms=300_000)
    with Log.open(db) as log:
        [heard] = last_heard(log.db, [name])[name]
    assert (heard.frequency_mhz, heard.rssi_dbm) == (5500, -72.0)


def test_stop_names_what_is_watched_where_it_cannot(capsys, db):
    run(capsys, db, "Pottery")
    code, _, said = run(capsys, db, "--stop", "Bakery")
    assert (code, said.count("\n")) == (1, 1)
    assert "'Bakery' is not watched; watched is 'Pottery'" in said
    assert run(capsys, db, "--stop", "Pottery")[0] == 0
    assert "nothing is watched" in run(capsys, db)[1]


@pytest.mark.parametrize("words", [("--stop",), ("",), ("x" * 33,)])
def test_wrong_usage_is_said_in_one_line(capsys, db, words):
    code, said, complained = run(capsys, db, *words)
    assert (code, said, complained.count("\n")) == (2, "", 1)


def test_where_only_others_scan_it_is_said_how_to_let_linktrial(capsys, db):
    run(capsys, db, "Pottery")
    hear(db, (FIVE, b"Pottery", "5", 5180, -70.0, 0), active=0)
    hint = "linktrial has not scanned itself, perhaps because it may not; see 'Both bands' in the README"
    assert hint not in run(capsys, db)[1]
    with Log.open(db) as log:
        log.db.execute("UPDATE watched SET since_utc_ms = since_utc_ms - 7200000")
    assert hint in run(capsys, db)[1]
    hear(db, (FIVE, b"Pottery", "5", 5180, -70.0, 0), ago_ms=60_000)
    assert hint not in run(capsys, db)[1]


def test_a_name_much_like_one_that_was_heard_is_doubted_and_can_be_taken_back_as_it_is_told(capsys, db):
    hear(db, (FIVE, b"Pottery", "5", 5180, -70.0, 0), (OTHER, b"Bakery", "5", 5500, -80.0, 0))
    said = run(capsys, db, "pottery")[1]
    assert "'pottery' is watched from now on" in said
    assert "no scan has heard it yet; 'Pottery' was heard" in said
    commands = [line.split(": ", 1)[1] for line in said.splitlines() if "linktrial watch" in line]
    assert len(commands) == 2
    for command in commands:
        assert main(shlex.split(command)[1:]) == 0
    with Log.open(db) as log:
        assert [watched.name for watched in read_watched(log.db)] == [Name(b"Pottery", None)]
    assert "it is looked for from now on" in run(capsys, db, "Kiln")[1]


@pytest.mark.parametrize("word", ["zz:zz", "02:00:00:00:00", "02:00:00:00:00:0g", "020000000005", "02-00-00-00-05"])
def test_what_looks_like_a_mistyped_address_is_said_to_be_taken_for_a_name(capsys, db, word):
    code, said, _ = run(capsys, db, word)
    assert code == 0
    assert f"'{word}' is watched from now on" in said
    assert "that is a network's name; the address of a radio has six pairs" in said
    assert main(shlex.split(said.split("if that was not meant: ")[1].splitlines()[0])[1:]) == 0
    assert "nothing is watched" in run(capsys, db)[1]


@pytest.mark.parametrize("word", ["wi-fi", "kiln:5", "Pottery", "a-b-c", "5-2-1", FIVE])
def test_other_names_are_not_doubted(capsys, db, word):
    assert "not meant" not in run(capsys, db, word)[1]


def test_a_hostile_name_is_shown_harmless(capsys, db):
    ssid = b"\x1b]0;owned\x07"
    assert run(capsys, db, ssid_text(ssid))[0] == 0
    hear(db, (FIVE, ssid, "5", 5180, -70.0, 0))
    said = run(capsys, db)[1]
    assert said.replace("\n", "").isprintable()
    assert ssid_text(ssid) in said


def test_status_has_a_line_for_each_radio_that_is_watched(capsys, db):
    for word in ("Pottery", FIVE, "Kiln"):
        run(capsys, db, word)
    hear(db, (TWO, b"Pottery", "2.4", 2437, -40.5, 0), (FIVE, b"Pottery", "5", 5180, -61.0, 0))
    assert main(["status", "--db", str(db)]) == 0
    lines = [line for line in capsys.readouterr().out.splitlines() if line.startswith("watched")]
    assert lines == [
        f"watched of 'Pottery': {TWO}, 2.4 GHz, 2437 MHz: -40.5 dBm, 2 min ago",
        f"watched of 'Pottery': {FIVE}, 5 GHz, 5180 MHz: -61 dBm, 2 min ago",
        "watched: 'Kiln', not heard",
    ]
    assert main(["status", "--json", "--db", str(db)]) == 0
    watched = json.loads(capsys.readouterr().out)["watched"]
    assert [len(each["radios"]) for each in watched] == [2, 1, 0]


def test_of_a_name_that_a_hundred_radios_send_those_heard_last_are_shown(capsys, db):
    run(capsys, db, "Pottery")
    for n in range(100):
        hear(db, (f"02:00:00:00:01:{n:02x}", b"Pottery", "5", 5180, -70.0, 0), ago_ms=60_000 * (200 - n))
    said = run(capsys, db)[1]
    assert said.count("5180 MHz") == 24
    assert "02:00:00:00:01:63" in said
    assert "and 76 more radios, heard before" in said
    main(["status", "--db", str(db)])
    lines = [line for line in capsys.readouterr().out.splitlines() if line.startswith("watched")]
    assert (len(lines), lines[-1]) == (25, "watched: 'Pottery', and 76 more radios, heard before")


def test_where_nothing_is_heard_by_the_settings_it_is_said(capsys, db, tmp_path, monkeypatch):
    settings = tmp_path / "settings.toml"
    settings.write_text("watch_every_s = 0\n")
    monkeypatch.setenv("LINKTRIAL_SETTINGS", str(settings))
    assert "nothing is heard while the settings say watch_every_s = 0" in run(capsys, db, "Pottery")[1]
