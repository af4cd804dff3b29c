"""The pages of the workbook with every column in its place, worked out from the tables, the catalogue and the form.

Each column knows what may be entered in it; the workbook, the paper sheet and the built-in mapping follow from it.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from examtally.contracts.catalogue.clinical import Catalogue, Condition, Maneuver
from examtally.contracts.contract import Contract
from examtally.contracts.records.tables import Field, Table
from examtally.workbook.form import BandForm, PageForm, in_words, workbook_form

if TYPE_CHECKING:
    from openpyxl.styles import PatternFill

LONGEST_CODE = 15  # typed identifiers are joined to codes of exams and readings, which may have 40 signs


@dataclass(frozen=True)
class Column:
    """One column: `entries` is the drop-down, empty where any text or number from `low` to `high` may stand.

    `target` says what it feeds: field, history, probability, finding, measure or status; `code` is the name of the
    field, or the code of the item, condition or maneuver.
    """

    heading: str
    target: str
    code: str
    hint: str
    entries: tuple[str, ...] = ()
    form: str = "text"
    low: int | None = None
    high: int | None = None
    legal: str = ""
    is_required: bool = False
    stage: str = ""


@dataclass(frozen=True)
class Band:
    """Neighbouring columns under one title; a folded band is a closed group."""

    title: str
    is_folded: bool
    columns: tuple[Column, ...]


@dataclass(frozen=True)
class Page:
    """One sheet to fill in."""

    form: PageForm
    table: Table
    bands: tuple[Band, ...]

    @property
    def columns(self) -> tuple[Column, ...]:
        """All its columns, from left to right."""
        return tuple(column for band in self.bands for column in band.columns)


def pages(contract: Contract) -> tuple[Page, ...]:
    """Return the pages of the workbook, in the words and with the columns of the joint."""
    return tuple(_page(contract, _of_joint(contract.catalogue, form)) for form in workbook_form().pages)


def _of_joint(catalogue: Catalogue, form: PageForm) -> PageForm:
    """The declaration of a page with the joint's own columns in the places that it keeps for them."""
    own = [node.at("name").text() for node in catalogue.columns.get("exams", ())]
    coded = [name for name in own if name in {one.column for one in catalogue.groupings.values() if not one.first}]
    places = {
        "own_codes": coded,
        "own_others": [name for name in own if name not in coded],
        "other_side": [catalogue.other_side_column],
    }
    said = catalogue.noun.said
    bands = tuple(
        replace(
            band, title=said(band.title), fields=tuple(one for name in band.fields for one in places.get(name, [name]))
        )
        for band in form.bands
    )
    return replace(form, says=said(form.says), bands=bands)


def table_page(table: Table) -> Page:
    """Return a record table as a page of its own, with the names of its columns and its codes as they are."""
    form = PageForm(table.name, table.name, table.name, table.description, None, ())
    columns = tuple(_field_column(table, field, is_plain=True) for field in table.fields)
    return Page(form, table, (Band(table.title, False, columns),))


def _page(contract: Contract, form: PageForm) -> Page:
    table = contract.tables[form.table]
    bands = tuple(Band(one.title, one.is_folded, tuple(_columns(contract, table, one))) for one in form.bands)
    return Page(form, table, bands)


def _columns(contract: Contract, table: Table, band: BandForm) -> Iterator[Column]:
    maneuvers = [one for one in contract.catalogue.in_exam_order if one.in_core_part == band.is_core]
    conditions = [one for one in contract.catalogue.conditions.values() if one.core == band.is_core]
    if band.kind == "history":
        yield from _history(contract)
    elif band.kind == "maneuvers":
        yield from (_maneuver(contract, one) for one in maneuvers)
    elif band.kind == "measures":
        yield from (_measure(one) for one in contract.catalogue.maneuvers.values() if one.unit)
    elif band.kind == "end_points":
        yield from (_end_point(contract, one) for one in maneuvers if one.end_point)
    elif band.kind == "conditions":
        yield from (_status(table, one) for one in conditions)
    elif band.kind == "probability":
        yield from (_probability(contract, one, band) for one in conditions)
    else:
        yield from (_field_column(table, table.field(name), is_plain=False) for name in band.fields)


def _field_column(table: Table, field: Field, *, is_plain: bool) -> Column:
    """A column of a table; plain ones bear its name and its codes, others its title and what is typed for a code."""
    entries = field.enum or ()
    if not is_plain:
        entries = tuple(workbook_form().typed_for(table.name, field).values())
    if entries:
        words = zip(entries, field.enum or (), strict=True)
        legal = ", ".join(f"{entry} {field.labels.get(code, '')}".strip() for entry, code in words)
    else:
        legal = _open_words(field)
    form = "code" if entries else "identifier" if field.is_pseudonym else field.type
    described = f"{field.description} {_sentence(legal)}"
    high = LONGEST_CODE if field.is_pseudonym and not is_plain else field.maximum
    return Column(
        heading=field.name if is_plain else field.title,
        target="field",
        code=field.name,
        hint=described if not field.required else f"{described} Must be filled.",
        entries=entries,
        form=form,
        low=field.minimum,
        high=high,
        legal=legal,
        is_required=field.required,
    )


