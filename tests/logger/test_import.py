"""A recording that somebody else made goes into the log whole, in the right periods, or not at all."""

from __future__ import annotations

import json

import pytest

from logger.block_table import rebuild_blocks
from logger.console import main
from logger.errors import ImportRefused
from logger.exchange import importing
from logger.exchange.importing import import_recording
from logger.exchange.reading import arrange, read_recording
from logger.log import Log
from logger.recorder import Recorder

from .conftest import START_MS, block_rows, linked

HEADER = "time,location,placement,version,band,rssi_dbm\n"
GOOD = "2026-10-05T08:00:00Z,bench,1,v1,5,-61\n"
TABLES = (
    "source",
    "location",
    "placement",
    "config_version",
    "period",
    "link",
    "rate",
    "sample",
    "pace",
    "block",
    "event",
)


@pytest.fixture
def take(log, tmp_path):
    """Imports a text into the log."""

    def _take(text: str | bytes, name: str = "kiln.csv", **choices):
        path = tmp_path / name
        path.write_bytes(text if isinstance(text, bytes) else text.encode())
        return import_recording(log, path, now_utc_ms=START_MS, zone="Europe/Berlin", **choices)

    return _take


def rows(*lines: str, header: str = HEADER) -> str:
    return header + "".join(line + "\n" for line in lines)


def minute(number: float, tags: str, rest: str = "5,-61") -> str:
    return f"{1_790_000_000 + number * 60:.0f},{tags},{rest}"


def spans(log: Log) -> list[tuple[object, ...]]:
    """Every period: location, placement, version, minutes from and to, samples."""
    found = log.db.execute(
        "SELECT location.name, ifnull(placement.name, placement.number), config_version,"
        " (started_at_utc_ms - 1790000000000) / 60000.0, (ended_at_utc_ms - 1790000000000) / 60000.0,"
        " (SELECT count(*) FROM sample WHERE period_id = period.id)"
        " FROM period JOIN placement ON placement.id = placement_id JOIN location ON location.id = location_id"
        " ORDER BY started_at_utc_ms, period.id"
    )
    return [tuple(row) for row in found]


def everything(log: Log) -> dict[str, list[tuple[object, ...]]]:
    return {table: [tuple(row) for row in log.db.execute(f"SELECT * FROM {table}")] for table in TABLES}


def one(log: Log, sql: str) -> tuple[object, ...]:
    return tuple(log.db.execute(sql).fetchone())


# What goes in


def test_a_row_becomes_a_sample_with_its_tags(take, log):
    header = "connected,noise_dbm,time,rx_rate_mbps,tx_rate_mbps,rssi_dbm,frequency_mhz,version,placement,location\n"
    take(header + "1,-92.5,2026-10-05T10:00:00.250+02:00,866.7,433.3,-61.25,5180,v3,2,bench\n")
    assert one(
        log,
        "SELECT time_utc, location, placement, config_version, band, frequency_mhz, connected, rssi_dbm, noise_dbm,"
        " tx_rate_mbps, rx_rate_mbps FROM tagged_sample",
    ) == ("2026-10-05T08:00:00.250Z", "bench", 2, "v3", "5", 5180, 1, -61.25, -92.5, 433.3, 866.7)


@pytest.mark.parametrize(
    "cell",
    [
        "2026-10-05T08:00:00Z",
        "2026-10-05 08:00",
        "2026-10-05T10:00:00+02:00",
        "1791187200",
        " 1791187200.0 ",
        "1.7911872e9",
    ],
)
def test_time_is_iso_8601_or_unix_seconds_and_utc_where_no_offset_is_given(take, log, cell):
    take(rows(f"{cell},bench,1,v1,5,-61"))
    assert one(log, "SELECT time_utc_ms FROM sample") == (1_791_187_200_000,)


def test_the_last_moment_that_a_log_can_hold_keeps_its_time(take, log):
    take(rows("4398046511.103,bench,1,v1,5,-61"))
    assert one(log, "SELECT time_utc FROM tagged_sample") == ("2109-05-15T07:35:11.103Z",)


