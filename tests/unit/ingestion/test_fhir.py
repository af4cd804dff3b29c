"""FHIR resources come to the same records as CSV files; what is no resource, or nobody declared, is told in a line."""

from __future__ import annotations

import json
import random
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
import yaml
from records import places, rows_of, state, write_csv

from examtally.contracts.checks import Fault
from examtally.contracts.contract import load_contract
from examtally.contracts.mapping.fhir import fhir_shapes, read_path
from examtally.deidentification import deidentify, make_key
from examtally.errors import ExamtallyError, FileFault, MappingError
from examtally.ingestion import check, ingest
from examtally.ingestion.drafting.draft import draft
from examtally.registry import open_registry
from examtally.registry.verifying import verify
from examtally.synthesis import synthesize
from examtally.workbook.questionnaire import questionnaire

Resource = dict[str, Any]
MAPPING = """\
title: findings of a hospital
sources:
  findings:
    files: "*.json"
    ignore: [note]
    fhir:
      resource: Observation
      columns:
        exam: encounter.reference
        maneuver: code.coding.where(system='urn:a').code
        result: [valueCodeableConcept.coding.code, dataAbsentReason.coding.code]
        grade: component.where(code.coding.code='grade').valueInteger
tables:
  findings:
    columns:
      exam_id: exam
      maneuver: {column: maneuver, codes: {L-1: lachman, P-1: pivot_shift}}
      result: {column: result, codes: {not-performed: not_done}}
      grade: grade
"""


def observation(number: int, code: str = "L-1", **elements: Any) -> Resource:
    """A finding with what FHIR requires."""
    return {
        "resourceType": "Observation",
        "id": f"o{number}",
        "status": "final",
        "code": {"coding": [{"system": "urn:b", "code": "zzz"}, {"system": "urn:a", "code": code}]},
        "encounter": {"reference": f"Encounter/EX-{number}"},
        "valueCodeableConcept": {"coding": [{"code": "positive"}]},
        **elements,
    }


def bundle(*resources: Any) -> Resource:
    """A Bundle of resources."""
    return {"resourceType": "Bundle", "type": "collection", "entry": [{"resource": one} for one in resources]}


@pytest.fixture
def mapping(tmp_path: Path) -> Path:
    path = tmp_path / "m.yaml"
    path.write_text(MAPPING)
    return path


def _write(folder: Path, content: Any) -> Path:
    path = folder / "feed.json"
    path.write_text(content if isinstance(content, str) else json.dumps(content))
    return path


def test_the_feed_of_a_synthetic_clinic_makes_the_same_registry(tmp_path: Path) -> None:
    made = tmp_path / "made"
    synthesize(made, scenario=Path("small"), exams=20, as_fhir=True)
    ingest([made / "records"], tmp_path / "csv.duckdb")
    report = ingest([made / "fhir"], tmp_path / "fhir.duckdb", mapping=made / "fhir" / "mapping.yaml")
    assert report.is_clean
    assert state(tmp_path / "csv.duckdb") == state(tmp_path / "fhir.duckdb")
    prints = []
    for name in ("csv", "fhir"):
        with open_registry(tmp_path / f"{name}.duckdb") as opened:
            prints.append(opened.fingerprint())
    assert prints[0] == prints[1]


def test_paths_choose_by_system_and_what_is_not_done_is_said_with_its_reason(tmp_path: Path, mapping: Path) -> None:
    grade = {"component": [{"code": {"coding": [{"code": "pain"}]}}, {"code": {"coding": [{"code": "grade"}]}}]}
    grade["component"][1]["valueInteger"] = 2
    absent = {"valueCodeableConcept": None, "dataAbsentReason": {"coding": [{"code": "not-performed"}]}}
    lone = observation(3, "P-1", **{key: value for key, value in absent.items() if value})
    del lone["valueCodeableConcept"]
    ingest([_write(tmp_path, bundle(observation(1, **grade), lone))], tmp_path / "r.duckdb", mapping=mapping)
    assert rows_of(tmp_path / "r.duckdb", "waiting.findings", "exam_id, maneuver, result, grade") == [
        ("EX-1", "lachman", "positive", 2),
        ("EX-3", "pivot_shift", "not_done", None),
    ]


def test_entered_in_error_goes_and_the_last_version_counts(tmp_path: Path, mapping: Path) -> None:
    later = {"meta": {"lastUpdated": "2031-01-02T00:00:00Z"}}
    amended = observation(1, status="amended", valueCodeableConcept={"coding": [{"code": "negative"}]}, **later)
    void = observation(2, status="entered-in-error", **later)
    content = bundle(amended, observation(1), observation(2), void, observation(4, status="entered-in-error"))
    ingest([_write(tmp_path, content)], tmp_path / "r.duckdb", mapping=mapping)
    assert rows_of(tmp_path / "r.duckdb", "waiting.findings", "exam_id, result") == [("EX-1", "negative")]