def _open_words(field: Field) -> str:
    if field.is_pseudonym:
        return "a code such as KN-014: a letter first, a digit in it, no name, no record number, no date"
    if field.pattern:
        return field.pattern_words
    if field.type == "string":
        return "a code that the catalogue lists"
    unit = f" {field.unit}" if field.unit else ""
    kind = "a whole number" if field.type == "integer" else "a number"
    if field.minimum is None and field.maximum is None:
        return f"{kind}{unit}"
    if field.maximum is None:
        return f"{kind} from {field.minimum}{unit}"
    return f"{kind} from {field.minimum} to {field.maximum}{unit}"


def _history(contract: Contract) -> Iterator[Column]:
    table = contract.tables["history"]
    answers = workbook_form().typed_for("history", table.field("answer"))
    legal = ", ".join(f"{entry} {code}" for code, entry in answers.items())
    for item in contract.catalogue.history.values():
        hint = f"{item.question} {_sentence(legal)}"
        yield Column(item.label, "history", item.code, hint, tuple(answers.values()), "code", legal=legal)


def _maneuver(contract: Contract, maneuver: Maneuver) -> Column:
    entries = finding_entries(contract, maneuver)
    signs = workbook_form().typed_for("findings", contract.tables["findings"].field("result"))
    legal = ", ".join(f"{entry} {in_words(code)}" for code, entry in signs.items())
    parts = [f"Positive: {maneuver.positive}", _sentence(legal)]
    if maneuver.grades:
        parts.append("Grade: " + _sentence("; ".join(f"{grade} {label}" for grade, label in maneuver.grades.items())))
    parts += maneuver.cautions
    return Column(maneuver.name, "finding", maneuver.code, " ".join(parts), entries, "code", legal=legal)


def _measure(maneuver: Maneuver) -> Column:
    words = f"a number in {maneuver.unit}"
    hint = f"{(maneuver.measure_name or '').capitalize()}: {words}. Needs a result in the column of the maneuver."
    return Column(f"{maneuver.name}, {maneuver.unit}", "measure", maneuver.code, hint, form="number", legal=words)


def end_points(contract: Contract) -> list[str]:
    """The words for how a maneuver stops; what is unknown is left blank."""
    return [in_words(code) for code in contract.tables["findings"].field("end_point").enum or () if code != "unknown"]


def _end_point(contract: Contract, maneuver: Maneuver) -> Column:
    words = tuple(end_points(contract))
    hint = f"How it stops: {', '.join(words)}. Needs a result in the column of the maneuver."
    return Column(f"{maneuver.name}, stop", "end_point", maneuver.code, hint, words, "code", legal=", ".join(words))


def finding_entries(contract: Contract, maneuver: Maneuver) -> tuple[str, ...]:
    """Return what may be typed for a finding: the result alone, with its reason, with its grade or with its sign."""
    form, table = workbook_form(), contract.tables["findings"]
    typed = form.typed_for("findings", table.field("result"))
    reasons = [in_words(code) for code in table.field("reason").enum or ()]
    alone = list(typed.values())
    graded = [f"{typed[code]}{grade}" for code in form.with_grade for grade in maneuver.grades]
    signs = maneuver.signs if len(maneuver.signs) > 1 and not maneuver.grades else ()
    signed = [f"{typed[code]} {in_words(sign)}" for code in form.with_sign for sign in signs]
    reasoned = [f"{typed[code]} {reason}" for code in form.with_reason for reason in reasons]
    return (*alone, *graded, *signed, *reasoned)


def status_entries(table: Table, condition: Condition) -> tuple[str, ...]:
    """Return what may be typed for a condition: the status alone, and what is present with its severity."""
    typed = workbook_form().typed_for("references", table.field("status"))
    present = next(iter(typed.values()))
    return (*typed.values(), *(f"{present} {in_words(one.code)}" for one in condition.severity))


def _status(table: Table, condition: Condition) -> Column:
    entries = status_entries(table, condition)
    typed = workbook_form().typed_for("references", table.field("status"))
    legal = ", ".join(f"{entry} {code}" for code, entry in typed.items())
    parts = [f"Present: {condition.present_means}", f"{_sentence(legal)} Blank where the reading says nothing of it."]
    if condition.severity:
        parts.append("Severity: " + _sentence("; ".join(in_words(one.code) for one in condition.severity)))
    return Column(condition.name, "status", condition.code, " ".join(parts), entries, "code", legal=legal)


def _probability(contract: Contract, condition: Condition, band: BandForm) -> Column:
    stage = contract.tables["impressions"].field("stage")
    hint = f"{condition.plain} How likely is it, from 0 to 100 percent? Written {stage.labels[band.stage]}."
    heading = f"{band.word}: {condition.name}"
    words = "a whole number of percent from 0 to 100"
    return Column(heading, "probability", condition.code, hint, (), "percent", 0, 100, words, stage=band.stage)


def _sentence(words: str) -> str:
    return f"{words[:1].upper()}{words[1:]}."


FONT = "Calibri"
INK, HAIR, MUST, WARN, PALE = "1D2B36", "55636E", "0B5D8A", "F6D9B8", "F3F5F6"
SHADES = ("DCE6EC", "F3F5F6")


def fill(color: str) -> PatternFill:
    """Return an even fill."""
    from openpyxl.styles import PatternFill  # slow to import, and no record file needs it

    return PatternFill("solid", fgColor=color)
