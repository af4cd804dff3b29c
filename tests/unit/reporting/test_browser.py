"""The report in a browser: at a desk and on a phone, by mouse, by keyboard and by assistive technology."""

from __future__ import annotations

import os
import re
import shutil
from pathlib import Path

import pytest
from browsing import CHROMIUM, DESK, PHONE, Opened, assert_quiet, hindrances, open_file
from ledger_kept import make_ledger
from playwright.sync_api import Browser, Page

from examtally.fonts import font_folder
from examtally.reporting import render_release, render_sheets, render_shelf
from examtally.reporting.examiner_sheet.sheet import examiners_in
from examtally.results import read_results

SIZES = ("clinic", "young", "empty")
REPORTS = ("audit", "monthly")


def open_page(browser: Browser, made: Path, size: str, viewport: dict[str, int], report: str = "audit") -> Opened:
    return open_file(browser, made / size / "out" / f"{report}.html", viewport)


@pytest.fixture(scope="module")
def annex(browser: Browser, made: Path) -> Page:
    """The annex of the clinic at a desk, opened once; each test turns tabs of a section of its own."""
    return open_page(browser, made, "clinic", DESK, "audit-annex").page


@pytest.mark.parametrize(
    ("size", "viewport"),
    [
        pytest.param(size, viewport, id=f"{size}-{name}", marks=[] if often else pytest.mark.study)
        for size in SIZES
        for name, viewport, often in (("desk", DESK, size == "clinic"), ("phone", PHONE, size != "young"))
    ],
)
@pytest.mark.parametrize("report", REPORTS)
def test_it_opens_in_silence_asks_nobody_does_not_scroll_sideways_and_hinders_nobody(
    browser: Browser, monthly: Path, report: str, size: str, viewport: dict[str, int]
) -> None:
    opened = open_page(browser, monthly, size, viewport, report)
    assert_quiet(opened, viewport)
    if size == "clinic" or (size, viewport) == ("empty", PHONE):
        assert hindrances(opened.page) == []
    opened.page.close()


def test_the_answer_stands_on_the_first_screen(browser: Browser, made: Path) -> None:
    """On a desk the picture and what to do next as well; on a phone these within two screens."""
    for viewport, screens in ((DESK, 1), (PHONE, 2)):
        page = open_page(browser, made, "clinic", viewport).page
        first = page.locator("#in-short li").first.bounding_box()
        last = [page.locator(f"#in-short {what}:visible").last.bounding_box() for what in ("figure img", "li")]
        page.close()
        assert first is not None
        assert first["y"] + first["height"] < viewport["height"]
        assert all(box is not None and box["y"] + box["height"] < screens * viewport["height"] for box in last)


def test_the_month_stands_on_one_screen(browser: Browser, monthly: Path) -> None:
    page = open_page(browser, monthly, "clinic", DESK, "monthly").page
    box = page.locator("text=Decisions asked for").first.bounding_box()
    page.close()
    assert box is not None
    assert box["y"] + box["height"] < DESK["height"]


@pytest.mark.parametrize(("report", "pages"), [("audit", 12), ("monthly", 2)])
def test_printed_from_a_browser_it_is_as_long_as_it_may_be(
    browser: Browser, monthly: Path, report: str, pages: int
) -> None:
    page = open_page(browser, monthly, "clinic", DESK, report).page
    printed = page.pdf(format="A4")
    page.close()
    assert 1 <= len(re.findall(rb"/Type\s*/Page\b(?!s)", printed)) <= pages


def test_tabs_show_one_panel_and_turn_by_key(annex: Page) -> None:
    tabs = annex.locator("#do-two-examiners-agree .tabs").first
    assert tabs.locator(":scope > .tab:visible").count() == 1
    first, second = tabs.get_by_role("tab").nth(0), tabs.get_by_role("tab").nth(1)
    first.focus()
    annex.keyboard.press("ArrowRight")
    assert (first.get_attribute("aria-selected"), second.get_attribute("aria-selected")) == ("false", "true")
    assert tabs.locator(":scope > .tab:visible").get_attribute("aria-labelledby") == second.get_attribute("id")


def test_home_and_end_go_to_the_first_and_the_last_tab(annex: Page) -> None:
    tabs = annex.locator("#what-other-choices-would-change .tabs").first.get_by_role("tab")
    tabs.first.focus()
    for key, chosen in (("End", tabs.last), ("Home", tabs.first), ("ArrowLeft", tabs.last), ("ArrowRight", tabs.first)):
        annex.keyboard.press(key)
        assert chosen.get_attribute("aria-selected") == "true"
        assert chosen.evaluate("tab => tab === document.activeElement")


def test_on_paper_every_panel_stands_under_its_name(annex: Page) -> None:
    annex.emulate_media(media="print")
    section = annex.locator("#what-other-choices-would-change")
    assert section.locator(".tab:visible").count() == section.locator(".tab").count() > 1
    assert section.locator(".tab-title:visible").count() == section.locator(".tab").count()
    assert section.locator(".tab-list:visible").count() == 0
    annex.emulate_media(media="screen")


