"""Exports that the program was not made on: exact records by a mapping alone, and how much a first mapping places."""

from __future__ import annotations

from pathlib import Path

import pytest
from draft_score import Score
from held_exports import WRITERS, exams_due, findings_due, references_due
from named_exports import NAMED
from records import rows_of

from examtally.deidentification import deidentify, make_key
from examtally.ingestion import BatchReport, check, ingest
from examtally.ingestion.drafting.draft import draft
from examtally.ingestion.drafting.learning import learn

MAPPINGS = Path(__file__).parents[2] / "exports_held"
EXAMS = "exam_id, participant_id, side, examiner_id, period, cast(exam_day as varchar)"
REFERENCES = "reference_id, participant_id, side, cast(reference_day as varchar), condition, status"


def _written(name: str, folder: Path) -> Path:
    inside = folder / name
    inside.mkdir()
    WRITERS[name](inside)
    return inside


@pytest.mark.parametrize("name", WRITERS)
def test_the_records_are_exact_by_the_mapping_alone(name: str, tmp_path: Path) -> None:
    registry = tmp_path / "r.duckdb"
    report = ingest([_written(name, tmp_path)], registry, mapping=_mapping(name))
    assert report.held_back == ()
    assert rows_of(registry, "exams", EXAMS) == exams_due()
    assert rows_of(registry, "findings", "exam_id, maneuver, result") == findings_due()
    assert rows_of(registry, '"references"', REFERENCES) == (references_due() if name == "joined" else [])


def test_a_first_mapping_places_columns_and_codes_or_says_that_it_is_unsure(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Right is what the finished mapping says; then again with what the other seven mappings taught."""
    plain, taught = Score(), Score()
    for name in WRITERS:
        folder = _written(name, tmp_path)
        own = tmp_path / f"{name}.yaml"
        learn([_mapping(other) for other in WRITERS if other != name], own)
        finished = _mapping(name).read_text(encoding="utf-8")
        plain.add(draft([folder]).text, finished)
        taught.add(draft([folder], synonyms=own).text, finished)
    with capsys.disabled():
        print(f"\nfirst mappings: {plain}\nafter map learn: {taught}")
    for score in (plain, taught):
        assert score.share(score.columns) >= 0.9, score.faults
        assert score.share(score.codes) >= 0.95, score.faults
    assert taught.codes["right"] > plain.codes["right"]


def _named(name: str, folder: Path) -> Path:
    inside = folder / name
    inside.mkdir()
    NAMED[name](inside)
    return inside


def _coded(raw: Path, mapping: Path, folder: Path) -> BatchReport:
    """What would become of an export of people once it is de-identified."""
    (folder / "keys").mkdir()
    make_key(folder / "keys" / "site.key", around=2031)
    deidentify([raw], mapping, folder / "keys" / "site.key", folder / "out")
    return check([folder / "out"], mapping=folder / "out" / "mapping.yaml", second_engine=False)


NAMED_LINES = {
    "hill": {"examiners": 3, "participants": 30, "exams": 30, "findings": 150, "references": 60},
    "lake": {"participants": 30, "exams": 30, "findings": 120, "references": 50},
    "moor": {"participants": 30, "exams": 60, "findings": 205, "references": 45},
    "fen": {"participants": 30, "exams": 30, "findings": 120, "references": 15},
}


@pytest.mark.study
@pytest.mark.parametrize("name", NAMED)
def test_people_dates_and_grades_go_in_whole_by_the_finished_mapping(name: str, tmp_path: Path) -> None:
    report = _coded(_named(name, tmp_path), _mapping(name), tmp_path)
    assert report.held_back == ()
    assert {one.table: one.lines for one in report.tables} == NAMED_LINES[name]


def test_a_first_mapping_alone_takes_an_export_of_people_in(tmp_path: Path) -> None:
    """Everything placed, so that nothing is left to a person but to look it over."""
    raw, mapping = _named("lake", tmp_path), tmp_path / "lake.yaml"
    mapping.write_text(draft([raw]).text, encoding="utf-8")
    report = _coded(raw, mapping, tmp_path)
    assert report.held_back == ()
    assert {one.table: one.lines for one in report.tables if one.table != "examiners"} == NAMED_LINES["lake"]


def test_a_first_mapping_says_who_is_named_and_grades_what_is_graded(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    found = Score()
    for name in NAMED:
        found.add(draft([_named(name, tmp_path)]).text, _mapping(name).read_text(encoding="utf-8"))
    with capsys.disabled():
        print(f"\nfirst mappings of exports that name people: {found}")
    assert found.share(found.columns) >= 0.9, found.faults
    assert found.share(found.codes) >= 0.95, found.faults
    assert found.share(found.identifying) >= 0.95, found.faults


def _mapping(name: str) -> Path:
    return MAPPINGS / f"{name}.yaml"
