"""The record tables: the public names are as published, and a wrong declaration is refused with file, path and mend."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest

from examtally.contracts.catalogue.catalogue import load_catalogue
from examtally.contracts.contract import load_contract
from examtally.contracts.records.tables import load_tables
from examtally.errors import ContractError
from examtally.resources import resource

# The public interface: users' files, mapping files and notebooks depend on these names.
COLUMNS = {
    "examiners": "examiner_id role site_id start_period",
    "participants": "participant_id age_years sex bmi activity",
    "exams": "exam_id participant_id side episode examiner_id examiner_role examiner_order joint period exam_day "
    "complaint other_knee setting days_since_onset mechanism effusion guarding pain_now thigh_cm prior_surgery "
    "reference_known other_exam_known",
    "history": "exam_id item answer",
    "findings": "exam_id maneuver result reason sign pain grade measure measured_by flexion_deg end_point done_order",
    "impressions": "exam_id condition stage probability",
    "references": "reference_id participant_id side episode joint modality reference_day condition status severity "
    "pattern reader_id exam_known",
}
REQUIRED = {
    "examiners": "examiner_id",
    "participants": "participant_id",
    "exams": "exam_id participant_id side examiner_id period exam_day",
    "history": "exam_id item answer",
    "findings": "exam_id maneuver result",
    "impressions": "exam_id condition stage probability",
    "references": "reference_id participant_id side modality reference_day condition status",
}


@pytest.mark.parametrize("name", COLUMNS)
def test_public_columns(name: str) -> None:
    table = load_contract().tables[name]
    assert table.names == tuple(COLUMNS[name].split())
    assert {field.name for field in table.fields if field.required} == set(REQUIRED[name].split())


def test_loading_order_and_optional_tables() -> None:
    tables = load_contract().tables
    assert list(tables) == list(COLUMNS)
    assert [name for name, table in tables.items() if not table.optional] == ["exams"]


def test_every_code_has_words() -> None:
    for table in load_contract().tables.values():
        for field in table.fields:
            assert field.title
            assert field.description
            assert set(field.enum or ()) == set(field.labels)


@pytest.mark.parametrize(
    ("file", "old", "new", "says"),
    [
        ("exams.yaml", "type: integer", "type: whole", "exams.yaml, line 35, fields[3].type: 'whole' is not a type"),
        ("exams.yaml", "codesFrom: mechanisms", "codesFrom: causes", "not a section of the catalogue"),
        ("exams.yaml", "codesFrom: examiners.role", "codesFrom: readers.role", "or an earlier column"),
        ("exams.yaml", "unknown: hold", "unknown: drop", "use one of hold, wait"),
        ("exams.yaml", "primaryKey: [exam_id]", "primaryKey: [visit_id]", "'visit_id' is not a field of this table"),
        ("exams.yaml", "title: Exams\n", "", "'title' is missing; add the key 'title'"),
        ("exams.yaml", "title: Exams\n", "title: Exams\ncolour: red\n", "unknown key 'colour'"),
        ("findings.yaml", "property: signs", "property: sounds", "is not a property that the catalogue lists"),
        (
            "exams.yaml",
            "labels: {left: left «noun», right: right «noun»}",
            "labels: {left: left «noun»}",
            "'right' is missing",
        ),
        ("exams.yaml", "    labels: {left: left «noun», right: right «noun»}\n", "", "has codes without labels"),
    ],
)
def test_wrong_declaration_is_refused(tmp_path: Path, file: str, old: str, new: str, says: str) -> None:
    folder = tmp_path / "tables"
    shutil.copytree(resource("schemas") / "tables", folder)
    text = (folder / file).read_text(encoding="utf-8")
    assert old in text
    (folder / file).write_text(text.replace(old, new, 1), encoding="utf-8")
    with pytest.raises(ContractError) as fault:
        load_tables(folder, load_catalogue("knee"))
    assert says in str(fault.value)
    assert file in str(fault.value)
    assert "\n" not in str(fault.value)