def test_tabs_within_tabs_turn_on_their_own(annex: Page) -> None:
    inner = annex.locator("#smaller-groups .tab .tabs").first
    inner.get_by_role("tab", name="Age").click()
    assert inner.locator("caption:visible").inner_text().endswith("by age (exploratory)")
    assert annex.locator("#smaller-groups > .tabs > .tab:visible").count() == 1


def test_without_a_script_every_panel_is_read(browser: Browser, made: Path) -> None:
    context = browser.new_context(java_script_enabled=False, viewport=DESK)  # type: ignore[arg-type]
    page = context.new_page()
    page.goto((made / "clinic" / "out" / "audit-annex.html").as_uri())
    assert page.locator(".tab").count() == page.locator(".tab:visible").count()
    assert page.locator(".tab-title:visible").count() == page.locator(".tab-title").count()
    context.close()


def test_a_download_carries_its_figures(annex: Page) -> None:
    with annex.expect_download() as waiting:
        annex.locator("a[download='accuracy-acl_tear.csv']").click()
    text = Path(waiting.value.path()).read_text(encoding="utf-8")
    assert text.startswith("maneuver,measure,estimate,ci_low,ci_high")


@pytest.mark.parametrize("report", REPORTS)
def test_text_in_figures_stays_legible_on_a_phone(browser: Browser, monthly: Path, report: str) -> None:
    page = open_page(browser, monthly, "clinic", PHONE, report).page
    shares = page.evaluate("[...document.images].filter(i => i.clientWidth).map(i => i.clientWidth / i.naturalWidth)")
    page.close()
    assert min(shares) * 9 * 96 / 72 > 9


@pytest.mark.parametrize("report", REPORTS)
def test_every_table_can_be_taken_away_by_keyboard(browser: Browser, monthly: Path, report: str) -> None:
    page = open_page(browser, monthly, "clinic", DESK, report).page
    tables = page.locator(".table-box")
    links = page.locator(".table-box + .download a")
    assert tables.count() == links.count() > 0
    link = page.locator(".table-box + .download a:visible", has_text="Download this table").first
    link.focus()
    with page.expect_download() as started:
        page.keyboard.press("Enter")
    lines = Path(started.value.path()).read_text(encoding="utf-8").splitlines()
    assert len(lines) >= 2
    assert started.value.suggested_filename.endswith(".csv")
    page.close()


@pytest.fixture(scope="module")
def others(made: Path, tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """The other pages of the clinic, by the report they belong to."""
    results, out = made / "clinic" / "results", tmp_path_factory.mktemp("others")
    examiner = examiners_in(read_results(results).tables["tallies"])[0]
    release = render_release(results, out, registry=make_ledger(out / "kept"))[2]
    maneuvers, index = sorted(render_shelf(results, out), key=lambda page: page.stem != "maneuvers")
    (sheet,) = render_sheets(results, out / "sheets", examiner=examiner)
    return {"release": release, "maneuvers": maneuvers, "index": index, "examiner": sheet}


@pytest.mark.parametrize(
    "viewport", [pytest.param(DESK, id="desk", marks=pytest.mark.study), pytest.param(PHONE, id="phone")]
)
@pytest.mark.parametrize("report", ["release", "maneuvers", "index", "examiner"])
def test_every_other_page_opens_in_silence_and_hinders_nobody(
    browser: Browser, others: dict[str, Path], report: str, viewport: dict[str, int]
) -> None:
    opened = open_file(browser, others[report], viewport)
    assert_quiet(opened, viewport)
    assert hindrances(opened.page) == []
    opened.page.close()


def test_a_press_on_a_heading_puts_the_maneuvers_in_order(browser: Browser, others: dict[str, Path]) -> None:
    page = open_file(browser, others["maneuvers"], DESK).page
    table = page.locator("table.sortable")
    rows = table.locator("tbody tr").count()
    for order, is_down in (("ascending", False), ("descending", True)):
        table.get_by_text("if negative", exact=True).click()  # its name ends in an arrow once pressed
        assert table.locator(f'[aria-sort="{order}"]').count() == 1
        cells = table.locator("tbody tr td:nth-child(5)").evaluate_all("c => c.map(x => x.firstChild.textContent)")
        numbers = [float(text) for text in cells if text != "–"]
        assert len(cells) == rows
        assert len(numbers) > 1
        assert numbers == sorted(numbers, reverse=is_down)
        assert cells[len(numbers) :] == ["–"] * (rows - len(numbers)), "rows without a figure stay at the end"
    page.close()


def test_a_page_looks_the_same_on_a_machine_with_other_fonts(made: Path, tmp_path: Path, browser: Browser) -> None:
    """The machine has one font of another family, and none of the settings that this one may have."""
    shutil.copy(font_folder() / "STIXGeneral.ttf", tmp_path)
    settings = tmp_path / "fonts.conf"
    settings.write_text(f"<fontconfig><dir>{tmp_path}</dir><cachedir>{tmp_path}</cachedir></fontconfig>")
    page = made / "young" / "out" / "audit.html"
    here = open_file(browser, page, DESK).page.screenshot(full_page=True)
    other = browser.browser_type.launch(
        executable_path=str(CHROMIUM), args=["--no-sandbox"], env={**os.environ, "FONTCONFIG_FILE": str(settings)}
    )
    assert open_file(other, page, DESK).page.screenshot(full_page=True) == here
    other.close()
