"""What comes again: blanks, ages, sex and activity settled by rule, anything else a conflict that names its column."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

import pytest
from records import exam, finding, places, rows_of, send, write_csv

from examtally.contracts.contract import load_contract
from examtally.errors import ExamtallyError
from examtally.ingestion import ingest
from examtally.ingestion.storing.settling import Amendment
from examtally.registry.undo import undo
from examtally.registry.verifying import verify

PERSON = {"participant_id": "PT-1", "age_years": 30, "sex": "female", "bmi": 24, "activity": "none"}
COLUMNS = "age_years, sex, bmi, activity"


@pytest.fixture(scope="module")
def one_batch(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("made")
    path = folder / "registry.duckdb"
    send(folder, path, participants=[PERSON], exams=[exam("EX-1")], findings=[finding("EX-1", grade=2)])
    return path


@pytest.fixture
def registry(one_batch: Path, tmp_path: Path) -> Path:
    """A copy of each test's own."""
    return Path(shutil.copy(one_batch, tmp_path))


def again(folder: Path, registry: Path, day: int = 0, **cells: object) -> dict[str, int]:
    """Send the person again with other cells and an exam on `day`; return where the line went."""
    exams = [exam("EX-2", exam_day=day)] if day else [exam("EX-1")]
    return places(send(folder, registry, participants=[{**PERSON, **cells}], exams=exams), "participants")


@pytest.mark.parametrize(
    ("day", "cells", "place"),
    [
        (0, {"sex": "", "bmi": "", "age_years": ""}, "unchanged"),
        (0, {"sex": "unknown", "activity": "unknown"}, "unchanged"),
        (0, {"bmi": 31, "activity": "physical_work"}, "unchanged"),
        (0, {"age_years": 31}, "unchanged"),
        (0, {"age_years": 32}, "conflict"),
        (720, {"age_years": 32}, "unchanged"),
        (1100, {"age_years": 34}, "unchanged"),
        (1100, {"age_years": 35}, "conflict"),
        (-1100, {"age_years": 27}, "unchanged"),
        (1100, {"age_years": 28}, "conflict"),
        (0, {"sex": "male"}, "conflict"),
    ],
)
def test_a_person_who_comes_again(
    day: int, cells: dict[str, object], place: str, tmp_path: Path, registry: Path
) -> None:
    before = rows_of(registry, "participants", COLUMNS)
    assert again(tmp_path, registry, day, **cells) == {place: 1}
    assert rows_of(registry, "participants", COLUMNS) == before


def test_a_value_fills_a_blank_and_the_version_before_is_kept(tmp_path: Path, registry: Path) -> None:
    send(tmp_path, registry, participants=[{"participant_id": "PT-2", "sex": "unknown"}])
    report = send(tmp_path, registry, participants=[{"participant_id": "PT-2", "sex": "male", "bmi": 22}])
    (count,) = report.tables
    assert (count.stored, count.filled, count.amended) == (1, 1, 0)
    assert ("PT-2", None, "male", 22) in rows_of(registry, "participants", "participant_id, age_years, sex, bmi")
    assert verify(registry).faults == ()
    undo(registry)
    assert ("PT-2", "unknown", None) in rows_of(registry, "participants", "participant_id, sex, bmi")


def test_a_blank_replaces_nothing_and_a_conflict_names_its_columns(tmp_path: Path, registry: Path) -> None:
    report = send(tmp_path, registry, findings=[finding("EX-1", end_point="soft")])
    assert (report.tables[0].stored, report.tables[0].filled) == (1, 1)
    assert rows_of(registry, "findings", "grade, end_point") == [(2, "soft")]
    report = send(tmp_path, registry, findings=[finding("EX-1", result="negative", end_point="firm", grade="")])
    assert [(one.column, one.kind) for one in report.held_back] == [("end_point", "conflict"), ("result", "conflict")]


def _amend(folder: Path, registry: Path, what: Any, row: dict[str, object], **options: Any) -> list[tuple[object, ...]]:
    inside = folder / "amending"
    inside.mkdir(exist_ok=True)
    write_csv(inside / "findings.csv", [row])
    ingest([inside], registry, amend=what, **options)
    return rows_of(registry, "findings", "result, grade, end_point")


@pytest.mark.parametrize(
    ("what", "row", "stored"),
    [
        ("findings", {"result": "negative", "grade": ""}, ("negative", 2, None)),
        (["findings.grade"], {"result": "negative", "grade": 1}, ("positive", 2, None)),
        (["findings.grade"], {"result": "positive", "grade": 1}, ("positive", 1, None)),
        (["findings.result", "findings.grade"], {"result": "negative", "grade": 1}, ("negative", 1, None)),
        ("exams", {"result": "negative"}, ("positive", 2, None)),
        (True, {"result": "negative"}, ("negative", 2, None)),
    ],
)
def test_what_is_amended_is_named_by_table_and_column(
    what: Any, row: dict[str, object], stored: tuple[object, ...], tmp_path: Path, registry: Path
) -> None:
    assert _amend(tmp_path, registry, what, finding("EX-1", **row)) == [stored]  # type: ignore[arg-type]


def test_a_blank_corrects_only_where_it_is_told_to_and_the_file_has_the_column(tmp_path: Path, registry: Path) -> None:
    row = finding("EX-1", result="positive", grade="")
    assert _amend(tmp_path, registry, "findings", row) == [("positive", 2, None)]
    assert _amend(tmp_path, registry, "findings", finding("EX-1"), blank_is_a_correction=True) == [
        ("positive", 2, None)
    ]
    assert _amend(tmp_path, registry, "findings", row, blank_is_a_correction=True) == [("positive", None, None)]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ("finding", "is no table"),
        ("findings.colour", "no column"),
        ("findings.exam_id", "no column"),
        ("", "goes with"),
    ],
)
def test_what_cannot_be_amended_is_told(words: str, said: str) -> None:
    with pytest.raises(ExamtallyError, match=said):
        Amendment.read(words, load_contract(), with_blanks=not words)


def test_lines_of_one_person_in_one_batch_are_brought_to_one(tmp_path: Path) -> None:
    path = tmp_path / "r.duckdb"
    report = send(
        tmp_path,
        path,
        participants=[
            {**PERSON, "age_years": 31, "sex": "unknown"},
            {**PERSON, "bmi": 26},
            {**PERSON, "participant_id": "PT-2", "sex": "male"},
            {**PERSON, "participant_id": "PT-2"},
        ],
        exams=[exam("EX-1"), exam("EX-2", exam_day=300)],
    )
    assert places(report, "participants") == {"stored": 1, "unchanged": 1, "held_back": 2}
    assert rows_of(path, "participants", COLUMNS) == [(30, "female", 24, "none")]
