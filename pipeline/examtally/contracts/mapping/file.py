"""Reading a mapping file: every key and code is checked against what is declared; a fault is one line and its place."""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping
from pathlib import Path
from types import MappingProxyType

from examtally.contracts.contract import Contract
from examtally.contracts.mapping.keys import mapping_form
from examtally.contracts.mapping.mapping import ExportMapping, ExportSource, Rows, Skip, Value, names_of
from examtally.contracts.mapping.values import ValueReader
from examtally.contracts.records.synonyms import vocabulary
from examtally.contracts.records.tables import Table
from examtally.contracts.yamlfile import Node, load_yaml
from examtally.errors import MappingError

_NAME = "[a-z][a-z0-9_]*"
_WORDS = r"(?s).*\S.*"
_DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|"}
_MOST_HEADER_ROWS = 20
_CATALOGUE = "catalogue"


def load_mapping(path: Path, contract: Contract) -> ExportMapping:
    """Read the mapping file at `path`; raises MappingError with file, line, path inside it and mend."""
    return read_mapping(load_yaml(path, MappingError), contract)


def read_mapping(top: Node, contract: Contract) -> ExportMapping:
    """Read a mapping from the node that holds it."""
    entries = mapping_form().record("mapping", top)
    sources = {name: _source(name, node) for name, node in entries["sources"].table("a source", _NAME).items()}
    tables = entries["tables"].record(optional=tuple(contract.tables))
    if not sources or not tables:
        raise top.fail("names no source or no table", "name at least one of each")
    rows = tuple(
        _rows(contract, contract.tables[name], node, sources)
        for name in contract.tables
        if name in tables
        for node in _one_or_more(tables[name])
    )
    _every_source_is_read(entries["sources"], sources, rows)
    limit = entries["held_back_limit"].number(0, 1) if "held_back_limit" in entries else None
    return ExportMapping(entries["title"].text(), MappingProxyType(sources), rows, limit)


def _one_or_more(node: Node) -> tuple[Node, ...]:
    return node.items() if isinstance(node.content, tuple) else (node,)


def _every_source_is_read(node: Node, sources: Mapping[str, ExportSource], rows: Collection[Rows]) -> None:
    for name in sources:
        if not any(one.source == name for one in rows):
            raise node.at(name).fail("no table reads this source", "remove it, or name it as `from` of a table")


def _source(name: str, node: Node) -> ExportSource:
    form = mapping_form()
    entries = form.record("source", node)
    chosen = {
        key: entries[key].code(words, form.legal[legal]) if key in entries else default
        for key, words, legal, default in (
            ("encoding", "an encoding", "encodings", "utf-8"),
            ("delimiter", "a delimiter", "delimiters", "comma"),
            ("decimal", "a decimal sign", "decimals", "point"),
        )
    }
    return ExportSource(
        name=name,
        files=entries["files"].text() if "files" in entries else "*",
        sheet=entries["sheet"].text() if "sheet" in entries else None,
        header_rows=_header_rows(entries["header_rows"]) if "header_rows" in entries else (1, 1),
        encoding=chosen["encoding"],
        delimiter=_DELIMITERS[chosen["delimiter"]],
        decimal_comma=chosen["decimal"] == "comma",
        skip=tuple(_skip(one) for one in entries["skip"].items()) if "skip" in entries else (),
        ignore=entries["ignore"].texts() if "ignore" in entries else (),
    )


def _header_rows(node: Node) -> tuple[int, int]:
    if not isinstance(node.content, tuple):
        row = node.integer(1, _MOST_HEADER_ROWS)
        return row, row
    rows = [one.integer(1, _MOST_HEADER_ROWS) for one in node.items()]
    if len(rows) != 2 or rows[0] > rows[1]:
        raise node.fail("is not the first and the last row", "write [first, last]")
    return rows[0], rows[1]


def _skip(node: Node) -> Skip:
    entries = mapping_form().record("skip", node)
    if len(entries) < 2:
        raise node.fail("says no lines", "add blank, equals or begins")
    return Skip(
        column=entries["column"].text(),
        blank="blank" in entries and entries["blank"].flag(),
        equals=entries["equals"].texts() if "equals" in entries else (),
        begins=entries["begins"].texts() if "begins" in entries else (),
    )


