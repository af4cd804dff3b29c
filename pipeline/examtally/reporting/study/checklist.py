"""The reporting checklist, each item with its place in the manuscript or left to the author."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import yaml

from examtally.reporting.study.paper import TO_COMPLETE, Paper
from examtally.reporting.tables import Column, table

ITEMS = "stard.yaml"
_COMPLETE = TO_COMPLETE.strip("[]")


def checklist(paper: Paper, folder: Path = Path()) -> str:
    """The items of STARD 2015 in words of our own, each with where it stands."""
    items = yaml.safe_load((folder / ITEMS).read_text(encoding="utf-8"))["items"]
    rows = [
        {
            "part": item["part"],
            "item": str(item["item"]),
            "asks": item["asks"],
            "place": place(item, paper),
        }
        for item in items
    ]
    columns = (Column("item", "Item"), Column("asks", "What it asks", words=True), Column("place", "Where", words=True))
    caption = "STARD 2015 checklist, items in our own words"
    return table(pl.DataFrame(rows), columns, caption=caption, group="part")


def place(item: dict[str, str], paper: Paper) -> str:
    """Where an item stands in this manuscript."""
    if item.get("needs") == "reference" and paper.condition is None:
        return "does not apply: no reference standard"
    if item.get("needs") == "groups" and not any(one.group_by for one in paper.study.analyses):
        return "none declared"
    if item.get("needs") == "harms" and paper.study.harms:
        return "Results, Harms"
    where = item.get("place")
    also = item.get("author")
    if where and also:
        return f"{where}; {also}: {_COMPLETE}"
    return where or _COMPLETE
