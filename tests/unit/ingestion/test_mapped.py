"""Exports through a mapping: what they become, where each line went, and what is said of cells without a place."""

from __future__ import annotations

import csv
import re
from pathlib import Path

import openpyxl
import pytest
from records import exam, finding, rows_of, rules, send, write_csv

from examtally.errors import FileFault, MappingError
from examtally.ingestion import check, ingest
from examtally.registry import open_registry
from examtally.results import analyze

EXPORTS = Path(__file__).parents[3] / "docs" / "exports"
FILES = {"wide": "wide.csv", "long": "long.csv", "register": "register.xlsx"}

SHEET = """\
title: visits with both knees
sources:
  visits: {files: "*.csv", ignore: [remark]}
tables:
  exams:
    each: {side: {R: right, L: left}}
    when_any: ["Lachman {side}"]
    columns:
      exam_id: {join: [visit, {each: side}]}
      participant_id: person
      side: {each: side}
      examiner_id: {value: EM-1}
      period: {value: P001}
      exam_day: {value: "0"}
  findings:
    each: {side: {R: right, L: left}, maneuver: {Lachman: lachman, Sag: posterior_sag, Jerk: pivot_shift}}
    cell: "{maneuver} {side}"
    when_any: ["Lachman {side}"]
    blank_means: {negative: [posterior_sag]}
    columns:
      exam_id: {join: [visit, {each: side}]}
      maneuver: {each: maneuver}
      result: {parts: {"+": positive, 1+: positive, 2+: positive, neg: negative, nd: not_done, no pain: negative}}
      grade: {parts: {1+: 1, 2+: 2}, where_listed: true}
      end_point: {parts: {soft: soft}}
      reason: {parts: {pain: pain}}
"""
VISIT = {"visit": "V-1", "person": "PT-1", "Lachman R": "2+ soft", "Sag R": "", "Jerk R": "ND  pain", "remark": "x"}
BLANK = {"Lachman L": "", "Sag L": "", "Jerk L": ""}


def _sheet(folder: Path, *visits: dict[str, object], mapping: str = SHEET) -> tuple[Path, Path]:
    (folder / "sheet.yaml").write_text(mapping, encoding="utf-8")
    return write_csv(folder / "sheet.csv", visits), folder / "sheet.yaml"


@pytest.mark.parametrize("name", FILES)
def test_the_exports_of_the_documentation_go_in_completely(name: str, tmp_path: Path) -> None:
    report = ingest([EXPORTS / FILES[name]], tmp_path / "r.duckdb", mapping=EXPORTS / f"{name}.yaml")
    assert report.held_back == ()
    assert all(table.lines == table.stored > 0 for table in report.tables)
    (export,) = report.exports
    assert export.lines == export.mapped + export.skipped
    assert export.empty == 0


def test_the_long_export_says_what_a_reader_of_its_lines_finds(tmp_path: Path) -> None:
    registry = tmp_path / "r.duckdb"
    ingest([EXPORTS / "long.csv"], registry, mapping=EXPORTS / "long.yaml")
    names = {"Lachman test": "lachman", "Ant. drawer": "anterior_drawer", "Valgus stress 30": "valgus_stress_30"}
    expected = []
    with (EXPORTS / "long.csv").open(encoding="utf-8") as stream:
        for line in csv.DictReader(stream):
            if line["test"] in names:
                text = line["finding"].lower()
                grade = next((int(sign) for sign in "0123" if sign in text), None)
                end_point = next((word for word in ("soft", "firm") if word in text), None)
                result = "negative" if text[0] in "0n-" else "positive"
                expected.append((line["visit_no"], names[line["test"]], result, grade, end_point))
    columns = "exam_id, maneuver, result, grade, end_point"
    found = [row for row in rows_of(registry, "findings", columns) if row[1] in names.values()]
    assert sorted(found, key=str) == sorted(expected, key=str)
    assert len(found) > 100


def test_one_cell_gives_result_grade_and_end_point(tmp_path: Path) -> None:
    file, mapping = _sheet(tmp_path, VISIT | BLANK)
    report = ingest([file], tmp_path / "r.duckdb", mapping=mapping)
    assert rows_of(tmp_path / "r.duckdb", "findings", "exam_id, maneuver, result, grade, end_point, reason") == [
        ("V-1-R", "lachman", "positive", 2, "soft", None),
        ("V-1-R", "pivot_shift", "not_done", None, None, "pain"),
        ("V-1-R", "posterior_sag", "negative", None, None, None),
    ]
    assert [(one.assumption, one.code, one.lines) for one in report.assumptions] == [
        ("blank_negative", "posterior_sag", 1)
    ]


