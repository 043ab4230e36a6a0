"""How soon a report shows its first figures, in headless Chromium."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

LOOK_EVERY_S = 0.01
PATIENCE_S = 30.0
DRAWN = (
    "return [document.querySelector('.first svg.lane') !== null,"
    " document.querySelectorAll('figure.plot .main-svg').length > 0]"
)


def first_figure_s(page: Path) -> float:
    """Seconds from the request for ``page`` until both its first figure and its first figure over time are drawn. The
    reader has scrolled to the latter as soon as it is there: it is drawn when it comes near."""
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    with tempfile.TemporaryDirectory() as profile:
        options = webdriver.ChromeOptions()
        options.binary_location = "/usr/bin/chromium"
        options.page_load_strategy = "none"  # the page is looked at while it loads
        for flag in ("--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={profile}"):
            options.add_argument(flag)
        browser = webdriver.Chrome(options=options, service=Service("/usr/bin/chromedriver"))
        try:
            browser.get("about:blank")
            began = time.perf_counter()
            browser.get(page.as_uri())
            while time.perf_counter() - began < PATIENCE_S:
                browser.execute_script("document.querySelector('figure.plot')?.scrollIntoView()")
                if all(browser.execute_script(DRAWN)):
                    return time.perf_counter() - began
                time.sleep(LOOK_EVERY_S)
        finally:
            browser.quit()
    return PATIENCE_S
