"""The report that is shared: the same figures and words, without addresses and network names."""

from __future__ import annotations

import json
import re
from dataclasses import replace

import pytest

from dashboards import page
from dashboards.analysis.unexplained.changes import Unexplained
from dashboards.report import find, write_tables
from dashboards.sharing import as_shared
from logger.aliases import Aliases
from logger.console import main
from logger.exchange.importing import import_recording
from logger.log import Log
from logger.timeline import Timeline
from tests.dashboards.kiln_log import END_MS, START_MS, ZONE, HandClock, make_kiln_log

ADDRESS = re.compile(r"\b[0-9a-f]{2}(?::[0-9a-f]{2}){5}\b")
SEEN = Unexplained(
    "level", "kiln room", "5", 2, "rssi", START_MS, START_MS - 300_000, START_MS + 300_000, -6.0, -7.2, -4.8, "dB",
    ("BSSID 02:00:00:00:00:05 before, 02:00:00:00:00:15 after", "roamed to 02:00:00:00:00:15 on 5200 MHz"),
)  # fmt: skip


@pytest.fixture(scope="module")
def kiln(tmp_path_factory):
    return make_kiln_log(tmp_path_factory.mktemp("sharing") / "kiln.db")


@pytest.fixture(scope="module")
def found(kiln):
    """Findings with addresses wherever the program says them, and the aliases of their log."""
    with Log.open(kiln) as log:
        findings, aliases = find(log, now_utc_ms=END_MS, zone=ZONE), Aliases.of(log)
    ((change, effects),) = findings.changes
    mixed = "The versions were on different radios: 02:00:00:00:00:05 and 02:00:00:00:00:02."
    told = [
        replace(one, effect=replace(one.effect, warnings=(mixed, *one.effect.warnings), mixed=(mixed,)))
        for one in effects
    ]
    return replace(findings, changes=[(change, told)], unexplained=[SEEN]), aliases


def test_the_shared_page_differs_in_aliases_only(found):
    findings, aliases = found
    plain, shared = page.render(findings), page.render(as_shared(findings, aliases))
    assert ADDRESS.search(plain)
    assert not ADDRESS.search(shared)
    assert shared == ADDRESS.sub(lambda address: aliases.radio(address[0]), plain)


def test_copies_of_a_radio_and_the_order_of_rows_are_those_of_the_plain_page(tmp_path):
    """One location's name sorts before the other, and its alias behind it; one radio sends two BSSIDs."""
    path = make_kiln_log(tmp_path / "two.db", location="Pottery shelf", ssid=b"Pottery")
    rows = [
        f"{START_MS // 1000 + 60 * n},kiln room,1,v{1 + (n > 600)},5180,{-60 - n % 3 - 3 * (n > 600)},{n % 97 > 1:d},{bssid}\n"
        for n in range(1200)
        for bssid in ("02:00:00:00:00:07", "02:00:00:00:00:08")
    ]
    recording = tmp_path / "two.csv"
    recording.write_text("time,location,placement,version,frequency_mhz,rssi_dbm,connected,bssid\n" + "".join(rows))
    with Log.open(path) as log:
        import_recording(log, recording, now_utc_ms=END_MS, zone=ZONE)
        findings, aliases = find(log, now_utc_ms=END_MS, zone=ZONE), Aliases.of(log)
    plain, shared = (
        re.sub(r"(?s)<script>.*?</script>", "", page.render(told)) for told in (findings, as_shared(findings, aliases))
    )
    assert "are copies of one measurement: one counts, 02:00:00:00:00:0" in plain
    assert plain.index("<bdi>Pottery shelf</bdi></h3>") < plain.index("<bdi>kiln room</bdi></h3>")
    assert shared == aliases.addresses(plain).replace("Pottery", aliases.network("Pottery"))


def test_the_shared_tables_differ_in_aliases_only(found, tmp_path):
    findings, aliases = found
    write_tables(findings, tmp_path / "plain")
    for path in write_tables(as_shared(findings, aliases), tmp_path / "shared"):
        plain = (tmp_path / "plain" / path.name).read_text("utf-8")
        assert path.read_text("utf-8") == ADDRESS.sub(lambda address: aliases.radio(address[0]), plain)


def test_findings_are_judged_before_anything_is_replaced(found):
    findings, aliases = found
    shared = as_shared(findings, aliases)
    assert set(shared.frames.blocks["bssid"].dropna()) == set(
        map(aliases.radio, findings.frames.blocks["bssid"].dropna())
    )
    assert shared.frames.blocks.drop(columns="bssid").equals(findings.frames.blocks.drop(columns="bssid"))
    numbers = [(one.effect.estimate, one.effect.low, one.effect.high, one.effect.verdict) for one in findings.effects]
    assert numbers == [
        (one.effect.estimate, one.effect.low, one.effect.high, one.effect.verdict) for one in shared.effects
    ]


def test_a_network_named_by_the_owner_is_replaced_and_the_rest_of_the_words_stay(tmp_path):
    path = make_kiln_log(
        tmp_path / "named.db", location="below Ann's-WLAN 5", label="Ann's-WLAN <moved>", ssid=b"Ann's-WLAN"
    )
    with Log.open(path) as log:
        timeline = Timeline(log, HandClock(), ZONE)
        timeline.amend_version(2, notes="wlx020000000005 & 02-00-00-00-00-05 see ann's-wlan on the shelf")
        findings, aliases = find(log, now_utc_ms=END_MS, zone=ZONE), Aliases.of(log)
        html = page.render(as_shared(findings, aliases))
        tables = [table.read_text("utf-8") for table in write_tables(as_shared(findings, aliases), tmp_path / "tables")]
    network, radio = aliases.network("Ann's-WLAN"), aliases.radio("02:00:00:00:00:05")
    for text in (html, *tables):
        assert not re.search(r"ann(?:'|&#39;)s-wlan", text, re.IGNORECASE)
        assert not re.search(r"02[:-]?00[:-]?00[:-]?00", text)
    assert f"below {network} 5" in html
    assert f"{network} &lt;moved&gt;" in html
    assert f"wlx-{radio} &amp; {radio} see {network} on the shelf" in html


def test_the_command_writes_it_under_a_name_of_its_own_and_says_what_stays(kiln, tmp_path, capsys, monkeypatch):
    monkeypatch.chdir(tmp_path)
    assert main(["report", "--share", "--db", str(kiln)]) == 0
    said = capsys.readouterr().out
    assert said.count("\n") == 1
    assert "linktrial-report-to-share.html" in said
    assert "places, labels and notes are otherwise as you wrote them: look before you send" in said
    assert main(["report", "--share", "--csv", "tables", "--output", "x.html", "--json", "--db", str(kiln)]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert (answer["report"], answer["shared"]) == ("x.html", True)
    written = [tmp_path / "x.html", *(tmp_path / "tables").iterdir()]
    assert {path.stat().st_mode & 0o777 for path in written} == {0o600}
    assert not [path for path in written if ADDRESS.search(path.read_text("utf-8"))]


def test_report_and_export_use_the_same_aliases(kiln, tmp_path, capsys):
    assert main(["export", "--share", "--db", str(kiln), "--location", "kiln room"]) == 0
    with Log.open(kiln) as log:
        alias = Aliases.of(log).radio("02:00:00:00:00:05")
    assert alias in capsys.readouterr().out
