"""Pages in a browser: what one said and asked for while it opened, and whom it hinders."""

from __future__ import annotations

import atexit
import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from functools import cache
from pathlib import Path

import pytest
from axe_playwright_python.sync_playwright import Axe
from playwright.sync_api import Browser, Page, sync_playwright
from programs import REQUIRED

CHROMIUM = Path(shutil.which("chromium") or "no Chromium")
DESK, PHONE = {"width": 1280, "height": 850}, {"width": 375, "height": 750}


@cache
def _started() -> Browser:
    """One for all tests of a process: to start one takes a second of processor time."""
    driver = sync_playwright().start()
    atexit.register(driver.stop)
    return driver.chromium.launch(executable_path=str(CHROMIUM), args=["--no-sandbox"])


@contextmanager
def chromium() -> Iterator[Browser]:
    """Chromium, the pages of which are closed afterwards; without it the tests say so, or fail where it is required."""
    if not CHROMIUM.exists():
        if REQUIRED:
            pytest.fail("not run: no Chromium")
        pytest.skip("not run: no Chromium")
    browser = _started()
    before = list(browser.contexts)
    yield browser
    for context in browser.contexts:
        if context not in before:
            context.close()


@dataclass
class Opened:
    """A page with what it said and asked for while it opened."""

    page: Page
    said: list[str] = field(default_factory=list)
    asked: list[str] = field(default_factory=list)


def open_file(browser: Browser, path: Path, viewport: dict[str, int]) -> Opened:
    """Open a page from disk beside others of this browser, which takes half of the time of one alone; listen to it."""
    context = next(iter(browser.contexts), None) or browser.new_context()
    opened = Opened(context.new_page())
    opened.page.set_viewport_size(viewport)  # type: ignore[arg-type]
    opened.page.on("console", lambda message: opened.said.append(message.text))
    opened.page.on("pageerror", lambda error: opened.said.append(str(error)))
    opened.page.on("request", lambda request: opened.asked.append(request.url))
    opened.page.goto(path.as_uri())
    return opened


def hindrances(page: Page) -> list[str]:
    """The rules of accessibility that a page breaks, of any weight, those of its landmarks among them."""
    return [rule["id"] for rule in Axe().run(page).response["violations"]]


_FIRST_FOCUS = """
() => {
  const wanted = [...document.querySelectorAll('a[href], button, summary, input, select, textarea, [tabindex]')];
  const shown = wanted.filter(one => one.tabIndex >= 0 && one.checkVisibility({visibilityProperty: true}));
  shown.forEach(one => one.dataset.wanted = 'yes');
  document.addEventListener('focusin', event => delete event.target.dataset.wanted);
  return shown.length;
}
"""
_NOT_FOCUSED = "() => [...document.querySelectorAll('[data-wanted]')].map(one => one.outerHTML.slice(0, 80))"


def unreached(page: Page) -> list[str]:
    """What can be pressed or followed and is not come to by the Tab key from the top of a page."""
    for _ in range(page.evaluate(_FIRST_FOCUS) + 1):
        page.keyboard.press("Tab")
    return list(page.evaluate(_NOT_FOCUSED))


def assert_quiet(opened: Opened, viewport: dict[str, int]) -> None:
    """The page said nothing, asked nobody outside and does not scroll sideways."""
    assert opened.said == []
    assert [url for url in opened.asked if not url.startswith(("file:", "data:"))] == []
    assert opened.page.evaluate("document.documentElement.scrollWidth") <= viewport["width"]
