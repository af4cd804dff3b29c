"""Cells that a mapping does not declare: in a column whose words it names, anything else may be a name.

A cell is declared where one of the fields read from its column makes a legal value of it. What is not is replaced by a
mark that no mapping declares, so that the line is held back later as it would have been, and is listed.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace

import duckdb

from examtally.contracts.contract import Contract
from examtally.contracts.mapping.mapping import BodyMass, FromColumn, Joined, fold
from examtally.contracts.records.rules import in_list, quoted, rules_for
from examtally.contracts.records.tables import Field
from examtally.ingestion.mapping.plan import Plan, SourcePlan
from examtally.ingestion.mapping.translate import FOLDED, dictionary

REMOVED = "(removed)"
_JUDGED = ("enum", "type", "pattern", "range")
_MEASURE = r"\s*[0-9]{1,3}([.,][0-9]+)?\s*[A-Za-z]{0,4}\s*"


@dataclass(frozen=True)
class Undeclared:
    """The lines of a file whose cell in one column, counted from 1, was replaced."""

    column: int
    lines: tuple[int, ...]


@dataclass(frozen=True)
class Declared:
    """What the readings of one export make of the texts of its columns."""

    con: duckdb.DuckDBPyConnection
    contract: Contract
    plan: SourcePlan
    decimal_comma: bool

    def others(self, texts: str, place: int) -> set[str]:
        """Return the texts, of the query `texts` (one column `s`), that no reading of the column declares."""
        readings = list(self._readings(texts, place))
        if not readings and self._is_joined_bare(place):
            return set()  # a word of few, such as the side, which another rule looks at
        legal = " union all ".join(readings) or "select null"
        found = self.con.execute(f"select s from ({texts}) where s is not null and s not in (from ({legal}))")
        return {text for (text,) in found.fetchall()}

    def _readings(self, texts: str, place: int) -> Iterator[str]:
        """Queries of the texts that are legal, one a way of reading."""
        for told in self.plan.withdrawn:
            if told.when == place:
                yield f"select s from ({texts}) where {FOLDED.format(text='s')} in {in_list(told.words)}"
        for one in self.plan.plans:
            wanted = [
                (self.contract.tables[one.rows.table].field(name), replace(value, unreadable=False))
                for name, value in one.rows.columns.items()
                if isinstance(value, FromColumn) and _reads(one, value.column, place)
            ]
            pieces = [(field, value) for field, value in wanted if value.in_parts]
            groups = [*([pieces] if pieces else []), *([each] for each in wanted if not each[1].in_parts)]
            for group in groups:
                holds = " and ".join(self._holds(one, field, value) for field, value in group)
                yield f"select s from ({dictionary(texts, group, decimal_comma=self.decimal_comma)}) where {holds}"
            for value in one.rows.columns.values():
                yield from self._put_together(one, value, texts, place)

    def _holds(self, one: Plan, field: Field, value: FromColumn) -> str:
        """Whether what a reading made of a text is legal in its field."""
        column = quoted(field.name)
        if value.same_as is not None or (field.is_pseudonym and value.codes is not None):
            return f"coalesce({column} in {in_list((value.codes or {}).values())}, true)"
        holds = [
            rule.sql
            for rule in rules_for(self.contract, one.rows.table)
            if rule.column == field.name and rule.kind in _JUDGED
        ]
        if field.depends is not None and field.type == "string":
            legal = {code for codes in field.depends.allowed.values() for code in codes}
            holds.append(f"coalesce({column} in {in_list(legal)}, true)" if legal else "true")
        return " and ".join(f"({condition})" for condition in holds) or "false"

    def _put_together(self, one: Plan, value: object, texts: str, place: int) -> Iterator[str]:
        if isinstance(value, BodyMass) and (_reads(one, value.weight, place) or _reads(one, value.height, place)):
            yield f"select s from ({texts}) where regexp_full_match(s, '{_MEASURE}')"
        if isinstance(value, Joined):
            for part in value.parts:
                if isinstance(part, FromColumn) and part.codes is not None and _reads(one, part.column, place):
                    words = in_list(fold(word) for word in part.codes)
                    yield f"select s from ({texts}) where trim(lower(replace(s, '_', ' '))) in {words}"

    def _is_joined_bare(self, place: int) -> bool:
        return any(
            isinstance(part, FromColumn) and part.codes is None and _reads(one, part.column, place)
            for one in self.plan.plans
            for value in one.rows.columns.values()
            if isinstance(value, Joined)
            for part in value.parts
        )


def _reads(one: Plan, template: str, place: int) -> bool:
    return any(binding.places.get(template) == place for binding in one.bindings)
