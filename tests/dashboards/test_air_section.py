"""The report's section on the air: the command's findings, escaped, and with aliases where they are shared."""

from __future__ import annotations

import pytest
from jinja2 import Environment, PackageLoader, StrictUndefined

from dashboards import palette
from dashboards.air.find import find_air
from dashboards.air.section import air_section
from dashboards.report import find
from dashboards.sharing import as_shared
from dashboards.typeset import tied
from logger.aliases import Aliases
from tests.dashboards.heard_log import OWN, START_MS, Planted, make_log, radio
from tests.dashboards.test_channels import ROUTER, STUDIO, visits

EVIL = radio(7, 5200, ssid=b"<img src=x onerror=alert(1)>\x1b[2J")


@pytest.fixture(scope="module")
def log(tmp_path_factory):
    planted = [Planted(ROUTER), Planted(STUDIO, load=lambda hour: 0.2), Planted(EVIL)]
    path = tmp_path_factory.mktemp("air") / "pottery.db"
    with make_log(path, planted, hours=96, visits=visits, busy=lambda h: 0.5 if 18 <= h < 21 else 0.2) as log:
        yield log


def page_of(air) -> str:
    environment = Environment(
        loader=PackageLoader("dashboards"), autoescape=True, undefined=StrictUndefined, trim_blocks=True
    )
    environment.filters["tied"] = tied
    environment.globals["palette"] = palette
    template = environment.from_string('{% from "air.html.j2" import air_of %}{{ air_of(air) }}')
    return template.render(air=air_section(air, START_MS)).replace("\N{NO-BREAK SPACE}", " ")


def test_the_section_says_what_the_command_says(log):
    page = page_of(find_air(log, zone="UTC"))
    assert "192 full scans on 4 days" in page
    assert '36 <span class="label">yours</span>' in page
    assert "100 %: same channel" in page
    assert "<b>50 %</b>" in page, "the evening"
    assert "linktrial changed &#34;channel 100&#34; --set radio.5.channel=100" in page
    assert "your national regulator says what is lawful" in page


def test_channels_where_nobody_was_heard_are_counted_and_not_listed(log):
    band = next(band for band in air_section(find_air(log, zone="UTC"), START_MS)["bands"] if band["name"] == "5 GHz")
    assert [channel["name"] for channel in band["channels"]] == ["36", "40"]
    assert band["n_quiet"] == 6


def test_names_from_the_air_are_escaped(log):
    page = page_of(find_air(log, zone="UTC"))
    assert "<img" not in page
    assert "\x1b" not in page
    assert "&lt;img src=x onerror=alert(1)&gt;\\x1b[2J" in page


def test_shared_it_tells_no_address_and_no_network(log):
    air = find_air(log, zone="UTC")
    shared = as_shared(air, Aliases.of(log))
    page = page_of(shared)
    for name in ("pottery", "studio", "img src", OWN.bssid, STUDIO.bssid):
        assert name not in page
    assert page.count("network-") >= 3
    assert {one.bssid for one in shared.radios} == {Aliases.of(log).radio(one.bssid) for one in air.radios}
    assert [one.presence for one in shared.radios] == [one.presence for one in air.radios]


def test_the_report_finds_it_where_there_are_full_scans(log, tmp_path):
    found = find(log, now_utc_ms=START_MS + 96 * 3_600_000, zone="UTC")
    assert found.air == find_air(log, zone="UTC")
    with make_log(tmp_path / "none.db", [], hours=0) as empty:
        assert find(empty, now_utc_ms=START_MS, zone="UTC").air is None
    assert air_section(None, START_MS) is None