@pytest.mark.parametrize("delimiter", [",", ";", "\t"])
@pytest.mark.parametrize("mark", ["", "\ufeff"])
@pytest.mark.parametrize("end", ["\n", "\r\n"])
def test_comma_semicolon_and_tab_with_or_without_a_byte_order_mark(take, log, delimiter, mark, end):
    take((mark + HEADER + GOOD).replace(",", delimiter).replace("\n", end))
    assert spans(log)[0][:3] == ("bench", 1, 1)


def test_decimal_commas_are_read_where_a_comma_separates_nothing(take, log):
    take("time;location;placement;version;band;rssi_dbm\n1791187200,5;bench;1;v1;2,4;-61,5\n")
    assert one(log, "SELECT time_utc_ms, rssi_dbm, band FROM tagged_sample") == (1_791_187_200_500, -61.5, "2.4")


def test_blank_lines_mean_nothing(take):
    assert take(HEADER + "\n" + GOOD + ",,,,,\n\n").n_rows == 1


def test_an_empty_cell_is_unknown_and_unknown_connected_means_there_was_a_link(take, log):
    header = "time,location,placement,version,band,frequency_mhz,rssi_dbm,noise_dbm,tx_rate_mbps,connected\n"
    take(header + "1791187200,bench,1,v1,,,,,,\n")
    assert one(log, "SELECT connected, band, rssi_dbm, noise_dbm, tx_rate_mbps FROM tagged_sample") == (1, *[None] * 4)


@pytest.mark.parametrize("word", ["0", "false", "NO", "0.0"])
def test_no_link_keeps_its_band_and_has_no_level(take, log, word):
    header = "time,location,placement,version,band,rssi_dbm,tx_rate_mbps,noise_dbm,connected\n"
    done = take(
        header + f"1791187200,bench,1,v1,5,-95,6,-92,{word}\n1791187205,bench,1,v1,,,0,,{word}\n"
        "1791187210,bench,1,v1,5,-61,6,-92,yes\n"
    )
    assert [
        tuple(row) for row in log.db.execute("SELECT connected, band, rssi_dbm, tx_rate_mbps FROM tagged_sample")
    ] == [
        (0, "5", None, None),
        (0, "5", None, None),  # said by the rows around it
        (1, "5", -61.0, 6.0),
    ]
    assert done.n_left_out == 1


def test_a_name_of_emoji_is_a_name(take, log):
    take(rows("1791187200,🏺🔥 kiln,1,🌧️ day,5,-61"))
    assert spans(log)[0][0] == "🏺🔥 kiln"
    assert one(log, "SELECT label FROM config_version") == ("🌧️ day",)


def test_an_apostrophe_that_kept_a_spreadsheet_from_running_a_cell_is_taken_off(take, log):
    take(rows("1791187200,'=1+1,'@shelf,''=x,5,-61", "1791187205,'tis,1,-new,5,-61"))
    assert {row[0] for row in log.db.execute("SELECT name FROM location")} == {"=1+1", "'tis"}
    assert one(log, "SELECT group_concat(label, '|') FROM config_version") == ("'=x|-new",)


# Periods


def test_a_period_lasts_until_placement_or_version_changes(take, log):
    tags = ["bench,1,v1", "bench,1,v1", "bench,1,v2", "bench,2,v2", "bench,2,v1", "bench,2,v1"]
    done = take(rows(*(minute(number, tag) for number, tag in enumerate(tags))))
    assert spans(log) == [
        ("bench", 1, 1, 0, 2, 2),
        ("bench", 1, 2, 2, 3, 1),
        ("bench", 2, 2, 3, 4, 1),
        ("bench", 2, 1, 4, 6, 2),
    ]
    assert (done.n_placements, done.n_periods) == (2, 4)


