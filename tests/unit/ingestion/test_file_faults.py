"""A file that is not what its name says stops the batch with one line a fault, and nothing is stored."""

from __future__ import annotations

import gzip
from pathlib import Path

import polars as pl
import pytest
from records import exam, finding, places, rows_of, rules, write_csv

from examtally.errors import ExamtallyError, FileFault
from examtally.ingestion import ingest

HEADER = "exam_id,maneuver,result\n"
SECRET = "Marrowgate"


@pytest.fixture
def registry(tmp_path: Path) -> Path:
    return tmp_path / "registry.duckdb"


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / SECRET).mkdir()
    return tmp_path / SECRET


def _faults(folder: Path, registry: Path) -> tuple[str, ...]:
    with pytest.raises(FileFault) as caught:
        ingest([folder], registry)
    assert not registry.exists()
    assert SECRET.lower() not in str(caught.value).lower()
    return caught.value.lines


@pytest.mark.parametrize(
    ("text", "words"),
    [
        ("", "is empty"),
        ("exam_id,maneuver\nEX-1,lachman\n", "lacks required columns (result)"),
        (f"{SECRET},exam_id,maneuver,result\n", "has columns that are not declared (column 1)"),
        ("exam_id,maneuver,result,result\n", "has columns twice (result)"),
        ("Exam_id,maneuver,result\n", "has columns that are not declared (column 1)"),
        (
            f"EX-1,lachman,{SECRET}\n",
            "names no column of findings in its first line; begin with: exam_id, maneuver, result",
        ),
        ("exam_id;maneuver;result\nEX-1;lachman;positive\n", "cells separated by semicolons"),
        ("exam_id\tmaneuver\tresult\n", "cells separated by tabs"),
        (HEADER + f'EX-1,"lachman,{SECRET}\nEX-2,lachman,positive\n', "opened and not closed (line 2)"),
        (HEADER + f"EX-1,lachman,positive\nEX-1,lachman,positive,{SECRET}\n", "1 line with more cells than the header"),
        (HEADER + f'EX-1,"lach\n\nman",positive\n\nEX-1,{SECRET}\nEX-2\n', "2 lines with fewer cells than the header"),
        (HEADER + "EX-1,lachman," + SECRET * 300_000 + "\n", "more text than a record can have"),
    ],
)
def test_a_csv_file_of_the_wrong_form(folder: Path, registry: Path, text: str, words: str) -> None:
    (folder / "findings.csv").write_text(text)
    faults = _faults(folder, registry)
    assert all(fault.startswith("file 1 of 1 (findings) ") and "\n" not in fault for fault in faults)
    assert words in faults[0]


def test_the_line_of_a_ragged_record_is_that_of_an_editor(folder: Path, registry: Path) -> None:
    (folder / "findings.csv").write_text(HEADER + '\nEX-1,"lach\nman",positive\n\nEX-1,lachman\n')
    (fault,) = _faults(folder, registry)
    assert fault.endswith("(first: line 6)")


def test_every_file_and_every_fault_has_a_line(folder: Path, registry: Path) -> None:
    (folder / "exams.csv").write_text("exam_id,exam_id,colour\n")
    (folder / "findings.csv.gz").write_bytes(b"no gzip")
    (folder / "history.parquet").write_bytes(b"PAR1 no Parquet PAR1")
    faults = _faults(folder, registry)
    assert [fault.split(")")[0] + ")" for fault in faults] == [
        *["file 1 of 3 (exams)"] * 3,
        "file 2 of 3 (findings)",
        "file 3 of 3 (history)",
    ]


@pytest.mark.parametrize(
    ("name", "words"),
    [
        (f"{SECRET}.csv", "its name must begin with a table"),
        ("findings.xlsx", "its name must end in"),
        ("findings.txt", "its name must end in"),
        ("findingsofmay.csv", "its name must begin with a table"),
        (f"exams_{SECRET}.csv.gz", "is not a whole gzip file"),
    ],
)
def test_a_record_file_is_never_passed_over(folder: Path, registry: Path, name: str, words: str) -> None:
    (folder / name).write_text(HEADER)
    (fault,) = _faults(folder, registry)
    assert words in fault


