"""Exports that the program was not made on: exact records by a mapping alone, and how much a first mapping places."""

from __future__ import annotations

from pathlib import Path

import pytest
from draft_score import Score
from held_exports import WRITERS, exams_due, findings_due, references_due
from records import rows_of

from examtally.ingestion import ingest
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


def _mapping(name: str) -> Path:
    return MAPPINGS / f"{name}.yaml"