def test_a_code_nobody_declared_is_held_back_by_its_place_and_listed(tmp_path: Path, mapping: Path) -> None:
    report = check([_write(tmp_path, bundle(observation(1), observation(2, "Q-9")))], mapping=mapping)
    assert places(report, "findings") == {"waiting": 1, "held_back": 1}
    assert [(one.rule, one.first[0].line) for one in report.held_back] == [("findings.maneuver.enum", 2)]
    assert [(one.column, one.value, one.lines) for one in report.unplaced] == [("maneuver", "Q-9", 1)]


def test_elements_that_nothing_reads_stop_the_batch_and_deidentify_drops_them(tmp_path: Path, mapping: Path) -> None:
    path = _write(tmp_path, bundle(observation(1, note=[{"text": "a"}], performer=[{"display": "Dr. Marrowgate"}])))
    with pytest.raises(FileFault, match=r"Observation\.performer in 1 resource, which nothing reads") as told:
        check([path], mapping=mapping)
    assert "Marrowgate" not in str(told.value)
    mapping.write_text(MAPPING + "deidentify: {participant: [], codes: {exam: exam}}\n")
    (tmp_path / "keys").mkdir()
    make_key(tmp_path / "keys" / "site.key")
    made = deidentify([path], mapping, tmp_path / "keys" / "site.key", tmp_path / "out")
    assert made.files[0].written == 1
    assert "Marrowgate" not in (tmp_path / "out" / "findings.1.csv").read_text()
    report = check([tmp_path / "out"], mapping=tmp_path / "out" / "mapping.yaml")
    assert places(report, "findings") == {"waiting": 1}


def test_a_first_mapping_takes_the_paths_that_are_filled(tmp_path: Path) -> None:
    codes = ["lachman", "pivot_shift", "anterior_drawer", "ober"]
    found = [observation(at, code, note=[{"text": "a"}]) for at, code in enumerate(codes)]
    for one in found:
        one["code"]["coding"].reverse()
    text = draft([_write(tmp_path, bundle(*found, {"resourceType": "Patient", "id": "p1", "gender": "female"}))]).text
    assert "      resource: Observation\n      columns:\n        exam: encounter.reference\n" in text
    assert "        result: [valueCodeableConcept.coding.code, valueString, dataAbsentReason.coding.code]" in text
    assert "    ignore:\n      - note\n" in text
    assert "side:" not in text.split("tables:")[0]
    assert "sex: gender" in text


def test_the_questionnaire_asks_for_every_column_that_the_form_saves() -> None:
    contract = load_contract()
    made = questionnaire(contract)
    asked = {item["linkId"]: item for group in made["item"] for item in group["item"]}
    assert set(asked) >= {f"findings.{name}" for name in contract.tables["findings"].names if name != "exam_id"}
    codes = [one["valueString"] for one in asked["findings.maneuver"]["answerOption"]]
    assert codes == list(contract.tables["findings"].field("maneuver").enum or ())
    assert asked["exams.exam_id"]["type"] == "string"
    assert {group["linkId"] for group in made["item"] if group["repeats"]} == {"history", "impressions", "findings"}


@pytest.mark.parametrize("text", ["", "a..b", "a.", "code.where(", "a b", ".a", ".".join("abcdefghijklmn")])
def test_what_is_no_path_is_told(text: str) -> None:
    with pytest.raises(Fault):
        read_path(text)


SHAPES = yaml.safe_load((Path(__file__).parents[2] / "worked" / "fhir_r4_shapes.yaml").read_text(encoding="utf-8"))


@pytest.mark.parametrize("name", SHAPES)
def test_the_shape_of_a_resource_is_that_of_the_published_models(name: str) -> None:
    """The file of models says how it was made."""
    shape, model = fhir_shapes().resources[name], SHAPES[name]
    assert sorted(shape.required) == model["required"]
    assert sorted(shape.repeating) == model["lists"]
    assert set(model["status"]) <= set(shape.status)
    assert {element for element, kind in shape.required.items() if kind == "ARRAY"} <= set(model["lists"])


