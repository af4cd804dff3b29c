"""Who was studied, by target condition."""

from __future__ import annotations

import polars as pl

from examtally.reporting.engine.numbers import share_of
from examtally.reporting.engine.tables import Column, table
from examtally.reporting.engine.wording import band_order
from examtally.reporting.manuscript.paper import Paper, Row, label

_ALWAYS = "overall"


def participants(paper: Paper) -> str:
    """Knees in which the first index test was done, by group and condition; empty where the run made no such table."""
    lines = sorted(
        paper.rows("study_participants"),
        key=lambda line: (line["group_by"] != _ALWAYS, line["group"] == "unknown", band_order(line["group"])),
    )
    told = [name for name in dict.fromkeys(line["group_by"] for line in lines) if _is_known(name, lines)]
    whole = next((line for line in lines if line["group_by"] == _ALWAYS), None)
    if whole is None or not whole["knees"]:
        return ""
    cells = ("present", "absent", "unsettled") if paper.condition else ()
    rows = [
        {
            "grouping": "«Nouns»" if name == _ALWAYS else paper.wording.word("group_by", name),
            "group": "All" if line["group"] == "all" else paper.group_name(line["group"]).capitalize(),
            "knees": share_of(line["knees"], whole["knees"]) if name != _ALWAYS else str(line["knees"]),
            "status": label(line["status"]),
        }
        | {cell: share_of(line[cell], whole[cell]) if name != _ALWAYS else str(line[cell]) for cell in cells}
        for name in told
        for line in lines
        if line["group_by"] == name and line["knees"]
    ]
    heads = {"present": "Condition present", "absent": "Condition absent", "unsettled": "Not settled"}
    columns = (
        Column("group", "Group"),
        Column("knees", "All «nouns»"),
        *(Column(cell, heads[cell]) for cell in cells),
        Column("status", "Status", words=True),
    )
    caption = f"«Nouns» examined with {paper.test_name(paper.study.analyses[0].tests[0])}, by target condition"
    return table(
        pl.DataFrame(rows),
        columns,
        caption=caption if cells else "«Nouns» at their first eligible exam",
        group="grouping",
    )


def _is_known(name: str, lines: list[Row]) -> bool:
    """Whether a grouping says more than that nothing was recorded."""
    return any(line["group_by"] == name and line["group"] != "unknown" and line["knees"] for line in lines)
