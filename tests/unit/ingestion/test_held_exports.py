"""Exports that the program was not made on: exact records by a mapping alone, and how much a first mapping places."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
import yaml
from held_exports import GERMAN_NAMES, LOCAL, MANEUVERS, WRITERS, exams_due, findings_due, references_due
from records import rows_of

from examtally.ingestion import ingest
from examtally.ingestion.drafting.draft import draft

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
    report = ingest([_written(name, tmp_path)], registry, mapping=MAPPINGS / f"{name}.yaml")
    assert report.held_back == ()
    assert rows_of(registry, "exams", EXAMS) == exams_due()
    assert rows_of(registry, "findings", "exam_id, maneuver, result") == findings_due()
    assert rows_of(registry, '"references"', REFERENCES) == (references_due() if name == "joined" else [])


def test_a_first_mapping_places_columns_and_codes_or_says_that_it_is_unsure(tmp_path: Path) -> None:
    """A column is right where the draft reads it for what the finished mapping reads it for, or marks it."""
    found: list[bool] = []
    codes: list[bool] = []
    for name in WRITERS:
        text = draft([_written(name, tmp_path)]).text
        made, finished = _read_for(yaml.safe_load(text)), _read_for(yaml.safe_load(_finished(name)))
        unsure = [line for line in text.splitlines() if "# unsure:" in line]
        for place, columns in finished.items():
            marked = [line for line in unsure if line.strip().startswith(f"{place[1]}:")]
            found += [
                column in made.get(place, ()) or any(column in one for one in [*unsure, *marked]) for column in columns
            ]
        for code, word in LOCAL.items():
            said = GERMAN_NAMES[MANEUVERS.index(code)] if name == "latin" else word
            own = code in text if name == "semicolon" else f"{said}: {code}" in text
            codes.append(own or any(said in line for line in unsure))
            assert not re.search(rf"\b{re.escape(said)}: (?!{code})[a-z_]+", text), (
                f"{name}: {said} is read as another test"
            )
    assert sum(found) >= 0.9 * len(found), f"{sum(found)} of {len(found)} columns"
    assert sum(codes) >= 0.95 * len(codes), f"{sum(codes)} of {len(codes)} codes"


def _finished(name: str) -> str:
    return (MAPPINGS / f"{name}.yaml").read_text(encoding="utf-8")


def _read_for(mapping: dict[str, Any]) -> dict[tuple[str, str], set[str]]:
    """The columns of the export that each column of a record table is read from."""
    read: dict[tuple[str, str], set[str]] = {}
    for table, entries in mapping["tables"].items():
        for entry in entries if isinstance(entries, list) else [entries]:
            for column, value in entry["columns"].items():
                read.setdefault((table, column), set()).update(_columns(value))
    return read


def _columns(value: Any) -> list[str]:
    if isinstance(value, str):
        return [value]
    if "join" in value:
        return [column for part in value["join"] for column in _columns(part)]
    return [value["column"]] if "column" in value else []
