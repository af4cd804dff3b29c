"""An agreement day from its plan to its report: orders, form in the browser, readings, two pages."""

from __future__ import annotations

from pathlib import Path

import pytest
from browsing import DESK, PHONE, assert_quiet, chromium, hindrances, open_file

from examtally.cli.app import main
from examtally.contracts.contract import load_contract
from examtally.errors import ExamtallyError
from examtally.workbook.agreement_form import plan_day

CONTRACT = load_contract()
PACK = ["agree", "pack", "--maneuvers", "lachman,flexion_deficit", "--examiners", "2", "--participants", "3"]


def test_nobody_waits_and_the_seed_gives_the_orders_again() -> None:
    day = plan_day(CONTRACT, ["lachman"], examiners=5, participants=7, sides=("left", "right"), seed=4)
    assert day == plan_day(CONTRACT, ["lachman"], examiners=5, participants=7, sides=("left", "right"), seed=4)
    assert day != plan_day(CONTRACT, ["lachman"], examiners=5, participants=7, sides=("left", "right"), seed=5)
    for order in day.orders.values():
        assert len(set(order)) == 14
    for seen in zip(*day.orders.values(), strict=True):
        assert len({participant for participant, _ in seen}) == 5


@pytest.mark.parametrize(
    ("maneuvers", "examiners", "participants", "words"),
    [(["x"], 3, 5, "x is not examined"), ([], 3, 5, "0 are named"), (["lachman"], 6, 5, "make no day")],
)
def test_a_day_that_cannot_be_is_refused(maneuvers: list[str], examiners: int, participants: int, words: str) -> None:
    with pytest.raises(ExamtallyError, match=words):
        plan_day(CONTRACT, maneuvers, examiners=examiners, participants=participants, sides=("left",), seed=1)


def test_a_day_is_played_in_the_browser_and_becomes_two_pages(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    pack, files = tmp_path / "pack", tmp_path / "readings"
    assert main([*PACK, "--out", str(pack)]) == 0
    assert sorted(one.name for one in pack.iterdir()) == ["form.html", "orders.csv", "readings.csv", "sheets.pdf"]
    assert main([*PACK, "--out", str(pack)]) == 8
    files.mkdir()
    with chromium() as browser:
        for number, viewport in enumerate((DESK, PHONE)):
            opened = open_file(browser, pack / "form.html", viewport)
            page = opened.page
            page.click(f"text=E{number + 1:02}")
            for seen in range(3):
                page.check('input[name="lachman.result"][value="positive"]' if seen else '[value="negative"]')
                page.fill('input[name="flexion_deficit.measure"]', "about ten" if not seen else f"{10 + seen + number}")
                page.check('input[name="flexion_deficit.result"][value="positive"]')
                if not seen:
                    page.click("text=Next")
                    assert "number is needed" in page.inner_text("#said")
                    page.fill('input[name="flexion_deficit.measure"]', "7")
                assert hindrances(page) == []
                if seen < 2:
                    page.click("text=Next")
            assert_quiet(opened, viewport)
            with page.expect_download() as download:
                page.click("text=Save readings")
            download.value.save_as(files / download.value.suggested_filename)
            page.close()
    capsys.readouterr()
    assert main(["agree", "report", str(files), "--out", str(tmp_path / "out")]) == 0
    text = (tmp_path / "out" / "agreement-day.html").read_text(encoding="utf-8")
    assert "2 examiners examined the same participants" in text
    assert "Two examiners differ by" in text
    assert "E01" not in text


def test_the_plan_says_participants_or_one_line_of_fault(capsys: pytest.CaptureFixture[str]) -> None:
    asked = ["agree", "plan", "--statistic", "icc", "--value", "0.7", "--half-width", "0.1"]
    assert main([*asked, "--examiners", "3"]) == 0
    assert "3 examiners: 68 participants, 204 exams" in capsys.readouterr().out
    assert main([*asked, "--examiners", "1"]) == 1
    assert capsys.readouterr().err == "examiners must be 2 to 50; see `examtally agree plan --help`\n"
