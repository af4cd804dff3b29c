"""Words in the figures of the demo's pages: legible on a phone, apart from each other, inside their frame."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from browsing import DESK, PHONE, chromium
from demo_run import Pages
from figure_text import faults_of, faults_of_figures
from playwright.sync_api import Browser

PAGES = ("audit", "monthly-P018", "condition-acl_tear", "examiner-E-04")
DRAWN = [*((name, viewport) for name in PAGES for viewport in (DESK, PHONE)), ("audit-annex", DESK)]
CASES = [
    pytest.param(
        name,
        viewport,
        id=f"{name}-{'desk' if viewport == DESK else 'phone'}",
        marks=[] if viewport == PHONE or name.startswith("audit") else pytest.mark.study,
    )
    for name, viewport in DRAWN
]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as opened:
        yield opened


@pytest.mark.parametrize(("name", "viewport"), CASES)
def test_words_in_figures_are_legible_apart_and_inside(
    demo_pages: Pages, browser: Browser, name: str, viewport: dict[str, int]
) -> None:
    assert faults_of_figures(browser, demo_pages.find(f"{name}.html"), viewport) == []


def test_each_fault_is_found(browser: Browser) -> None:
    def drawn(*texts: str) -> str:
        return f'<svg xmlns="http://www.w3.org/2000/svg" viewBox="0 0 200 100" width="200">{"".join(texts)}</svg>'

    one = '<text x="20" y="50" style="font: 12px sans-serif">Sensitivity</text>'
    assert faults_of(browser, drawn(one), 200) == []
    assert faults_of(browser, drawn(one), 100) == ["'Sensitivity' is 6.0 px"]
    assert faults_of(browser, drawn(one.replace('x="20"', 'x="190"')), 200) == ["'Sensitivity' leaves the frame"]
    over = faults_of(browser, drawn(one, one.replace("Sensitivity", "81%").replace('x="20"', 'x="40"')), 200)
    assert over == ["'Sensitivity' and '81%' lie over each other"]