def test_an_element_that_does_not_repeat_in_this_resource_is_read(tmp_path: Path, mapping: Path) -> None:
    category = "category.coding.code"
    mapping.write_text(
        MAPPING.replace("resource: Observation", "resource: Procedure")
        .replace("code.coding.where(system='urn:a').code", category)
        .replace("ignore: [note]", "ignore: [subject, code]")
    )
    procedure = observation(1) | {"resourceType": "Procedure", "status": "completed", "subject": {"reference": "P/1"}}
    procedure["category"] = {"coding": [{"code": "L-1"}]}
    ingest([_write(tmp_path, bundle(procedure))], tmp_path / "r.duckdb", mapping=mapping)
    assert rows_of(tmp_path / "r.duckdb", "waiting.findings", "exam_id, maneuver") == [("EX-1", "lachman")]


CONSENTS = """\
title: findings, and who has withdrawn
sources:
  exams: {files: "exams*.csv"}
  consents:
    files: "*.json"
    ignore: [scope, category]
    fhir: {resource: Consent, columns: {patient: patient.reference, status: status}}
tables:
  exams:
    from: exams
    columns:
      exam_id: exam
      participant_id: patient
      side: side
      examiner_id: {value: EM-1}
      period: {value: P001}
      exam_day: day
withdrawn: {from: consents, participant: patient, when: status, equals: [inactive, rejected]}
"""


def consent(number: int, status: str, patient: int, **more: Any) -> Resource:
    """A consent with what FHIR requires."""
    return {
        "resourceType": "Consent",
        "id": f"c{number}",
        "status": status,
        "scope": {"text": "research"},
        "category": [{"text": "research"}],
        "patient": {"reference": f"Patient/pt-{patient}"},
        **more,
    }


def _exams(folder: Path, *people: int) -> Path:
    rows = [{"exam": f"EX-{n}", "patient": f"PT-{n}", "side": "left", "day": 0} for n in people]
    return write_csv(folder / f"exams{people[0]}.csv", rows)


def test_who_withdraws_by_a_consent_is_taken_no_more_and_stays_so(tmp_path: Path) -> None:
    mapping, registry = tmp_path / "m.yaml", tmp_path / "r.duckdb"
    mapping.write_text(CONSENTS)
    ingest([_exams(tmp_path, 1, 2, 3, 4, 5)], registry, mapping=mapping)
    told = bundle(
        consent(1, "active", 1),
        consent(2, "inactive", 2),
        consent(3, "inactive", 3),
        consent(4, "active", 3),
        consent(5, "entered-in-error", 4),
        consent(6, "active", 5),
        consent(6, "rejected", 5, meta={"lastUpdated": "2031-02-01T00:00:00Z"}),
    )
    planned = check([_exams(tmp_path, 12, 2, 5), _write(tmp_path, told)], registry, mapping=mapping)
    report = ingest([_exams(tmp_path, 12, 2, 5), _write(tmp_path, told)], registry, mapping=mapping, allow_held=1)
    assert [(one.rule, one.lines) for one in planned.held_back] == [(one.rule, one.lines) for one in report.held_back]
    assert places(report, "exams") == {"stored": 1, "held_back": 2}
    assert report.withdrawn == 2
    assert [(one.source, one.mapped, one.empty) for one in report.exports if one.source == "consents"] == [
        ("consents", 5, 0)
    ]
    later = [{"exam": f"EX-2{n}", "patient": f"PT-{n}", "side": "left", "day": 1} for n in range(1, 6)]
    again = ingest([write_csv(tmp_path / "exams_later.csv", later)], registry, mapping=mapping, allow_held=1)
    assert places(again, "exams") == {"stored": 3, "held_back": 2}
    assert again.withdrawn == 0
    assert verify(registry).faults == ()
    assert len(rows_of(registry, "exams", "exam_id")) == 9


def test_a_batch_of_consents_alone_is_a_batch(tmp_path: Path) -> None:
    mapping, registry = tmp_path / "m.yaml", tmp_path / "r.duckdb"
    mapping.write_text(CONSENTS)
    assert ingest([_write(tmp_path, bundle(consent(1, "rejected", 1)))], registry, mapping=mapping).withdrawn == 1
    report = ingest([_exams(tmp_path, 1, 2)], registry, mapping=mapping, allow_held=1)
    assert places(report, "exams") == {"stored": 1, "held_back": 1}


def test_withdrawals_pass_deidentification_and_stand_in_a_first_mapping(tmp_path: Path) -> None:
    mapping = tmp_path / "m.yaml"
    mapping.write_text(CONSENTS)
    feed = _write(tmp_path, bundle(consent(1, "rejected", 1), consent(2, "active", 2)))
    files = [_exams(tmp_path, 1, 2), feed]
    (tmp_path / "keys").mkdir()
    make_key(tmp_path / "keys" / "site.key")
    with pytest.raises(MappingError, match="deidentify"):
        deidentify(files, mapping, tmp_path / "keys" / "site.key", tmp_path / "out")
    mapping.write_text(CONSENTS + "deidentify: {participant: [patient], codes: {exam: exam}}\n")
    deidentify(files, mapping, tmp_path / "keys" / "site.key", tmp_path / "out")
    report = check([tmp_path / "out"], mapping=tmp_path / "out" / "mapping.yaml")
    assert places(report, "exams") == {"stored": 1, "held_back": 1}
    text = draft([feed]).text
    assert "  - {from: consent, participant: patient, when: status, equals: [inactive, rejected]}" in text


