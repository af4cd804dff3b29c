"""The exam as a Questionnaire of HL7 FHIR R4, made from the contract and its catalogue.

Groups and items are named as the form names them in the responses that it saves: a table, and `table.column`.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from examtally.contracts.contract import Contract
from examtally.contracts.records.tables import Field, Table
from examtally.errors import ExamtallyError
from examtally.files import write_whole
from examtally.workbook.exam_form import PERSON, TABLES

_ONCE = ("participants", "exams")  # the other groups repeat: one for each history item, probability and maneuver


def write_questionnaire(out: Path, contract: Contract) -> Path:
    """Write the Questionnaire to `out`, which is replaced; raises ExamtallyError where it cannot be written."""
    if out.suffix.lower() != ".json":
        raise ExamtallyError("the name of a Questionnaire must end in .json; change --out")
    text = json.dumps(questionnaire(contract), ensure_ascii=False, indent=1)
    try:
        return write_whole(out, f"{text}\n")
    except OSError as error:
        raise ExamtallyError(f"{out.name} cannot be written: {error.strerror}; choose another --out") from None


def questionnaire(contract: Contract) -> dict[str, Any]:
    """Return the resource: a group a record table that the form asks for, an item a column."""
    return {
        "resourceType": "Questionnaire",
        "status": "draft",
        "name": "KneeExam" if contract.catalogue.title == "Knee" else "JointExam",
        "title": f"{contract.catalogue.title} exam",
        "subjectType": ["Patient"],
        "item": [_group(contract.tables[name]) for name in TABLES],
    }


def _group(table: Table) -> dict[str, Any]:
    fields = [field for field in table.fields if field.name != "exam_id" or table.name == "exams"]
    if table.name == "participants":
        fields = [field for field in fields if field.is_pseudonym or field.name in PERSON]
    return {
        "linkId": table.name,
        "text": table.title,
        "type": "group",
        "repeats": table.name not in _ONCE,
        "item": [_item(table, field) for field in fields],
    }


def _item(table: Table, field: Field) -> dict[str, Any]:
    """A column: a choice of its codes, each with its meaning, or text that the contract holds to its form."""
    item: dict[str, Any] = {
        "linkId": f"{table.name}.{field.name}",
        "text": f"{field.title} ({field.unit})" if field.unit else field.title,
        "type": "string" if field.enum is None else "choice",
        "required": field.required,
    }
    if field.enum is not None:
        item["answerOption"] = [{"valueString": code} for code in field.enum]
        item["item"] = [
            {
                "linkId": f"{table.name}.{field.name}.says",
                "type": "display",
                "text": "; ".join(f"{code}: {label}" for code, label in field.labels.items()),
            }
        ]
    return item
