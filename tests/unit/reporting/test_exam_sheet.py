"""The paper sheet: one page on either paper, every maneuver on it, asked for in the order of the exam."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
import typst

from examtally.contracts.contract import load_contract
from examtally.errors import ReportError
from examtally.fonts import font_folder
from examtally.reporting.exam_sheet import PAPERS, sheet_content, write_sheet
from examtally.resources import resource

CONTRACT = load_contract()
TEMPLATE = str(resource("reports") / "exam_sheet.typ")


def drawn(content: dict[str, object]) -> bytes | list[bytes]:
    """The sheet as a drawing, or several where it runs over."""
    return typst.compile(
        TEMPLATE,
        format="svg",
        sys_inputs={"data": json.dumps(content)},
        font_paths=[font_folder()],
        ignore_system_fonts=True,
    )


@pytest.mark.parametrize("joint", ["knee", "shoulder", "ankle"])
@pytest.mark.parametrize("paper", PAPERS)
def test_it_is_one_page(paper: str, joint: str) -> None:
    assert isinstance(drawn(sheet_content(load_contract(joint), paper)), bytes)


@pytest.mark.parametrize("joint", ["knee", "shoulder", "ankle"])
def test_every_blank_has_room_for_what_is_written_in_it(joint: str) -> None:
    page = drawn(sheet_content(load_contract(joint), "a4"))
    assert isinstance(page, bytes)
    widths = [float(found) for found in re.findall(r'd="M 0 0m ([\d.]+) [\d.]+v 0\.6h -', page.decode())]
    assert len(widths) > 20
    assert min(widths) > 16  # points: the five millimeters of a measured value, never less


def test_a_catalogue_that_no_longer_fits_would_be_seen() -> None:
    content = sheet_content(CONTRACT, "a4")
    content["flags"] = content["flags"] * 4
    assert isinstance(drawn(content), list)


def test_every_maneuver_stands_on_it_in_the_order_of_the_exam() -> None:
    """Core maneuvers and safety checks first, phase by phase, then the others."""
    data = {"data": json.dumps(sheet_content(CONTRACT, "a4"))}
    found = json.loads(typst.query(TEMPLATE, "<maneuver>", sys_inputs=data))
    names = [text_of(one) for one in found]
    order = {"look": 0, "feel": 1, "move": 2, "special": 3}
    maneuvers = sorted(
        CONTRACT.catalogue.maneuvers.values(),
        key=lambda one: (not one.core and one.purpose != "safety", order[one.phase], one.code != "posterior_sag"),
    )
    assert names == [one.name for one in maneuvers]
    sag = names.index("Posterior sag sign")
    assert all(sag < names.index(name) for name in names if "drawer" in name.lower() or "Lachman" in name)


def text_of(element: dict[str, object]) -> str:
    """The words of an element of the page."""
    if "text" in element:
        return str(element["text"])
    inside = element.get("body") or element.get("child") or element.get("children")
    parts = inside if isinstance(inside, list) else [inside]
    return "".join(text_of(one) if one.get("func") != "space" else " " for one in parts if isinstance(one, dict))


def test_it_asks_for_what_the_workbook_has() -> None:
    content = sheet_content(CONTRACT, "a4")
    assert [one["heading"] for one in content["history"]] == [one.label for one in CONTRACT.catalogue.history.values()]
    core = [one.name for one in CONTRACT.catalogue.conditions.values() if one.core]
    assert content["before"]["conditions"] == content["after"]["conditions"] == core
    assert content["flags"] == list(CONTRACT.catalogue.quick_rule_out)
    lachman = next(one for phase in content["phases"] for one in phase["core"] if one["name"] == "Lachman test")
    assert lachman["grades"] == ["0", "1", "2", "3"]
    assert lachman["stops"] == ["firm", "soft", "absent"]
    safety = {one["name"] for phase in content["phases"] for one in phase["core"] if not one["unit"]}
    assert {"Straight leg raise", "Hip rotation screen"} <= safety
    assert all(caution in lachman["caution"] for caution in CONTRACT.catalogue.maneuvers["lachman"].cautions)


def test_the_same_sheet_is_the_same_bytes(tmp_path: Path) -> None:
    first, second = (write_sheet(tmp_path / name, CONTRACT).read_bytes() for name in ("a.pdf", "b.pdf"))
    assert first == second
    assert first.startswith(b"%PDF-")


def test_wrong_paper_name_and_folder_are_one_plain_line(tmp_path: Path) -> None:
    with pytest.raises(ReportError, match="choose from a4, letter"):
        write_sheet(tmp_path / "a.pdf", CONTRACT, paper="a5")
    with pytest.raises(ReportError, match=r"must end in \.pdf"):
        write_sheet(tmp_path / "a.png", CONTRACT)
    with pytest.raises(ReportError, match="cannot be written"):
        write_sheet(tmp_path / "no" / "a.pdf", CONTRACT)
