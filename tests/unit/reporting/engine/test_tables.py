from __future__ import annotations

import base64
import re
from xml.etree import ElementTree

import polars as pl
import pytest

from examtally.errors import ReportError
from examtally.reporting.engine.tables import Column, details, download, table, tabs

FRAME = pl.DataFrame(
    {"what": ["Lachman", "Pivot <shift>"], "se": ["81%\n58 of 72", None], "sp": ["90%", "95%"], "kind": ["a", "b"]}
)
COLUMNS = (
    Column("what", "Maneuver"),
    Column("se", "Found", "With a tear"),
    Column("sp", "Cleared", "Without", words=True),
)


def parse(text: str) -> ElementTree.Element:
    match = re.search(r"<table>.*</table>", text, re.S)
    assert match
    return ElementTree.fromstring(match.group(0))


def test_a_table_has_caption_scopes_and_row_headings() -> None:
    root = parse(table(FRAME, COLUMNS, caption="Accuracy"))
    assert root.findtext("caption/span") == "Accuracy"
    assert [th.get("scope") for th in root.iter("th")] == ["colgroup", "colgroup", "col", "col", "col", "row", "row"]
    assert [th.text for th in root.findall("tbody/tr/th")] == ["Lachman", "Pivot <shift>"]


def test_a_line_break_sets_the_rest_small_and_null_is_empty() -> None:
    root = parse(table(FRAME, COLUMNS, caption="Accuracy"))
    first, second = root.findall("tbody/tr/td[1]")
    assert (first.text, first.findtext("small")) == ("81%", "58 of 72")
    assert second.text is None


def test_groups_become_headings_over_their_rows() -> None:
    root = parse(table(FRAME, COLUMNS, caption="Accuracy", group="kind"))
    assert [th.text for th in root.iter("th") if th.get("scope") == "rowgroup"] == ["a", "b"]
    assert len(root.findall("tbody")) == 2


def test_neighbours_under_one_heading_are_spanned() -> None:
    columns = (COLUMNS[0], Column("se", "Found", "Both"), Column("sp", "Cleared", "Both"))
    root = parse(table(FRAME, columns, caption="Accuracy"))
    assert [(th.text, th.get("colspan")) for th in root.findall("thead/tr[1]/th")] == [("Both", "2")]


def test_a_heading_may_have_a_small_second_line() -> None:
    root = parse(table(FRAME, [COLUMNS[0], Column("se", "Found\nof those with it")], caption="Accuracy"))
    assert root.findtext("thead/tr/th[2]/small") == "of those with it"


def test_a_fold_and_tabs_hold_what_is_put_into_them() -> None:
    assert "<details><summary>More &amp; more</summary>" in details("More & more", "text")
    assert tabs(["### One\nA"], depth=1).split() == ["::::", "{.panel-tabset}", "###", "One", "A", "::::"]
    assert tabs([]) == ""


def test_a_missing_column_or_caption_is_an_error() -> None:
    with pytest.raises(ReportError, match="no column gone"):
        table(FRAME, [Column("gone", "Gone")], caption="Accuracy")
    with pytest.raises(ReportError, match="no caption"):
        table(FRAME, COLUMNS, caption=" ")


def test_the_download_holds_the_frame() -> None:
    link = download(FRAME.select("what", "sp"), "accuracy-acl_tear")
    match = re.search(r"base64,([^)]+)\)\{download=\"accuracy-acl_tear\.csv\"\}", link)
    assert match
    assert base64.b64decode(match.group(1)).decode() == "what,sp\nLachman,90%\nPivot <shift>,95%\n"
