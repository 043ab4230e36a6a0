"""What two machines measured of one router is compared and reported from one log."""

from __future__ import annotations

import json

import pytest

from adapters.simulated.clock import SimulatedClock
from logger.console import main
from logger.log import Log
from logger.merging.merge import merge
from logger.recorder import Recorder
from logger.timeline import Timeline
from tests.logger.conftest import POTTERY_5, POTTERY_24, START_MS, linked

HOUR_MS = 3_600_000


def machine(path, location, rssi_dbm, link):
    """Two days before longer antennas, and two with them: 6 dB more."""
    clock = SimulatedClock(START_MS)
    with Log.open(path) as log:
        timeline, recorder = Timeline(log, clock, "Europe/Berlin"), Recorder(log)
        timeline.at(location)
        recorder.set_pace(60_000, START_MS)
        for gain in (0, 6):
            begin_ms = clock.utc_ms()
            samples = [
                linked(begin_ms + 60_000 * i, rssi_dbm + gain + (i * 7919 % 11 - 5) / 4, link) for i in range(48 * 60)
            ]
            recorder.record(samples, [])
            clock.set_wall(begin_ms + 48 * HOUR_MS)
            if not gain:
                timeline.changed("longer antennas", settings={"antenna.5.gain_dbi": 5})
    return path


@pytest.fixture
def both(tmp_path, monkeypatch):
    here = machine(tmp_path / "office.db", "wheel by the window", -60, POTTERY_5)
    there = machine(tmp_path / "kiln.db", "kiln room", -70, POTTERY_24)
    with Log.open(here) as log:
        merge(log, there, now_utc_ms=START_MS + 200 * HOUR_MS)
    monkeypatch.setenv("LINKTRIAL_DB", str(here))
    return here, there


def effects(capsys, *words):
    assert main(["compare", "v1", "v2", "--metric", "rssi", "--json", *words]) == 0
    return {(e["location"], e["band"]): e for e in json.loads(capsys.readouterr().out)["effects"]}


def test_the_effect_at_the_other_machines_place_is_that_of_its_own_log(both, capsys):
    _, there = both
    found = effects(capsys)
    assert set(found) == {("wheel by the window", "5"), ("kiln room", "2.4")}
    alone = effects(capsys, "--db", str(there))["kiln room", "2.4"]
    merged = found["kiln room", "2.4"]
    assert (merged["estimate"], merged["low"], merged["high"]) == (alone["estimate"], alone["low"], alone["high"])
    assert merged["verdict"] == "better"
    assert merged["warnings"] == alone["warnings"]  # the laptop did not choose its band by itself


def test_the_report_covers_each_machine(both, capsys, tmp_path):
    output = tmp_path / "report.html"
    assert main(["report", "--output", str(output)]) == 0
    page = output.read_text("utf-8")
    assert "another machine&#39;s logger (2)" in page
    assert "this laptop&#39;s logger" in page
    assert "192 h of Wi-Fi links, measured by 2 recorders, at 2 locations" in page.replace("\N{NO-BREAK SPACE}", " ")


def test_what_the_other_machine_began_with_follows_nothing(tmp_path, capsys, monkeypatch):
    """Its "as found" is another one than ours, for it says a setting; ours are numbered first, and come later."""
    here, there = tmp_path / "office.db", tmp_path / "kiln.db"
    for path, hour, gain in ((here, 2, 5), (there, 0, 2)):
        clock = SimulatedClock(START_MS + hour * HOUR_MS)
        with Log.open(path) as log:
            timeline = Timeline(log, clock, "Europe/Berlin")
            timeline.at("kiln room")
            if path == there:
                timeline.amend_version(1, settings={"antenna.2.4.gain_dbi": gain})
            else:
                clock.set_wall(clock.utc_ms() + HOUR_MS)
                timeline.changed("longer antennas", settings={"antenna.5.gain_dbi": gain})
    with Log.open(here) as log:
        merge(log, there, now_utc_ms=START_MS + 200 * HOUR_MS)
    monkeypatch.setenv("LINKTRIAL_DB", str(here))
    assert main(["timeline", "--json"]) == 0
    shown = json.loads(capsys.readouterr().out)["config_versions"]
    assert [(one["config_version"], one["after"], one["difference"]) for one in shown] == [
        ("v3", None, ["antenna.2.4.gain_dbi 2 dBi"]), ("v1", None, []), ("v2", "v1", ["antenna.5.gain_dbi 5 dBi"]),
    ]  # fmt: skip
    assert main(["timeline"]) == 0
    assert "no longer said" not in capsys.readouterr().out