def _rows(contract: Contract, table: Table, node: Node, sources: Mapping[str, ExportSource]) -> Rows:
    form = mapping_form()
    entries = form.record("rows", node)
    each, open_each = _each(entries, contract, table)
    reader = ValueReader(contract, table, each, has_cell="cell" in entries)
    columns = entries["columns"].record(optional=table.names)
    values = {name: reader.read(one, table.field(name)) for name, one in columns.items()}
    _check_required(table, entries["columns"], values)
    rows = Rows(
        table=table.name,
        source=_from(node, entries, sources),
        each=MappingProxyType(each),
        open_each=open_each,
        cell=reader.template(entries["cell"]) if "cell" in entries else None,
        when_any=tuple(reader.template(one) for one in entries["when_any"].items()) if "when_any" in entries else (),
        repeats=entries["repeats"].code("what is done with repeats", form.legal["repeats"])
        if "repeats" in entries
        else None,
        blank_negative=_blank_means(contract, table, entries),
        unlisted_absent=_unlisted(contract, table, entries),
        columns=MappingProxyType(values),
        line=node.line,
    )
    _check_each_used(entries, rows)
    _check_reach(entries, rows)
    return rows


def _check_reach(entries: Mapping[str, Node], rows: Rows) -> None:
    """What is not written counts only where the export says that there was an exam or a reading at all."""
    for key, used, made in (
        ("blank_means", rows.blank_negative, "findings of a knee that was not examined"),
        ("unlisted", rows.unlisted_absent, "readings of a knee that was not imaged"),
    ):
        if used and rows.each and not rows.when_any:
            raise entries[key].fail(f"would make {made}", "add `when_any` with columns that say there was one")


def _from(node: Node, entries: Mapping[str, Node], sources: Mapping[str, ExportSource]) -> str:
    if "from" in entries:
        return entries["from"].code("a source of this file", sources)
    if len(sources) > 1:
        raise node.fail("does not say which source it reads", f"add `from`: {', '.join(sources)}")
    return next(iter(sources))


def _each(
    entries: Mapping[str, Node], contract: Contract, table: Table
) -> tuple[dict[str, Mapping[str, str]], frozenset[str]]:
    """The words and codes of every name of `each`, and the names whose words are those of the catalogue."""
    if "each" not in entries:
        return {}, frozenset()
    named: dict[str, Mapping[str, str]] = {}
    open_names = set()
    for name, node in entries["each"].table("a name", _NAME).items():
        if isinstance(node.content, dict):
            named[name] = {word: _scalar(one) for word, one in node.table("a written word", _WORDS).items()}
        elif isinstance(node.content, tuple):
            named[name] = {word: word for word in node.texts()}
        else:
            node.code("a way to name words", (_CATALOGUE,))
            if name not in table.names or table.field(name).enum is None:
                coded = [field.name for field in table.fields if field.enum is not None]
                raise node.fail("the catalogue has no codes of that name", f"call it one of {', '.join(coded)}")
            named[name] = vocabulary(contract, table, table.field(name))
            open_names.add(name)
    return named, frozenset(open_names)


def _scalar(node: Node) -> str:
    if isinstance(node.content, dict | tuple) or node.content is None:
        raise node.fail("is not a code", "write one code")
    return str(node.content).strip()


def _check_required(table: Table, node: Node, values: Mapping[str, Value]) -> None:
    missing = [field.name for field in table.fields if field.required and field.name not in values]
    if missing:
        raise node.fail(f"lacks columns that {table.name} needs ({', '.join(missing)})", "say where they come from")


def _check_each_used(entries: Mapping[str, Node], rows: Rows) -> None:
    texts = [*rows.templates(), rows.cell or "", *rows.when_any]
    used = {name for text in texts for name in re.findall(r"\{([a-z0-9_]+)\}", text)}
    used |= {name for value in rows.columns.values() for name in names_of(value)}
    for name in rows.each:
        if name not in used:
            raise entries["each"].at(name).fail("nothing uses this name", f"write {{{name}}} in a column name")


def _blank_means(contract: Contract, table: Table, entries: Mapping[str, Node]) -> tuple[str, ...]:
    if "blank_means" not in entries:
        return ()
    node = entries["blank_means"]
    if table.name != "findings":
        raise node.fail("only a finding can be charted by exception", "remove it")
    return node.record(required=("negative",))["negative"].codes("a maneuver", contract.catalogue.maneuvers)


def _unlisted(contract: Contract, table: Table, entries: Mapping[str, Node]) -> tuple[str, ...]:
    """Only what the catalogue says that a reading always covers can be absent because it is not listed."""
    if "unlisted" not in entries:
        return ()
    node = entries["unlisted"]
    if table.name != "references":
        raise node.fail("only a reference reading can leave conditions unlisted", "remove it")
    covering = [code for code, item in contract.catalogue.modalities.items() if item.always_covers]
    entry = node.record(optional=tuple(contract.catalogue.modalities))
    for modality, meaning in entry.items():
        if modality not in covering:
            raise meaning.fail("no reading of it covers a condition by default", f"use {', '.join(covering)}")
        meaning.code("what unlisted means", ("absent",))
    return tuple(entry)
