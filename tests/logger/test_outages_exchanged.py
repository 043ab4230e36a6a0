"""Outages leave the log and come back: as many drop-outs, as long, of the same band, in the same periods."""

from __future__ import annotations

from collections import Counter
from itertools import pairwise

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from logger.errors import ImportRefused
from logger.exchange.exporting import SAMPLES_AT_ONCE, export_samples
from logger.exchange.importing import import_recording
from logger.log import Log
from logger.recorder import Recorder
from logger.timeline import Timeline

from .conftest import POTTERY_5, POTTERY_24, START_MS, HandClock, linked, unlinked

LINKS = {"5": POTTERY_5, "2.4": POTTERY_24}
PACE_MS = 5000
SPELLS = st.tuples(
    st.sampled_from(["5", "2.4", ""]), st.integers(1, 4), st.sampled_from([0, 0, 0, 2 * PACE_MS, 90_000])
)  # the band of the link or none, how many samples, how long nothing was logged before
PERIODS = st.lists(
    st.tuples(st.booleans(), st.lists(SPELLS, max_size=8), st.sampled_from(["5", "2.4", ""])), min_size=1, max_size=4
)  # moved or changed at the router, then these spells and a long one that shows the pace


def logged(log: Log, periods) -> list[list[tuple[int, str]]]:
    """Logs them; the times of each period's samples with the band of the link."""
    time_ms, taken, starts = START_MS, [], []
    for moved, spells, last in periods:
        taken.append([])
        starts.append((moved, time_ms))
        for band, n, pause_ms in [*spells, (last, 60, 0)]:
            time_ms += pause_ms if taken[-1] else 0
            for _ in range(n):
                taken[-1].append((time_ms, band))
                time_ms += PACE_MS
    samples = [
        linked(moment, -60, LINKS[band]) if band else unlinked(moment) for period in taken for moment, band in period
    ]
    Recorder(log).record(samples, [])
    timeline = Timeline(log, HandClock(time_ms), "Europe/Berlin")
    for number, (moved, begun_ms) in enumerate(starts):
        if moved or not number:
            timeline.at(f"shelf {number}", begun_ms)
        else:
            timeline.changed(f"aerial {number}", begun_ms)
    return taken


def through_a_file(log: Log, path, **choice) -> Log:
    with (path / "samples.csv").open("w", newline="") as out:
        export_samples(log, out, **choice)
    other = Log.open(path / "other.db")
    import_recording(other, path / "samples.csv", now_utc_ms=START_MS, zone="UTC")
    return other


def told(log: Log) -> list[tuple[object, ...]]:
    """Of each period: where, samples with a link by band, and without: how many, how long, how many drop-outs."""
    rows = log.db.execute("""
        SELECT location.name, period.started_at_utc_ms, connected, iif(connected, band, ''), sum(n_samples),
            iif(connected, 0, sum(covered_ms)), sum(n_dropouts)
        FROM block JOIN period ON period.id = period_id JOIN link ON link.id = link_id
        JOIN placement ON placement.id = placement_id JOIN location ON location.id = location_id
        GROUP BY 1, 2, 3, 4 ORDER BY 2, 1, 3, 4
    """)
    return [tuple(row) for row in rows]


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.too_slow])
@given(periods=PERIODS)
def test_an_export_imported_again_has_the_same_outages(periods, tmp_path_factory):
    path = tmp_path_factory.mktemp("outages")
    with Log.open(path / "pottery.db") as log:
        taken = logged(log, periods)
        with through_a_file(log, path) as other:
            assert told(other) == told(log)
            by_band = other.db.execute(
                "SELECT band, sum(n_dropouts) FROM block JOIN link ON link.id = link_id WHERE n_dropouts GROUP BY band"
            ).fetchall()
    assert dict(map(tuple, by_band)) == Counter(
        before
        for period in taken
        for (before_ms, before), (after_ms, after) in pairwise(period)
        if before and not after and after_ms - before_ms <= 3 * PACE_MS
    )


def test_an_outage_that_begins_before_the_export_does_has_its_band(log, tmp_path):
    periods = [(False, [("2.4", 3, 0), ("", SAMPLES_AT_ONCE + 50, 0), ("5", 3, 0)], "5")]
    (taken,) = logged(log, periods)
    with through_a_file(log, tmp_path, from_utc_ms=taken[5][0]) as other:
        bands = other.db.execute("SELECT DISTINCT band FROM sample JOIN link ON link.id = link_id WHERE NOT connected")
        assert [row[0] for row in bands] == ["2.4"]


HEADER = "time,location,placement,version,band,rssi_dbm,connected"


def import_rows(tmp_path, rows: list[str]) -> Log:
    (tmp_path / "rows.csv").write_text("\n".join([HEADER, *rows]) + "\n")
    log = Log.open(tmp_path / "imported.db")
    import_recording(log, tmp_path / "rows.csv", now_utc_ms=START_MS, zone="UTC")
    return log


def row(n: int, band: str, version: str = "v1") -> str:
    return f"{START_MS // 1000 + 5 * n},kiln room,1,{version},{band},{'-60,1' if band else ',0'}"


def test_rows_without_a_link_and_without_a_band_follow_the_link_before(tmp_path):
    rows = [*(row(n, "") for n in range(2)), *(row(n, "5") for n in range(2, 20)), row(20, ""), row(21, "")]
    rows += [*(row(n, "2.4") for n in range(22, 40)), row(40, ""), *(row(n, "2.4") for n in range(41, 50))]
    with import_rows(tmp_path, rows) as log:
        found = log.db.execute("""
            SELECT band, sum(n_samples), sum(n_dropouts), sum(covered_ms)
            FROM block JOIN link ON link.id = link_id WHERE NOT connected GROUP BY band ORDER BY band
        """).fetchall()
    assert [tuple(each) for each in found] == [("2.4", 1, 1, 5000), ("5", 4, 1, 20_000)]


def test_whose_link_was_gone_must_be_said_where_several_were_read_at_once(tmp_path):
    rows = [row(n, band) for n in range(20) for band in ("2.4", "5")]
    with pytest.raises(ImportRefused, match=r"rows\.csv line 42: connected 0 without a band") as refused:
        import_rows(tmp_path, [*rows, row(20, "")])
    assert "\n" not in str(refused.value)
    import_rows(tmp_path, rows).close()
