"""The paper sheet: one exam of one knee on one page, what the workbook asks for in the order of the exam."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from examtally.contracts.catalogue.clinical import Maneuver
from examtally.contracts.contract import Contract
from examtally.contracts.records.tables import Field
from examtally.errors import ReportError
from examtally.files import whole_file
from examtally.reporting.engine.typesetting import typeset
from examtally.workbook.form import BandForm, in_words, workbook_form
from examtally.workbook.layout import Column, end_points, pages

PAPERS = {"a4": "a4", "letter": "us-letter"}
_TEMPLATE = "exam_sheet"
_MOST_OPTIONS = 4


def write_sheet(out: Path, contract: Contract, *, paper: str = "a4") -> Path:
    """Write the sheet as a PDF to `out`, which is replaced; raises ReportError where it cannot be written."""
    if paper not in PAPERS:
        raise ReportError(f"there is no paper '{paper}'; choose from {', '.join(PAPERS)}")
    if out.suffix.lower() != ".pdf":
        raise ReportError("the sheet's name must end in .pdf; change --out")
    page = typeset(_TEMPLATE, sheet_content(contract, paper))
    try:
        with whole_file(out) as part:
            part.write_bytes(page)
    except OSError as error:
        raise ReportError(f"{out.name} cannot be written: {error.strerror}; choose another --out") from None
    return out


def sheet_content(contract: Contract, paper: str) -> dict[str, Any]:
    """Return what the sheet says, as its template reads it."""
    form = workbook_form()
    visits = next(page for page in pages(contract) if page.table.name == "exams")
    bands = list(zip(visits.form.bands, visits.bands, strict=True))
    fields = [[_field(contract, column) for column in band.columns] for own, band in bands if not own.kind]
    who, happened, whole = fields[0], fields[1], fields[2]
    return {
        "title": f"{contract.catalogue.title} exam",
        "paper": PAPERS[paper],
        "identity": "Codes and counted days only: no name, no record number, no date.",
        "who": who,
        "flags": list(contract.catalogue.quick_rule_out),
        "short": [one for one in happened if len(one["options"]) <= _MOST_OPTIONS],
        "long": [one for one in happened if len(one["options"]) > _MOST_OPTIONS],
        "answers": _legend(form.typed_for("history", contract.tables["history"].field("answer"))),
        "history": [_asked(column) for own, band in bands if own.kind == "history" for column in band.columns],
        "before": _chances(contract, bands[_place(bands, 0)][0]),
        "after": _chances(contract, bands[_place(bands, -1)][0]),
        "signs": _legend(form.typed_for("findings", contract.tables["findings"].field("result"))),
        "reasons": "why: "
        + ", ".join(in_words(code) for code in contract.tables["findings"].field("reason").enum or ()),
        "phases": [_phase(contract, code, name) for code, name in form.phases.items()],
        "whole": whole,
        "caution": contract.catalogue.sheet_caution,
        "rule_out": contract.catalogue.rule_out_heading,
    }


def _place(bands: Sequence[tuple[BandForm, Any]], which: int) -> int:
    """The first or the last band of probabilities."""
    return [at for at, (own, _) in enumerate(bands) if own.kind == "probability"][which]


def _field(contract: Contract, column: Column) -> dict[str, Any]:
    field = contract.tables["exams"].field(column.code)
    return {"heading": column.heading, "options": _options(contract, field)}


def _options(contract: Contract, field: Field) -> list[str]:
    """The words to tick; what is unknown is left unticked."""
    codes = [code for code in field.enum or () if code != "unknown"]
    if field.name == "mechanism":
        return [contract.catalogue.mechanisms[code].label.lower() for code in codes]
    return [in_words(code) for code in codes]


def _asked(column: Column) -> dict[str, Any]:
    return {"heading": column.heading, "options": list(column.entries)}


def _chances(contract: Contract, band: BandForm) -> dict[str, Any]:
    stage = contract.tables["impressions"].field("stage").labels[band.stage]
    core = [one.name for one in contract.catalogue.conditions.values() if one.core]
    return {"note": f"0 to 100 percent each, written {stage}", "conditions": core}


def _phase(contract: Contract, code: str, name: str) -> dict[str, Any]:
    own = [one for one in contract.catalogue.in_exam_order if one.phase == code]
    return {
        "name": name,
        "core": [_maneuver(contract, one) for one in own if one.in_core_part],
        "others": [_maneuver(contract, one) for one in own if not one.in_core_part],
    }


def _maneuver(contract: Contract, maneuver: Maneuver) -> dict[str, Any]:
    typed = workbook_form().typed_for("findings", contract.tables["findings"].field("result"))
    return {
        "name": maneuver.name,
        "results": [entry.replace("-", "\u2212") for entry in typed.values()],
        "grades": [str(grade) for grade in maneuver.grades],
        "signs": [in_words(sign) for sign in maneuver.signs] if len(maneuver.signs) > 1 and not maneuver.grades else [],
        "stops": end_points(contract) if maneuver.end_point else [],
        "unit": maneuver.unit,
        "caution": " ".join(maneuver.cautions),
    }


def _legend(typed: Any) -> str:
    return ", ".join(f"{entry.replace('-', chr(0x2212))} {in_words(code)}" for code, entry in typed.items())
