"""The form for the examination room: one file that a phone, tablet or desk opens from disk, without a network."""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any

from examtally.contracts.catalogue.clinical import Maneuver
from examtally.contracts.contract import Contract
from examtally.contracts.records.pseudonym import load_pseudonym_rule
from examtally.contracts.records.tables import Field
from examtally.errors import ExamtallyError
from examtally.files import write_whole
from examtally.resources import resource
from examtally.workbook.form import BandForm, in_words, workbook_form
from examtally.workbook.layout import LONGEST_CODE, end_points, pages
from examtally.workbook.mapping import joint_mark

PERSON = ("age_years", "sex")
"""Columns of participants that the form asks for."""
_KEPT = ("examiner_id", "examiner_role", "period", "setting")
"""Columns that stay as they are for the next exam of the session."""
_WITHIN = ("measures", "end_points")  # asked with their maneuver
TABLES = ("participants", "exams", "history", "impressions", "findings")
_MARKS = {"positive": "+", "negative": "\u2212", "equivocal": "?", "not_done": "not done"}


def write_form(out: Path, contract: Contract) -> Path:
    """Write the form to `out`, which is replaced; raises ExamtallyError where it cannot be written."""
    if out.suffix.lower() != ".html":
        raise ExamtallyError("the form's name must end in .html; change --out")
    return write_page(out, form_page(contract))


def form_page(contract: Contract) -> str:
    """Return the whole page; its policy lets its own script run and nothing be fetched or sent."""
    return offline_page("exam_form", f"{contract.catalogue.title} exam", form_content(contract), frame="exam_form")


def offline_page(script: str, title: str, content: Mapping[str, Any], *, frame: str = "offline") -> str:
    """Return the page that a script, a frame and the style of the exam form make of `content`; nothing is sent.

    `script` and `frame` are names of files of the reports folder, without their endings.
    """
    folder = resource("reports")
    files = (f"{script}.js", "exam_form.css", f"{frame}.html")
    code, style, page = ((folder / name).read_text(encoding="utf-8") for name in files)
    parts = {
        "title": title,
        "policy": "default-src 'none'; base-uri 'none'; form-action 'none'; "
        f"script-src '{_hash(code)}'; style-src '{_hash(style)}'",
        "style": style,
        "script": code,
        "content": json.dumps(content, ensure_ascii=False, separators=(",", ":")).replace("<", "\\u003c"),
    }
    for part, text in parts.items():
        page = page.replace(f"{{{{{part}}}}}", text)
    return page


def write_page(out: Path, text: str) -> Path:
    """Write a page to `out`, which is replaced; raises ExamtallyError where it cannot be written."""
    try:
        return write_whole(out, text)
    except OSError as error:
        raise ExamtallyError(f"{out.name} cannot be written: {error.strerror}; choose another --out") from None


def form_content(contract: Contract) -> dict[str, Any]:
    """Return what the form asks and what it may write: every code, range and word from the contract."""
    visits = next(page for page in pages(contract) if page.table.name == "exams")
    findings = contract.tables["findings"]
    form = workbook_form()
    result = findings.field("result")
    return {
        "title": f"{contract.catalogue.title} exam",
        "joint": contract.catalogue.title,
        "jointCode": contract.catalogue.joint,
        "jointMark": joint_mark(contract.catalogue.joint),
        "ruleOut": contract.catalogue.rule_out_heading,
        "caution": contract.catalogue.sheet_caution,
        "flags": list(contract.catalogue.quick_rule_out),
        "tables": {name: list(contract.tables[name].names) for name in TABLES},
        "pseudonym": asdict(load_pseudonym_rule()),
        "longest": LONGEST_CODE,
        "kept": list(_KEPT),
        "person": [_field(contract.tables["participants"].field(name)) for name in PERSON],
        "sections": [_section(contract, band) for band in visits.form.bands if band.kind not in _WITHIN],
        "results": [
            {"code": code, "label": _MARKS.get(code, in_words(code)), "says": in_words(code)}
            for code in result.enum or ()
        ],
        "reasons": _choices(findings.field("reason")),
        "withReason": list(form.with_reason),
        "withGrade": list(form.with_grade),
        "withSign": list(form.with_sign),
        "endPoints": end_points(contract),
        "answers": _choices(contract.tables["history"].field("answer")),
    }


def _section(contract: Contract, band: BandForm) -> dict[str, Any]:
    section: dict[str, Any] = {"title": band.title, "kind": band.kind or "fields", "folded": band.is_folded}
    if band.kind == "history":
        section["items"] = [{"code": one.code, "label": one.label} for one in contract.catalogue.history.values()]
    elif band.kind == "probability":
        section["stage"] = band.stage
        core = [one for one in contract.catalogue.conditions.values() if one.core == band.is_core]
        section["items"] = [{"code": one.code, "label": one.name} for one in core]
    elif band.kind == "maneuvers":
        own = [one for one in contract.catalogue.in_exam_order if one.in_core_part == band.is_core]
        phases = workbook_form().phases.items()
        section["phases"] = [
            {"title": name, "items": [_maneuver(one) for one in own if one.phase == code]} for code, name in phases
        ]
    else:
        exams = contract.tables["exams"]
        section["fields"] = [_field(exams.field(name), contract) for name in band.fields]
    return section


def _field(field: Field, contract: Contract | None = None) -> dict[str, Any]:
    choices = _choices(field)
    if field.name == "mechanism" and contract is not None:
        choices = [
            {"code": code, "label": one.label}
            for code, one in contract.catalogue.mechanisms.items()
            if code != "unknown"
        ]
    return {
        "name": field.name,
        "label": field.title,
        "says": field.description,
        "form": "choice" if choices else "code" if field.is_pseudonym else field.type,
        "choices": choices,
        "low": field.minimum,
        "high": field.maximum,
        "unit": field.unit,
        "pattern": field.pattern,
        "patternWords": field.pattern_words,
        "required": field.required,
    }


def _choices(field: Field) -> list[dict[str, str]]:
    """The codes to choose from; what is unknown is left alone, which means the same."""
    return [{"code": code, "label": in_words(code)} for code in field.enum or () if code != "unknown"]


def _maneuver(one: Maneuver) -> dict[str, Any]:
    return {
        "code": one.code,
        "label": one.name,
        "positive": one.positive,
        "technique": one.technique,
        "cautions": list(one.cautions),
        "grades": [{"code": str(grade), "label": f"{grade}: {says}"} for grade, says in one.grades.items()],
        "signs": [{"code": sign, "label": in_words(sign)} for sign in one.signs] if len(one.signs) > 1 else [],
        "unit": one.unit,
        "measure": one.measure_name,
        "endPoint": one.end_point,
    }


def _hash(text: str) -> str:
    digest = hashlib.sha256(text.encode("utf-8")).digest()
    return f"sha256-{base64.b64encode(digest).decode('ascii')}"