def test_a_first_file_with_columns_or_a_name_of_its_own_is_led_to_a_mapping(folder: Path, registry: Path) -> None:
    """The likeliest first error of all; the columns named are those of this joint that must be there."""
    (folder / "exams.csv").write_text("MRN,Visit date,Lachman\n")
    (fault,) = _faults(folder, registry)
    assert "begin with: exam_id, participant_id, side, examiner_id, period, exam_day (" in fault
    assert "`examtally map draft FILE`" in fault
    (folder / "exams.csv").write_text("exam_id,participant_id,side,examiner_id,period,exam_day,Lachman\n")
    (fault,) = _faults(folder, registry)
    assert "(column 7); remove or rename them (episode, examiner_role" in fault
    assert "thigh_cm" in fault
    assert "shoulder" not in fault
    assert "`examtally map draft FILE`" in fault
    (folder / "exams.csv").rename(folder / "visits.csv")
    (fault,) = _faults(folder, registry)
    assert fault.startswith("file 1 of 1: its name must begin with a table: ")
    assert "`examtally map draft FILE`" in fault


def test_a_folder_of_other_files_is_told_in_one_line(folder: Path, registry: Path) -> None:
    for number in range(90):
        (folder / f"table{number:02}.csv").write_text("condition,maneuver\n")
    (fault,) = _faults(folder, registry)
    assert fault.startswith("90 of 90 files (1, 2, 3, 4, 5 …): each name must begin with a table: examiners, ")
    for number in range(2, 90):
        (folder / f"table{number:02}.csv").unlink()
    (folder / "exams.csv").write_text(",".join(exam("EX-1")) + "\n")
    (fault,) = _faults(folder, registry)
    assert fault.startswith("2 of 3 files (2, 3): each name")


def test_a_missing_path_is_told_by_its_place(folder: Path, registry: Path) -> None:
    with pytest.raises(FileFault, match="path 2 of 2: there is no such file"):
        ingest([write_csv(folder / "exams.csv", [exam("EX-1")]), folder / "nothing.csv"], registry)
    with pytest.raises(FileFault, match="no record file was given"):
        ingest([folder / ".."], registry)


def test_other_files_of_a_folder_are_counted(folder: Path, registry: Path) -> None:
    write_csv(folder / "exams-2.csv", [exam("EX-1")])
    write_csv(folder / "Exams_march.csv", [exam("EX-2")])
    (folder / "notes.md").write_text("")
    (folder / ".hidden.csv").write_text("")
    (folder / "exams").mkdir()
    report = ingest([folder, folder / "exams-2.csv"], registry)
    assert report.passed_over == 1
    assert places(report, "exams") == {"stored": 2}


@pytest.mark.parametrize("ending", ["csv", "csv.gz", "parquet"])
def test_all_kinds_of_file_store_the_same(tmp_path: Path, ending: str) -> None:
    rows = [finding("EX-1", grade=2, measure=1.5), finding("ex-2", grade=None, measure=7), finding("EX-3", "nothing")]
    path = tmp_path / f"findings.{ending}"
    plain = write_csv(tmp_path / "plain.csv", rows)
    if ending == "csv.gz":
        path.write_bytes(gzip.compress(plain.read_bytes()))
    elif ending == "parquet":
        pl.DataFrame(rows).with_columns(pl.col("grade").cast(pl.Float64)).write_parquet(path)
    else:
        path.write_bytes(b"\xef\xbb\xbf" + plain.read_bytes().replace(b"\n", b"\r\n"))
    exams = write_csv(tmp_path / "exams.csv", [exam("EX-1"), exam("EX-2")])
    reports = [
        ingest([path, exams], tmp_path / "a.duckdb"),
        ingest([_plain(tmp_path, plain), exams], tmp_path / "b.duckdb"),
    ]
    assert places(reports[0], "findings") == places(reports[1], "findings") == {"stored": 2, "held_back": 1}
    line = 3 if ending == "parquet" else 4  # a row of a Parquet file has no header above it
    assert rules(reports[0]) == {("findings.maneuver.enum", "maneuver"): [line]}