def test_the_longest_known_part_counts(tmp_path: Path) -> None:
    file, mapping = _sheet(tmp_path, VISIT | BLANK | {"Jerk R": "No pain"})
    ingest([file], tmp_path / "r.duckdb", mapping=mapping)
    assert ("pivot_shift", "negative", None) in rows_of(tmp_path / "r.duckdb", "findings", "maneuver, result, reason")


def test_a_mapping_and_our_own_form_store_the_same(tmp_path: Path) -> None:
    file, mapping = _sheet(tmp_path, VISIT | BLANK)
    ingest([file], tmp_path / "mapped.duckdb", mapping=mapping)
    exam = {"exam_id": "V-1-R", "participant_id": "PT-1", "side": "right", "examiner_id": "EM-1"}
    write_csv(tmp_path / "exams.csv", [exam | {"period": "P001", "exam_day": 0}])
    rows = [
        finding("V-1-R", grade=2, end_point="soft"),
        finding("V-1-R", "pivot_shift", "not_done", reason="pain"),
        finding("V-1-R", "posterior_sag", "negative"),
    ]
    ingest([tmp_path / "exams.csv", write_csv(tmp_path / "findings.csv", rows)], tmp_path / "own.duckdb")
    with open_registry(tmp_path / "mapped.duckdb") as mapped, open_registry(tmp_path / "own.duckdb") as own:
        assert mapped.fingerprint() == own.fingerprint()


def test_an_unknown_code_is_held_back_by_rule_line_and_column_and_never_shown(tmp_path: Path) -> None:
    file, mapping = _sheet(tmp_path, VISIT | BLANK, VISIT | BLANK | {"visit": "V-2", "Lachman R": "2+ Robertson"})
    report = ingest([file], tmp_path / "r.duckdb", mapping=mapping)
    (held,) = report.held_back
    assert (held.rule, held.lines) == ("findings.result.enum", 1)
    (line,) = held.first
    assert (line.line, line.column) == (3, 3)
    assert "robertson" not in report.to_json().lower()
    assert b"obertson" not in (tmp_path / "r.duckdb").read_bytes()


def test_check_lists_codes_without_a_place_but_no_word_that_may_be_a_name(tmp_path: Path) -> None:
    cells = ["?!", "?!", "Miller", "call 5551234", "neg, see letter"]
    visits = [VISIT | BLANK | {"visit": f"V-{at}", "Jerk R": cell} for at, cell in enumerate(cells, start=1)]
    file, mapping = _sheet(tmp_path, *visits)
    report = check([file], mapping=mapping)
    shown = [(one.value, one.values, one.lines) for one in report.unplaced if one.column == "result"]
    assert shown == [("?!", 1, 2), (None, 3, 3)]
    previews = {one.table: one for one in report.previews}
    assert len(previews["findings"].rows) == 10
    assert not any("Miller" in cell for one in report.previews for row in one.rows for cell in row)


def test_the_report_tells_what_was_taken_for_said(tmp_path: Path) -> None:
    ingest([EXPORTS / "register.xlsx"], tmp_path / "r.duckdb", mapping=EXPORTS / "register.yaml")
    with open_registry(tmp_path / "r.duckdb") as registry:
        table = analyze(registry, only=["assumptions"]).assumptions
        absent = registry.con.execute("select count(*) from reg.\"references\" where status = 'absent'").fetchall()
        covered = registry.con.execute('select condition, count(*) from reg."references" group by all').fetchall()
    found = {row["assumption"]: row["lines"] for row in table.to_dicts()}
    assert found["unlisted_absent"] == absent[0][0] > 0
    assert len(covered) == 9  # what the catalogue says a routine reading speaks of
    assert len({lines for _, lines in covered}) == 1


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"extra": "1"}, "columns that the mapping does not read (column 9)"),
        ({"Jerk L": None}, ""),
    ],
)
def test_a_column_nobody_reads_is_refused_by_its_place(change: dict[str, object], said: str, tmp_path: Path) -> None:
    visit = {key: value for key, value in {**VISIT, **BLANK, **change}.items() if value is not None}
    names = list(visit)
    file, mapping = _sheet(tmp_path, visit)
    if not said:
        assert ingest([file], tmp_path / "r.duckdb", mapping=mapping).is_clean  # a combination without a column is none
        return
    with pytest.raises(FileFault) as raised:
        ingest([file], tmp_path / "r.duckdb", mapping=mapping)
    assert said.replace("9", str(names.index("extra") + 1)) in str(raised.value)
    assert not (tmp_path / "r.duckdb").exists()