@pytest.mark.parametrize(
    ("wrong", "said"),
    [("from: consent,", "is not a source"), ("when: state,", "lacks columns"), ("person: x,", "unknown key")],
)
def test_a_wrong_word_on_withdrawals_is_told(wrong: str, said: str, tmp_path: Path) -> None:
    mapping = tmp_path / "m.yaml"
    key = wrong.split(":")[0]
    old = {"from": "from: consents,", "when": "when: status,", "person": "participant: patient,"}[key]
    mapping.write_text(CONSENTS.replace("withdrawn: {", "withdrawn: { ").replace(f" {old}", f" {wrong}"))
    with pytest.raises((MappingError, FileFault), match=said):
        check([_exams(tmp_path, 1), _write(tmp_path, bundle(consent(1, "active", 1)))], mapping=mapping)


def _without(name: str) -> Callable[[Resource], Any]:
    return lambda one: {key: value for key, value in one.items() if key != name}


MUTATIONS: list[Callable[[Resource], Any]] = [
    *(_without(name) for name in ("resourceType", "status", "code")),
    *(lambda one, bad=bad: {**one, "id": bad} for bad in ("", "a b", "x" * 65, 7.5, [], {"a": 1})),
    *(lambda one, bad=bad: {**one, "status": bad} for bad in ("done", "", 3, None, ["final"])),
    *(lambda one, bad=bad: {**one, "code": bad} for bad in ("L-1", 4, None, [])),
    *(lambda one, name=name: {**one, name: [{"text": "Marrowgate"}]} for name in ("name", "text", "contact")),
    *(lambda one, name=name: {**one, name: "x"} for name in ("a\nb", "Marrowgate", "\x1b[31m", "", "é", "n" * 500)),
    *(lambda one, bad=bad: {**one, "resourceType": bad} for bad in ("", "Marrowgate\nx", 7, {}, float("inf"))),
    lambda one: _without("status")(_without("code")(one)),
    lambda one: {**one, "id": "", "status": "done", "code": "L-1", "contact": []},
    lambda _one: "Marrowgate",
    lambda one: [one],
    lambda _one: None,
    lambda one: {**one, "resourceType": ["Observation"]},
]
CUTS: list[Callable[[str], str]] = [
    lambda text: text[: len(text) // 2],
    lambda text: text.replace(":", "", 1),
    lambda text: text.replace('"', "'", 4),
    lambda text: "\0" + text,
    lambda text: text[:-1],
    lambda text: "[" + text + "]",
    lambda _text: '{"resourceType": "Patient"}',
    lambda text: text.replace("Observation", "\\ud800", 1),
]


def _mutate(seed: int) -> str:
    """One Bundle with one fault."""
    rng = random.Random(seed)
    resources: list[Any] = [observation(number) for number in range(rng.randrange(1, 6))]
    at = rng.randrange(len(resources))
    kind = seed % (len(MUTATIONS) + len(CUTS))
    if kind < len(MUTATIONS):
        resources[at] = MUTATIONS[kind](resources[at])
        return json.dumps(bundle(*resources))
    return CUTS[kind - len(MUTATIONS)](json.dumps(bundle(*resources)))


def _refused(seeds: range, folder: Path, mapping: Path) -> None:
    registry = folder / "r.duckdb"
    ingest([_write(folder, bundle(observation(90)))], registry, mapping=mapping)
    before = state(registry)
    for seed in seeds:
        with pytest.raises(ExamtallyError) as told:
            ingest([_write(folder, _mutate(seed))], registry, mapping=mapping)
        said = str(told.value)
        assert len(said.splitlines()) == 1, (seed, said)
        assert "Marrowgate" not in said, (seed, said)
    assert state(registry) == before


def test_a_mutated_bundle_is_refused_in_a_line_and_nothing_is_stored(tmp_path: Path, mapping: Path) -> None:
    _refused(range(0, len(MUTATIONS) + len(CUTS), 3), tmp_path, mapping)


@pytest.mark.study
def test_300_mutated_bundles(tmp_path: Path, mapping: Path) -> None:
    _refused(range(300), tmp_path, mapping)
