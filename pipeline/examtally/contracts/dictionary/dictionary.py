"""The data dictionary: every declared table, column, key and code as rows, and those as text, CSV, Markdown or JSON."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Callable, Iterable, Iterator, Mapping
from typing import Any

import polars as pl

from examtally.contracts.contract import Contract, load_contract
from examtally.contracts.dictionary.catalogue import CATALOGUE_SECTIONS, COLUMNS, Part, Row, entry
from examtally.contracts.mapping.file import mapping_keys
from examtally.contracts.protocol.protocol import protocol_keys
from examtally.contracts.records.rules import rules_for
from examtally.contracts.records.tables import Field, Table
from examtally.contracts.results import ResultTable, result_tables
from examtally.contracts.schema import DeclaredKey
from examtally.contracts.study.study import study_keys
from examtally.errors import ContractError
from examtally.words import for_csv

_WIDTH = 100
_INDENT = 26
_TABLE_COLUMNS = COLUMNS[2:]


def render_dictionary(table: str | None = None, form: str = "text", contract: Contract | None = None) -> str:
    """Return the dictionary, or that of one table or part, as text, csv, markdown or json, ending in a line break.

    Raises ContractError for a table or form that there is not.
    """
    if form not in _FORMS:
        raise ContractError(f"dictionary: '{form}' is not a format; use one of {', '.join(_FORMS)}")
    contract = contract or load_contract()
    return _FORMS[form](data_dictionary(contract, table), dictionary_tables(contract))


def _text(frame: pl.DataFrame, titles: Mapping[str, str]) -> str:
    lines = (line for table, rows in _by_table(frame) for line in [f"{table} - {titles[table]}", *_entries(rows), ""])
    return "\n".join(lines)


def _entries(rows: list[dict[str, str]]) -> Iterator[str]:
    for row in rows:
        if row["choice"]:
            yield from _hanging(f"    {row['choice']}", row["description"])
            continue
        facts = ", ".join(row[column] for column in ("type", "unit", "required", "legal") if row[column])
        yield from _hanging(f"  {row['name']}", row["description"])
        if facts:
            yield from _hanging("", f"[{facts}]")


def _hanging(head: str, text: str) -> list[str]:
    """Lines of `text` beside `head`, or below it where it is too long."""
    indent = " " * _INDENT
    lines = textwrap.wrap(text, _WIDTH - _INDENT) or [""]
    if len(head) < _INDENT:
        first = [head.ljust(_INDENT) + lines[0]]
        lines = lines[1:]
    else:
        first = [head]
    return [line.rstrip() for line in [*first, *(indent + line for line in lines)]]


def _csv(frame: pl.DataFrame, _titles: Mapping[str, str]) -> str:
    return for_csv(frame).write_csv()


def _markdown(frame: pl.DataFrame, titles: Mapping[str, str]) -> str:
    parts = []
    for table, rows in _by_table(frame):
        head = [f"## {table}: {titles[table]}", "", _pipes(_TABLE_COLUMNS), _pipes(["---"] * len(_TABLE_COLUMNS))]
        body = [_pipes([row[column] for column in _TABLE_COLUMNS]) for row in rows]
        parts.append("\n".join([*head, *body, ""]))
    return "\n".join(parts)


def _pipes(cells: list[str] | tuple[str, ...]) -> str:
    return "| " + " | ".join(cell.replace("\\", "\\\\").replace("|", "\\|") for cell in cells) + " |"


def _json(frame: pl.DataFrame, _titles: Mapping[str, str]) -> str:
    return json.dumps(frame.to_dicts(), ensure_ascii=False, indent=1) + "\n"


def _by_table(frame: pl.DataFrame) -> Iterator[tuple[str, list[dict[str, str]]]]:
    for table in frame["table"].unique(maintain_order=True):
        yield table, frame.filter(pl.col("table") == table).to_dicts()


_FORMS: Mapping[str, Callable[[pl.DataFrame, Mapping[str, str]], str]] = {
    "text": _text,
    "csv": _csv,
    "markdown": _markdown,
    "json": _json,
}


PARTS = ("records", "catalogue", "protocol", "study", "mapping", "results")
PROTOCOL = "protocol"
STUDY = "study"
MAPPING = "mapping"


def dictionary_tables(contract: Contract) -> Mapping[str, str]:
    """Every table of the dictionary by name, with its title, in the order in which it is printed."""
    return {
        **{table.name: table.title for table in contract.tables.values()},
        **{section: f"Catalogue: {title}" for section, (title, _) in CATALOGUE_SECTIONS.items()},
        PROTOCOL: "Protocol keys",
        STUDY: "Study protocol keys, as section.key",
        MAPPING: "Mapping file keys, as section.key",
        **{
            table.name: contract.catalogue.noun.said(f"Result table: {table.title}")
            for table in result_tables().values()
        },
    }


def data_dictionary(contract: Contract, table: str | None = None) -> pl.DataFrame:
    """Return the dictionary, or that of one table or one of its PARTS, with the text columns COLUMNS.

    A row without `choice` describes a column, a catalogue entry or a protocol key; the rows after it, one a choice, its
    codes or properties. Blank is an empty text. Raises ContractError for a table that is not declared.
    """
    legal = dictionary_tables(contract)
    if table is not None and table not in (*legal, *PARTS):
        raise ContractError(f"dictionary: there is no table '{table}'; use one of {', '.join([*PARTS, *legal])}")
    rows = [row for name in legal for row in _rows(contract, name) if table in (None, name, row["part"])]
    return pl.DataFrame(rows, schema=dict.fromkeys(COLUMNS, pl.String))


def _rows(contract: Contract, name: str) -> Iterator[Row]:
    if name in contract.tables:
        yield from _record_rows(contract, contract.tables[name])
    elif name in CATALOGUE_SECTIONS:
        yield from CATALOGUE_SECTIONS[name][1](contract)
    elif name == PROTOCOL:
        yield from _declared_rows("protocol", protocol_keys(), contract.catalogue.noun.said)
    elif name == STUDY:
        yield from _declared_rows("study", study_keys(), contract.catalogue.noun.said)
    elif name == MAPPING:
        yield from _declared_rows("mapping", mapping_keys(), contract.catalogue.noun.said)
    else:
        yield from _result_rows(result_tables()[name], contract.catalogue.noun.said)


def _record_rows(contract: Contract, table: Table) -> Iterator[Row]:
    rules = rules_for(contract, table.name)
    for field in table.fields:
        legal = [
            rule.legal for rule in rules if rule.column == field.name and rule.kind not in ("required", "enum", "type")
        ]
        yield entry(
            *("records", table.name, field.name),
            type=field.type,
            unit=field.unit or "",
            required=_need(field, table),
            legal="; ".join(dict.fromkeys(legal)) or ("one of the codes" if field.enum else ""),
            description=f"{field.title}. {field.description}",
        )
        for code in field.enum or ():
            yield entry("records", table.name, field.name, choice=code, description=field.labels.get(code, ""))


def _need(field: Field, table: Table) -> str:
    return "key" if field.name in table.primary_key else "required" if field.required else ""


def _declared_rows(part: Part, keys: Iterable[DeclaredKey], said: Callable[[str], str]) -> Iterator[Row]:
    for key in keys:
        name = f"{key.section}.{key.name}" if key.section else key.name
        legal = [key.legal] if key.legal else []
        legal += [f"default {_yaml(key.default)}"] if key.default is not None else []
        need = "required" if key.is_required else ""
        yield entry(
            *(part, part, name), type=key.type, required=need, legal="; ".join(legal), description=said(key.description)
        )
        for code, meaning in key.codes.items():
            yield entry(part, part, name, choice=code, description=said(meaning))


def _yaml(value: Any) -> str:
    if isinstance(value, list):
        return f"[{', '.join(map(_yaml, value))}]"
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, dict):
        return f"{{{', '.join(f'{key}: {_yaml(one)}' for key, one in value.items())}}}"
    return str(value)


def _result_rows(table: ResultTable, said: Callable[[str], str]) -> Iterator[Row]:
    for column in table.columns:
        need = "key" if column.name in table.key else "" if column.nullable else "required"
        legal = "one of the codes" if column.codes else ""
        yield entry(
            *("results", table.name, column.name),
            type=column.type,
            required=need,
            legal=legal,
            description=said(column.description),
        )
        for code, meaning in (column.codes or {}).items():
            yield entry("results", table.name, column.name, choice=code, description=said(meaning))
