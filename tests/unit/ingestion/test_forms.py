"""The form of coded identifiers: like the others of their kind, or what the site declares in site.yaml."""

from __future__ import annotations

from pathlib import Path

import pytest
from records import exam, finding, places, reference, rules, send

from examtally.deidentification.coding import coded
from examtally.deidentification.keyfile import make_key, read_key
from examtally.errors import FileFault
from examtally.ingestion.checking.forms import ALIKE

pytestmark = pytest.mark.usefixtures("one_engine")
MANY = [exam(f"EX-{number}", participant_id=f"PT-{number % 40}") for number in range(1000, 1200)]
ODD = ("JS-1984", "KLM-4417", "AB12-CDE", "R0048291", "QZ482914", "T-482-9140")


@pytest.fixture
def one_engine(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("examtally.ingestion.batch.examine", lambda *_: ())


def test_a_code_that_is_not_like_the_others_is_held_back_wherever_it_stands(tmp_path: Path) -> None:
    report = send(
        tmp_path,
        tmp_path / "r.duckdb",
        exams=[
            *MANY,
            *(exam(code) for code in ODD),
            *(exam(f"EX-{number}", participant_id=code) for number, code in enumerate(ODD)),
            *(exam(f"EX-{90 + number}", examiner_id=code) for number, code in enumerate(ODD)),
        ],
        findings=[finding(code) for code in ODD],
        references=[reference("RD-1", reader_id=ODD[0])],
    )
    held = rules(report)
    assert held["exams.exam_id.form", "exam_id"] == [202, 203, 204, 205, 206]  # the first five are listed
    assert held["exams.participant_id.form", "participant_id"] == [208, 209, 210, 211, 212]
    assert held["exams.examiner_id.form", "examiner_id"] == [214, 215, 216, 217, 218]
    assert held["findings.exam_id.form", "exam_id"] == [2, 3, 4, 5, 6]
    assert held["references.reader_id.form", "reader_id"] == [2]
    assert places(report, "exams") == {"stored": len(MANY), "held_back": 3 * len(ODD)}


def test_a_form_needs_five_codes_and_a_twentieth_of_the_kind(tmp_path: Path) -> None:
    few = [exam(f"VISIT-{number}" if number else "VIS-0") for number in range(1)]
    some = [exam(f"VI-{number}") for number in range(1000, 1000 + ALIKE - 1)]
    report = send(tmp_path, tmp_path / "r.duckdb", exams=[*MANY[:40], *few, *some])
    assert places(report, "exams") == {"stored": 40, "held_back": len(few) + len(some)}
    more = [exam(f"VI-{number}") for number in range(1000, 1000 + ALIKE)]
    assert places(send(tmp_path, tmp_path / "r.duckdb", exams=more), "exams") == {"stored": ALIKE}
    rare = [exam(f"WI-{number}") for number in range(1000, 1000 + ALIKE)]
    report = send(tmp_path, tmp_path / "r.duckdb", exams=[*MANY[40:], *rare])
    assert places(report, "exams") == {"stored": 160, "held_back": ALIKE}


def test_the_first_few_codes_of_a_group_pass_with_leading_zeros(tmp_path: Path) -> None:
    first = [
        exam(f"V-000{number}", participant_id=f"KN{number:05d}", examiner_id=f"U{number:04d}") for number in (1, 2)
    ]
    report = send(tmp_path, tmp_path / "r.duckdb", exams=[*first, exam("V-4417"), exam("V-2014"), exam("V0048291")])
    assert rules(report) == {("exams.exam_id.form", "exam_id"): [5, 6]}


def test_codes_of_the_key_and_codes_made_of_a_participant_pass(tmp_path: Path) -> None:
    make_key(tmp_path / "site.key")
    key = read_key(tmp_path / "site.key")
    (keyed,) = coded(key, "exam", ["0048291"]).values()
    (other,) = coded(key, "exam", ["0048292"]).values()
    sided = [exam(f"{other}-L"), exam(f"{other}-AB-CD-E"), exam(f"{other}-4711")]
    joined = [exam("PT-7-LE-EM-1-D12", participant_id="PT-7"), exam("JS-1984-LE-D12", participant_id="PT-7")]
    report = send(tmp_path, tmp_path / "r.duckdb", exams=[*MANY, exam(keyed), *joined, *sided])
    assert rules(report) == {("exams.exam_id.form", "exam_id"): [204, 206, 207]}


def test_where_the_site_declares_its_forms_nothing_else_passes(tmp_path: Path) -> None:
    registry = tmp_path / "r.duckdb"
    send(tmp_path, registry, exams=MANY[:30])
    (tmp_path / "site.yaml").write_text(
        "identifiers: {participant: [KN-001], exam: [v-0001-L, V-0001-R], examiner: [U01]}\n", encoding="utf-8"
    )
    good = {"participant_id": "KN-417", "examiner_id": "U22"}
    report = send(
        tmp_path,
        registry,
        exams=[
            exam("V-4417-L", **good),
            exam("V-4417-R", **good),
            exam("V-44170-L", **good),
            exam("EX-1100", **good),
            exam("V-4418-L", **good | {"participant_id": "PT-55"}),
            exam("V-4419-L", **good | {"examiner_id": "U123"}),
            {**MANY[0]},
        ],
    )
    assert places(report, "exams") == {"stored": 2, "held_back": 4, "unchanged": 1}
    assert rules(report) == {
        ("exams.exam_id.form", "exam_id"): [4, 5],
        ("exams.participant_id.form", "participant_id"): [6],
        ("exams.examiner_id.form", "examiner_id"): [7],
    }


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("identifiers: {participant: [MRN-0001]}", "example 1 of participant must be a coded identifier"),
        ("identifiers: {exam: [EX-1, JAN-2024]}", "example 2 of exam must be"),
        ("identifiers: {exam: [AB123456C]}", "like no identifier"),
        ("identifiers: {patient: [PT-1]}", "unknown key"),
        ("forms: {}", "identifiers"),
    ],
)
def test_a_form_that_an_identifier_could_have_is_refused(text: str, message: str, tmp_path: Path) -> None:
    (tmp_path / "site.yaml").write_text(text, encoding="utf-8")
    with pytest.raises(FileFault, match=message):
        send(tmp_path, tmp_path / "r.duckdb", exams=[exam("EX-1")])
    assert not (tmp_path / "r.duckdb").exists()


def test_an_exam_that_is_held_for_another_cell_leaves_its_code_well_formed(tmp_path: Path) -> None:
    """Its findings wait for it: their code begins with that of a participant, whom only exams name here."""
    make_key(tmp_path / "site.key", around=2031)
    key = read_key(tmp_path / "site.key")
    people = coded(key, "participant", [f"447100{number}" for number in range(6)]).values()
    visits = [f"{person}-{day}-L" for day, person in enumerate(people, start=4266)]
    sent = [exam(visit, participant_id=person) for visit, person in zip(visits, people, strict=True)]
    for line in sent[:2]:
        line["complaint"] = "Y"
    sent.append(exam(f"{ODD[0]}-4266-L", participant_id=ODD[0], complaint="Y"))
    report = send(
        tmp_path, tmp_path / "r.duckdb", exams=sent, findings=[*map(finding, visits), finding(f"{ODD[0]}-4266-L")]
    )
    assert rules(report) == {
        ("exams.complaint.enum", "complaint"): [2, 3, 8],
        ("findings.exam_id.form", "exam_id"): [8],  # that of a code which is like no other vouches for nothing
    }
    assert places(report, "findings") == {"stored": 4, "waiting": 2, "held_back": 1}