def test_the_order_of_the_rows_does_not_matter(take, log):
    lines = [minute(number, f"bench,1,v{1 + number // 5}", f"5,-{60 + number}") for number in range(10)]
    take(rows(*lines[::-1]))
    assert spans(log) == [("bench", 1, 1, 0, 5, 5), ("bench", 1, 2, 5, 10, 5)]
    assert [row[0] for row in log.db.execute("SELECT rssi_dbm FROM sample ORDER BY time_utc_ms")] == [
        -60.0 - number for number in range(10)
    ]


def test_several_receivers_at_once_each_have_their_own_periods(take, log):
    lines = [
        minute(number, f"{spot},v{1 + number // 3}") for number in range(6) for spot in ("bench,1", "kiln,1", "kiln,2")
    ]
    take(rows(*lines))
    assert spans(log) == [
        *(("bench", 1, 1, 0, 3, 3), ("kiln", 1, 1, 0, 3, 3), ("kiln", 2, 1, 0, 3, 3)),
        *(("bench", 1, 2, 3, 6, 3), ("kiln", 1, 2, 3, 6, 3), ("kiln", 2, 2, 3, 6, 3)),
    ]
    assert one(log, "SELECT count(*) FROM source WHERE kind = 'import'") == (3,)


def test_a_spot_that_was_left_for_another_gets_a_new_period_on_return(take, log):
    visits = [
        (0, "bench,1,v1"),
        (1, "bench,1,v1"),
        (20, "kiln,1,v1"),
        (21, "kiln,1,v1"),
        (40, "bench,1,v1"),
        (41, "bench,1,v1"),
    ]
    take(rows(*(minute(number, tag) for number, tag in visits)))
    assert spans(log) == [("bench", 1, 1, 0, 2, 2), ("kiln", 1, 1, 20, 22, 2), ("bench", 1, 1, 40, 42, 2)]


def test_a_gap_in_which_nobody_else_was_measured_ends_no_period(take, log):
    take(rows(*(minute(number, "bench,1,v1") for number in (0, 1, 2, 600, 601))))
    assert spans(log) == [("bench", 1, 1, 0, 602, 5)]


def test_two_bands_read_in_one_moment_are_two_samples_of_one_period(take, log):
    take(rows(*(minute(number, "bench,1,v1", f"{band},-61") for number in range(5) for band in ("2.4", "5"))))
    assert spans(log) == [("bench", 1, 1, 0, 5, 10)]
    assert one(log, "SELECT interval_ms FROM pace") == (60_000,)
    assert one(log, "SELECT group_concat(id & 15) FROM sample") == ("0,1,0,1,0,1,0,1,0,1",)


def test_one_placement_cannot_be_in_two_versions_at_once(take):
    with pytest.raises(ImportRefused, match="line 3: 'bench' placement '1' is in version 'v1' and 'v2' at one time"):
        take(rows("1791187200,bench,1,v1,5,-61", "1791187200,bench,1,v2,5,-61"))


def test_blocks_are_the_same_as_when_folded_again_from_the_samples(take, log):
    header = "time,location,placement,version,band,rssi_dbm,tx_rate_mbps,noise_dbm,connected\n"
    lines = []
    for number in range(3000):
        band, down = ("2.4", "5")[number % 2], number % 100 > 95
        rest = f"{band},,,,0" if down else f"{band},-{50 + number % 17}.5,{6 + number % 9},-92,1"
        lines.append(f"{1_790_000_000 + 2.5 * number},bench,{1 + number // 1100},v{1 + number // 700},{rest}")
    take(header + "\n".join(lines))
    imported = block_rows(log)
    with log.transaction() as db:
        for (period_id,) in db.execute("SELECT id FROM period").fetchall():
            rebuild_blocks(db, period_id)
    assert imported == block_rows(log)
    assert one(log, "SELECT sum(n_samples), sum(n_dropouts) > 0 FROM block") == (3000, 1)


# What the log calls it


