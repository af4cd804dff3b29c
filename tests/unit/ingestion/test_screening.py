"""Screening at the door: what looks like a person is held back by rule and line; what is clean passes untouched."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path

import duckdb
import pytest
from records import exam, finding, rules, send

from examtally.contracts.contract import load_contract
from examtally.contracts.records.screening import PLACES, load_shapes, screen_rules, shape_sql
from examtally.ingestion import check

CONTRACT = load_contract()


def _shape(text: str, *places: str) -> object:
    return _shapes([text], *places)[text]


def _shapes(texts: Collection[str], *places: str) -> dict[str, object]:
    with duckdb.connect() as connection:
        rows = connection.execute(
            f"select x, {shape_sql('x', places)} from (select unnest(?::varchar[]) as x)", [[*texts]]
        ).fetchall()
    return dict(rows)


@pytest.mark.parametrize(
    ("text", "shape"),
    [
        ("JOHN-2", "name"),
        ("KIM7", "name"),
        ("H-2-ANNA-3", "name"),
        ("T555-010-4471", "phone"),
        ("P123-45-6789", "social_security"),
        ("D14MAR2031", "date"),
        ("X-MAR-14-2031", "date"),
        ("SW1A-1AA", "postal"),
        ("X-MRN-33123", "record_number"),
        ("PT-000123", None),
        ("EX-104512-LEFT", None),
        ("S1-PT-0001", None),
        ("KNEE-12", None),
        ("EXAM-1", None),
        ("SITE-3", None),
        ("MRI-0042", None),
        ("A1B2C3", None),
    ],
)
def test_coded_identifiers(text: str, shape: str | None) -> None:
    assert _shape(text, "coded") == shape


@pytest.mark.parametrize(
    ("text", "shape"),
    [
        ("p.stookwell@mail.invalid", "email"),
        ("https://clinic.invalid/p?id=4", "url"),
        ("see marrowgate.org", "url"),
        ("10.20.30.41", "url"),
        ("(555) 010-4471", "phone"),
        ("+44 20 7946 0999", "phone"),
        ("tel. 5550100", "phone"),
        ("123-45-6789", "social_security"),
        ("QQ 12 34 56 C", "social_security"),
        ("IL 60601", "postal"),
        ("60601-1234", "postal"),
        ("EC1A 1BB", "postal"),
        ("K1A 0B1", "postal"),
        ("12 Ferrowby Hill Road", "postal"),
        ("Feldweg 12", "postal"),
        ("Marrowgatestraße 12", "postal"),
        ("2031-03-14", "date"),
        ("14.3.31", "date"),
        ("03/14/2031 10:30", "date"),
        ("14 March 2031", "date"),
        ("Mar 14, 2031", "date"),
        ("20310314", "date"),
        ("14032031", "date"),
        ("MRN 00471", "record_number"),
        ("#4471902", "record_number"),
        ("Dr. Marrowgate", "name"),
        ("the person fell down the stairs on the way", "free_text"),
        ("not done", None),
        ("1+ soft", None),
        ("0-0-130", None),
        ("7.5 mm", None),
        ("Grade II", None),
        ("2031-03", None),
        ("P014", None),
    ],
)
def test_any_cell(text: str, shape: str | None) -> None:
    assert _shape(text, "any") == shape


@pytest.mark.parametrize("text", ["Stookwell, Peregrine", "Tamsin Ferrowby", "john", "4471902", "47000", "310314"])
def test_shapes_that_ordinary_words_may_have_are_looked_for_in_misfits(text: str) -> None:
    assert _shape(text, "any", "misfit") is not None


def test_no_code_of_any_closed_set_has_a_shape() -> None:
    codes = {code for table in CONTRACT.tables.values() for field in table.fields for code in field.enum or ()}
    assert len(codes) > 100
    assert _shapes(codes, "any") == dict.fromkeys(codes)


def test_every_shape_is_screened_in_every_column() -> None:
    for name, table in CONTRACT.tables.items():
        rules_of_table = {rule.id for rule in screen_rules(CONTRACT, name)}
        assert rules_of_table == {
            f"{name}.{field}.screen_{shape.name}" for field in table.names for shape in load_shapes()
        } | {f"{name}.{field.name}.form" for field in table.fields if field.is_pseudonym}
    assert all(place in PLACES for shape in load_shapes() for place in shape.patterns)


def test_a_hit_is_told_by_rule_and_line(tmp_path: Path) -> None:
    report = send(
        tmp_path,
        tmp_path / "registry.duckdb",
        exams=[exam("EX-1"), exam("JOHN-2"), exam("EX-3", episode=20310314), exam("EX-4", side="a@b.invalid")],
        findings=[finding("EX-1", measure=14031987, maneuver="valgus_stress_30")],
    )
    found = rules(report)
    assert found["exams.exam_id.screen_name", "exam_id"] == [3]
    assert found["exams.episode.screen_record_number", "episode"] == [4]
    assert found["exams.side.screen_email", "side"] == [5]
    assert found["exams.side.enum", "side"] == [5]
    assert found["findings.measure.screen_record_number", "measure"] == [2]
    stored = {one.table: one.stored for one in report.tables}
    assert stored == {"exams": 1, "findings": 0}
    said = {one.rule: one.mend for one in report.held_back}
    assert "deidentify" in said["exams.exam_id.screen_name"]


def test_a_value_that_fits_its_column_is_not_screened(tmp_path: Path) -> None:
    report = send(tmp_path, tmp_path / "registry.duckdb", exams=[exam("EX-1", period="2031-03", exam_day=20526)])
    assert report.is_clean


def test_a_title_with_a_name_is_not_shown_among_the_codes_without_a_place(tmp_path: Path) -> None:
    rows = "".join(f"V-{number},{said}\n" for number, said in enumerate(["Dr. Lund"] * 5 + ["maybe"] * 5))
    (tmp_path / "visits.csv").write_text(f"id,result\n{rows}")
    mapping = tmp_path / "m.yaml"
    mapping.write_text(
        "title: t\nsources: {a: {}}\ntables:\n  findings:\n    columns:\n"
        "      {exam_id: id, maneuver: {value: lachman}, result: result}\n"
    )
    report = check([tmp_path / "visits.csv"], mapping=mapping)
    assert [(one.value, one.lines) for one in report.unplaced] == [("maybe", 5), (None, 5)]
