"""What the report says of probes that came to no number, and of the tail of latencies."""

from __future__ import annotations

import random
import re

import pytest

from dashboards.report import find, write_html, write_tables
from logger.log import Log
from tests.dashboards.beside_log import HOUR_MS, HOURS, add_probe, make_beside_log
from tests.logger.conftest import START_MS


@pytest.fixture(scope="module")
def found(tmp_path_factory):
    folder = tmp_path_factory.mktemp("carrying")
    with Log.open(make_beside_log(folder / "pottery.db", hours=6)) as log:
        for k in range(3):
            add_probe(log, START_MS + k * HOUR_MS + 1000, random.Random(k), outcome="stepped-aside")
        with log.transaction() as db:
            db.execute(
                "UPDATE probe SET words = 'the <b>link</b> is in use: ' || (id % 3) || '.5 Mbit/s'"
                " WHERE outcome = 'stepped-aside'"
            )
        n = log.db.execute("SELECT count(*) FROM probe").fetchone()[0]
        findings = find(log, now_utc_ms=START_MS + 2 * HOURS * HOUR_MS, zone="UTC")
    page = write_html(findings, folder / "report.html").read_text("utf-8")
    return page, findings, n, folder


def test_steps_aside_are_counted_with_their_reasons(found):
    page, _, n, _ = found
    assert f"3 of {n} probes stepped aside: the &lt;b&gt;link&lt;/b&gt; is in use (3)." in page


def test_latencies_have_their_tail_and_their_jitter(found):
    page, _, _, folder = found
    carrying = re.search(r'<section id="carrying">.*?</table>', page, re.DOTALL)[0]
    assert re.search(r"95.%:.[0-9.]+, jitter.[0-9.]+", carrying)
    head = next(path for path in write_tables(found[1], folder / "csv") if path.name == "carrying.csv").read_text()
    assert {"idle_p95_ms", "idle_jitter_ms", "loaded_p95_ms", "loaded_jitter_ms"} <= set(
        head.splitlines()[0].split(",")
    )


def test_a_heading_of_nothing_is_left_out(found):
    page, _, _, _ = found
    assert re.search(r"Not measured:</p>\s*<ul>\s*</ul>", page) is None
