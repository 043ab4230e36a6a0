"""How soon a report shows its first figures, in headless Chromium."""

from __future__ import annotations

import tempfile
import time
from pathlib import Path

LOOK_EVERY_S = 0.01
PATIENCE_S = 30.0
DRAWN = (
    "return [document.querySelector('.first svg.lane') !== null"
    " && performance.getEntriesByName('first-contentful-paint').length > 0,"
    " document.querySelectorAll('figure.plot .main-svg').length > 0]"
)


def first_figures_s(page: Path) -> tuple[float, float]:
    """Seconds from the request for ``page`` until its first figure, the effects, is drawn, and until its first figure over
    time is. That one is drawn when it comes near: the reader here has scrolled to it as soon as it is there."""
    from selenium import webdriver
    from selenium.webdriver.chrome.service import Service

    with tempfile.TemporaryDirectory() as profile:
        options = webdriver.ChromeOptions()
        options.binary_location = "/usr/bin/chromium"
        options.page_load_strategy = "none"  # the page is looked at while it loads
        for flag in ("--headless", "--no-sandbox", "--disable-gpu", f"--user-data-dir={profile}"):
            options.add_argument(flag)
        browser = webdriver.Chrome(options=options, service=Service("/usr/bin/chromedriver"))
        effects_s = PATIENCE_S
        try:
            browser.get("about:blank")
            began = time.perf_counter()
            browser.get(page.as_uri())
            while (now_s := time.perf_counter() - began) < PATIENCE_S:
                effects, over_time = browser.execute_script(DRAWN)
                if effects:
                    effects_s = min(effects_s, now_s)
                if effects and over_time:
                    return effects_s, now_s
                browser.execute_script("document.querySelector('figure.plot')?.scrollIntoView()")
                time.sleep(LOOK_EVERY_S)
        finally:
            browser.quit()
    return effects_s, PATIENCE_S
