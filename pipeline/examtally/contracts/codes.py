"""Legal sets by name: of the catalogue, of the columns of record tables, and of what exams may be grouped by."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from examtally.contracts.contract import Contract

_GROUPINGS: Mapping[str, Mapping[str, str]] = {
    "own_bands": {},
    "groupings": {
        "role": "role of the examiner on that day",
        "setting": "where the exam took place",
        "sex": "sex of the participant",
        "guarding": "whether the participant guarded",
        "acuity": "days since onset",
        "age_band": "age of the participant",
        "bmi_band": "body mass index",
    },
    "compared_groups": {
        "role": "role of the examiner on that day",
        "setting": "where the exam took place",
        "sex": "sex of the participant",
        "guarding": "whether the participant guarded",
        "acuity": "days since onset",
        "age_band": "age of the participant",
        "bmi_band": "body mass index",
        "severity": "how severe the condition is, sensitivity alone",
    },
    "verification_terms": {
        "age_band": "age of the participant",
        "sex": "sex of the participant",
        "bmi_band": "body mass index of the participant",
        "guarding": "whether the participant guarded",
        "site": "site of the examiner",
    },
    "study_groups": {
        "role": "role of the examiner on that day",
        "setting": "where the exam took place",
        "acuity": "days since onset",
        "sex": "sex of the participant",
        "age_band": "age of the participant",
        "bmi_band": "body mass index",
        "guarding": "whether the participant guarded",
        "site": "site of the examiner",
        "period": "reporting period",
        "severity": "severity of the condition, for sensitivity",
    },
}
"""Sets of groupings that every joint has; those of the catalogue join them."""


_OWN_COLUMNS = {"own_numbers": ("exams", False), "own_codes": ("exams", True), "own_findings": ("findings", False)}
"""Sets of the columns that only one joint has: by table, and whether they hold codes."""


def _at(codes: Mapping[str, str], before: str, added: Mapping[str, str]) -> dict[str, str]:
    """`codes` with others before one of them, or at the end."""
    joined: dict[str, str] = {}
    for code, meaning in codes.items():
        joined |= {**added, code: meaning} if code == before else {code: meaning}
    return {**joined, **added}


def codes_of(name: str, contract: Contract) -> Mapping[str, str]:
    """The legal set called `name`: a part of the catalogue, or a column of a record table as `exams.setting`."""
    catalogue = contract.catalogue
    match name:
        case "joints":
            return {catalogue.joint: catalogue.title}
        case "maneuvers" | "conditions" | "modalities":
            entries: Mapping[str, Any] = getattr(catalogue, name)
            return {code: one.name for code, one in entries.items()}
        case "mechanisms" | "history":
            labelled: Mapping[str, Any] = getattr(catalogue, name)
            return {code: one.label for code, one in labelled.items()}
        case "tables":
            return {code: one.title for code, one in contract.tables.items()}
    if name in _GROUPINGS:
        own = {code: one.label for code, one in catalogue.groupings.items()}
        coded = {code: own[code] for code in catalogue.coded}
        banded = {code: own[code] for code in catalogue.banded}
        added = {"own_bands": banded, "verification_terms": banded}.get(name, {**banded, **coded})
        return _at(_GROUPINGS[name], "guarding", added)
    if name in _OWN_COLUMNS:
        table, wants_codes = _OWN_COLUMNS[name]
        nodes = [node.at("name").text() for node in catalogue.columns.get(table, ())]
        fields = [contract.tables[table].field(code) for code in nodes]
        return {one.name: one.title for one in fields if (one.enum is not None) == wants_codes}
    if name == "other_side":
        name = f"exams.{catalogue.other_side_column}"
    table, _, column = name.partition(".")
    field = contract.tables[table].field(column)
    return {code: field.labels[code] for code in field.enum or ()}
