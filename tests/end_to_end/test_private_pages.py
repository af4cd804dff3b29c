"""Pages of the group tell of nobody in particular: no code, no row of one examiner, nothing to hold a sheet against."""

from __future__ import annotations

import base64
import re
from pathlib import Path

import pytest
from demo_run import MARK, Pages, Run
from page_text import Page

from examtally.errors import ReportError
from examtally.reporting import render_lead
from examtally.reporting.examiner_sheet.sheet import examiners_in
from examtally.results import read_results


@pytest.fixture(scope="module")
def group(demo_pages: Pages) -> dict[str, str]:
    """What each page of the group says and carries to take away."""
    return {path.name: _all_it_holds(path) for path in (demo_pages.root / "group").glob("*.html")}


def _all_it_holds(path: Path) -> str:
    html = path.read_text(encoding="utf-8")
    carried = [base64.b64decode(found).decode() for found in re.findall(r"data:text/csv;base64,([\w+/=]+)", html)]
    return "\n".join([Page(html).text, *carried])


def test_no_page_of_the_group_holds_a_code_of_an_examiner(group: dict[str, str], demo: Run) -> None:
    people = examiners_in(read_results(demo.out / "results").tables["tallies"])
    assert len(people) > 10
    for name, text in group.items():
        assert MARK not in text, name
        assert [one for one in people if one in text] == [], name


def _counted(page: Page) -> set[tuple[str, str]]:
    """Maneuvers by name with each n / N that stands in their rows, of ten knees or more."""
    return {
        (cells[0].large.strip(), found)
        for table in page.tables
        for _, cells in table.rows
        if cells
        for found in re.findall(r"\b\d+ (?:of|/) \d+\b", " ".join(cell.large + " " + cell.small for cell in cells))
        if int(found.split()[-1]) >= 10
    }


def test_no_count_of_a_sheet_leads_to_a_row_of_the_group(demo_pages: Pages) -> None:
    own = _counted(Page((demo_pages.root / "sheets" / "examiner-E-04.html").read_text(encoding="utf-8")))
    alone = {(name, found) for name, found in own if found}
    assert len(alone) > 5
    for path in (demo_pages.root / "group").glob("*.html"):
        assert alone & _counted(Page(path.read_text(encoding="utf-8"))) == set(), path.name


def test_the_lead_has_them_in_a_folder_of_the_owner_alone(demo_pages: Pages) -> None:
    assert (demo_pages.root / "lead").stat().st_mode & 0o777 == 0o700
    text = (demo_pages.root / "lead" / "lead.html").read_text(encoding="utf-8")
    assert text.count(MARK) > 20
    assert "For the audit lead alone" in text


def test_the_leads_copy_is_not_laid_among_pages_of_the_group(demo_pages: Pages, demo: Run) -> None:
    with pytest.raises(ReportError, match="pages of the group lie in this folder"):
        render_lead(demo.out / "results", demo_pages.root / "group")
    assert not (demo_pages.root / "group" / "lead.html").exists()


def test_the_index_of_a_folder_lists_no_private_page(demo_pages: Pages) -> None:
    assert "lead.html" not in (demo_pages.root / "group" / "index.html").read_text(encoding="utf-8")