def test_a_column_the_mapping_names_and_the_export_lacks_is_named(tmp_path: Path) -> None:
    visit = {key: value for key, value in (VISIT | BLANK).items() if not key.startswith("Jerk")}
    file, mapping = _sheet(tmp_path, visit)
    with pytest.raises(FileFault, match=r"file 1 of 1 \(visits\) lacks columns that the mapping names \('Jerk R'\)"):
        check([file], mapping=mapping)


@pytest.mark.parametrize("encoding", ["latin-1", "cp1252"])
def test_encoding_delimiter_decimal_and_lines_above_the_header(encoding: str, tmp_path: Path) -> None:
    text = "Auszug\r\nId;Größe;Gewicht;Girth\r\nPT-1;1,80;81,0;x\r\nPT-2;1,60;64,5;x\r\nGesamt 2;;;\r\n"
    (tmp_path / "people.csv").write_bytes(text.encode(encoding))
    (tmp_path / "m.yaml").write_text(
        f"title: t\nsources:\n  a:\n    encoding: {encoding}\n    delimiter: semicolon\n    decimal: comma\n"
        "    header_rows: 2\n    ignore: [girth]\n    skip: [{column: id, begins: [gesamt]}]\n"
        "tables:\n  participants:\n"
        "    columns:\n      participant_id: ID\n"
        "      bmi: {bmi: {weight: gewicht, height: größe, height_unit: m}}\n",
        encoding="utf-8",
    )
    report = ingest([tmp_path / "people.csv"], tmp_path / "r.duckdb", mapping=tmp_path / "m.yaml")
    assert rows_of(tmp_path / "r.duckdb", "participants", "participant_id, bmi") == [("PT-1", 25), ("PT-2", 25)]
    assert [(one.lines, one.mapped, one.skipped, one.empty) for one in report.exports] == [(3, 2, 1, 0)]


def test_lines_are_those_of_the_file_below_a_title(tmp_path: Path) -> None:
    (tmp_path / "people.csv").write_text("a title\n\nid\nPT-1\n\nno one\n", encoding="utf-8")
    (tmp_path / "m.yaml").write_text(
        "title: t\nsources: {a: {header_rows: 3}}\ntables:\n  participants: {columns: {participant_id: id}}\n",
        encoding="utf-8",
    )
    report = ingest([tmp_path / "people.csv"], tmp_path / "r.duckdb", mapping=tmp_path / "m.yaml")
    assert rules(report)["participants.participant_id.pseudonym", "participant_id"] == [6]


@pytest.mark.parametrize(("sign", "word"), [(",", "comma"), (";", "semicolon"), ("\t", "tab"), ("|", "bar")])
def test_a_short_line_below_a_title_is_named_by_its_line_and_its_own_sign(sign: str, word: str, tmp_path: Path) -> None:
    name = {",": "comma", ";": "semicolon", "\t": "tab", "|": "bar"}[sign]
    lines = ["a title", "", sign.join(["id", "age"]), sign.join(["PT-1", "30"]), "PT-2"]
    (tmp_path / "people.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    (tmp_path / "m.yaml").write_text(
        f"title: t\nsources: {{a: {{header_rows: 3, delimiter: {name}}}}}\n"
        "tables:\n  participants: {columns: {participant_id: id, age_years: age}}\n",
        encoding="utf-8",
    )
    with pytest.raises(FileFault, match=rf"add the missing {word}s \(first: line 5\)"):
        check([tmp_path / "people.csv"], mapping=tmp_path / "m.yaml")
    (tmp_path / "people.csv").write_text("\n".join([*lines[:4], 'PT-2"x', ""]) + "\n", encoding="utf-8")
    with pytest.raises(FileFault, match=r"quotation mark inside a cell \(line 5\)"):
        check([tmp_path / "people.csv"], mapping=tmp_path / "m.yaml")


OPINIONS = """\
title: opinions
sources: {{a: {{}}}}
tables:
  impressions:
    columns:
      exam_id: exam
      condition: {{value: acl_tear}}
      stage: {{value: after_exam}}
      probability: {{column: chance{unit}}}
"""


