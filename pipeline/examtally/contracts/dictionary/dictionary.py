"""The data dictionary as plain text, CSV, Markdown or JSON."""

from __future__ import annotations

import json
import textwrap
from collections.abc import Callable, Iterator, Mapping

import polars as pl

from examtally.contracts.contract import Contract, load_contract
from examtally.contracts.dictionary.catalogue import COLUMNS
from examtally.contracts.dictionary.rows import data_dictionary, dictionary_tables
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
