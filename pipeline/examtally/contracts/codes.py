"""Legal sets by name: of the catalogue, of the columns of record tables, and of what exams may be grouped by."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from examtally.contracts.catalogue.clinical import Catalogue
from examtally.contracts.results import OPEN, result_codes

if TYPE_CHECKING:
    from examtally.contracts.contract import Contract

_GROUPINGS: Mapping[str, tuple[str, ...]] = {
    "own_bands": (),
    "compared_groups": ("role", "setting", "acuity", "sex", "age_band", "bmi_band", "guarding", "severity"),
    "verification_terms": ("sex", "age_band", "bmi_band", "guarding", "site"),
    "study_groups": (
        *("role", "setting", "acuity", "sex", "age_band", "bmi_band", "guarding", "site", "period", "severity"),
    ),
}
"""What a key may group by in every joint, of the groupings of result tables; those of the catalogue join them."""


_OWN_COLUMNS = {"own_numbers": ("exams", False), "own_codes": ("exams", True), "own_findings": ("findings", False)}
"""Sets of the columns that only one joint has: by table, and whether they hold codes."""


def _groupings(name: str, catalogue: Catalogue) -> dict[str, str]:
    """The groupings of a set with what each means, in the order of result tables."""
    own = {code: one.label for code, one in catalogue.groupings.items()}
    names = catalogue.banded if name in ("own_bands", "verification_terms") else (*catalogue.banded, *catalogue.coded)
    chosen: dict[str, str] = {}
    for code, meaning in result_codes()["group_by"].items():
        if code == OPEN["group_by"]:
            chosen |= {each: own[each] for each in names}
        elif code in _GROUPINGS[name]:
            chosen[code] = meaning
    return chosen


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
        return _groupings(name, catalogue)
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
