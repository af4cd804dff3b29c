"""The built-in mapping: how a filled workbook becomes record tables, written from its layout as a mapping file would.

Only columns that the workbook still has are mapped, so a page may be kept shorter than it was made.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any

from examtally.contracts.contract import DEFAULT_JOINT, Contract
from examtally.contracts.mapping.file import read_mapping
from examtally.contracts.mapping.mapping import ExportMapping, fold
from examtally.contracts.records.tables import JOINT, Field, Table
from examtally.contracts.yamlfile import from_data
from examtally.errors import MappingError
from examtally.workbook.form import DerivedCode, in_words, workbook_form
from examtally.workbook.layout import Column, Page, end_points, pages, table_page

FILES = "*.xlsx"
HEADER_ROW = 2  # the titles of the bands stand above
Headings = Mapping[str, Iterable[str]]
_BESIDE = ("measure", "end_point")  # targets of columns beside the one of a maneuver
_MINUS = "\u2212"  # what some programs make of a typed hyphen


def workbook_mapping(contract: Contract, headings: Headings) -> ExportMapping | None:
    """Return the mapping of a workbook with these sheets and headings; None where it is no workbook of ours."""
    data = workbook_data(contract, headings)
    return None if data is None else read_mapping(from_data(data, "workbook", MappingError), contract)


def workbook_data(contract: Contract, headings: Headings) -> dict[str, Any] | None:
    """Return that mapping as the plain data of a mapping file."""
    ours = [page for page in pages(contract) if page.form.sheet in headings]
    if ours:
        return _data(ours, headings, lambda page, known: _entries(contract, page, known), HEADER_ROW)
    tables = [table_page(table) for name, table in contract.tables.items() if name in headings]
    return _data(tables, headings, _plain_entries, 1) if tables else None


def _data(
    made: list[Page], headings: Headings, entries: Callable[[Page, list[Column]], dict[str, Any]], header_row: int
) -> dict[str, Any]:
    tables: dict[str, Any] = {}
    sources: dict[str, Any] = {}
    for page in made:
        there = {fold(name) for name in headings[page.form.sheet]}
        known = [column for column in page.columns if fold(column.heading) in there or column.is_required]
        sources[page.form.name] = {"files": FILES, "sheet": page.form.sheet, "header_rows": header_row}
        for table, rows in entries(page, known).items():
            tables[table] = [{"from": page.form.name, **one} for one in rows]
    return {"title": "Workbook", "sources": sources, "tables": tables}


def _plain_entries(page: Page, known: list[Column]) -> dict[str, Any]:
    return {page.table.name: [{"columns": {column.code: column.heading for column in known}}]}


def _entries(contract: Contract, page: Page, known: list[Column]) -> dict[str, Any]:
    """The entries of every table that a page feeds, by table."""
    by_target: dict[str, list[Column]] = {}
    for column in known:
        by_target.setdefault(column.target, []).append(column)
    own = {column.code: _field_value(page.table, column) for column in by_target.get("field", ())}
    if page.form.code is None:
        return {page.table.name: [{"columns": own}]}
    joint = contract.catalogue.joint
    if joint != DEFAULT_JOINT and JOINT in page.table.names:
        own[JOINT] = {"value": joint}
    code = {page.form.code.name: _joined(page, page.form.code, joint)}
    made: dict[str, Any] = {}
    if "status" in by_target:
        return {page.table.name: [_statuses(page.table, by_target["status"], code | own)]}
    made[page.table.name] = [{"columns": code | own}]
    if "history" in by_target:
        made["history"] = [_history(contract, by_target["history"], code)]
    if "finding" in by_target:
        beside = {(one.code, one.target): one for kind in _BESIDE for one in by_target.get(kind, ())}
        made["findings"] = list(_findings(contract, by_target["finding"], beside, code))
    if "probability" in by_target:
        made["impressions"] = [_probability(by_target["probability"], code)]
    return made


def _field_value(table: Table, column: Column) -> Any:
    field = table.field(column.code)
    return {"column": column.heading, "codes": _codes(table.name, field)} if field.enum else column.heading


def _codes(table: str, field: Field) -> dict[str, str]:
    return {typed: code for code, typed in workbook_form().typed_for(table, field).items()}


def _joined(page: Page, code: DerivedCode, joint: str) -> dict[str, Any]:
    """An identifier from other columns; a code counts by its first two letters, since it may hold no word.

    Another joint than the default stands in it, so that a person's exams of two joints on one day have two codes.
    """
    parts: list[Any] = []
    headings = {column.code: column.heading for column in page.columns}
    for name in code.of:
        field = page.table.field(name)
        if not field.enum:
            parts.append(headings[name])
            continue
        short = {one: one[:2].upper() for one in field.enum}
        labels = {label: short[one] for one, label in field.labels.items()}
        typed = {written: short[one] for written, one in _codes(page.table.name, field).items()}
        parts.append({"column": headings[name], "codes": _unlike(short, labels, typed)})
    mark = joint_mark(joint)
    return {"join": [*parts[:1], *([{"value": mark}] if mark else []), *parts[1:]]}


def joint_mark(joint: str) -> str:
    """What stands for a joint in codes of exams and readings; nothing for the default."""
    return "" if joint == DEFAULT_JOINT else joint[:3].upper()


def _unlike(*words: Mapping[str, str]) -> dict[str, str]:
    """Words that differ when folded, with what they stand for."""
    found: dict[str, tuple[str, str]] = {}
    for one in words:
        for word, code in one.items():
            found.setdefault(fold(word), (word, code))
    return dict(found.values())


def _history(contract: Contract, columns: list[Column], code: dict[str, Any]) -> dict[str, Any]:
    answers = _codes("history", contract.tables["history"].field("answer"))
    return {
        "each": {"item": {column.heading: column.code for column in columns}},
        "cell": "{item}",
        "columns": {**code, "item": {"each": "item"}, "answer": {"codes": answers}},
    }


def _findings(
    contract: Contract, columns: list[Column], beside: Mapping[tuple[str, str], Column], code: dict[str, Any]
) -> Iterable[dict[str, Any]]:
    """One entry for the maneuvers that are judged only, and one for each set of columns that others have beside that.

    `beside` holds those columns by maneuver and target. What stands in one of them without a result makes a row too, so
    that the gate can ask for the result.
    """
    values = _finding_parts(contract)
    by_ends: dict[tuple[str, ...], dict[str, str]] = {}
    for column in columns:
        found = [beside.get((column.code, target)) for target in _BESIDE]
        ends = tuple(one.heading.removeprefix(column.heading) if one is not None else "" for one in found)
        by_ends.setdefault(ends, {})[column.heading] = column.code
    for ends, named in by_ends.items():
        read: dict[str, Any] = {name: {"column": "{maneuver}", **value} for name, value in values.items()}
        measure, stop = (f"{{maneuver}}{end}" if end else None for end in ends)
        if measure:
            read["measure"] = measure
        if stop:
            read["end_point"] = {"column": stop, "codes": {word: word for word in end_points(contract)}}
        yield {
            "each": {"maneuver": named},
            "when_any": [one for one in ("{maneuver}", measure, stop) if one],
            "columns": {**code, "maneuver": {"each": "maneuver"}, **read},
        }


def _finding_parts(contract: Contract) -> dict[str, Any]:
    """What each part of a cell says: result, grade after it, reason and sign; the grade is read before or after."""
    table = contract.tables["findings"]
    typed = {code: [one] for code, one in workbook_form().typed_for("findings", table.field("result")).items()}
    for written in typed.values():
        written += [_MINUS] if written == ["-"] else []
    highest = table.field("grade").maximum or 0
    results = {one: code for code, written in typed.items() for one in written}
    grades: dict[str, str] = {}
    for one, code in list(results.items()):
        if code in workbook_form().with_grade:
            for grade in range(highest + 1):
                for word in (f"{one}{grade}", f"{grade}{one}"):
                    results[word], grades[word] = code, str(grade)
    return {
        "result": {"parts": results},
        "reason": {"parts": {in_words(code): code for code in table.field("reason").enum or ()}},
        "sign": {"parts": {in_words(code): code for code in table.field("sign").enum or ()}},
        "grade": {"parts": grades},
    }


def _probability(columns: list[Column], code: dict[str, Any]) -> dict[str, Any]:
    words = {column.heading: column.heading.split(": ", 1) for column in columns}
    return {
        "each": {
            "stage": {words[column.heading][0]: column.stage for column in columns},
            "condition": {words[column.heading][1]: column.code for column in columns},
        },
        "cell": "{stage}: {condition}",
        "columns": {
            **code,
            "condition": {"each": "condition"},
            "stage": {"each": "stage"},
            "probability": {"unit": "percent"},
        },
    }


def _statuses(table: Table, columns: list[Column], own: dict[str, Any]) -> dict[str, Any]:
    typed = _codes("references", table.field("status"))
    if "-" in typed:
        typed[_MINUS] = typed["-"]
    return {
        "each": {"condition": {column.heading: column.code for column in columns}},
        "cell": "{condition}",
        "columns": {
            **own,
            "condition": {"each": "condition"},
            "status": {"parts": typed},
            "severity": {"parts": _listed(table.field("severity"))},
            "pattern": {"parts": _listed(table.field("pattern"))},
        },
    }


def _listed(field: Field) -> dict[str, str]:
    """Every value that the catalogue lists for some code; the gate tells whether it goes with the code of the row."""
    values = field.depends.allowed.values() if field.depends is not None else ()
    return {in_words(one): one for one in sorted({one for some in values for one in some})}
