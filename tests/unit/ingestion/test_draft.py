"""A drafted mapping places what it knows, can be read back, and marks what a person must decide."""

from __future__ import annotations

import re
from pathlib import Path

import openpyxl
import pytest
from records import write_csv

from examtally.cli.app import main
from examtally.contracts.contract import load_contract
from examtally.contracts.mapping.file import load_mapping
from examtally.errors import FileFault, MappingError
from examtally.ingestion import check
from examtally.ingestion.drafting.draft import draft

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


def test_people_and_the_day_of_a_scan_are_found_where_only_record_numbers_and_dates_tell(tmp_path: Path) -> None:
    row = {"MRN": "0012345", "Visit date": "2025-03-04", "Sex": "F", "Ht cm": 170, "Wt kg": 65, "Side": "R"}
    row |= {"Lachman": "pos", "MRI date": "2025-03-12", "MRI ACL": "torn"}
    made = draft([write_csv(tmp_path / "e.csv", [row, row | {"MRN": "0012346"}])])
    people = made.text.split("  participants:\n")[1].split("\n\n")[0]
    assert [line.split(":")[0].strip() for line in people.splitlines()[2:]] == ["participant_id", "sex", "bmi"]
    assert "participant_id: MRN   # unsure: holds record numbers" in people
    assert "reference_day: MRI date   # unsure: holds dates" in made.text
    assert "exam_day: Visit date   # unsure: holds dates" in made.text


def test_what_is_unknown_is_marked(tmp_path: Path) -> None:
    made = draft([write_csv(tmp_path / "e.csv", [{"Visit": "V-01", "Qzx": "7", "Lachman": "hmm"}])])
    assert "Qzx   # unsure:" in made.text
    assert "# unsure: no code for 'hmm'" in made.text