def _opinions(folder: Path, unit: str, sheet: list[tuple[object, str]]) -> tuple[list[float], list[int]]:
    """What is stored of cells with a number format each, and the rows held back."""
    book = openpyxl.Workbook()
    page = book.worksheets[0]
    page.append(["exam", "chance"])
    for place, (value, shown) in enumerate(sheet, 2):
        page.cell(place, 1, f"EX-{place}")
        page.cell(place, 2, value).number_format = shown
    book.save(folder / "opinions.xlsx")
    (folder / "m.yaml").write_text(OPINIONS.format(unit=unit), encoding="utf-8")
    send(folder, folder / "r.duckdb", exams=[exam(f"EX-{place}") for place in range(2, 2 + len(sheet))])
    report = ingest([folder / "opinions.xlsx"], folder / "r.duckdb", mapping=folder / "m.yaml", allow_held=1.0)
    held = [line.line for group in report.held_back for line in group.first]
    stored = [p for (p,) in rows_of(folder / "r.duckdb", "impressions", "probability") if isinstance(p, float)]
    return stored, sorted(held)


def test_a_share_in_a_column_of_percent_is_held_back_and_a_percent_cell_is_read_as_shown(tmp_path: Path) -> None:
    """0.7 shown as 70% is 70 percent; 0.7 shown as 0.7 is a share that nobody may read as 0.7 percent."""
    cells: list[tuple[object, str]] = [(70, "General"), (0.7, "0%"), (0.7, "General"), (0, "General"), (1, "General")]
    stored, held = _opinions(tmp_path, ", unit: percent", [*cells, ("0.7%", "General")])
    assert stored == [0.0, 0.007, 0.01, 0.7, 0.7]
    assert held == [4]


def test_a_percent_cell_in_a_column_of_shares_is_a_share(tmp_path: Path) -> None:
    stored, held = _opinions(tmp_path, "", [(0.7, "General"), (0.25, "0.0%"), ("40 %", "General"), (0.35, "0.00")])
    assert stored == [0.25, 0.35, 0.4, 0.7]
    assert held == []


FOOTED = """\
title: a long export with a title and a foot
sources:
  rows: {files: "*", header_at: Visit, ends_before: [Total, Printed]}
tables:
  findings:
    columns: {exam_id: Visit, maneuver: {value: lachman}, result: Lachman}
"""
ABOVE = [["Knee clinic"], [], ["", "Visit", "Lachman"], ["", "EX-1", "positive"], ["", "EX-2", "negative"]]
BELOW = [["", "Totals", "2"], ["Printed by the department, page 1"]]


@pytest.mark.parametrize("ending", [".csv", ".xlsx"])
def test_the_header_is_found_by_a_column_and_the_foot_by_its_words(ending: str, tmp_path: Path) -> None:
    (tmp_path / "m.yaml").write_text(FOOTED)
    path = tmp_path / f"x{ending}"
    if ending == ".csv":
        path.write_text("\n".join(",".join(row) for row in ABOVE + BELOW))
    else:
        book = openpyxl.Workbook()
        for row in ABOVE + BELOW:
            book.active.append([cell or None for cell in row])
        book.save(path)
    report = check([path], mapping=tmp_path / "m.yaml")
    assert (report.exports[0].lines, report.exports[0].mapped, report.held_back) == (2, 2, ())
    (tmp_path / "m.yaml").write_text(FOOTED.replace("header_at: Visit", "header_at: Encounter"))
    with pytest.raises(FileFault, match="no row with the column that `header_at`"):
        check([path], mapping=tmp_path / "m.yaml")


def test_a_line_that_is_skipped_may_have_any_number_of_cells_and_others_may_not(tmp_path: Path) -> None:
    bounds, skip = "header_at: Visit, ends_before: [Total, Printed]", "skip: [{column: Visit, begins: [Total]}]"
    mapping = FOOTED.replace(bounds, skip)
    (tmp_path / "m.yaml").write_text(mapping)
    path = tmp_path / "x.csv"
    path.write_text('Visit,Lachman\nEX-1,positive\nTotal of "both" knees: 1\nTotals,1,2,3\nEX-2,fine\n')
    report = check([path], mapping=tmp_path / "m.yaml")
    assert (report.exports[0].lines, report.exports[0].mapped, report.exports[0].skipped) == (4, 2, 2)
    assert list(rules(report).values()) == [[5]]
    path.write_text("Visit,Lachman\nEX-1,positive\nTotal\nEX-2\n")
    with pytest.raises(FileFault, match=r"1 line with fewer cells .*first: line 4"):
        check([path], mapping=tmp_path / "m.yaml")


PIECES = """\
title: readings in compound cells
sources: {readings: {files: "*"}}
tables:
  references:
    split: {column: Report, by: ";"}
    repeats: {latest: Version}
    unlisted: {mri: [lateral_meniscus_tear]}
    columns:
      reference_id: Accession
      participant_id: Patient
      side: {column: Side, codes: {R: right}}
      modality: {value: mri}
      reference_day: Day
      condition: {matches: {"^acl": acl_tear, "^mm": medial_meniscus_tear, "^lm": lateral_meniscus_tear}}
      status: {matches: {"normal|intact": absent, "tear|grade 3": present}}
      severity: {matches: {complete: complete, ".": ~}, where_listed: true}
      exam_known: {column: Blind, unreadable: blank}
"""


