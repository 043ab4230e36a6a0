"""What leaves the log comes back the same, and harms no spreadsheet."""

from __future__ import annotations

import csv
import io
import json
import sys

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.console import main
from logger.errors import LogError, TagError
from logger.exchange import exporting
from logger.exchange.columns import COLUMNS, format_number, format_time, harmless, parse_number, parse_time, plain
from logger.exchange.exporting import export_samples, export_tables
from logger.exchange.importing import import_recording
from logger.log import Log
from logger.probe_table import begin_probe, end_probe
from logger.recorder import Recorder
from logger.sample_id import LATEST_MS

from .conftest import POTTERY_24, START_MS, linked, unlinked

RISKY = st.sampled_from(["", "=", "+", "-", "@", "'", "'=", "''", "'@", "x;=", "x; '+", ";;@", "\uff1d"])
NAMES = st.builds(
    lambda risky, rest: (risky + rest).strip(),
    RISKY,
    st.text(st.characters(exclude_categories=["Cc", "Cs", "Z"]), min_size=1, max_size=30),
).filter(bool)
ROWS = st.fixed_dictionaries(
    {
        "step_ms": st.integers(0, 400_000),
        "location": st.integers(0, 2),
        "placement": st.integers(0, 2),
        "band": st.sampled_from(["", "2.4", "5", "6"]),
        "frequency_mhz": st.sampled_from(["", "", "2437", "5180", "5955"]),
        "rssi_dbm": st.none() | st.floats(-120, 0, exclude_max=True),
        "tx_rate_mbps": st.none() | st.floats(0.001, 10_000),
        "rx_rate_mbps": st.none() | st.sampled_from([6.5, 433.3]),
        "noise_dbm": st.none() | st.integers(-110, -80),
        "connected": st.sampled_from(["", "1", "0"]),
        "bssid": st.sampled_from(["", "02:00:00:00:00:05", "02-00-00-00-00-0A"]),
        "during_probe": st.sampled_from(["", "0", "1"]),
    }
).filter(lambda row: not (row["band"] and row["frequency_mhz"]))
RECORDINGS = st.fixed_dictionaries(
    {
        "rows": st.lists(ROWS, min_size=1, max_size=40),
        "locations": st.lists(NAMES, min_size=3, max_size=3, unique=True),
        "placements": st.lists(st.integers(1, 5).map(str) | NAMES, min_size=3, max_size=3, unique=True),
        "versions": st.lists(st.sampled_from(["v1", "v2", "7"]) | NAMES, min_size=1, max_size=5),
    }
)


