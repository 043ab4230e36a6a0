"""The report as a reader meets it: in a browser, wide and on a phone, with hostile names in the log."""

from __future__ import annotations

import json

import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from needs import find_program, require_programs

from dashboards.report import find, write_html
from logger.log import Log
from tests.dashboards.kiln_log import END_MS, EVIL, ZONE, make_kiln_log
from tests.test_hostile_strings import ANY_TEXT, call_everything
from tests.test_hostile_strings import EVIL as EVERY_EVIL

DESKTOP, PHONE = 1280, 390
FLAGS = (
    "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run", "--hide-scrollbars",
    "--disable-background-networking", "--disable-component-update", "--disable-sync",
)  # fmt: skip


@pytest.fixture(scope="module")
def browser(tmp_path_factory):
    require_programs("chromium", "chromedriver")
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    options = webdriver.ChromeOptions()
    options.binary_location = find_program("chromium")
    for flag in (*FLAGS, f"--user-data-dir={tmp_path_factory.mktemp('profile')}"):
        options.add_argument(flag)
    options.set_capability("goog:loggingPrefs", {"browser": "ALL", "performance": "ALL"})
    driver = webdriver.Chrome(options=options, service=Service(find_program("chromedriver")))
    driver.set_page_load_timeout(60)
    yield driver
    driver.quit()


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    """The report of a log in which every name is an attack."""
    folder = tmp_path_factory.mktemp("browser")
    evil_label = f"</script>{EVIL}<b>"
    path = make_kiln_log(folder / "evil.db", location=EVIL, label=evil_label, ssid=b"<script>alert(1)</script>")
    with Log.open(path) as log:
        return write_html(find(log, now_utc_ms=END_MS, zone=ZONE), folder / "report.html")


@pytest.fixture(params=[DESKTOP, PHONE])
def opened(request, browser, report):
    """The page at one width, freshly opened, and what the browser asked for meanwhile."""
    browser.get("about:blank")
    browser.execute_cdp_cmd(
        "Emulation.setDeviceMetricsOverride",
        {"width": request.param, "height": 850, "deviceScaleFactor": 1, "mobile": request.param == PHONE},
    )
    browser.get_log("performance")
    browser.get_log("browser")
    browser.get(report.as_uri())
    return browser


def scroll_through(browser) -> None:
    """As a reader does, until every figure over time is drawn."""
    from selenium.webdriver.support.ui import WebDriverWait

    for n in range(len(drawn(browser))):
        browser.execute_script(
            f"const f = document.querySelectorAll('figure.plot')[{n}];"
            "for (let e = f; e; e = e.parentElement) if (e.tagName == 'DETAILS') e.open = true;"
            "f.scrollIntoView()"
        )
        WebDriverWait(browser, 20).until(lambda _, n=n: drawn(browser)[n])


def drawn(browser) -> list[bool]:
    return browser.execute_script(
        "return [...document.querySelectorAll('figure.plot')].map(f => f.querySelectorAll('.main-svg').length > 0"
        " && f.querySelectorAll('.trace, .point').length > 0)"
    )


def test_the_first_screen_has_the_latest_change_whole_and_its_figure(opened):
    height = opened.execute_script("return window.innerHeight")
    ends = opened.execute_script(
        "return ['.latest', '.first li'].map(s => document.querySelector(s).getBoundingClientRect().bottom)"
    )
    assert max(ends) < height
    lane = opened.execute_script("return document.querySelector('.first svg.lane').getBoundingClientRect().width")
    assert lane > 100


def test_figures_are_drawn_when_they_come_near(opened):
    assert not drawn(opened)[-1]
    scroll_through(opened)
    assert all(drawn(opened))


def test_the_page_is_whole_and_quiet(opened, report):
    scroll_through(opened)
    assert opened.get_log("browser") == []
    messages = [json.loads(entry["message"])["message"] for entry in opened.get_log("performance")]
    asked = {
        message["params"]["request"]["url"] for message in messages if message["method"] == "Network.requestWillBeSent"
    }
    assert {url for url in asked if not url.startswith("data:")} == {report.as_uri()}