def both_knees() -> list[dict[str, object]]:
    """A sheet of both knees, one row a visit, its names run together and shortened."""
    tests = ("Lachman", "AntDrawer", "PivotShift", "Valg30", "McMurMed", "McMurLat", "JLT_Med", "PatGrind", "PatTap")
    results = ("+", "-", "+/-", "ND")
    rows: list[dict[str, object]] = []
    for n in range(12):
        row: dict[str, object] = {"SubjID": f"K{n // 2:03d}X", "VisitNo": f"VN{n:04d}", "Mo": f"P{1 + n // 4:03d}"}
        row |= {"RelDay": 30 * (n % 2), "ExmrID": f"EXM{n % 3}", "ExmrLvl": ("Fellow", "Resident", "Attending")[n % 3]}
        row |= {"AgeY": 20 + n // 2, "Gender": "MF"[n // 2 % 2], "Ht_cm": 170, "Wt_kg": 70 + n // 2, "VAS": n % 10}
        row |= {"InjKnee": "RL"[n % 2], "DaysPost": 3 + n}
        for side in "RL":
            row |= {f"{side}_Effusion": f"{n % 3 + 1}+", f"{side}_ThighGirth": 45 + n % 5}
            row |= {f"{side}_{test}": results[(n + at) % 4] for at, test in enumerate(tests)}
        rows.append(row)
    return rows


def ratings() -> list[dict[str, object]]:
    """A row a test, columns named after nothing that their table is called."""
    tests = ("LACHMAN", "PIVOT SHIFT", "ANT DRAWER", "MCM MED", "JLT LAT", "VALGUS 30", "THESSALY MED")
    return [
        {"record_id": f"R{v:04d}", "subj": f"SB{v // 2:03d}", "knee_side": "RL"[v // 2 % 2], "rater": f"RT{v % 3}"}
        | {"rater_type": ("AT", "PT", "Student")[v % 3], "yearmonth": f"2023-{1 + v % 12:02d}", "study_day": v % 2 * 14}
        | {
            "maneuver_name": test,
            "pos_neg": ("pos", "neg", "equiv")[(v + at) % 3],
            "pain_provoked": ("Yes", "No")[v % 2],
        }
        | {"symptom_knee": "Yes", "confidence_0_10": at}
        for v in range(12)
        for at, test in enumerate(tests)
    ]


@pytest.mark.parametrize(
    ("rows", "unknown"), [(both_knees(), ["DaysPost"]), (ratings(), ["confidence_0_10"])], ids=["both_knees", "ratings"]
)
def test_exports_with_shortened_names_are_placed_by_their_values_too(
    rows: list[dict[str, object]], unknown: list[str], tmp_path: Path
) -> None:
    file = write_csv(tmp_path / "clinic_export.csv", rows)
    made = draft([file])
    left = [name for name in rows[0] if f"- {name}   # unsure: nothing was recognized" in made.text]
    assert left == unknown
    assert made.placed == len(rows[0]) - len(unknown)
    assert ': "???"' not in made.text
    (tmp_path / "draft.yaml").write_text(made.text, encoding="utf-8")
    report = check([file], mapping=tmp_path / "draft.yaml")
    assert report.is_clean
    assert {one.table: one.stored for one in report.tables}["exams"] == (24 if "SubjID" in rows[0] else 12)


@pytest.mark.parametrize(
    ("name", "pattern"),
    [
        ("knee_export.csv", "knee_export.csv"),
        ("Ferrowby, Tamsin 1990-02-01.csv", '"*.csv"'),
        ("visits-88012345.csv", '"visits-*.csv"'),
        ("Kniebefunde müller.csv", '"*.csv"'),
    ],
)
def test_no_file_name_that_may_name_a_person_is_written(name: str, pattern: str, tmp_path: Path) -> None:
    file = write_csv(tmp_path / name, ratings())
    made = draft([file])
    assert f"    files: {pattern}\n" in made.text
    assert (made.renamed, made.patterns) == (0, pattern[0] == '"')
    (tmp_path / "draft.yaml").write_text(made.text, encoding="utf-8")
    assert check([file], mapping=tmp_path / "draft.yaml").is_clean


def test_files_that_only_their_own_names_tell_apart_must_be_renamed(tmp_path: Path) -> None:
    made = draft([write_csv(tmp_path / f"{name}.csv", ratings()) for name in ("ferrowby", "quillfeather")])
    assert made.renamed == 2
    assert 'files: "export_1*.csv"   # unsure: rename the file' in made.text
    assert "ferrowby" not in made.text


@pytest.mark.parametrize("foot", ["Total,2\n", "Total: 2 exams\nReport generated by the export of the clinic,,,\n"])
def test_the_foot_of_a_text_file_is_recognized(foot: str, tmp_path: Path) -> None:
    (tmp_path / "visits.csv").write_text(
        "Visit,Patient,Side,Examiner,Month,Day,Lachman\nV-1,PT-1,R,EM-1,P001,4,pos\nV-2,PT-2,L,EM-1,P001,9,neg\n" + foot
    )
    (tmp_path / "m.yaml").write_text(draft([tmp_path / "visits.csv"]).text)
    report = check([tmp_path / "visits.csv"], mapping=tmp_path / "m.yaml")
    assert (report.exports[0].lines - report.exports[0].skipped, report.exports[0].mapped) == (2, 2)


def test_a_folder_is_looked_at_file_by_file(tmp_path: Path) -> None:
    write_csv(tmp_path / "visits.csv", [{"Visit": f"V-{n}", "Patient": "PT-1", "Lachman": "pos"} for n in range(3)])
    (tmp_path / "notes.docx").write_text("no export")
    assert draft([tmp_path]).text == draft([tmp_path / "visits.csv"]).text
    with pytest.raises(FileFault, match="can be read"):
        draft([tmp_path / "notes.docx"])


def test_a_dropped_column_of_a_sheet_stands_with_its_letters(tmp_path: Path) -> None:
    book = openpyxl.Workbook()
    for row in (["Visit", None, "Patient name", "Lachman"], ["V-1", None, "x", "pos"], ["V-2", None, "y", "neg"]):
        book.active.append(row)
    book.save(tmp_path / "visits.xlsx")
    assert "- Patient name   # column C" in draft([tmp_path / "visits.xlsx"]).text


def test_an_export_of_another_joint_is_placed_by_its_catalogue(tmp_path: Path) -> None:
    row = {"visit": "1", "patient": "P-1", "side": "R", "Belly press": "pos", "Jerk test": "neg"}
    file = write_csv(tmp_path / "clinic.csv", [row, row | {"visit": "2", "patient": "P-2"}])
    assert "Belly press: belly_press" in draft([file], joint="shoulder").text
    assert "belly_press" not in draft([file]).text


def test_the_summary_counts_what_the_mapping_says(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    """What goes through deidentify is read; only what stands under `ignore` is not."""
    visit = {"MRN": "00447", "Patient name": "Jo Roe", "Visit date": "2031-04-03", "Seen by": "Dr. Q", "Side": "R"}
    rows = [visit | {"MRN": f"0044{n}", "Lachman": "pos", "Zzyzx": "qqq"} for n in range(10, 20)]
    file = write_csv(tmp_path / "visits.csv", rows)
    assert main(["map", "draft", str(file), "--out", str(tmp_path / "m.yaml")]) == 0
    assert "5 of 7 columns are read, 2 stand under `ignore`, 1 of them not recognized; " in capsys.readouterr().err
    mapping = load_mapping(tmp_path / "m.yaml", load_contract())
    assert {*mapping.sources["export"].ignore} == {"Patient name", "Zzyzx"}


def test_what_waits_to_be_filled_in_is_named_where_it_stands(tmp_path: Path) -> None:
    rows = [{"MRN": f"0044{n}", "Report": "ACL: torn; MM: normal"} for n in range(4)]
    file = write_csv(tmp_path / "mri.csv", rows)
    (tmp_path / "m.yaml").write_text(draft([file]).text, encoding="utf-8")
    with pytest.raises(MappingError) as caught:
        check([file], mapping=tmp_path / "m.yaml")
    first, *_ = str(caught.value).splitlines()
    assert re.match(
        r".*m\.yaml, line \d+, tables\.references\.columns\.\w+\S*: \?\?\? still waits to be filled in", first
    )
    assert "delimiter" not in str(caught.value)


def test_a_reading_without_a_code_is_told_by_person_day_side_and_test(tmp_path: Path) -> None:
    rows = [
        {"Patient": f"PT-{n // 2}", "Knee": "RL"[n % 2], "MRI day": 7 * n, "Report": f"ACL: {said}; MM: normal"}
        for n, said in enumerate(["torn", "normal", "torn", "normal", "torn", "torn"])
    ]
    rows = [{"MRN" if name == "Patient" else name: cell for name, cell in row.items()} for row in rows]
    text = draft([write_csv(tmp_path / "mri.csv", rows)]).text
    assert "reference_id: {join: [MRN, MRI day, Knee, {value: M}]}   # unsure: no code of the reading was found" in text
    alone = [{"MRN": row["MRN"], "Report": row["Report"]} for row in rows]
    assert 'reference_id: "???"' in draft([write_csv(tmp_path / "mri.csv", alone)]).text


def test_words_that_are_codes_already_are_written_out_too(tmp_path: Path) -> None:
    """An empty list beside a filled one looks like one that waits for somebody."""
    said = ("2+ soft", "neg firm", "1+ firm")
    rows = [{"Visit": f"V-{n}", "Patient": f"PT-{n}", "Side": "L", "Lachman": said[n % 3]} for n in range(12)]
    file = write_csv(tmp_path / "visits.csv", rows)
    text = draft([file]).text
    assert (
        "end_point: {parts: {firm: firm, soft: soft}}" in text or "end_point: {parts: {soft: soft, firm: firm}}" in text
    )
    assert "{}" not in text
