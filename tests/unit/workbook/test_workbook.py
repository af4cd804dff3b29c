"""The workbook: what was typed is what the registry holds; a wrong cell is named; drop-downs hold the legal codes."""

from __future__ import annotations

import re
import shutil
from pathlib import Path

import pytest
from keystrokes import effort
from openpyxl import Workbook, load_workbook
from records import exam, rows_of
from workbooks import Tables, fill, read_tables, typed_rows, with_derived_codes

from examtally.cli import output_records as terminal
from examtally.contracts.contract import load_contract
from examtally.contracts.mapping.mapping import fold
from examtally.errors import ExamtallyError, FileFault
from examtally.ingestion import BatchReport, check, ingest
from examtally.resources import resource
from examtally.synthesis import synthesize
from examtally.workbook.book import write_workbook
from examtally.workbook.form import workbook_form
from examtally.workbook.layout import pages
from examtally.workbook.mapping import HEADER_ROW, workbook_mapping

CONTRACT = load_contract()
BESIDE = ("measure", "end_point")


@pytest.fixture(scope="module")
def clinic(tmp_path_factory: pytest.TempPathFactory) -> Tables:
    """A small synthetic clinic under the codes that the workbook derives."""
    out = tmp_path_factory.mktemp("clinic")
    synthesize(out, scenario=resource("synthetic") / "scenarios" / "small.yaml", exams=30)
    return with_derived_codes(read_tables(out / "records"))


@pytest.fixture(scope="module")
def empty_book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("book") / "records.xlsx"
    write_workbook(path, CONTRACT)
    return path


@pytest.fixture
def book(empty_book: Path, tmp_path: Path) -> Path:
    """An empty workbook."""
    return Path(shutil.copy(empty_book, tmp_path))


def type_row(book: Path, sheet: str, row: int = HEADER_ROW + 1, **cells: object) -> None:
    """Type cells, given by the code of their column, into a row; measured values are not typed."""
    opened = load_workbook(book)
    type_into(opened, sheet, row, **cells)
    opened.save(book)


def type_into(opened: Workbook, sheet: str, row: int, **cells: object) -> None:
    """The same in a workbook that is open."""
    (page,) = [one for one in pages(CONTRACT) if one.form.sheet == sheet]
    for at, column in enumerate(page.columns, start=1):
        if column.code in cells and column.target not in BESIDE:
            opened[sheet].cell(row, at, cells[column.code])


def cell_of(sheet: str, code: str, row: int) -> str:
    """The cell of a column in a row, as a spreadsheet program names it."""
    (page,) = [one for one in pages(CONTRACT) if one.form.sheet == sheet]
    columns = enumerate(page.columns, start=1)
    at = next(at for at, column in columns if column.code == code and column.target not in BESIDE)
    return f"{sheet}!{Workbook().active.cell(row, at).coordinate}"


VISIT = {"participant_id": "KN-001", "side": "L", "examiner_id": "EX-01", "period": "P001", "exam_day": 0}


def where(report: BatchReport) -> dict[str, list[str]]:
    return {held.rule: [report.place(run) for run in held.runs] for held in report.held_back}


def test_what_was_typed_is_what_the_registry_holds(book: Path, clinic: Tables, tmp_path: Path) -> None:
    fill(book, clinic)
    report = ingest([book], tmp_path / "r.duckdb")
    assert report.is_clean
    for name, rows in clinic.items():
        columns = tuple(rows[0])
        stored = rows_of(tmp_path / "r.duckdb", name, ", ".join(f"coalesce({one}::varchar, '')" for one in columns))
        numbers = {field.name for field in CONTRACT.tables[name].fields if field.type == "number"}
        assert len(stored) == len(rows) > 0, name
        assert _comparable(stored, columns, numbers) == _comparable(
            [tuple(row.values()) for row in rows], columns, numbers
        )
    again = ingest([book], tmp_path / "r.duckdb")
    assert all(table.unchanged == table.lines for table in again.tables)


def _comparable(rows: list[tuple[object, ...]], columns: tuple[str, ...], numbers: set[str]) -> list[tuple[str, ...]]:
    return sorted(
        tuple(
            f"{float(str(cell)):.6f}" if name in numbers and cell != "" else str(cell)
            for name, cell in zip(columns, row, strict=True)
        )
        for row in rows
    )


