"""The page and the card of a condition in a browser, at a desk and on a phone."""

from __future__ import annotations

import os
from collections.abc import Iterator
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, sync_playwright

CHROMIUM = Path("/usr/bin/chromium")
WIDTHS = (1280, 375)
PAGES = ("condition-acl_tear", "card-acl_tear")


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    if not CHROMIUM.exists():
        if os.environ.get("EXAMTALLY_REQUIRE_BROWSER") == "1":
            pytest.fail("not run: no Chromium")
        pytest.skip("not run: no Chromium")
    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])
        yield browser
        browser.close()


@pytest.mark.parametrize("width", WIDTHS)
@pytest.mark.parametrize("name", PAGES)
def test_it_opens_in_silence_fits_and_hinders_nobody(browser: Browser, told: Path, name: str, width: int) -> None:
    page = browser.new_page(viewport={"width": width, "height": 750})
    said: list[str] = []
    asked: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: asked.append(request.url))
    page.goto((told / "out" / f"{name}.html").as_uri())
    wide = page.evaluate("document.documentElement.scrollWidth")
    found = Axe().run(page).response["violations"]
    page.close()
    assert said == []
    assert [url for url in asked if not url.startswith(("file:", "data:"))] == []
    assert wide <= width
    assert [rule["id"] for rule in found if rule["impact"] in ("serious", "critical")] == []


def test_the_whole_table_of_a_card_is_seen_on_a_phone(browser: Browser, told: Path) -> None:
    page = browser.new_page(viewport={"width": 375, "height": 750})
    page.goto((told / "out" / "card-acl_tear.html").as_uri())
    widths = page.evaluate("[...document.querySelectorAll('.table-box')].map(b => [b.scrollWidth, b.clientWidth])")
    page.close()
    assert widths
    assert all(whole <= seen for whole, seen in widths)
