"""Where the value of one column comes from, as a mapping file says it; every code is held to the column's legal set."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from dataclasses import dataclass

from examtally.contracts.contract import Contract
from examtally.contracts.mapping.keys import mapping_form
from examtally.contracts.mapping.mapping import CELL, BodyMass, Constant, FromColumn, FromEach, Joined, Value, fold
from examtally.contracts.records.tables import Field, Table
from examtally.contracts.yamlfile import Node

_WORDS = r"(?s).*\S.*"
_SOURCES = ("column", "value", "each", "join", "bmi")
_OF_COLUMN = ("codes", "parts", "number", "steps", "unit", "where_listed", "same_as")
_GIVES = {"inch": "cm", "mm": "cm", "weeks": "days", "months": "days", "years": "days"}


@dataclass(frozen=True)
class ValueReader:
    """Reads the values of one entry of `rows`; `each` holds its names with their words and codes."""

    contract: Contract
    table: Table
    each: Mapping[str, Mapping[str, str]]
    has_cell: bool

    def read(self, node: Node, field: Field) -> Value:
        """Return where the value of `field` comes from."""
        if not isinstance(node.content, dict):
            return FromColumn(self.template(node))
        entries = mapping_form().record("value", node)
        given = [key for key in _SOURCES if key in entries]
        if len(given) > 1:
            raise node.fail(f"has {' and '.join(given)}", "keep one of them")
        source = given[0] if given else "column"
        _refuse_others(entries, source)
        if source == "value":
            return Constant(_legal(entries["value"], field))
        if source == "each":
            return self._from_each(entries["each"], field)
        if source == "join":
            glue = _glue(entries["with"]) if "with" in entries else "-"
            return Joined(tuple(self._joined(one) for one in entries["join"].items()), glue)
        if source == "bmi":
            return self._bmi(entries["bmi"])
        return self._from_column(node, entries, field)

    def template(self, node: Node) -> str:
        """Return a column name; the names in its braces must be names of `each`."""
        text = node.text()
        known = [*self.each, *(["cell"] if self.has_cell else [])]
        for name in re.findall(r"\{([^{}]*)\}", text):
            if name not in known:
                raise node.fail(f"'{{{name}}}' is not a name of `each`", f"use one of {', '.join(known) or 'none'}")
        return text

    def _from_each(self, node: Node, field: Field) -> FromEach:
        name = node.code("a name of `each`", self.each)
        for code in self.each[name].values():
            _check(node, code, field)
        return FromEach(name)

    def _joined(self, node: Node) -> Value:
        """A part of a joined value: a column, a constant, or the code of a name."""
        if not isinstance(node.content, dict):
            return FromColumn(self.template(node))
        entries = node.record(optional=("column", "codes", "value", "each"))
        if "each" in entries:
            return FromEach(entries["each"].code("a name of `each`", self.each))
        if "value" in entries:
            return Constant(_text(entries["value"]))
        codes = {word: _text(one) for word, one in _table(entries["codes"])} if "codes" in entries else None
        return FromColumn(self._column(node, entries), codes=codes)

    def _from_column(self, node: Node, entries: Mapping[str, Node], field: Field) -> FromColumn:
        unit = entries["unit"].code("a unit", mapping_form().legal["units"]) if "unit" in entries else None
        if unit in _GIVES and field.unit and _GIVES[unit] != field.unit:
            raise entries["unit"].fail(f"does not lead to {field.unit}, the unit of {field.name}", "use another unit")
        if "codes" in entries and ("parts" in entries or "number" in entries):
            raise node.fail("has codes and parts", "keep one of them")
        is_listed = "where_listed" in entries and entries["where_listed"].flag()
        if is_listed and field.depends is None:
            raise entries["where_listed"].fail("the catalogue lists no values of this column", "remove it")
        if "same_as" in entries:
            return self._same_as(node, entries, field)
        return FromColumn(
            column=self._column(node, entries),
            codes=_codes(entries["codes"], field) if "codes" in entries else None,
            parts=_codes(entries["parts"], field) if "parts" in entries else None,
            is_number="number" in entries and entries["number"].flag(),
            steps=_steps(entries["steps"], field) if "steps" in entries else (),
            factor=mapping_form().factors[unit] if unit else None,
            where_listed=is_listed,
        )

    def _same_as(self, node: Node, entries: Mapping[str, Node], field: Field) -> FromColumn:
        """Yes or no; the codes are those of a name of `each`, or `both`."""
        name = entries["same_as"].code("a name of `each`", self.each)
        if not {"yes", "no"} <= set(field.enum or ()):
            raise entries["same_as"].fail(f"{field.name} is not answered by yes or no", "remove it")
        if "codes" not in entries:
            raise node.fail("lacks `codes`", f"add what is written for each code of {name}")
        legal = [*dict.fromkeys(self.each[name].values()), "both"]
        codes = {fold(word): one.code(f"a code of {name}, or both", legal) for word, one in _table(entries["codes"])}
        return FromColumn(column=self._column(node, entries), codes=codes, same_as=name)

    def _column(self, node: Node, entries: Mapping[str, Node]) -> str:
        if "column" in entries:
            return self.template(entries["column"])
        if not self.has_cell:
            raise node.fail("names no column", "add `column`, or `cell` beside `columns`")
        return CELL

    def _bmi(self, node: Node) -> BodyMass:
        form = mapping_form()
        entries = form.record("bmi", node)
        weight = entries["weight_unit"].code("a unit", form.legal["weights"]) if "weight_unit" in entries else "kg"
        height = entries["height_unit"].code("a unit", form.legal["heights"]) if "height_unit" in entries else "cm"
        return BodyMass(
            weight=self.template(entries["weight"]),
            height=self.template(entries["height"]),
            to_kg=form.factors[weight],
            to_m=form.factors["height_inch" if height == "inch" else height],
        )


def _refuse_others(entries: Mapping[str, Node], source: str) -> None:
    """Keys that do not go with where the value comes from."""
    allowed = {source, *(_OF_COLUMN if source == "column" else ()), *(("with",) if source == "join" else ())}
    for key, node in entries.items():
        if key not in allowed:
            raise node.fail(f"'{key}' does not go with '{source}'", "remove it")


def _glue(node: Node) -> str:
    if node.content == "":
        return ""
    return node.text()


def _table(node: Node) -> Collection[tuple[str, Node]]:
    """Written words with what they stand for; two that are one word when folded are refused."""
    folded: dict[str, str] = {}
    entries = node.table("a written word", _WORDS)
    for word, one in entries.items():
        if fold(word) in folded:
            raise one.fail(f"'{word}' is the same word as '{folded[fold(word)]}'", "keep one of them")
        folded[fold(word)] = word
    return entries.items()


def _codes(node: Node, field: Field) -> dict[str, str]:
    """Folded words and their codes; the empty text for a blank."""
    return {fold(word): "" if one.content is None else _legal(one, field) for word, one in _table(node)}


def _steps(node: Node, field: Field) -> tuple[tuple[float, str], ...]:
    steps = []
    for start, one in node.table("a number", r"-?[0-9]+(\.[0-9]+)?").items():
        steps.append((float(start), _legal(one, field)))
    return tuple(sorted(steps))


def _legal(node: Node, field: Field) -> str:
    text = _text(node)
    _check(node, text, field)
    return text


def _check(node: Node, text: str, field: Field) -> None:
    """A code of a closed set, or a number where the column holds numbers."""
    if field.enum is not None:
        if text not in field.enum:
            raise node.fail(f"'{text}' is not a code of {field.name}", f"use one of {', '.join(field.enum)}")
    elif field.type != "string":
        try:
            value = float(text)
        except ValueError:
            raise node.fail(f"'{text}' is not a number", f"{field.name} holds numbers") from None
        low, high = field.minimum, field.maximum
        if (low is not None and value < low) or (high is not None and value > high):
            raise node.fail(f"{text} is out of range", f"{field.name} goes from {low} to {high}")


def _text(node: Node) -> str:
    if isinstance(node.content, bool) or node.content is None or isinstance(node.content, dict | tuple):
        raise node.fail("is not one value", "write a word or a number; put true and false in quotes")
    return str(node.content).strip()
