"""The form as it is used: taps and seconds of an exam, and a day's exams typed by touch that arrive as they were.

Seconds by the keystroke-level model (Card, Moran & Newell, Commun ACM 1980;23:396): 1.1 to point at a place, 0.28 a
key, 1.35 for each answer that is thought about.
"""

from __future__ import annotations

import random
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from browsing import PHONE, chromium
from playwright.sync_api import Browser, Page
from records import rows_of

from examtally.contracts.contract import load_contract
from examtally.ingestion import ingest
from examtally.workbook.exam_form import write_form

CATALOGUE = load_contract().catalogue
CORE = [one.code for one in CATALOGUE.in_exam_order if one.in_core_part]
CONDITIONS = [one.code for one in CATALOGUE.conditions.values() if one.core]
RESULTS = ("positive", "negative", "equivocal", "not_done")
POINT, KEY, THOUGHT = 1.1, 0.28, 1.35
COUNTING = """window.counted = {taps: 0, keys: 0};
addEventListener('pointerdown', () => window.counted.taps++, true);
addEventListener('keydown', () => window.counted.keys++, true);"""
Answers = dict[str, str]


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as started:
        yield started


@pytest.fixture
def page(browser: Browser, tmp_path: Path) -> Iterator[Page]:
    file = write_form(tmp_path / "exam.html", load_contract())
    context = browser.new_context(viewport=PHONE, has_touch=True, is_mobile=True, offline=True, accept_downloads=True)  # type: ignore[arg-type]
    opened = context.new_page()
    opened.set_default_timeout(8_000)
    opened.goto(file.as_uri())
    opened.evaluate(COUNTING)
    yield opened
    context.close()


def _tap(page: Page, name: str, value: str) -> None:
    page.locator(f'input[name="{name}"][value="{value}"]').tap()


def _type(page: Page, name: str, text: str) -> None:
    page.locator(f'[id="in-{name}"]').tap()
    page.keyboard.type(text)


def _who(page: Page, person: str, day: int, side: str, *, is_first: bool) -> None:
    _type(page, "exam.participant_id", person)
    _tap(page, "exam.side", side)
    if is_first:
        _type(page, "exam.examiner_id", "EM-1")
        _type(page, "exam.period", "2031-03")
    _type(page, "exam.exam_day", str(day))


def _answer(page: Page, found: Answers, chances: Answers) -> None:
    for condition, percent in chances.items():
        _type(page, f"chance.after_exam.{condition}", percent)
    for maneuver, result in found.items():
        _tap(page, f"finding.{maneuver}", result)
        if result == "not_done":
            _tap(page, f"finding.{maneuver}.reason", "pain")


def _drawn(rng: random.Random) -> tuple[Answers, Answers]:
    found = {maneuver: rng.choice(RESULTS[:2] if rng.random() < 0.9 else RESULTS) for maneuver in CORE}
    found = {maneuver: "negative" if result == "equivocal" else result for maneuver, result in found.items()}
    return found, {condition: str(rng.randrange(1, 100)) for condition in CONDITIONS}


def _day(page: Page, exams: int, seed: int) -> tuple[list[tuple[str, ...]], list[tuple[str, str, float]]]:
    """Type exams by touch, two of a person each; what must have come of them."""
    rng = random.Random(seed)
    findings: list[tuple[str, ...]] = []
    chances = []
    for number in range(exams):
        person, is_other = f"PT-{number // 2}", number % 2
        if not is_other:
            _who(page, person, number // 20, "left", is_first=number == 0)
        found, said = _drawn(rng)
        _answer(page, found, said)
        page.locator("#keep" if is_other else "#other").tap()
        exam = f"{person}-{'LR'[is_other]}-EM-1-D{number // 20}"
        findings += [(exam, maneuver, result) for maneuver, result in found.items()]
        chances += [(exam, condition, int(percent) / 100) for condition, percent in said.items()]
    return sorted(findings), sorted(chances)


def _arrived(page: Page, folder: Path) -> tuple[list[tuple[str, ...]], list[tuple[str, str, float]]]:
    with page.expect_download() as download:
        page.locator("#files").tap()
    download.value.save_as(folder / "exams.zip")
    with zipfile.ZipFile(folder / "exams.zip") as archive:
        archive.extractall(folder / "records")
    report = ingest([folder / "records"], folder / "r.duckdb")
    assert report.held_back == ()
    rows = rows_of(folder / "r.duckdb", "impressions", "exam_id, condition, probability")
    return rows_of(folder / "r.duckdb", "findings", "exam_id, maneuver, result"), rows


def test_an_exam_of_the_core_list_takes_less_than_a_minute(
    page: Page, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    _who(page, "PT-17", 4, "left", is_first=True)
    _answer(page, dict.fromkeys(CORE, "negative"), dict.fromkeys(CONDITIONS, "20"))
    page.locator("#keep").tap()
    page.evaluate("window.counted.taps = 0; window.counted.keys = 0")
    _who(page, "PT-18", 4, "right", is_first=False)
    _answer(page, dict.fromkeys(CORE, "positive"), dict.fromkeys(CONDITIONS, "80"))
    page.locator("#keep").tap()
    counted = page.evaluate("window.counted")
    answers = 3 + len(CORE) + len(CONDITIONS)
    seconds = POINT * counted["taps"] + KEY * counted["keys"]
    with capsys.disabled():
        print(
            f"\n{len(CORE)} maneuvers, {len(CONDITIONS)} probabilities: {counted}, {seconds:.0f} s; "
            f"{seconds + THOUGHT * answers:.0f} s with a thought for each answer"
        )
    assert counted["taps"] == answers + 1
    assert seconds + THOUGHT * answers < 60
    assert len(_arrived(page, tmp_path)[0]) == 2 * len(CORE)


def test_a_few_exams_typed_by_touch_arrive_as_they_were(page: Page, tmp_path: Path) -> None:
    due = _day(page, 2, seed=4)
    assert _arrived(page, tmp_path) == due


@pytest.mark.study
def test_200_exams_typed_by_touch_arrive_as_they_were(page: Page, tmp_path: Path) -> None:
    due = _day(page, 200, seed=200)
    assert _arrived(page, tmp_path) == due
