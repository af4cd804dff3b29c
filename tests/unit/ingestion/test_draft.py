"""A drafted mapping places what it knows, can be read back, and marks what a person must decide."""

from __future__ import annotations

from pathlib import Path

import pytest
from records import write_csv

from examtally.contracts.contract import load_contract
from examtally.contracts.mapping_file import load_mapping
from examtally.ingestion import check
from examtally.ingestion.draft import draft

EXPORTS = Path(__file__).parents[3] / "docs" / "exports"


@pytest.mark.parametrize(
    ("name", "held"), [("wide.csv", {"mechanism", "result"}), ("long.csv", set()), ("register.xlsx", set())]
)
def test_the_exports_of_the_documentation_are_placed_unaided(name: str, held: set[str], tmp_path: Path) -> None:
    made = draft([EXPORTS / name])
    assert made.placed >= 0.8 * made.columns
    mapping = tmp_path / "draft.yaml"
    mapping.write_text(made.text, encoding="utf-8")
    report = check([EXPORTS / name], mapping=mapping)
    assert {one.column for one in report.held_back} == held


def test_names_as_other_clinics_write_them(tmp_path: Path) -> None:
    row = {
        **{
            "encounter_id": "E-01",
            "pt_code": "P-01",
            "age_yrs": 31,
            "sex": "F",
            "provider_id": "DR1",
            "visit_month": "P001",
        },
        **{"study_day": 0, "laterality": "R", "moi": "twist", "hx_giving_way": "Y", "hx_pop": "N"},
        **{"pe_lachman": "2+", "pe_ant_drawer": "neg", "pe_mjl_tenderness": "pos", "pe_mcmurray_med": "n/t"},
        **{"pretest_prob_acl": 40, "posttest_prob_acl": 80, "mri_code": "M-01", "mri_day": 9, "mri_acl": "torn"},
        **{"mri_med_meniscus": "intact", "notes": "seen with a colleague"},
    }
    file = write_csv(tmp_path / "clinic.csv", [row, row | {"encounter_id": "E-02", "mri_code": "M-02"}])
    made = draft([file])
    (tmp_path / "draft.yaml").write_text(made.text, encoding="utf-8")
    mapping = load_mapping(tmp_path / "draft.yaml", load_contract())
    codes = {code for rows in mapping.rows for words in rows.each.values() for code in words.values()}
    assert {"lachman", "anterior_drawer", "medial_joint_line_tenderness", "mcmurray_medial"} <= codes
    assert {"giving_way", "pop", "acl_tear", "medial_meniscus_tear", "after_history", "after_exam"} <= codes
    assert (made.placed, made.ignored) == (len(row) - 1, 1)
    assert check([file], mapping=tmp_path / "draft.yaml").is_clean


def test_what_identifies_a_person_is_left_out_and_no_value_of_it_is_written(tmp_path: Path) -> None:
    row = {"Patient name": "Jo Roe", "DOB": "1990-02-01", "Visit": "V-01", "Remarks": "fell off a horse on Sunday"}
    made = draft([write_csv(tmp_path / "e.csv", [row | {"Lachman": "pos", "Side": "L"}] * 3)])
    assert all(text not in made.text for text in ("Jo", "Roe", "1990", "horse"))
    assert made.ignored == 3


def test_what_is_unknown_is_marked(tmp_path: Path) -> None:
    made = draft([write_csv(tmp_path / "e.csv", [{"Visit": "V-01", "Qzx": "7", "Lachman": "hmm"}])])
    assert "Qzx   # unsure:" in made.text
    assert "# unsure: no code for 'hmm'" in made.text
