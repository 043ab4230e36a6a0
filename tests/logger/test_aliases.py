"""What is shared names no radio and no network, and says the same otherwise."""

from __future__ import annotations

import csv
import io
import json
import re

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from adapters.ieee80211 import ssid_text
from logger.aliases import Aliases
from logger.console import main
from logger.exchange.exporting import export_samples
from logger.exchange.importing import import_recording
from logger.log import Log
from logger.probe_table import begin_probe
from logger.recorder import Recorder
from logger.sample import Event, LinkIdentity
from logger.timeline import Timeline

from .conftest import POTTERY_5, POTTERY_24, START_MS, HandClock, linked

FIVE, TWO = "02:00:00:00:00:05", "02:00:00:00:00:02"
GUESTS = LinkIdentity("wlx02aabbccddee", b"Guests of Ann", "02:00:00:00:00:15", 5180, 80, "5")
SECRETS = ("pottery", "guests of ann", "02:00:00", "02aabbccddee", "ann's laptop", "/home/ann", "ann.csv", "8d1f0c2a")
NAMED = Aliases(
    b"secret",
    frozenset({"Pottery", "ab", "a+b", "Guests 02:00:00:00:00:05", "Strase", "CAFE", "cafe"}),
    frozenset({FIVE}),
)
ADDRESSES = st.binary(min_size=6, max_size=6)


def written(raw: bytes, mark: str = ":") -> str:
    return mark.join(f"{byte:02x}" for byte in raw)


@settings(deadline=None)
@given(ADDRESSES)
def test_a_radio_has_one_alias_however_its_address_is_written(raw):
    alias = NAMED.radio(written(raw))
    assert re.fullmatch(r"radio-[a-z2-7]{8}", alias)
    dotted = ".".join(written(raw, "")[at : at + 4] for at in (0, 4, 8))
    ways = (written(raw), written(raw).upper(), written(raw, "-"), dotted)
    assert {NAMED.words(f"seen: {way}, twice") for way in ways} == {f"seen: {alias}, twice"}
    assert NAMED.words(f"wlx{written(raw, '')}") == f"wlx-{alias}"


@settings(deadline=None)
@given(st.sets(ADDRESSES, min_size=2, max_size=30))
def test_two_radios_have_two_aliases_and_another_log_has_others(found):
    here = [NAMED.radio(written(raw)) for raw in found]
    there = [Aliases(b"other", frozenset(), frozenset()).radio(written(raw)) for raw in found]
    assert len({*here, *there}) == 2 * len(found)


@pytest.mark.parametrize(
    ("words", "shown"),
    [
        ("by the Pottery door", "by the {Pottery} door"),
        ("POTTERY", "{Pottery}"),
        ("guests 02:00:00:00:00:05", "{Guests 02:00:00:00:00:05}"),
        ("pottery and Stra\N{LATIN SMALL LETTER LONG S}e", "{Pottery} and {Strase}"),
        ("CAFE, cafe, Cafe", "{CAFE}, {cafe}, {cafe}"),
        ("potteryware", "potteryware"),
        ("(a+b)", "({a+b})"),
        ("cab", "cab"),
        ("ab", "ab"),  # too short to be told from a word
        ("Guests 02:00:00:00:00:05", "{Guests 02:00:00:00:00:05}"),
        ("on 202611260930 to 123456789012", "on 202611260930 to 123456789012"),
        ("0123456789abcdef0123456789abcdef", "0123456789abcdef0123456789abcdef"),
        ("10:20 to 10:40:59", "10:20 to 10:40:59"),
    ],
)
def test_names_of_networks_are_found_as_whole_words_and_numbers_stay(words, shown):
    assert NAMED.words(words) == re.sub(r"\{(.*?)\}", lambda name: NAMED.network(name[1]), shown)


def test_bare_digits_are_an_address_where_the_log_has_it():
    assert NAMED.words("020000000005") == NAMED.radio(FIVE)


@settings(deadline=None)
@given(st.binary(min_size=3, max_size=32))
def test_any_name_of_a_network_is_found(ssid):
    name = ssid_text(ssid)
    aliases = Aliases(b"secret", frozenset({name}), frozenset())
    assert aliases.words(f"\n{name}\n") == f"\n{aliases.network(name) if len(name) >= 3 else name}\n"


