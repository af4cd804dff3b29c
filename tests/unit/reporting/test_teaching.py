"""The teaching set in the browser: played to its end without a network; nothing in it is anybody's."""

from __future__ import annotations

import csv
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from browsing import DESK, PHONE, assert_quiet, chromium, hindrances, open_file
from released_tables import ALL, lachman, tallies_of

from examtally.contracts.contract import load_contract
from examtally.contracts.protocol.teaching import Blueprint, load_blueprint
from examtally.contracts.results import empty
from examtally.disclosure.ledger import Shown
from examtally.disclosure.tables import Row
from examtally.disclosure.teaching import Case, TeachingSet
from examtally.errors import DisclosureError, ProtocolError
from examtally.reporting.teaching import teaching_content, with_released_ratios, write_teaching_set
from examtally.results.teaching import TeachingSource
from examtally.workbook.exam_form import offline_page, write_page

CONTRACT = load_contract()
CASES = tuple(
    Case("acl_tear", (("age_band", "16_25"), ("acuity", "acute")), findings, is_present, by_surgery=is_present)
    for is_present in (True, False)
    for findings in (
        (("lachman", "positive"), ("pivot_shift", "negative")),
        (("lachman", "negative"), ("anterior_drawer", "negative")),
    )
)


def _source(unverified: int = 40) -> TeachingSource:
    key = {"condition": ["acl_tear"], "maneuver": ["lachman"]}
    tallies = tallies_of(lachman({ALL: (40, 20, 15, 90)}), unverified=unverified)
    leading = empty("leading").select("condition", "maneuver", "basis", "lr_positive", "lr_negative")
    shown = pl.DataFrame(key | {"basis": ["bias_adjusted"], "lr_positive": [7.234], "lr_negative": [0.1234]})
    return TeachingSource({}, {}, pl.concat([leading, shown]), tallies)


def _page(folder: Path) -> Path:
    content = teaching_content(TeachingSet(CASES, {}, {}), _source(), Blueprint(), CONTRACT)
    return write_page(folder / "teaching.html", offline_page("teaching", "Cases to learn from", content))


def test_the_page_holds_nothing_but_what_may_be_shown(tmp_path: Path) -> None:
    text = _page(tmp_path).read_text(encoding="utf-8")
    found = re.search(r'<script type="application/json" id="content">(.*?)</script>', text, re.S)
    assert found is not None
    content = json.loads(found.group(1))
    assert content["group"] == "Our sports-medicine group"  # letter by letter
    assert content["cases"][0].keys() == {"condition", "context", "findings", "present", "by"}
    assert [one["ratio"] for one in content["cases"][0]["findings"]] == [7.2, None]
    assert content["released"]
    # LR+ of the Lachman test 0.68/0.21 to 0.86/0.09 in publications that examined awake
    assert content["cases"][0]["findings"][0]["published"] == [3.2, 9.6]
    assert [one["by"] for one in content["cases"][:2]] == ["seen at surgery"] * 2


@pytest.mark.parametrize(
    ("unverified", "rows", "is_shown"),
    [
        (22, [Row("acl_tear", "lachman")], True),
        (21, [Row("acl_tear", "lachman")], False),
        (40, [Row("acl_tear", "pivot_shift")], False),
        (40, [], False),
    ],
)
def test_a_ratio_is_shown_where_its_table_was_released(unverified: int, rows: list[Row], is_shown: bool) -> None:
    cells = dict.fromkeys(("tp", "fp", "fn", "tn"), 20)
    release = Shown("a" * 64, dict.fromkeys(rows, cells), dict.fromkeys(rows, 0))
    source = with_released_ratios(_source(unverified), [release])
    made = teaching_content(TeachingSet(CASES, {}, {}), source, Blueprint(), CONTRACT)
    assert (made["cases"][0]["findings"][0]["ratio"] == 7.2) == is_shown
    assert made["released"] == is_shown


@pytest.mark.parametrize(
    "viewport", [pytest.param(DESK, id="desk", marks=pytest.mark.study), pytest.param(PHONE, id="phone")]
)
def test_it_is_played_to_the_end_offline(viewport: dict[str, int], tmp_path: Path) -> None:
    stated = {True: "90", False: "20"}
    with chromium() as browser:
        opened = open_file(browser, _page(tmp_path), viewport)
        page = opened.page
        page.context.set_offline(True)
        assert "says nothing of the clinic" in page.inner_text("main")
        page.click("text=Begin")
        for number, case in enumerate(CASES, 1):
            assert f"Case {number} of 4" in page.inner_text("main")
            page.fill("#chance", "often")
            page.click("text=Next finding")
            assert "from 0 to 100" in page.inner_text("#said")
            for step in range(3):
                page.fill("#chance", stated[case.is_present] if step == 2 else "50")
                page.keyboard.press("Enter") if step == 1 else page.click("text=/Next finding|See the answer/")
            told = page.inner_text("main")
            assert f"was {'present' if case.is_present else 'absent'}" in told
            assert ("ratio 7.2, ours" in told) == (case.findings[0][1] == "positive")
            assert re.search(r"published, not ours. Alone it takes your 50% to between \d+% and \d+%", told)
            assert "alone it takes your 50% to 88%" in told.lower() or case.findings[0][1] == "negative"
            page.click("text=/Next case|How I did/")
        ends = np.array([0.9, 0.9, 0.2, 0.2]) - np.array([1, 1, 0, 0])
        half = 3.1824 * ends.std(ddof=1) / 2
        low, high = (round(100 * (ends.mean() + side * half)) for side in (-1, 1))
        wanted = f"+5 points from what was there (95% limits −{-low} to +{high})"
        assert wanted in page.inner_text("#calibration")
        assert "So neither is what you stated to be judged by the clinic" in page.inner_text("main")
        assert page.locator("#discuss li").count() == 3
        assert "Of 2 you called 80 to 100%, 2 had it" in page.inner_text("main")
        assert hindrances(page) == []
        with page.expect_download() as download:
            page.click("text=Keep my answers")
        download.value.save_as(tmp_path / "own.csv")
        assert page.evaluate("localStorage.length") == 0
        assert_quiet(opened, viewport)
    rows = list(csv.DictReader((tmp_path / "own.csv").read_text(encoding="utf-8").splitlines()))
    assert [row["after"] for row in rows] == ["0.9", "0.9", "0.2", "0.2"]


def test_without_an_approval_nothing_is_made(tmp_path: Path) -> None:
    with pytest.raises(DisclosureError, match="committee approved"):
        write_teaching_set(tmp_path / "registry.duckdb", tmp_path / "out", None, None, approval=None)
    assert not list(tmp_path.iterdir())


def test_a_blueprint_is_read_and_its_faults_are_named(tmp_path: Path) -> None:
    path = tmp_path / "blueprint.yaml"
    path.write_text("cases: 8\nconditions: [acl_tear]\n", encoding="utf-8")
    assert load_blueprint(path, CONTRACT) == replace(Blueprint(), cases=8, conditions=("acl_tear",))
    path.write_text("cases: 900\nshare_hrd: 1\n", encoding="utf-8")
    with pytest.raises(ProtocolError, match=r"(?s)line 1, cases.*share_hard"):
        load_blueprint(path, CONTRACT)