def test_a_version_with_a_number_is_that_number_and_others_take_the_next_ones_in_order(take, log):
    tags = ["old antenna", "V3", "2", "long antenna", "v3"]
    done = take(rows(*(minute(number, f"bench,1,{tag}") for number, tag in enumerate(tags))))
    assert done.versions == {"old antenna": 4, "V3": 3, "2": 2, "long antenna": 5, "v3": 3}
    assert [tuple(row) for row in log.db.execute("SELECT number, label FROM config_version")] == [
        (2, "v2"), (3, "v3"), (4, "old antenna"), (5, "long antenna"),
    ]  # fmt: skip


def test_a_version_of_the_log_is_found_by_its_label(take, log, timeline):
    timeline.at("bench")
    timeline.changed("long antenna")
    timeline.changed("as found")
    done = take(rows(minute(0, "bench,1,long antenna"), minute(1, "bench,1,as found"), minute(2, "bench,1,short")))
    assert done.versions == {"long antenna": 2, "as found": 1, "short": 4}


def test_a_placement_with_a_name_takes_the_next_number_of_its_location(take, log):
    take(rows(*(minute(number, f"bench,{tag},v1") for number, tag in enumerate(["left edge", "2", "right edge"]))))
    take(rows(minute(50, "bench,left edge,v1"), minute(51, "bench,4,v1"), minute(52, "bench,3,v1")), "later.csv")
    assert [tuple(row) for row in log.db.execute("SELECT number, name FROM placement ORDER BY number")] == [
        (2, None), (3, "left edge"), (4, "right edge"), (5, "4"), (6, "3"),
    ]  # fmt: skip


def test_an_import_shares_locations_with_the_logger_and_leaves_its_periods_alone(take, log, timeline):
    Recorder(log).record([linked(START_MS + 5000 * number) for number in range(3)], [])
    timeline.at("bench")
    before = [period for period in timeline.periods() if period.source is None]
    take(rows(minute(0, "bench,2,v1")))
    assert [period for period in timeline.periods() if period.source is None] == before
    assert one(log, "SELECT count(*) FROM location WHERE name = 'bench'") == (1,)


def test_an_import_into_a_new_log_leaves_the_loggers_own_source_free(take, log):
    take(rows(minute(0, "bench,1,v1")))
    Recorder(log).record([linked(START_MS)], [])
    assert [tuple(row) for row in log.db.execute("SELECT id, kind FROM source ORDER BY id")] == [
        (1, "logger"),
        (2, "import"),
    ]


def test_the_import_is_an_event_that_names_the_file_and_not_its_folder(take, log, tmp_path):
    take(rows(minute(0, "bench,1,v1")))
    kind, detail = one(log, "SELECT kind, detail FROM event")
    assert kind == "imported"
    assert json.loads(detail)["file"] == "kiln.csv"
    assert json.loads(detail)["rows"] == 1
    assert str(tmp_path) not in detail


# What is refused

BAD_ROWS = {
    "soon,bench,1,v1,5,-61": "time 'soon' is neither ISO 8601 nor seconds since 1970",
    ",bench,1,v1,5,-61": "time '' is empty",
    "nan,bench,1,v1,5,-61": "time 'nan' is neither",
    "inf,bench,1,v1,5,-61": "time 'inf' is neither",
    "1791187200000,bench,1,v1,5,-61": "are those milliseconds?",
    "-5,bench,1,v1,5,-61": "lies outside 1970-01-01 to 2109-05-15",
    "2109-05-16T00:00:00Z,bench,1,v1,5,-61": "lies outside 1970-01-01 to 2109-05-15",
    "4398046511.104,bench,1,v1,5,-61": "lies outside 1970-01-01 to 2109-05-15",
    "2026-13-05T08:00Z,bench,1,v1,5,-61": "is neither ISO 8601",
    "1791187200,,1,v1,5,-61": "location '': a location needs at least one character",
    f"1791187200,{'x' * 200},1,v1,5,-61": "a location takes up to 80 characters, not 200",
    "1791187200,a\x1b[31mb,1,v1,5,-61": r"location 'a\x1b[31mb': a location cannot hold control characters",
    "1791187200,bench,,v1,5,-61": "placement '': a placement needs at least one character",
    "1791187200,bench,1,,5,-61": "version '': a version needs at least one character",
    "1791187200,bench,1,v1,5,abc": "rssi_dbm 'abc' is not a number",
    "1791187200,bench,1,v1,5,nan": "rssi_dbm 'nan' is not a number",
    "1791187200,bench,1,v1,5,-1_0": "rssi_dbm '-1_0' is not a number",
    "1791187200,bench,1,v1,5,-121": "rssi_dbm '-121' is not from -120 to below 0",
    "1791187200,bench,1,v1,5,0": "rssi_dbm '0' is not from -120 to below 0",
    "1791187200,bench,1,v1,5,61": "rssi_dbm '61' is not from -120 to below 0",
    "1791187200,bench,1,v1,7,-61": "band '7' is not 2.4, 5 or 6",
    "1791187200,bench,1,v1,5": "has 5 cells where the first row has 6",
    "1791187200,bench,1,v1,5,-61,": "has 7 cells where the first row has 6",
    "1791187200,bench,1,v1,5,\"-61": "look for a quote that is never closed",
}  # fmt: skip