@pytest.fixture
def told(tmp_path):
    """A log in which addresses and names stand wherever they can; its path."""
    path = tmp_path / "pottery.db"
    with Log.open(path) as log:
        timeline, recorder = Timeline(log, HandClock(START_MS + 1_000_000), "Europe/Berlin"), Recorder(log)
        timeline.at("shelf with 02:00:00:00:00:05", START_MS)
        recorder.record([linked(START_MS + 5000 * n, -60, GUESTS if n % 5 else POTTERY_5) for n in range(60)], [])
        timeline.changed(
            "Pottery moved", START_MS + 200_000, {"router.model": "Pottery 5000"}, "Guests of Ann is 0200.0000.0015"
        )
        recorder.record(
            [linked(START_MS + 400_000, -61, POTTERY_24)],
            [
                Event(START_MS, "logger-started", {"interface": "wlx02aabbccddee", "boot": "id 8d1f0c2a", "interval_s": 5}),
                Event(START_MS + 1, "roamed", {"bssid": FIVE, "from_bssid": TWO, "ssid_text": "Pottery"}),
                Event(START_MS + 2, "adapter-failed", {"message": "cannot read '/home/ann/x y' (wlx02aabbccddee)"}),
                Event(START_MS + 3, "imported", {"file": "ann.csv", "rows": 3}),
                Event(START_MS + 3, "merged", {"log": "ann's laptop.db", "log_id": "8d1f0c2a", "new": 3}),
                Event(START_MS + 4, "connected", {"bssid": "02:00:00:00:00:99", "ssid_text": "Pottery next door"}),
            ],
        )  # fmt: skip
        with log.transaction() as db:
            db.execute(
                "INSERT INTO source (id, kind, name, added_at_utc_ms) VALUES (2, 'import', 'ann''s laptop.csv: x', 0)"
            )
            db.execute("UPDATE event SET source_id = 2 WHERE kind = 'imported'")
    return path


def samples_of(log: Log, *, share: bool) -> list[dict[str, str]]:
    out = io.StringIO()
    export_samples(log, out, share=share)
    return list(csv.DictReader(io.StringIO(out.getvalue())))


def test_shared_samples_differ_in_aliases_only(told):
    with Log.open(told) as log:
        plain, shared, aliases = samples_of(log, share=False), samples_of(log, share=True), Aliases.of(log)
    for row in plain:
        row["bssid"] = aliases.radio(row["bssid"])
        row["location"] = aliases.words(row["location"])
    assert shared == plain
    assert not any(secret in json.dumps(shared).lower() for secret in SECRETS)


def test_shared_samples_are_imported_and_exported_again_the_same(told, tmp_path):
    out = tmp_path / "shared.csv"
    assert main(["export", "--db", str(told), "--share", "--output", str(out)]) == 0
    with Log.open(tmp_path / "theirs.db") as theirs:
        import_recording(theirs, out, now_utc_ms=START_MS, zone="UTC")
        again = io.StringIO()
        export_samples(theirs, again)
    assert again.getvalue() == out.read_text("utf-8")


def test_shared_tables_name_nobody_and_keep_the_rest(told, tmp_path, capsys):
    assert main(["export", "--db", str(told), "--tables", str(tmp_path / "plain")]) == 0
    assert main(["export", "--db", str(told), "--tables", str(tmp_path / "shared"), "--share"]) == 0
    assert "look before you send" in capsys.readouterr().out.splitlines()[-1]
    tables = {path.name: path.read_text("utf-8") for path in (tmp_path / "shared").iterdir()}
    for name, text in tables.items():
        assert not [secret for secret in SECRETS if secret in text.lower()], name
        plain = (tmp_path / "plain" / name).read_text("utf-8")
        assert text.count("\n") == plain.count("\n")
    with Log.open(told) as log:
        aliases = Aliases.of(log)
    events = [json.loads(row["detail"]) for row in csv.DictReader(io.StringIO(tables["events.csv"]))]
    assert events[1] == {
        "bssid": aliases.radio(FIVE), "from_bssid": aliases.radio(TWO), "ssid_text": aliases.network("Pottery"),
    }  # fmt: skip
    assert events[0] == {"interface": f"wlx-{aliases.radio('02:aa:bb:cc:dd:ee')}", "interval_s": 5}
    versions = list(csv.DictReader(io.StringIO(tables["versions.csv"])))
    assert versions[1]["label"] == f"{aliases.network('Pottery')} moved"
    blocks = list(csv.DictReader(io.StringIO(tables["blocks.csv"])))
    assert {row["bssid"] for row in blocks} == {aliases.radio(link.bssid) for link in (GUESTS, POTTERY_5, POTTERY_24)}


def test_aliases_are_the_same_next_month_and_after_more_was_logged(told):
    with Log.open(told) as log:
        before = Aliases.of(log).radio(TWO)
        Recorder(log).record([linked(START_MS + 500_000, -60, GUESTS._replace(bssid="00:00:00:00:00:01"))], [])
    with Log.open(told) as log:
        assert Aliases.of(log).radio(TWO) == before


def test_what_stays_is_said_also_beside_samples_on_standard_output(told, capsys):
    assert main(["export", "--db", str(told), "--share"]) == 0
    said = capsys.readouterr()
    assert said.err.count("\n") == 1
    assert "look before you send" in said.err
    assert "look before you send" not in said.out


def test_a_far_end_is_found_in_words_as_a_word_of_its_own(log):
    begin_probe(log, START_MS, far_end="kiln")
    told = Aliases.of(log)
    assert told.words("kiln answers, kilns do not") == f"{told.far_end('kiln')} answers, kilns do not"
    assert told.far_end("") == ""
