"""The section `deidentify` of a drafted mapping: what names a person or holds dates, and what is made of it."""

from __future__ import annotations

import re
from collections.abc import Iterator, Sequence

from examtally.ingestion.drafting.assigning import Placed
from examtally.ingestion.drafting.drafted_tables import TableDrafter
from examtally.ingestion.drafting.value_match import DAY_MONTH, MONTH_DAY
from examtally.ingestion.drafting.yaml_text import UNSURE, flow, flow_map, quoted_text

_NUMBERS = re.compile(r"\d+")
_KINDS = {
    "exams.exam_id": "exam",
    "examiners.examiner_id": "examiner",
    "references.reader_id": "examiner",
    "references.reference_id": "reference",
    "examiners.site_id": "site",
}


def deidentify_lines(drafters: Sequence[TableDrafter]) -> list[str]:
    """Return the lines of the section; none where an export holds coded identifiers and days already."""
    raw = [one for one in drafters if one.raw_person is not None or one.raw_dates]
    if not raw:
        return []
    people = dict.fromkeys(one.column.name for drafter in drafters for one in [drafter.person_column] if one)
    codes = {one.column.name: kind for drafter in drafters for one, kind in _coded(drafter)}
    dates = [one for drafter in drafters for one in drafter.raw_dates]
    lines = ["deidentify:", f"  participant: {flow(people)}"]
    lines += (
        [f"  codes: {flow_map({name: kind for name, kind in codes.items() if name not in people})}"] if codes else []
    )
    if dates:
        lines += [f"  dates: {flow(dict.fromkeys(one.column.name for one in dates))}", f"  date_order: {_order(dates)}"]
    visit = next((drafter for drafter in drafters if drafter.visit_date is not None), None)
    if visit is not None and visit.visit_date is not None:
        at = quoted_text(visit.visit_date.column.name)
        lines.append(f"  period: {{column: {visit.made_month}, from: {at}}}")
        lines += _age(drafters, at)
        onset = visit.onset_date
        if onset is not None:
            lines.append(f"  between: {{days_since_onset: [{quoted_text(onset.column.name)}, {at}]}}")
    return ["", f"{UNSURE} the export names people or holds dates: examtally deidentify comes before check", *lines]


def _age(drafters: Sequence[TableDrafter], at: str) -> list[str]:
    """The ages, worked out from a date of birth, or those of a column."""
    for drafter in drafters:
        known = drafter.found.field("participants.age_years")
        if known is not None:
            return [f"  age: {{column: {quoted_text(known.column.name)}}}"]
        if drafter.born is not None:
            born = quoted_text(drafter.born.column.name)
            return [f"  age: {{column: {drafter.made_age}, born: {born}, at: {at}}}"]
    return []


def _coded(drafter: TableDrafter) -> Iterator[tuple[Placed, str]]:
    """The columns that become coded identifiers, with the kind of each."""
    for place, kind in _KINDS.items():
        placed = drafter.found.field(place)
        if placed is not None:
            yield placed, kind
    number = drafter.accession
    if number is not None and drafter.found.field("references.reference_id") is None:
        yield number, "reference"


def _order(dates: Sequence[Placed]) -> str:
    """How dates are written, told by a number that can be no month."""
    values = [value for one in dates for value, _ in one.column.values]
    for pattern, order in ((DAY_MONTH, "day_first"), (MONTH_DAY, "month_first")):
        if any(re.match(pattern, value, re.IGNORECASE) for value in values):
            return order
    parts = [list(map(int, _NUMBERS.findall(value)[:3])) for value in values]
    whole = [part for part in parts if len(part) == 3]
    if all(part[0] > 31 for part in whole):
        return "year_first"
    written = [part for part in whole if part[0] <= 31]
    is_dotted = any("." in value for value in values)
    if is_dotted or any(part[0] > 12 for part in written):
        return "day_first"
    if any(part[1] > 12 for part in written):
        return "month_first"
    return f"day_first   {UNSURE} or month_first? no date tells"