@pytest.mark.parametrize("line", BAD_ROWS)
def test_a_bad_row_is_refused_with_its_line_and_nothing_is_imported(take, log, line):
    before = everything(log)
    with pytest.raises(ImportRefused) as refusal:
        take(HEADER + GOOD + "\n" + line)
    message = str(refusal.value)
    assert message.startswith("kiln.csv line 4: ")
    assert BAD_ROWS[line] in message
    assert message.endswith("nothing was imported")
    assert message.isprintable()
    assert everything(log) == before


@pytest.mark.parametrize(
    ("columns", "cells", "problem"),
    [
        ("frequency_mhz", "5200000", "frequency_mhz '5200000' is in no Wi-Fi band"),
        ("frequency_mhz", "0", "is in no Wi-Fi band"),
        ("band,frequency_mhz", "2.4,5180", "band '2.4' and frequency_mhz '5180' contradict each other"),
        ("band,connected", "5,maybe", "connected 'maybe' is not 1 or 0"),
        ("band,bssid", "5,02:00:00:00:05", "bssid '02:00:00:00:05' is not six pairs of hexadecimal digits"),
        ("band,tx_rate_mbps", "5,0", "tx_rate_mbps '0' is not from 0.001"),
        ("band,rx_rate_mbps", "5,-6", "rx_rate_mbps '-6' is not from 0.001"),
        ("band,noise_dbm", "5,1e999", "noise_dbm '1e999' is not from -150"),
    ],
)
def test_a_bad_optional_cell_is_refused(take, columns, cells, problem):
    with pytest.raises(ImportRefused) as refusal:
        take(f"time,location,placement,version,rssi_dbm,{columns}\n1791187200,bench,1,v1,-61,{cells}\n")
    assert problem in str(refusal.value)


def test_further_bad_rows_are_counted(take):
    bad = "1791187200,bench,1,v1,5,abc\n"
    with pytest.raises(ImportRefused, match=r"line 3: rssi_dbm 'abc' is not a number; 3 more bad rows; nothing was"):
        take(HEADER + GOOD + bad * 4)


def test_the_line_of_a_row_is_where_it_begins_in_the_file(take):
    with pytest.raises(ImportRefused, match=r"line 2: location 'a\\nb'.*; 1 more bad row;"):
        take(HEADER + '1791187200,"a\nb",1,v1,5,-61\n' + "1791187200,bench,1,v1,5,abc\n")


@pytest.mark.parametrize(
    ("header", "problem"),
    [
        ("", "is empty; its first row names the columns: time,"),
        ("time,location,placement,version,band,rssi_dmb\n", "unknown column 'rssi_dmb'; is rssi_dbm meant?"),
        (HEADER.strip() + ",humidity\n", "unknown column 'humidity'; say --ignore-extra to leave it out"),
        (HEADER.strip() + ",band\n", "has two columns band"),
        ("time,location,version,rssi_dbm\n", r"has no column placement, band \(or frequency_mhz\)"),
        (HEADER, "has no rows"),
        ("PK\x03\x04 a spreadsheet's own format", "unknown column"),
    ],
)
def test_a_file_without_the_right_columns_is_refused(take, header, problem):
    with pytest.raises(ImportRefused, match=problem):
        take(header)