def test_compound_cells_become_conditions_and_the_latest_version_counts(tmp_path: Path) -> None:
    (tmp_path / "m.yaml").write_text(PIECES)
    reading = {"Accession": "R-1", "Patient": "PT-1", "Side": "R", "Day": 9, "Blind": "no"}
    rows = [
        {**reading, "Version": 2, "Report": "ACL: complete tear; MM: grade 3 signal"},
        {**reading, "Version": 1, "Report": "ACL intact; MM normal"},
        {**reading, "Accession": "R-2", "Version": 1, "Report": "MM normal; LM tear; odd words", "Blind": "~ perhaps"},
    ]
    path = write_csv(tmp_path / "x.csv", rows)
    report = ingest([path], tmp_path / "r.duckdb", mapping=tmp_path / "m.yaml")
    columns = "reference_id, condition, status, severity, exam_known"
    assert rows_of(tmp_path / "r.duckdb", '"references"', columns) == [
        ("R-1", "acl_tear", "present", "complete", "no"),
        ("R-1", "lateral_meniscus_tear", "absent", None, "no"),
        ("R-1", "medial_meniscus_tear", "present", None, "no"),
        ("R-2", "lateral_meniscus_tear", "present", None, None),
        ("R-2", "medial_meniscus_tear", "absent", None, None),
    ]
    assert {one.rule for one in report.held_back} == {"references.condition.enum", "references.status.enum"}
    assert [(one.assumption, one.code) for one in report.assumptions] == [
        ("unlisted_absent", "mri"),
        ("unreadable_blank", "exam_known"),
    ]


def test_blanks_are_filled_from_any_line_that_does_not_contradict(tmp_path: Path) -> None:
    mapping = FOOTED.replace("header_at: Visit, ends_before: [Total, Printed]", "delimiter: comma").replace(
        "    columns: {exam_id: Visit",
        "    repeats: filled\n    columns: {grade: Grade, end_point: End, exam_id: Visit",
    )
    (tmp_path / "m.yaml").write_text(mapping)
    visit = {"Visit": "V-1", "Lachman": "positive", "Grade": "", "End": ""}
    rows = [{**visit, "Grade": 2}, {**visit, "End": "soft"}, {**visit, "Visit": "V-2", "Grade": 1}]
    path = write_csv(tmp_path / "x.csv", [*rows, {**visit, "Visit": "V-2", "Grade": 2}])
    report = ingest([path], tmp_path / "r.duckdb", mapping=tmp_path / "m.yaml")
    assert rows_of(tmp_path / "r.duckdb", "waiting.findings", "exam_id, grade, end_point") == [("V-1", 2, "soft")]
    assert list(rules(report).values()) == [[4, 5]]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ("{latest: Version}", "{newest: Version}", "is not {latest: column}"),
        ('"^acl"', '"(?i)acl"', "look neither ahead nor back"),
        ('"^acl"', '"(acl"', "is no pattern"),
        ("[lateral_meniscus_tear]", "[patellofemoral_pain]", "no mri covers patellofemoral_pain"),
        ("{column: Side, codes: {R: right}}", "{column: Side, unreadable: blank}", "side may not be blank"),
    ],
)
def test_a_mapping_that_cannot_be_is_told(old: str, new: str, said: str, tmp_path: Path) -> None:
    (tmp_path / "m.yaml").write_text(PIECES.replace(old, new))
    with pytest.raises(MappingError, match=re.escape(said)):
        check([write_csv(tmp_path / "x.csv", [{"a": 1}])], mapping=tmp_path / "m.yaml")


def test_several_codes_of_one_examiner_are_one(tmp_path: Path) -> None:
    mapping = SHEET.replace("examiner_id: {value: EM-1}", "examiner_id: {column: by, codes: {E1: EM-1, E01: EM-1}}")
    path, mapped = _sheet(tmp_path, {**VISIT, **BLANK, "by": "E1"}, {**VISIT, **BLANK, "visit": "V-2", "by": "e01"},
                          mapping=mapping)  # fmt: skip
    ingest([path], tmp_path / "r.duckdb", mapping=mapped)
    assert {by for (by,) in rows_of(tmp_path / "r.duckdb", "exams", "examiner_id")} == {"EM-1"}
