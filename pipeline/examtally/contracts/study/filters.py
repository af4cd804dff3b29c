"""Population filters of a study: column, comparison and value, each held to what is declared; never executed."""

from __future__ import annotations

import re

from examtally.contracts.contract import Contract
from examtally.contracts.records.pseudonym import load_pseudonym_rule
from examtally.contracts.records.tables import Field
from examtally.contracts.study.form import Entry, study_form
from examtally.contracts.study.parts import Filter, Value
from examtally.contracts.yamlfile import Node

ROW_OF = {"history": "item", "findings": "maneuver", "impressions": "condition", "references": "condition"}
"""Tables with several rows an exam, and the column that tells them apart."""

_LISTS = ("one_of", "not_one_of")
_ORDERED = ("at_least", "at_most", "between")
_WITHOUT_VALUE = ("recorded", "not_recorded")
_MOST = 50


def read_filters(node: Node, contract: Contract) -> tuple[Filter, ...]:
    """Read a list of filters; raises the file's error for anything that is not declared."""
    items = node.items()
    if len(items) > _MOST:
        raise node.fail(f"holds {len(items)} filters", f"write at most {_MOST}")
    return tuple(_filter(study_form().entry("filter", item), contract) for item in items)


def _filter(entry: Entry, contract: Contract) -> Filter:
    field, table = _column(entry.at("column"), contract)
    comparison = entry.code("is", "a comparison") or ""
    of = _of(entry, table, contract)
    if entry.has("stage") and table != "impressions":
        raise entry.at("stage").fail("belongs to impressions only", "remove it")
    return Filter(
        table=table,
        column=field.name,
        comparison=comparison,
        values=_values(entry, field, comparison),
        of=of,
        stage=entry.code("stage", "a stage") if table == "impressions" else None,
        keeps_blank=entry.code("blank", "an answer") == "in",
    )


def _column(node: Node, contract: Contract) -> tuple[Field, str]:
    columns = {
        f"{table.name}.{field.name}": (field, table.name)
        for table in contract.tables.values()
        for field in table.fields
    }
    name = node.text()
    if name not in columns:
        table = name.split(".", 1)[0]
        near = [one for one in columns if one.startswith(f"{table}.")] or [f"{one}.…" for one in contract.tables]
        raise node.fail("is not a declared column", f"write table.column, such as {', '.join(near)}")
    return columns[name]


def _of(entry: Entry, table: str, contract: Contract) -> str | None:
    if table not in ROW_OF:
        if entry.has("of"):
            raise entry.at("of").fail(f"an exam has one row of {table}", "remove it")
        return None
    if not entry.has("of"):
        raise entry.node.fail(f"does not say which row of {table} it means", f"add `of` with {ROW_OF[table]}")
    legal = contract.tables[table].field(ROW_OF[table]).enum or ()
    return entry.at("of").code(f"a legal {ROW_OF[table]}", legal)


def _values(entry: Entry, field: Field, comparison: str) -> tuple[Value, ...]:
    if comparison in _WITHOUT_VALUE:
        if entry.has("value"):
            raise entry.at("value").fail(f"`is: {comparison}` takes no value", "remove it")
        return ()
    if not entry.has("value"):
        raise entry.node.fail("'value' is missing", "add the value to compare with")
    node = entry.at("value")
    if comparison in _ORDERED and not _has_order(field):
        raise entry.at("is").fail(f"{field.name} has no order", f"use one of equals, not_equals, {', '.join(_LISTS)}")
    if comparison not in (*_LISTS, "between"):
        return (_value(node, field),)
    values = tuple(_value(item, field) for item in node.items())
    if comparison == "between" and (len(values) != 2 or _is_after(*values)):
        raise node.fail("is not a lower and an upper value", "write [low, high]")
    if not 1 <= len(values) <= _MOST:
        raise node.fail(f"holds {len(values)} values", f"write 1 to {_MOST}")
    return values


def _has_order(field: Field) -> bool:
    return field.type != "string" or (field.pattern is not None and not field.is_pseudonym)


def _is_after(low: Value, high: Value) -> bool:
    return str(low) > str(high) if isinstance(low, str) or isinstance(high, str) else low > high


def _value(node: Node, field: Field) -> Value:
    if field.type == "integer":
        return node.integer(field.minimum, field.maximum)
    if field.type == "number":
        return node.number(field.minimum, field.maximum)
    if field.enum is not None:
        return node.code(f"a legal {field.name}", field.enum)
    text = node.text().upper() if field.is_pseudonym else node.text()
    pattern = load_pseudonym_rule().pattern if field.is_pseudonym else field.pattern
    if not re.fullmatch(pattern or ".*", text):
        raise node.fail(f"is not a legal {field.name}", f"write {field.pattern_words or 'a coded identifier'}")
    return text