def test_extra_columns_can_be_left_out_on_demand(take):
    assert (
        take(rows("1791187200,bench,1,v1,5,-61,40", header=HEADER.strip() + ",humidity\n"), ignore_extra=True).n_rows
        == 1
    )


@pytest.mark.parametrize("encoding", ["latin-1", "utf-16"])
def test_a_file_that_is_not_utf_8_is_refused(take, encoding):
    with pytest.raises(
        ImportRefused, match=r"kiln\.csv line \d.* is not UTF-8; save the file as UTF-8; nothing was imported"
    ):
        take((HEADER + GOOD + GOOD.replace("bench", "fenêtre")).encode(encoding))


def test_a_file_that_is_not_there_is_refused(log, tmp_path):
    for path in (tmp_path / "nowhere.csv", tmp_path):
        with pytest.raises(ImportRefused, match=r"cannot be read: (No such file|Is a directory)"):
            import_recording(log, path, now_utc_ms=0, zone="UTC")


def test_the_same_rows_are_not_taken_twice_whatever_the_file_is_called(take, log):
    take(HEADER + GOOD)
    before = everything(log)
    with pytest.raises(ImportRefused, match=r"copy\.csv was imported already, on Mon 21 Sep 16:13"):
        take(HEADER + GOOD, "copy.csv")
    assert everything(log) == before


def test_an_import_that_fails_half_way_leaves_nothing(take, log, monkeypatch):
    before = everything(log)

    def fail(*_):
        raise KeyboardInterrupt

    monkeypatch.setattr(importing, "write_blocks", fail)
    with pytest.raises(KeyboardInterrupt):
        take(HEADER + GOOD)
    assert everything(log) == before


# On the command line


def test_the_command_says_what_it_took(tmp_path, capsys):
    path = tmp_path / "kiln.csv"
    path.write_text(rows(minute(0, "bench,1,old antenna"), minute(1, "kiln,1,v7")))
    assert main(["import", str(path), "--db", str(tmp_path / "new.db")]) == 0
    out = capsys.readouterr().out
    assert out.startswith("imported 2 samples from kiln.csv, ")
    assert "2 locations: bench, kiln\n2 placements, 2 periods\n" in out
    assert "version 'old antenna' is v8" in out


def test_the_command_answers_machines(tmp_path, capsys):
    path = tmp_path / "kiln.csv"
    path.write_text(HEADER + GOOD)
    assert main(["import", str(path), "--db", str(tmp_path / "new.db"), "--json"]) == 0
    answer = json.loads(capsys.readouterr().out)
    assert (answer["n_rows"], answer["versions"], answer["locations"]) == (1, {"v1": 1}, ["bench"])


def test_the_command_refuses_in_one_line(tmp_path, capsys):
    path = tmp_path / "kiln.csv"
    path.write_text(HEADER + GOOD + "soon,bench,1,v1,5,-61\n")
    assert main(["import", str(path), "--db", str(tmp_path / "new.db")]) == 1
    out, err = capsys.readouterr()
    assert out == ""
    assert err.startswith("linktrial: kiln.csv line 3: time 'soon' is neither")
    assert err.count("\n") == 1


def test_progress_is_told_in_bytes_up_to_the_end(tmp_path):
    path = tmp_path / "long.csv"
    path.write_text(HEADER + GOOD * 12_000)
    told: list[int] = []
    recording = read_recording(path, progress=told.append)
    assert told == sorted(told)
    assert 0 < told[-1] <= path.stat().st_size
    assert len(arrange(recording)[0].stays[0].rows) == recording.n_rows == 12_000
