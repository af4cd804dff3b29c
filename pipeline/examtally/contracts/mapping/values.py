"""Where the value of one column comes from; every code is held to the column's legal set."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from examtally.contracts.checks import Fault, check_code, nearest
from examtally.contracts.contract import Contract
from examtally.contracts.mapping.mapping import (
    CELL,
    PIECE,
    BodyMass,
    Constant,
    FromColumn,
    FromEach,
    Joined,
    Value,
    fold,
)
from examtally.contracts.mapping.sections import BmiEntry, PartEntry, ValueEntry
from examtally.contracts.records.tables import Field, Table

OPEN = "???"
"""Stands in a drafted mapping for a column that was not found."""
_FACTORS = {"inch": 2.54, "mm": 0.1, "percent": 0.01, "weeks": 7.0, "months": 30.4375, "years": 365.25, "whole": 1.0}
_TO_KG = {"kg": 1.0, "lb": 0.45359237}
_TO_M = {"cm": 0.01, "m": 1.0, "inch": 0.0254}
_GIVES = {"inch": "cm", "mm": "cm", "weeks": "days", "months": "days", "years": "days"}


@dataclass(frozen=True)
class ValueReader:
    """Reads the values of one entry of `rows`; `each` holds its names with their words and codes.

    Raises Fault, whose place leads on from the value.
    """

    contract: Contract
    table: Table
    each: Mapping[str, Mapping[str, str]]
    has_cell: bool
    has_piece: bool = False

    def read(self, entry: ValueEntry, field: Field) -> Value:
        """Return where the value of `field` comes from."""
        if entry.value is not None:
            return Constant(_legal(entry.value, field, "value"))
        if entry.each is not None:
            name = check_code(entry.each, "a name of `each`", self.each, "each")
            for code in self.each[name].values():
                _legal(code, field, "each")
            return FromEach(name)
        if entry.join is not None:
            parts = tuple(self._joined(part, "join", index) for index, part in enumerate(entry.join))
            return Joined(parts, "-" if entry.with_ is None else entry.with_)
        if entry.bmi is not None:
            return self._bmi(entry.bmi)
        return self._from_column(entry, field)

    def template(self, text: str, *at: str | int) -> str:
        """Return a column name; the names in its braces must be names of `each`."""
        if text == OPEN:
            raise Fault(f"{OPEN} still waits to be filled in", "write the column of the export that holds it", *at)
        known = [*self.each, *(["cell"] if self.has_cell else []), *(["piece"] if self.has_piece else [])]
        for name in re.findall(r"\{([^{}]*)\}", text):
            if name not in known:
                raise Fault(f"'{{{name}}}' is not a name of `each`", nearest(name, known), *at)
        return text

    def _joined(self, part: PartEntry, *at: str | int) -> Value:
        if part.each is not None:
            return FromEach(check_code(part.each, "a name of `each`", self.each, *at, "each"))
        if part.value is not None:
            return Constant(part.value)
        return FromColumn(self._column(part.column, *at), codes=part.codes)

    def _from_column(self, entry: ValueEntry, field: Field) -> FromColumn:
        unit = entry.unit
        if unit in _GIVES and field.unit and _GIVES[unit] != field.unit:
            problem = f"does not lead to {field.unit}, the unit of {field.name}"
            raise Fault(problem, "use another unit", "unit")
        if entry.where_listed and field.depends is None:
            raise Fault("the catalogue lists no values of this column", "remove it", "where_listed")
        if entry.same_as is not None:
            return self._same_as(entry, entry.same_as, field)
        return FromColumn(
            column=self._column(entry.column),
            codes=_codes(entry.codes, field, "codes"),
            parts=_codes(entry.parts, field, "parts"),
            is_number=bool(entry.number),
            steps=tuple(
                sorted(
                    (float(start), _legal(code, field, "steps", start)) for start, code in (entry.steps or {}).items()
                )
            ),
            factor=_FACTORS[unit] if unit else None,
            where_listed=bool(entry.where_listed),
            matches=_matches(entry.matches or {}, field),
            unreadable=self._may_be_blank(entry, field),
        )

    def _may_be_blank(self, entry: ValueEntry, field: Field) -> bool:
        if entry.unreadable and (field.required or (field.enum is None and field.type == "string")):
            raise Fault(f"{field.name} may not be blank", "remove it; such a line is held back", "unreadable")
        return bool(entry.unreadable)

    def _same_as(self, entry: ValueEntry, same_as: str, field: Field) -> FromColumn:
        """Yes or no; the codes are those of a name of `each`, or `both`."""
        name = check_code(same_as, "a name of `each`", self.each, "same_as")
        if not {"yes", "no"} <= set(field.enum or ()):
            raise Fault(f"{field.name} is not answered by yes or no", "remove it", "same_as")
        if entry.codes is None:
            raise Fault("lacks `codes`", f"add what is written for each code of {name}")
        legal = [*dict.fromkeys(self.each[name].values()), "both"]
        what = f"a code of {name}, or both"
        codes = {fold(word): check_code(code, what, legal, "codes", word) for word, code in entry.codes.items()}
        return FromColumn(column=self._column(entry.column), codes=codes, same_as=name)

    def _column(self, column: str | None, *at: str | int) -> str:
        if column is not None:
            return self.template(column, *at, "column")
        if self.has_piece:
            return PIECE
        if not self.has_cell:
            raise Fault("names no column", "add `column`, or `cell` beside `columns`", *at)
        return CELL

    def _bmi(self, entry: BmiEntry) -> BodyMass:
        return BodyMass(
            weight=self.template(entry.weight, "bmi", "weight"),
            height=self.template(entry.height, "bmi", "height"),
            to_kg=_TO_KG[entry.weight_unit],
            to_m=_TO_M[entry.height_unit],
        )


def _codes(words: Mapping[str, str | None] | None, field: Field, key: str) -> dict[str, str] | None:
    """Folded words and their codes; the empty text for a blank."""
    if words is None:
        return None
    return {fold(word): "" if code is None else _legal(code, field, key, word) for word, code in words.items()}


def _matches(words: Mapping[str, str | None], field: Field) -> tuple[tuple[str, str], ...]:
    """Patterns and their codes in order; the empty text for a blank."""
    found = []
    for pattern, code in words.items():
        try:
            re.compile(pattern)
        except re.error:
            raise Fault(f"'{pattern}' is no pattern", "write a word, or a regular expression", "matches") from None
        if "(?" in pattern:
            raise Fault(f"'{pattern}' holds (?", "patterns look neither ahead nor back", "matches")
        found.append((pattern, "" if code is None else _legal(code, field, "matches", pattern)))
    return tuple(found)


def _legal(text: str, field: Field, *at: str | int) -> str:
    """A code of a closed set, or a number where the column holds numbers."""
    if field.enum is not None:
        if text not in field.enum:
            raise Fault(f"'{text}' is not a code of {field.name}", nearest(text, field.enum), *at)
    elif field.type != "string":
        try:
            value = float(text)
        except ValueError:
            raise Fault(f"'{text}' is not a number", f"{field.name} holds numbers", *at) from None
        low, high = field.minimum, field.maximum
        if (low is not None and value < low) or (high is not None and value > high):
            raise Fault(f"{text} is out of range", f"{field.name} goes from {low} to {high}", *at)
    return text