def _plain(tmp_path: Path, plain: Path) -> Path:
    (tmp_path / "plain").mkdir()
    return plain.rename(tmp_path / "plain" / "findings.csv")


def test_a_parquet_column_that_is_neither_text_nor_number(folder: Path, registry: Path) -> None:
    pl.DataFrame([exam("EX-1")]).with_columns(exam_day=pl.date(2026, 3, 14)).write_parquet(folder / "exams.parquet")
    (fault,) = _faults(folder, registry)
    assert "neither text nor number (column 6)" in fault


@pytest.mark.parametrize("ending", [".csv", ".parquet"])
def test_results_in_short_are_taken_as_the_codes_they_are(tmp_path: Path, registry: Path, ending: str) -> None:
    folder = tmp_path / "short"
    folder.mkdir()
    rows = [finding("EX-1", "lachman", "pos"), finding("EX-1", "ober", "Neg."), finding("EX-1", "pivot_shift", "+")]
    pl.DataFrame([exam("EX-1")]).write_csv(folder / "exams.csv")
    write_csv(folder / "findings.csv", rows)
    if ending == ".parquet":
        pl.read_csv(folder / "findings.csv", infer_schema=False).write_parquet(folder / "findings.parquet")
        (folder / "findings.csv").unlink()
    report = ingest([folder], registry)
    assert rows_of(registry, "findings", "maneuver, result") == [("lachman", "positive"), ("ober", "negative")]
    assert [one.rule for one in report.held_back] == ["findings.result.enum"]


def test_not_a_number_is_a_blank(tmp_path: Path, registry: Path) -> None:
    pl.DataFrame([finding("EX-1", measure=float("nan"))]).write_parquet(tmp_path / "findings.parquet")
    assert places(ingest([tmp_path], registry), "findings") == {"waiting": 1}


def test_a_table_with_a_header_alone_is_empty(folder: Path, registry: Path) -> None:
    (folder / "participants.csv").write_text("participant_id\n")
    write_csv(folder / "exams.csv", [exam("EX-1")])
    report = ingest([folder], registry)
    assert places(report, "participants") == {}
    assert places(report, "exams") == {"stored": 1}  # a table without a line is not supplied


def test_blank_lines_of_a_file_of_one_column(folder: Path, registry: Path) -> None:
    (folder / "participants.csv").write_text("participant_id\nPT-1\n\nPT-2\nX\n\n")
    report = ingest([folder], registry)
    assert places(report, "participants") == {"stored": 2, "held_back": 1}
    assert rules(report)[("participants.participant_id.pseudonym", "participant_id")] == [5]


@pytest.mark.parametrize(("operator", "kept"), [("op-12", "OP-12"), (None, None)])
def test_an_operator_is_a_code(folder: Path, registry: Path, operator: str | None, kept: str | None) -> None:
    write_csv(folder / "exams.csv", [exam("EX-1")])
    assert ingest([folder], registry, operator=operator).operator == kept
    with pytest.raises(ExamtallyError, match="operator must be a coded identifier") as caught:
        ingest([folder], registry, operator=SECRET)
    assert SECRET not in str(caught.value)


def test_a_file_whose_name_is_a_pattern_is_read_as_one_file(folder: Path, registry: Path) -> None:
    write_csv(folder / "exams-[12]*.csv", [exam("EX-1")])
    write_csv(folder / "exams-1.csv", [exam("EX-2")])
    assert places(ingest([folder / "exams-[12]*.csv"], registry), "exams") == {"stored": 1}
