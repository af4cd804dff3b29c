"""The records of a synthetic clinic as a hospital would send them in HL7 FHIR R4: Bulk Data files and their mapping.

What FHIR has an element for stands there; the rest stands in extensions and components under systems of our own.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

import polars as pl
import yaml

from examtally.contracts.contract import Contract
from examtally.contracts.records.tables import Field, Table

SYSTEM = "urn:synthetic-clinic"
FHIR = "fhir"
_ABSENT = "http://terminology.hl7.org/CodeSystem/data-absent-reason"
_CLASS = {"system": "http://terminology.hl7.org/CodeSystem/v3-ActCode", "code": "AMB"}
_VALUES = {"integer": "valueInteger", "number": "valueQuantity.value", "string": "valueString"}
Resource = dict[str, Any]
Row = Mapping[str, Any]


def write_feed(folder: Path, records: Mapping[str, pl.DataFrame], contract: Contract) -> None:
    """Append the records to the Bulk Data files in `folder`, one a record table, and write the mapping beside them."""
    folder.mkdir(exist_ok=True)
    for name, frame in records.items():
        make = _MAKERS[name]
        with (folder / _file(name)).open("a", encoding="utf-8", newline="\n") as stream:
            for row in frame.iter_rows(named=True):
                kept = {column: value for column, value in row.items() if value is not None and value != ""}
                stream.write(json.dumps(make(kept, contract.tables[name]), separators=(",", ":")) + "\n")
    (folder / "mapping.yaml").write_text(feed_mapping(contract, tuple(records)), encoding="utf-8")


def feed_mapping(contract: Contract, names: tuple[str, ...]) -> str:
    """Return the mapping file that reads the feed: a source a record table, a path a column."""
    sources: dict[str, dict[str, Any]] = {
        name: {"files": _file(name), "fhir": {"resource": _RESOURCES[name], "columns": _paths(contract.tables[name])}}
        for name in names
    }
    sources["exams"]["ignore"] = ["class"]
    tables = {
        name: {"from": name, "columns": {field.name: _value(field) for field in contract.tables[name].fields}}
        for name in names
    }
    content = {"title": "HL7 FHIR R4 feed of a synthetic clinic", "sources": sources, "tables": tables}
    return yaml.safe_dump(content, sort_keys=False, allow_unicode=True, width=110)


_RESOURCES = {
    "examiners": "Practitioner",
    "participants": "Patient",
    "exams": "Encounter",
    "history": "Observation",
    "findings": "Observation",
    "impressions": "Observation",
    "references": "Observation",
}
_PLAIN: Mapping[str, Mapping[str, str | list[str]]] = {
    "examiners": {"examiner_id": "id"},
    "participants": {"participant_id": "id", "sex": "gender"},
    "exams": {
        "exam_id": "id",
        "participant_id": "subject.reference",
        "examiner_id": "participant.individual.reference",
    },
    "history": {
        "exam_id": "encounter.reference",
        "item": "code.coding.code",
        "answer": "valueCodeableConcept.coding.code",
    },
    "findings": {
        "exam_id": "encounter.reference",
        "maneuver": "code.coding.code",
        "result": ["valueCodeableConcept.coding.code", "dataAbsentReason.coding.code"],
    },
    "impressions": {
        "exam_id": "encounter.reference",
        "condition": "code.coding.code",
        "stage": "method.coding.code",
        "probability": "valueQuantity.value",
    },
    "references": {
        "reference_id": "partOf.reference",
        "participant_id": "subject.reference",
        "side": f"bodySite.coding.where(system='{SYSTEM}:side').code",
        "modality": "method.coding.code",
        "condition": "code.coding.code",
        "status": "valueCodeableConcept.coding.code",
        "reader_id": "performer.reference",
    },
}
"""Where each column has an element of its own; the others are extensions, or components of an Observation."""


def _file(name: str) -> str:
    return f"{_RESOURCES[name]}.{name}.ndjson"


def _paths(table: Table) -> dict[str, str | list[str]]:
    plain = _PLAIN[table.name]
    return {field.name: plain.get(field.name, _further_path(table, field)) for field in table.fields}


def _further_path(table: Table, field: Field) -> str:
    if _RESOURCES[table.name] == "Observation":
        return f"component.where(code.coding.code='{field.name}').{_VALUES[field.type]}"
    return f"extension.where(url='{SYSTEM}:{field.name}').{_VALUES[field.type]}"


def _value(field: Field) -> str | dict[str, Any]:
    if field.name == "result":
        return {"column": field.name, "codes": {"not-performed": "not_done"}}
    return field.name


def _concept(kind: str, code: str) -> dict[str, Any]:
    return {"coding": [{"system": f"{SYSTEM}:{kind}", "code": code}]}


def _reference(kind: str, code: str) -> dict[str, str]:
    return {"reference": f"{kind}/{code}"}


def _further(row: Row, table: Table) -> dict[str, Any]:
    """The columns without an element of their own, as extensions or components."""
    fields = [field for field in table.fields if field.name in row and field.name not in _PLAIN[table.name]]
    values = [(field.name, _typed(field, row[field.name])) for field in fields]
    if _RESOURCES[table.name] == "Observation":
        parts = [{"code": _concept("column", name), **value} for name, value in values]
        return {"component": parts} if parts else {}
    parts = [{"url": f"{SYSTEM}:{name}", **value} for name, value in values]
    return {"extension": parts} if parts else {}


def _typed(field: Field, value: Any) -> dict[str, Any]:
    name, _, inner = _VALUES[field.type].partition(".")
    return {name: {inner: value} if inner else value}


def _examiner(row: Row, table: Table) -> Resource:
    return {"resourceType": "Practitioner", "id": row["examiner_id"], **_further(row, table)}


def _participant(row: Row, table: Table) -> Resource:
    gender = {"gender": row["sex"]} if "sex" in row else {}
    return {"resourceType": "Patient", "id": row["participant_id"], **_further(row, table), **gender}


def _exam(row: Row, table: Table) -> Resource:
    return {
        "resourceType": "Encounter",
        "id": row["exam_id"],
        **_further(row, table),
        "status": "finished",
        "class": _CLASS,
        "subject": _reference("Patient", row["participant_id"]),
        "participant": [{"individual": _reference("Practitioner", row["examiner_id"])}],
    }


def _observation(row: Row, table: Table, code: str, kind: str, **further: Any) -> Resource:
    key = "-".join(str(row[name]) for name in table.primary_key).replace("_", "-")
    return {
        "resourceType": "Observation",
        "id": key,
        "status": "final",
        "code": _concept(kind, code),
        **further,
        **_further(row, table),
    }


def _history(row: Row, table: Table) -> Resource:
    value = {"valueCodeableConcept": _concept("answer", row["answer"])}
    return _observation(row, table, row["item"], "history", encounter=_reference("Encounter", row["exam_id"]), **value)


def _finding(row: Row, table: Table) -> Resource:
    value: dict[str, Any] = {"valueCodeableConcept": _concept("result", row["result"])}
    if row["result"] == "not_done":
        value = {"dataAbsentReason": {"coding": [{"system": _ABSENT, "code": "not-performed"}]}}
    encounter = _reference("Encounter", row["exam_id"])
    return _observation(row, table, row["maneuver"], "maneuver", encounter=encounter, **value)


def _impression(row: Row, table: Table) -> Resource:
    return _observation(
        row,
        table,
        row["condition"],
        "condition",
        encounter=_reference("Encounter", row["exam_id"]),
        valueQuantity={"value": row["probability"]},
        method=_concept("stage", row["stage"]),
    )


def _reading(row: Row, table: Table) -> Resource:
    reader = {"performer": [_reference("Practitioner", row["reader_id"])]} if "reader_id" in row else {}
    return _observation(
        row,
        table,
        row["condition"],
        "condition",
        partOf=[_reference("ImagingStudy", row["reference_id"])],
        subject=_reference("Patient", row["participant_id"]),
        **reader,
        valueCodeableConcept=_concept("status", row["status"]),
        bodySite=_concept("side", row["side"]),
        method=_concept("modality", row["modality"]),
    )


_MAKERS: Mapping[str, Callable[[Row, Table], Resource]] = {
    "examiners": _examiner,
    "participants": _participant,
    "exams": _exam,
    "history": _history,
    "findings": _finding,
    "impressions": _impression,
    "references": _reading,
}
