"""Record rows typed into an empty workbook, as a person would, and the same rows as the registry should hold them."""

from __future__ import annotations

import csv
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from openpyxl import load_workbook

from examtally.contracts.contract import load_contract
from examtally.workbook.form import in_words, workbook_form
from examtally.workbook.layout import Column, Page, pages
from examtally.workbook.mapping import HEADER_ROW

Row = dict[str, str]
Tables = dict[str, list[Row]]
# what the pages have no column for
LEFT_OUT = {"findings": ("pain", "measured_by", "flexion_deg", "done_order")}


def read_tables(folder: Path) -> Tables:
    """The record files of a folder, blanks as empty texts."""
    tables = {}
    for path in sorted(folder.glob("*.csv")):
        with path.open(encoding="utf-8", newline="") as stream:
            tables[path.stem] = list(csv.DictReader(stream))
    return tables


def with_derived_codes(tables: Tables) -> Tables:
    """The rows under the codes that the workbook derives, without what it has no column for."""
    codes = {row["exam_id"]: _derived(row, "examiner_id", "exam_day") for row in tables["exams"]}
    made: Tables = {}
    for name, rows in tables.items():
        kept = [{key: value for key, value in row.items() if key not in LEFT_OUT.get(name, ())} for row in rows]
        defaults = {
            one.name: str(one.default) for one in load_contract().tables[name].fields if one.default is not None
        }
        for row in kept:
            row |= {key: value for key, value in defaults.items() if not row[key]}
            if "exam_id" in row:
                row["exam_id"] = codes[row["exam_id"]]
            if name == "findings" and not _has_stop(row):
                row["end_point"] = ""
            if name == "references":
                row["reference_id"] = _derived(row, "modality", "reference_day")
        made[name] = kept
    first: dict[str, Row] = {}
    for row in made["references"]:  # a reading has one reader on its one row
        one = first.setdefault(row["reference_id"], row)
        row |= {name: one[name] for name in ("reader_id", "exam_known")}
    made["impressions"] = [row for row in made["impressions"] if _is_core(row["condition"])]
    return made


def _derived(row: Row, *others: str) -> str:
    parts = [row["participant_id"], row["side"][:2].upper()]
    parts += [row[name][:2].upper() if name == "modality" else row[name] for name in others]
    return "-".join(parts)


def _has_stop(row: Row) -> bool:
    maneuver = load_contract().catalogue.maneuvers[row["maneuver"]]
    return maneuver.in_core_part and maneuver.end_point and row["end_point"] != "unknown"


def _is_core(condition: str) -> bool:
    return load_contract().catalogue.conditions[condition].core


def fill(book: Path, tables: Tables) -> None:
    """Type the rows, which bear derived codes, into the pages of an empty workbook."""
    opened = load_workbook(book)
    for page in pages(load_contract()):
        columns = {column.heading: (at, column) for at, column in enumerate(page.columns, start=1)}
        for number, row in enumerate(typed_rows(page, tables), start=HEADER_ROW + 1):
            for heading, text in row.items():
                at, column = columns[heading]
                is_number = column.form in ("integer", "percent", "number")
                opened[page.form.sheet].cell(number, at, float(text) if is_number else text)
    opened.save(book)


def typed_rows(page: Page, tables: Tables) -> Iterator[Row]:
    """The rows of a page as they are typed: the filled cells by heading."""
    for cells in _lines(page, tables):
        texts = ((column.heading, _typed(page, column, cells)) for column in page.columns)
        yield {heading: text for heading, text in texts if text}


def _lines(page: Page, tables: Tables) -> Iterator[dict[str, Any]]:
    """The content of each row of a page: its own fields, and what hangs on it by code."""
    if page.form.table == "references":
        readings: dict[str, dict[str, Any]] = {}
        for row in tables["references"]:
            readings.setdefault(row["reference_id"], {**row})[f"status {row['condition']}"] = row
        yield from readings.values()
        return
    by_exam: dict[str, dict[str, Any]] = {}
    if page.form.table == "exams":
        for name, key in (("history", "item"), ("findings", "maneuver")):
            for row in tables[name]:
                by_exam.setdefault(row["exam_id"], {})[f"{name} {row[key]}"] = row
        for row in tables["impressions"]:
            by_exam.setdefault(row["exam_id"], {})[f"{row['stage']} {row['condition']}"] = row
    for row in tables[page.form.table]:
        yield {**row, **by_exam.get(row.get("exam_id", ""), {})}


def _typed(page: Page, column: Column, cells: Mapping[str, Any]) -> str:
    contract, form = load_contract(), workbook_form()
    if column.target == "field":
        value = str(cells[column.code])
        return form.typed_for(page.table.name, page.table.field(column.code)).get(value, value)
    if column.target == "probability":
        row = cells.get(f"{column.stage} {column.code}")
        return str(round(100 * float(row["probability"]), 6)) if row else ""
    if column.target == "status":
        row = cells.get(f"status {column.code}")
        typed = form.typed_for("references", page.table.field("status"))
        return _words(typed[row["status"]], row["severity"], row["pattern"]) if row else ""
    if column.target == "history":
        row = cells.get(f"history {column.code}")
        return form.typed_for("history", contract.tables["history"].field("answer"))[row["answer"]] if row else ""
    row = cells.get(f"findings {column.code}")
    if row is None:
        return ""
    if column.target in ("measure", "end_point"):
        return str(row[column.target])
    typed = form.typed_for("findings", contract.tables["findings"].field("result"))
    return _words(f"{typed[row['result']]}{row['grade']}", row["reason"], row["sign"])


def _words(*parts: str) -> str:
    return " ".join(in_words(part) for part in parts if part)
