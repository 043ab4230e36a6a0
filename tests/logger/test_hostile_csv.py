"""A recording made by someone hostile: imported or refused in one line, and this log as it was."""

from __future__ import annotations

import csv
import io

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.console import main
from logger.log import Log
from tests.logger.test_merge import contents

HEADER = "time,location,placement,version,band,rssi_dbm,tx_rate_mbps,bssid\n"
GOOD = ["2026-05-01T10:00:00", "garden", "A", "v1", "5", "-60", "866.7", "02:00:00:00:00:05"]
HOSTILE = (
    *(
        "",
        "\0",
        "\x1b[31m",
        "9" * 5000,
        "x" * 200_000,
        "=cmd|' /C calc'!A0",
        "../../etc/passwd",
        "1e999",
        "-1e999",
        "nan",
    ),
    *(
        "inf",
        "-0",
        "\u202e",
        "\ud83d\ude00" * 50,
        "'; DROP TABLE sample; --",
        "${HOME}",
        "99999999999999999999",
        "2109-12-31",
    ),
    *("0001-01-01T00:00:00", "1969-12-31T23:59:59", "\r\n\r\n", '"', ",,,,,,,,,,,,", "{" * 4000, "\ufeff", "٣", "0x10"),
)


@pytest.fixture(scope="module")
def ours(tmp_path_factory):
    path = tmp_path_factory.mktemp("ours") / "office.db"
    Log.open(path).close()
    return path


def attempt(ours, data, capsys, monkeypatch, place):
    monkeypatch.setenv("LINKTRIAL_DB", str(ours))
    recording = place / "walk.csv"
    recording.write_bytes(data)
    before, beside = contents(ours), {path.name for path in ours.parent.iterdir()}
    code = main(["import", str(recording)])
    out, err = capsys.readouterr()
    assert "Traceback" not in err
    assert not any(ord(c) < 32 and c != "\n" for c in out + err)
    if code:
        assert (code, out) == (1, "")
        assert err.startswith("linktrial: ")
        assert err.count("\n") == 1
        assert len(err) < 1000
        assert contents(ours) == before
    assert {path.name for path in ours.parent.iterdir()} <= beside | {"office.db-wal", "office.db-shm"}
    assert [path.name for path in place.iterdir()] == ["walk.csv"]
    return code


def written(rows):
    out = io.StringIO()
    csv.writer(out).writerows(rows)
    return (HEADER + out.getvalue()).encode("utf-8", "surrogatepass")


@pytest.mark.parametrize("cell", HOSTILE, ids=ascii)
@pytest.mark.parametrize("column", range(len(GOOD)), ids=HEADER.strip().split(","))
def test_a_hostile_cell(ours, column, cell, capsys, monkeypatch, tmp_path):
    row = [*GOOD]
    row[column] = cell
    attempt(ours, written([GOOD, row]), capsys, monkeypatch, tmp_path)


@settings(max_examples=150, deadline=None, suppress_health_check=list(HealthCheck))
@given(
    st.one_of(st.binary(max_size=2000), st.text(max_size=500).map(lambda t: (HEADER + t).encode("utf-8", "replace")))
)
def test_any_bytes(ours, capsys, monkeypatch, tmp_path_factory, data):
    attempt(ours, data, capsys, monkeypatch, tmp_path_factory.mktemp("any"))
