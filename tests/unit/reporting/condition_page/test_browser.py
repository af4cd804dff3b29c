"""The page and the card of a condition in a browser, at a desk and on a phone."""

from __future__ import annotations

from pathlib import Path

import pytest
from browsing import DESK, PHONE, assert_quiet, hindrances, open_file
from playwright.sync_api import Browser

PAGES = ("condition-acl_tear", "card-acl_tear")


@pytest.mark.parametrize(
    "viewport", [pytest.param(DESK, id="desk", marks=pytest.mark.study), pytest.param(PHONE, id="phone")]
)
@pytest.mark.parametrize("name", PAGES)
def test_it_opens_in_silence_fits_and_hinders_nobody(
    browser: Browser, told: Path, name: str, viewport: dict[str, int]
) -> None:
    opened = open_file(browser, told / "out" / f"{name}.html", viewport)
    assert_quiet(opened, viewport)
    assert hindrances(opened.page) == []
    opened.page.close()


def test_the_whole_table_of_a_card_is_seen_on_a_phone(browser: Browser, told: Path) -> None:
    page = open_file(browser, told / "out" / "card-acl_tear.html", PHONE).page
    widths = page.evaluate("[...document.querySelectorAll('.table-box')].map(b => [b.scrollWidth, b.clientWidth])")
    page.close()
    assert widths
    assert all(whole <= seen for whole, seen in widths)