def recording_text(recording) -> str:
    out = io.StringIO()
    writer = csv.writer(out)
    writer.writerow(COLUMNS)
    time_ms = START_MS
    for number, row in enumerate(recording["rows"]):
        time_ms += 1 + row["step_ms"]  # one placement cannot be in two versions at one time
        tags = (
            recording["locations"][row["location"]],
            recording["placements"][row["placement"]],
            recording["versions"][number * len(recording["versions"]) // len(recording["rows"])],
        )
        writer.writerow(
            [format_time(time_ms), *map(harmless, tags), row["band"], row["frequency_mhz"], row["rssi_dbm"]]
            + [row["tx_rate_mbps"], row["rx_rate_mbps"], row["noise_dbm"], row["connected"], row["bssid"]]
            + [row["during_probe"]]
        )
    return out.getvalue()


def exported(log: Log, **choice) -> str:
    out = io.StringIO()
    export_samples(log, out, **choice)
    return out.getvalue()


def imported(path, text: str) -> Log:
    source = path.with_suffix(".csv")
    source.write_text(text, newline="")
    log = Log.open(path)
    import_recording(log, source, now_utc_ms=START_MS, zone="UTC")
    return log


def cells(text: str) -> list[dict[str, str]]:
    return list(csv.DictReader(io.StringIO(text)))


@settings(max_examples=25, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(recording=RECORDINGS)
def test_an_export_is_imported_and_exported_again_the_same(recording, tmp_path_factory):
    folder = tmp_path_factory.mktemp("round")
    with imported(folder / "first.db", recording_text(recording)) as first:
        text = exported(first)
    assert len(cells(text)) == len(recording["rows"])
    with imported(folder / "second.db", text) as second:
        assert exported(second) == text


def test_what_the_logger_recorded_is_imported_and_exported_again_the_same(log, clock, timeline, tmp_path):
    clock.now_ms = START_MS + 1_000_000
    recorder = Recorder(log)
    recorder.record([linked(START_MS + 5000 * number, -60 - number % 5) for number in range(100)], [])
    timeline.at("bench", START_MS + 100_000)
    timeline.changed("=cmd", START_MS + 200_000)
    end_probe(log, begin_probe(log, START_MS + 503_000), START_MS + 504_000, "done")
    recorder.record([unlinked(START_MS + 500_000), linked(START_MS + 505_000, None, POTTERY_24)], [])
    text = exported(log)
    with imported(tmp_path / "other.db", text) as other:
        assert exported(other) == text
    assert cells(text)[-1] == {
        "time": "2026-09-21T14:21:45.000Z", "location": "bench", "placement": "1", "version": "v2", "band": "2.4",
        "frequency_mhz": "2437", "rssi_dbm": "", "tx_rate_mbps": "433.3", "rx_rate_mbps": "", "noise_dbm": "-92",
        "connected": "1", "bssid": "02:00:00:00:00:02", "during_probe": "1",
    }  # fmt: skip
    assert {name: cell for name, cell in cells(text)[-2].items() if cell} == {
        "time": "2026-09-21T14:21:40.000Z", "location": "bench", "placement": "1", "version": "v2", "band": "5",
        "connected": "0", "during_probe": "0",
    }  # fmt: skip


@given(st.text())
def test_a_harmless_text_is_no_formula_and_comes_back(text):
    assert plain(harmless(text)) == text
    assert not harmless(text).startswith(("=", "+", "-", "@", "\t", "\r", "\n"))


@given(st.floats(-120, 0, exclude_max=True))
def test_a_number_comes_back_whole(value):
    assert parse_number(format_number(value), "rssi_dbm") == value


@given(st.integers(0, LATEST_MS))
def test_a_moment_comes_back_whole(utc_ms):
    assert parse_time(format_time(utc_ms)) == utc_ms


def test_numbers_stay_numbers_and_texts_cannot_run(log, timeline):
    timeline.at("=HYPERLINK(0)", START_MS)
    Recorder(log).record([linked(START_MS, -61)], [])
    (row,) = cells(exported(log))
    assert (row["location"], row["rssi_dbm"], row["noise_dbm"]) == ("'=HYPERLINK(0)", "-61", "-92")


def test_sources_are_merged_in_order_of_time(log, tmp_path):
    Recorder(log).record([linked(START_MS + 10_000 * number) for number in range(10)], [])
    lines = [f"{START_MS // 1000 + 10 * number + 5},kiln,1,v1,5,-70" for number in range(10)]
    path = tmp_path / "kiln.csv"
    path.write_text("time,location,placement,version,band,rssi_dbm\n" + "\n".join(lines))
    import_recording(log, path, now_utc_ms=START_MS, zone="UTC")
    found = cells(exported(log))
    assert [row["time"] for row in found] == sorted(row["time"] for row in found)
    assert [row["location"] for row in found] == ["unnamed spot", "kiln"] * 10


def test_one_location_and_a_stretch_of_time_can_be_chosen(log, clock, timeline):
    recorder = Recorder(log)
    recorder.record([linked(START_MS + 1000 * number) for number in range(100)], [])
    clock.now_ms = START_MS + 60_000
    timeline.at("bench", START_MS + 50_000)
    assert len(cells(exported(log, location="bench"))) == 50
    chosen = cells(exported(log, location="bench", from_utc_ms=START_MS + 60_000, to_utc_ms=START_MS + 62_000))
    assert [row["time"][-7:] for row in chosen] == ["20.000Z", "21.000Z"]
    with pytest.raises(TagError, match="there is no location 'bnech'; is 'bench' meant"):
        exported(log, location="bnech")


def test_an_empty_log_gives_the_names_of_the_columns(log):
    assert exported(log) == ",".join(COLUMNS) + "\n"


def test_tables_hold_blocks_periods_versions_and_events(log, timeline, tmp_path):
    timeline.at("-bench", START_MS)
    timeline.changed("@home", START_MS, notes="+1\n=2")
    Recorder(log).record([linked(START_MS, -61), linked(START_MS + 5000, -62), unlinked(START_MS + 9000)], [])
    files = export_tables(log, tmp_path / "tables")
    names = ["blocks", "probes", "sightings", "periods", "versions", "events"]
    assert [path.name for path in files] == [f"{name}.csv" for name in names]
    blocks, probes, sightings, periods, versions, events = (cells(path.read_text()) for path in files)
    assert probes == sightings == []
    one = next(row for row in blocks if row["connected"] == "1")
    assert json.loads(one["rssi_dbm_histogram"]) == {"-61": 1, "-62": 1}
    assert (one["location"], one["rssi_mean_dbm"], one["n_samples"]) == ("'-bench", "-61.5", "2")
    assert one["started_at_utc"] == "2026-09-21T14:13:20.000Z"
    other = next(row for row in blocks if row["connected"] == "0")
    assert (other["rssi_mean_dbm"], other["n_dropouts"]) == ("", "1")
    assert periods[-1]["ended_at_utc"] == ""
    assert (versions[-1]["label"], versions[-1]["notes"]) == ("'@home", "'+1\n'=2")
    assert events == []


def test_a_slow_reader_keeps_no_read_open_and_later_samples_are_left_out(log, monkeypatch):
    monkeypatch.setattr(exporting, "SAMPLES_AT_ONCE", 10)
    recorder = Recorder(log)
    recorder.record([linked(START_MS + 1000 * number) for number in range(35)], [])

    class SlowReader(io.StringIO):
        """Lets the daemon log a sample, on a radio not heard before, while each row is written."""

        def write(self, text):
            assert not log.db.in_transaction
            recorder.record([linked(START_MS + 100_000 + self.tell(), link=POTTERY_24)], [])
            return super().write(text)

    out = SlowReader()
    assert export_samples(log, out) == 35
    assert [row["time"] for row in cells(out.getvalue())] == [
        format_time(START_MS + 1000 * number) for number in range(35)
    ]


def test_an_edit_meanwhile_ends_an_export(log, clock, timeline, monkeypatch):
    monkeypatch.setattr(exporting, "SAMPLES_AT_ONCE", 10)
    Recorder(log).record([linked(START_MS + 1000 * number) for number in range(35)], [])
    clock.now_ms = START_MS + 60_000

    class Editor(io.StringIO):
        """Moves samples from one period to another while the first row is written."""

        def write(self, text):
            if self.tell() == 0:
                timeline.at("bench", START_MS + 20_000)
            return super().write(text)

    with pytest.raises(LogError, match="the timeline was edited"):
        export_samples(log, Editor())


# On the command line


@pytest.fixture
def logged(log):
    Recorder(log).record([linked(START_MS + 1000 * number) for number in range(3)], [])
    return str(log.path)


def test_the_command_writes_to_standard_output(logged, capsys):
    assert main(["export", "--db", logged]) == 0
    assert len(cells(capsys.readouterr().out)) == 3


def test_the_command_writes_a_file(logged, tmp_path, capsys):
    out = tmp_path / "samples.csv"
    assert main(["export", "--db", logged, "--output", str(out), "--from", "2026-09-21 14:13:21Z", "--json"]) == 0
    assert json.loads(capsys.readouterr().out) == {"file": str(out), "n_samples": 2, "shared": False}
    assert len(cells(out.read_text())) == 2
    assert main(["export", "--db", logged, "--output", str(out)]) == 0
    assert capsys.readouterr().out == f"wrote 3 samples to {out}\n"


def test_the_command_writes_tables(logged, tmp_path, capsys):
    assert main(["export", "--db", logged, "--tables", str(tmp_path / "tables")]) == 0
    assert capsys.readouterr().out.splitlines()[0] == str(tmp_path / "tables/blocks.csv")


@pytest.mark.parametrize("choice", [["--tables", "x", "--from", "now"], ["--tables", "x", "--output", "y"], ["--json"]])
def test_choices_that_contradict_each_other_are_wrong_usage(logged, capsys, choice):
    assert main(["export", "--db", logged, *choice]) == 2
    assert capsys.readouterr().err.count("\n") == 1


def test_a_span_that_ends_before_it_begins_is_wrong_usage_and_writes_nothing(logged, tmp_path, capsys):
    out = tmp_path / "samples.csv"
    span = ["--from", "2026-02-01", "--to", "31 Jan 2026"]
    assert main(["export", "--db", logged, "--output", str(out), *span]) == 2
    said = capsys.readouterr().err
    assert "1 Feb" in said
    assert "is not before Sat 31 Jan" in said
    assert not out.exists()
    assert main(["export", "--db", logged, "--from", "31 Jan 2026", "--to", "2026-01-31"]) == 2


def test_an_empty_time_is_no_time(logged, capsys):
    assert main(["export", "--db", logged, "--from", ""]) == 1
    assert "no time that linktrial understands" in capsys.readouterr().err


def test_a_file_below_a_file_is_refused_in_one_line(logged, tmp_path, capsys):
    (tmp_path / "file").write_text("")
    assert main(["export", "--db", logged, "--output", str(tmp_path / "file" / "x")]) == 1
    assert capsys.readouterr().err.count("\n") == 1


def test_export_needs_no_pandas(logged, capsys):
    import subprocess

    code = f"import sys, logger.console as c; c.main(['export', '--db', {logged!r}]); sys.exit('pandas' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
