"""Every page of the demo, opened: it hinders nobody, asks nobody, and all of it is reached by keyboard."""

from __future__ import annotations

import re
import subprocess
from collections.abc import Iterator

import pytest
from browsing import DESK, PHONE, assert_quiet, chromium, hindrances, open_file, unreached
from demo_run import CONDITIONS, SHEETS, Pages
from playwright.sync_api import Browser
from programs import POPPLER

pytestmark = pytest.mark.study
ONE = ("audit", "audit-annex", "monthly-P018", "actions", "index", "maneuvers", "lead", "supervisor", "intake-1")
NAMES = [
    *ONE,
    *(f"condition-{code}" for code in CONDITIONS),
    *(f"card-{code}" for code in CONDITIONS),
    *(f"examiner-{code}" for code in SHEETS),
]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as opened:
        yield opened


@pytest.mark.parametrize("viewport", [pytest.param(DESK, id="desk"), pytest.param(PHONE, id="phone")])
@pytest.mark.parametrize("name", NAMES)
def test_a_page_hinders_nobody_asks_nobody_and_is_reached_by_keyboard(
    demo_pages: Pages, browser: Browser, name: str, viewport: dict[str, int]
) -> None:
    path = demo_pages.find(f"{name}.html")
    assert re.search(
        r'<meta http-equiv="Content-Security-Policy" content="default-src \'none\'; ', path.read_text("utf-8")
    )
    opened = open_file(browser, path, viewport)
    assert_quiet(opened, viewport)
    assert hindrances(opened.page) == []
    assert unreached(opened.page) == []
    opened.page.close()


def test_what_the_keyboard_does_not_come_to_is_found(browser: Browser) -> None:
    page = browser.new_page()
    page.set_content(
        "<a href=#a>one</a><div inert><button>two</button></div>"
        "<details><summary>three</summary><a href=#b>four</a></details>"
    )
    assert unreached(page) == ['<button data-wanted="yes">two</button>']
    page.close()


@POPPLER
def test_every_paper_is_tagged(demo_pages: Pages) -> None:
    papers = sorted(demo_pages.root.glob("*/*.pdf"))
    assert papers
    for paper in papers:
        said = subprocess.run(["pdfinfo", paper], capture_output=True, text=True, check=True).stdout
        assert re.search(r"^Tagged: +yes$", said, re.M), paper.name