def test_nothing_sticks_out_sideways(opened):
    scroll_through(opened)
    width = opened.execute_script("return document.documentElement.clientWidth")
    assert opened.execute_script("return document.documentElement.scrollWidth") <= width
    widest = opened.execute_script(
        "return Math.max(...[...document.querySelectorAll('figure.plot svg.main-svg, .lanes, h1, h2, h3, p')]"
        ".map(e => e.getBoundingClientRect().right))"
    )
    assert widest <= width


def test_hostile_names_are_shown_and_not_run(opened):
    assert opened.title == "What each change at the router did"
    assert EVIL in opened.execute_script("return document.querySelector('#locations').textContent")
    n_figures = opened.execute_script("return document.querySelectorAll('figure.plot').length")
    assert opened.execute_script("return document.querySelectorAll('script').length") == n_figures + 2
    assert opened.execute_script("return document.querySelectorAll('figure b, figure script:not([type])').length") == 0


@pytest.fixture(scope="module")
def hostile(tmp_path_factory):
    return make_kiln_log(tmp_path_factory.mktemp("hostile") / "evil.db")


@settings(max_examples=3, deadline=None, database=None, suppress_health_check=list(HealthCheck))
@given(names=st.lists(ANY_TEXT, min_size=10, max_size=10), ssid=st.binary(max_size=32))
@example(names=list(EVERY_EVIL), ssid=b"<img src=x onerror=1>")
@example(names=list(EVERY_EVIL[::-1]), ssid=b"</script><script>1")
def test_no_name_whatever_runs_or_is_even_tried_as_a_script(browser, hostile, names, ssid):
    call_everything(hostile, names, ssid)
    with Log.open(hostile) as log:
        page = write_html(find(log, now_utc_ms=END_MS, zone=ZONE), hostile.with_name("worst.html"))
    browser.get("about:blank")
    browser.get_log("browser")
    browser.get(page.as_uri())
    scroll_through(browser)
    assert browser.title == "What each change at the router did"
    n_figures = browser.execute_script("return document.querySelectorAll('figure.plot').length")
    assert browser.execute_script("return document.scripts.length") == n_figures + 2
    handlers = (
        "return [...document.querySelectorAll('*')].flatMap(e => [...e.attributes]).filter(a => /^on/i.test(a.name))"
    )
    assert browser.execute_script(f"{handlers}.length") == 0
    assert browser.execute_script("return document.querySelectorAll('img, iframe, object, embed').length") == 0
    assert browser.get_log("browser") == []  # nor did the page's policy have to forbid one


def test_a_slipped_in_script_would_not_run(opened):
    opened.execute_script(
        "const s = document.createElement('script'); s.textContent = 'document.title = \"owned\"';"
        "document.body.append(s)"
    )
    assert opened.title == "What each change at the router did"


def test_letters_are_large_enough_to_read(opened):
    scroll_through(opened)
    smallest = opened.execute_script(
        "return Math.min(...[...document.querySelectorAll('p, li, span, td, th, figcaption, svg text')]"
        ".filter(e => e.textContent.trim()).map(e => parseFloat(getComputedStyle(e).fontSize)))"
    )
    assert smallest >= 10


def test_figures_are_redrawn_to_the_width_of_paper(opened):
    opened.execute_script("window.dispatchEvent(new Event('beforeprint'))")
    widths = opened.execute_script(
        "return [...document.querySelectorAll('figure.plot svg.main-svg')].map(e => e.getBoundingClientRect().width)"
    )
    assert max(widths) <= 680  # 180 mm
    assert opened.execute_script("return [...document.querySelectorAll('details')].every(d => d.open)")
    opened.execute_script("window.dispatchEvent(new Event('afterprint'))")
