"""The form for the examination room: offline, nothing filled in before, its files go in without a mapping."""

from __future__ import annotations

import json
import zipfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from browsing import DESK, PHONE, assert_quiet, chromium, hindrances, open_file
from playwright.sync_api import Browser, Page
from records import rows_of

from examtally.cli.app import main
from examtally.contracts.contract import load_contract
from examtally.ingestion import ingest
from examtally.workbook.exam_form import form_content, form_page, write_form

CONTRACT = load_contract()
WHO = {"participant_id": "pt-17", "examiner_id": "EM-1", "period": "2026-03", "exam_day": "0"}


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    with chromium() as started:
        yield started


@pytest.fixture(scope="module")
def file(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_form(tmp_path_factory.mktemp("form") / "exam.html", CONTRACT)


def _who(page: Page, side: str = "left", **other: str) -> None:
    for name, text in (WHO | other).items():
        page.fill(f'[id="in-exam.{name}"]', text)
    page.check(f'input[name="exam.side"][value="{side}"]')


def _found(page: Page, maneuver: str, result: str) -> None:
    page.check(f'input[name="finding.{maneuver}"][value="{result}"]')


def _saved(page: Page, button: str, to: Path) -> Path:
    with page.expect_download() as download:
        page.click(button)
    download.value.save_as(to)
    return to


@pytest.mark.parametrize("viewport", [DESK, PHONE], ids=["desk", "phone"])
def test_it_opens_in_silence_and_hinders_nobody(viewport: dict[str, int], file: Path, browser: Browser) -> None:
    opened = open_file(browser, file, viewport)
    assert_quiet(opened, viewport)
    assert hindrances(opened.page) == []
    assert opened.page.locator("input:checked").count() == 0
    texts = """[...document.querySelectorAll('input[type="text"]')].map(one => one.value)"""
    assert set(opened.page.evaluate(texts)) == {""}
    heights = "[...document.querySelectorAll('.choice, button')].map(one => one.offsetHeight).filter(Boolean)"
    assert min(opened.page.evaluate(heights)) >= 44
    opened.page.close()


def test_both_knees_arrive_as_they_were_taken(file: Path, browser: Browser, tmp_path: Path) -> None:
    page = open_file(browser, file, PHONE).page
    _who(page)
    _found(page, "lachman", "positive")
    page.locator('[data-maneuver="lachman"] .more summary').click()
    page.check('input[name="finding.lachman.grade"][value="2"]')
    page.check('input[name="finding.lachman.end_point"][value="soft"]')
    page.fill('[id="in-finding.lachman.measure"]', "6.5")
    _found(page, "extension_deficit", "not_done")
    page.check('input[name="finding.extension_deficit.reason"][value="pain"]')
    page.check('input[name="history.locking"][value="no"]')
    page.fill('[id="in-chance.after_exam.acl_tear"]', "80")
    page.click("#other")
    assert page.is_checked('input[name="exam.side"][value="right"]')
    assert page.input_value('[id="in-exam.participant_id"]') == "pt-17"
    assert not page.locator('input[name^="finding"]:checked').count()
    _found(page, "lachman", "negative")
    page.click("#keep")
    assert page.input_value('[id="in-exam.participant_id"]') == ""
    assert page.input_value('[id="in-exam.examiner_id"]') == "EM-1"
    saved = _saved(page, "#files", tmp_path / "exams.zip")
    page.close()
    with zipfile.ZipFile(saved) as archive:
        assert archive.testzip() is None
        archive.extractall(tmp_path / "records")
    registry = tmp_path / "registry.duckdb"
    report = ingest([tmp_path / "records"], registry)
    assert report.held_back == ()
    assert rows_of(registry, "exams", "exam_id, side") == [("PT-17-L-EM-1-D0", "left"), ("PT-17-R-EM-1-D0", "right")]
    assert rows_of(registry, "findings", "exam_id, maneuver, result, reason, grade, end_point, measure") == [
        ("PT-17-L-EM-1-D0", "extension_deficit", "not_done", "pain", None, None, None),
        ("PT-17-L-EM-1-D0", "lachman", "positive", None, 2, "soft", 6.5),
        ("PT-17-R-EM-1-D0", "lachman", "negative", None, None, None, None),
    ]
    assert rows_of(registry, "impressions", "condition, stage, probability") == [("acl_tear", "after_exam", 0.8)]
    assert rows_of(registry, "history", "item, answer") == [("locking", "no")]


def test_what_the_contract_refuses_is_refused_at_the_bedside(file: Path, browser: Browser) -> None:
    page = open_file(browser, file, DESK).page
    page.click("#keep")
    assert page.inner_text("#said") == "5 answers need mending; nothing was kept."
    for wrong in ("SMITHERS", "MRN-123", "A-19800101", "X-1985-03-02", "7A", "ANNA-LONGNAME1"):
        _who(page, participant_id=wrong)
        page.click("#keep")
        assert "1 answer needs mending" in page.inner_text("#said"), wrong
    _who(page, period="2026-13")
    page.click("#keep")
    assert page.is_visible('[id="in-exam.period-bad"]')
    _who(page)
    page.fill('[id="in-chance.after_exam.acl_tear"]', "101")
    page.click("#keep")
    assert "From 0 to 100" in page.inner_text('[id="in-chance.after_exam.acl_tear-bad"]')
    page.fill('[id="in-chance.after_exam.acl_tear"]', "100")
    page.fill('[id="in-exam.episode"]', "0")
    page.click("#keep")
    assert page.inner_text('[id="in-exam.episode-bad"]') == "At least 1."
    page.fill('[id="in-exam.episode"]', "")
    _who(page, participant_id="P-3456789012345", examiner_id="E-3456789012345", exam_day="-36500")
    page.click("#keep")
    assert "is too long" in page.inner_text("#said")
    _who(page)
    page.click("#keep")
    _who(page)
    page.click("#keep")
    assert "is kept already" in page.inner_text("#said")
    page.close()


def test_a_choice_can_be_taken_back_and_closing_warns(file: Path, browser: Browser) -> None:
    page = open_file(browser, file, DESK).page
    _found(page, "lachman", "equivocal")
    assert page.is_visible('input[name="finding.lachman.reason"][value="pain"] + span')
    page.locator('input[name="finding.lachman"][value="equivocal"]').click()
    assert not page.locator('input[name="finding.lachman"]:checked').count()
    assert not page.is_visible('input[name="finding.lachman.reason"][value="pain"] + span')
    _who(page)
    page.click("#keep")
    warned: list[str] = []
    page.on("dialog", lambda dialog: (warned.append(dialog.type), dialog.accept()))
    page.goto("about:blank")
    page.close()
    assert warned == ["beforeunload"]


def test_exams_stay_on_the_device_only_where_one_says_so(file: Path, browser: Browser) -> None:
    context = browser.new_context(viewport=DESK, offline=True)
    for is_held in (False, True):
        page = context.new_page()
        page.on("dialog", lambda dialog: dialog.accept())
        page.goto(file.as_uri())
        _who(page)
        if is_held:
            page.check("#store")
        page.click("#keep")
        page.reload()
        assert page.inner_text("#files") == f"Save files ({int(is_held)})"
        page.close()
    context.close()


def test_answers_are_also_saved_as_fhir(file: Path, browser: Browser, tmp_path: Path) -> None:
    page = open_file(browser, file, DESK).page
    _who(page)
    _found(page, "lachman", "negative")
    page.click("#keep")
    bundle = json.loads(_saved(page, "#fhir", tmp_path / "exams.json").read_text(encoding="utf-8"))
    page.close()
    assert (bundle["resourceType"], bundle["type"]) == ("Bundle", "collection")
    (answers,) = [one["resource"] for one in bundle["entry"]]
    assert (answers["resourceType"], answers["status"]) == ("QuestionnaireResponse", "completed")
    groups = {one["linkId"]: one["item"] for one in answers["item"]}
    assert {"linkId": "findings.result", "answer": [{"valueString": "negative"}]} in groups["findings"]


def test_it_asks_for_what_the_contract_has_and_nothing_else() -> None:
    content = form_content(CONTRACT)
    asked = {one["code"] for part in content["sections"] for phase in part.get("phases", ()) for one in phase["items"]}
    assert asked == set(CONTRACT.catalogue.maneuvers)
    fields = {one["name"] for part in content["sections"] for one in part.get("fields", ())}
    assert fields <= set(CONTRACT.tables["exams"].names)
    assert "unknown" not in {
        choice["code"] for part in content["sections"] for one in part.get("fields", ()) for choice in one["choices"]
    }


def test_no_text_of_a_catalogue_can_end_the_script() -> None:
    page = form_page(CONTRACT)
    content = page.split('id="content">')[1].split("</script>")[0]
    assert "<" not in content
    assert json.loads(content) == json.loads(json.dumps(form_content(CONTRACT)))


def test_a_name_that_does_not_fit_is_refused_in_one_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["form", "--out", str(tmp_path / "exam.pdf")]) != 0
    assert "must end in .html" in capsys.readouterr().err
    assert main(["form", "--out", str(tmp_path / "nowhere" / "exam.html")]) != 0
    assert list(tmp_path.iterdir()) == []