def test_the_seven_tables_go_in_as_they_are(tmp_path: Path, clinic: Tables) -> None:
    book = tmp_path / "tables.xlsx"
    write_workbook(book, CONTRACT, as_tables=True)
    opened = load_workbook(book)
    for name, rows in clinic.items():
        heads = [cell.value for cell in opened[name][1]]
        assert heads == list(CONTRACT.tables[name].names)
        for row in rows:
            opened[name].append([row.get(head) or None for head in heads])
    opened.save(book)
    assert ingest([book], tmp_path / "r.duckdb").is_clean
    assert len(rows_of(tmp_path / "r.duckdb", "findings")) == len(clinic["findings"])


def test_a_hand_made_workbook_with_a_sheet_a_table_needs_no_mapping(tmp_path: Path) -> None:
    book = Workbook()
    book.active.title = "exams"
    book.active.append(list(exam("X-1")))
    book.active.append(list(exam("X-1").values()))
    book.create_sheet("remarks").append(["not read"])
    book.save(tmp_path / "mine.xlsx")
    ingest([tmp_path / "mine.xlsx"], tmp_path / "r.duckdb")
    assert rows_of(tmp_path / "r.duckdb", "exams", "exam_id, exam_day, episode") == [("X-1", 0, 1)]


WRONG = {
    "setting": ("ward", "exams.setting.enum"),
    "lachman": ("perhaps", "findings.result.enum"),
    "days_since_onset": ("tomorrow", "exams.days_since_onset.type"),
    "pop": ("maybe", "history.answer.enum"),
    "thigh_cm": (900, "exams.thigh_cm.range"),
    "valgus_stress_30": ("+5", "findings.grade.depends"),
    "medial_joint_line_tenderness": ("+ clunk", "findings.sign.depends"),
    "period": (None, "exams.period.required"),
}


def test_a_wrong_cell_is_named_by_sheet_and_cell(book: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """One wrong cell a row, a measured value without a result, and one in another sheet; codes are understood too."""
    expected, opened = {}, load_workbook(book)
    for row, (code, (typed, rule)) in enumerate(WRONG.items(), start=5):
        type_into(opened, "Visits", row, **{**VISIT, "exam_day": row, code: typed})
        expected[rule] = [cell_of("Visits", code, row)]
    (page,) = [one for one in pages(CONTRACT) if one.form.sheet == "Visits"]
    at = next(at for at, one in enumerate(page.columns, start=1) if one.target == "measure")
    type_into(opened, "Visits", 30, **{**VISIT, "exam_day": 30})
    opened["Visits"].cell(30, at, 12)
    expected["findings.result.required"] = [cell_of("Visits", page.columns[at - 1].code, 30)]
    type_into(opened, "Visits", 40, **{**VISIT, "side": "left", "lachman": "positive", "pop": "yes"})
    reading = {"participant_id": "KN-001", "side": "left", "modality": "mri", "reference_day": 4}
    type_into(opened, "Results", 3, **reading, acl_tear="present partial", pcl_tear="torn")
    expected["references.status.enum"] = [cell_of("Results", "pcl_tear", 3)]
    opened.save(book)
    report = check([book])
    assert where(report) == expected
    stored = {table.table: table.stored for table in report.tables}
    assert stored == {"exams": 6, "history": 1, "findings": 1, "impressions": 0, "references": 1}
    terminal.show_batch(report, as_json=False, is_dry_run=True)
    shown = capsys.readouterr().out
    assert all(place in shown for places in expected.values() for place in places)


def test_neg_and_pos_are_understood_like_the_codes(book: Path, tmp_path: Path) -> None:
    typed = {"lachman": "neg", "valgus_stress_30": "Neg.", "posterior_sag": "pos", "extension_deficit": "negative"}
    type_row(book, "Visits", **VISIT, **typed)
    report = ingest([book], tmp_path / "r.duckdb")
    assert where(report) == {}
    stored = dict(rows_of(tmp_path / "r.duckdb", "findings", "maneuver, result"))
    assert stored == {one: "positive" if word == "pos" else "negative" for one, word in typed.items()}


def test_an_empty_workbook_is_one_plain_line(book: Path, tmp_path: Path) -> None:
    with pytest.raises(FileFault, match="no sheet holds a row yet") as fault:
        ingest([book], tmp_path / "r.duckdb")
    assert len(fault.value.lines) == 1
    assert not (tmp_path / "r.duckdb").exists()


@pytest.mark.usefixtures("book")
def test_a_strange_workbook_and_a_mixed_batch_are_one_plain_line(tmp_path: Path) -> None:
    strange = tmp_path / "strange.xlsx"
    Workbook().save(strange)
    with pytest.raises(FileFault, match="rename the sheets, or give a mapping file"):
        check([strange])
    strange.write_bytes(b"PK not a workbook")
    with pytest.raises(FileFault, match="is not a whole workbook"):
        check([strange])
    strange.unlink()
    (tmp_path / "exams.csv").write_text("exam_id\n")
    with pytest.raises(FileFault, match="given together"):
        check([tmp_path])


def test_columns_that_are_not_used_may_be_deleted() -> None:
    headings = {page.form.sheet: [one.heading for one in page.columns] for page in pages(CONTRACT)}
    headings["Visits"] = [name for name in headings["Visits"] if name not in ("Mechanism", "Lachman test", "Locking")]
    mapping = workbook_mapping(CONTRACT, headings)
    assert mapping is not None
    assert "mechanism" not in next(rows for rows in mapping.rows if rows.table == "exams").columns
    named = [code for rows in mapping.rows for codes in rows.each.values() for code in codes.values()]
    assert {"lachman", "locking"}.isdisjoint(named)
    assert {"pivot_shift", "catching"} <= set(named)


def test_a_column_of_ones_own_is_refused(book: Path) -> None:
    type_row(book, "Visits", **VISIT)
    opened = load_workbook(book)
    last = opened["Visits"].cell(HEADER_ROW, opened["Visits"].max_column + 1, "Remarks")
    opened.save(book)
    with pytest.raises(FileFault, match=rf"columns that the mapping does not read \(column {last.column_letter}\)"):
        check([book])


def test_drop_downs_hold_exactly_the_legal_codes(book: Path) -> None:
    sheet_of = load_workbook(book)
    lists = sheet_of["Lists"]
    for page in pages(CONTRACT):
        ranges = {
            str(one.sqref).split(":")[0]: one.formula1
            for one in sheet_of[page.form.sheet].data_validations.dataValidation
            if one.type == "list"
        }
        for at, column in enumerate(page.columns, start=1):
            start = sheet_of[page.form.sheet].cell(HEADER_ROW + 1, at).coordinate
            if not column.entries:
                assert start not in ranges
                continue
            cells = re.fullmatch(r"Lists!\$([A-Z]+)\$1:\$\1\$([0-9]+)", ranges[start])
            assert cells is not None
            shown = tuple(lists[f"{cells[1]}{row}"].value for row in range(1, int(cells[2]) + 1))
            assert shown == column.entries
            assert len({fold(entry) for entry in shown}) == len(shown)
            assert _understood(page.table.name, column.target, column.code, shown)


def _understood(table: str, target: str, code: str, shown: tuple[str, ...]) -> bool:
    """Whether the entries stand for every legal code and for no other."""
    form = workbook_form()
    if target == "field":
        field = CONTRACT.tables[table].field(code)
        return dict(form.typed_for(table, field)) == dict(zip(field.enum or (), shown, strict=True))
    if target == "end_point":
        return {*shown, "unknown"} == set(CONTRACT.tables["findings"].field(target).enum or ())
    tables = {"history": "history.answer", "finding": "findings.result", "status": "references.status"}
    name, column = tables[target].split(".")
    typed = form.typed_for(name, CONTRACT.tables[name].field(column))
    alone = shown[: len(typed)]
    rest = [entry for entry in shown if entry not in alone]
    if target == "history":
        return alone == tuple(typed.values()) and not rest
    allowed: set[str] = set()
    if target == "status":
        allowed = {fold(one.code) for one in CONTRACT.catalogue.conditions[code].severity}
    else:
        maneuver = CONTRACT.catalogue.maneuvers[code]
        allowed = {str(grade) for grade in maneuver.grades} | {fold(sign) for sign in maneuver.signs}
        allowed |= {fold(reason) for reason in CONTRACT.tables["findings"].field("reason").enum or ()}
    said = {re.sub(r"^(\+|-|\?|nd) ?", "", entry) for entry in rest}
    return alone == tuple(typed.values()) and said <= allowed


def test_every_entry_of_every_drop_down_passes_the_gate(book: Path) -> None:
    """One row for each entry of the longest list; a column without so many entries begins again."""
    opened = load_workbook(book)
    for name, days in (("Visits", "exam_day"), ("Results", "reference_day")):
        (page,) = [one for one in pages(CONTRACT) if one.form.sheet == name]
        longest = max(len(column.entries) for column in page.columns)
        for row in range(longest):
            for at, column in enumerate(page.columns, start=1):
                value = column.entries[row % len(column.entries)] if column.entries else VISIT.get(column.code)
                opened[name].cell(HEADER_ROW + 1 + row, at, row if column.code == days else value)
    opened.save(book)
    assert where(check([book])) == {}


def test_first_two_letters_tell_codes_of_joined_columns_apart() -> None:
    for page in pages(CONTRACT):
        for name in page.form.code.of if page.form.code else ():
            codes = page.table.field(name).enum or ()
            assert len({code[:2] for code in codes}) == len(codes)


def test_headings_are_unlike_and_come_with_a_comment(book: Path) -> None:
    opened = load_workbook(book)
    for page in pages(CONTRACT):
        headings = [fold(column.heading) for column in page.columns]
        assert len(set(headings)) == len(headings)
        sheet = opened[page.form.sheet]
        assert [cell.value for cell in sheet[HEADER_ROW]] == [column.heading for column in page.columns]
        assert all(cell.comment is not None for cell in sheet[HEADER_ROW])
        assert sheet.freeze_panes == "C3"
        for check_ in sheet.data_validations.dataValidation:
            assert check_.errorStyle == "stop"
            assert 0 < len(check_.error) <= 255
            assert len(check_.errorTitle) <= 32


def test_the_rest_stands_in_one_closed_group_that_can_be_opened(book: Path) -> None:
    sheet = load_workbook(book)["Visits"]
    (page,) = [one for one in pages(CONTRACT) if one.form.sheet == "Visits"]
    folded = [band.is_folded for band in page.bands for _ in band.columns]
    letters = [cell.column_letter for cell in sheet[HEADER_ROW]]
    hidden = {letter for letter, one in zip(letters, folded, strict=True) if one}
    assert {letter for letter in letters if sheet.column_dimensions[letter].hidden} == hidden
    assert sheet.sheet_format.outlineLevelCol == 1
    assert folded == sorted(folded)


def test_every_maneuver_stands_in_the_catalogue_with_its_cautions(book: Path) -> None:
    rows = list(load_workbook(book)["Catalogue"].iter_rows(min_row=2, values_only=True))
    for maneuver, row in zip(CONTRACT.catalogue.maneuvers.values(), rows, strict=True):
        assert row[1] == maneuver.name
        assert row[3] == maneuver.technique
        assert (row[6] or "") == "\n".join(maneuver.cautions)


def test_a_workbook_is_not_written_over(book: Path) -> None:
    with pytest.raises(ExamtallyError, match="may hold records"):
        write_workbook(book, CONTRACT)
    with pytest.raises(ExamtallyError, match=r"must end in \.xlsx"):
        write_workbook(book.with_suffix(".csv"), CONTRACT)


@pytest.mark.parametrize(("sheet", "seconds", "with_thought"), [("Visits", 60, 90), ("Results", 30, 30)])
def test_ten_rows_take_the_typing_that_is_promised(
    clinic: Tables, sheet: str, seconds: float, with_thought: float
) -> None:
    """Keystrokes alone stay under the aim; with a thought for every single cell a visit does not."""
    (page,) = [one for one in pages(CONTRACT) if one.form.sheet == sheet]
    rows = list(typed_rows(page, clinic))[:10]
    for is_completed in (False, True):
        efforts = [effort(page, row, is_completed=is_completed) for row in rows]
        cells, keys = (sum(getattr(one, name) for one in efforts) / len(efforts) for name in ("cells", "keys"))
        low, high = (sum(one.seconds[at] for one in efforts) / len(efforts) for at in (0, 1))
        most = max(one.keys for one in efforts)
        assert most < 200
        print(f"{sheet}, {is_completed=}: {cells:.1f} cells, {keys:.1f} keys (most {most}), {low:.0f} to {high:.0f} s")
        assert low <= seconds
        assert high <= with_thought
