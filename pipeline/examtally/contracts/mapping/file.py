"""Reading a mapping file: what its sections say, held to the tables and to each other."""

from __future__ import annotations

import re
from collections.abc import Iterable, Mapping
from pathlib import Path
from types import MappingProxyType

from examtally.contracts.checks import Fault, nearest
from examtally.contracts.contract import Contract
from examtally.contracts.declaration import Faults, Steps, read_section
from examtally.contracts.mapping.fhir import FhirColumn
from examtally.contracts.mapping.mapping import (
    ExportMapping,
    ExportSource,
    FhirSource,
    Rows,
    Skip,
    Value,
    Withdrawn,
    fold,
    names_of,
)
from examtally.contracts.mapping.sections import FhirEntry, MappingFile, RowsEntry, SourceEntry, WithdrawnEntry
from examtally.contracts.mapping.values import ValueReader
from examtally.contracts.records.synonyms import vocabulary
from examtally.contracts.records.tables import Table
from examtally.contracts.schema import DeclaredKey, declared_keys, json_schema
from examtally.contracts.yamlfile import Found, Node, load_yaml
from examtally.errors import MappingError

TITLE = "Mapping file"
_DELIMITERS = {"comma": ",", "semicolon": ";", "tab": "\t", "bar": "|"}


def load_mapping(path: Path, contract: Contract) -> ExportMapping:
    """Read the mapping file at `path`; raises MappingError with a line for each fault: file, line, path and mend."""
    found: list[Found] = []
    return read_mapping(load_yaml(path, MappingError, found), contract, found)


def read_mapping(top: Node, contract: Contract, found: Iterable[Found] = ()) -> ExportMapping:
    """Read a mapping from the node that holds it; `found` are faults of its keys that are known already."""
    faults = Faults(top, found)
    file = read_section(MappingFile, faults, contract)
    mapping = _mapping(file, faults, contract) if file else None
    faults.stop()
    assert mapping is not None  # without faults there was something to read
    return mapping


def mapping_keys() -> tuple[DeclaredKey, ...]:
    """Every key of a mapping file, section by section."""
    return declared_keys(json_schema(MappingFile, TITLE), "mapping")


def _mapping(file: MappingFile, faults: Faults, contract: Contract) -> ExportMapping:
    rows = []
    for name in contract.tables:
        for index, entry in enumerate(file.tables.get(name, ())):
            reader = _RowsReader(entry, ("tables", name, index), contract, contract.tables[name], faults)
            rows.append(reader.read(tuple(file.sources)))
    withdrawn = tuple(_withdrawn(entry, index, file, faults) for index, entry in enumerate(file.withdrawn))
    read = {*(one.source for one in rows), *(one.source for one in withdrawn)}
    for name in file.sources:
        if name not in read and not faults.about(("tables",)):
            faults.add(("sources", name), "no table reads this source", "remove it, or name it as `from` of a table")
    sources = {name: _source(name, entry) for name, entry in file.sources.items()}
    return ExportMapping(
        file.title, MappingProxyType(sources), tuple(rows), file.held_back_limit, file.deidentify, withdrawn
    )


def _withdrawn(entry: WithdrawnEntry, index: int, file: MappingFile, faults: Faults) -> Withdrawn:
    sources = tuple(file.sources)
    chosen = entry.from_ or sources[0]
    if entry.from_ is None and len(sources) > 1:
        faults.add(("withdrawn", index), "does not say which source it reads", f"add `from`: {', '.join(sources)}")
    elif chosen not in sources:
        faults.add(("withdrawn", index, "from"), f"'{chosen}' is not a source of this file", nearest(chosen, sources))
    return Withdrawn(chosen, entry.participant, entry.when, tuple(map(fold, entry.equals)))


def _source(name: str, entry: SourceEntry) -> ExportSource:
    return ExportSource(
        name=name,
        files=entry.files,
        sheet=entry.sheet,
        header_rows=entry.header_rows,
        encoding=entry.encoding,
        delimiter=_DELIMITERS[entry.delimiter],
        decimal_comma=entry.decimal == "comma",
        skip=tuple(Skip(one.column, one.blank, one.equals, one.begins) for one in entry.skip),
        ignore=entry.ignore,
        header_at=entry.header_at,
        ends_before=entry.ends_before,
        fhir=_fhir(entry.fhir),
    )


def _fhir(entry: FhirEntry | None) -> FhirSource | None:
    if entry is None:
        return None
    return FhirSource(entry.resource, tuple(FhirColumn(*column) for column in entry.columns.items()), entry.rows)


class _RowsReader:
    """Reads one entry of `rows`; what is wrong with it is noted at its place."""

    def __init__(self, entry: RowsEntry, place: Steps, contract: Contract, table: Table, faults: Faults) -> None:
        self.entry, self.place, self.contract, self.table, self.faults = entry, place, contract, table, faults

    def read(self, sources: tuple[str, ...]) -> Rows:
        """The entry held to its table."""
        entry = self.entry
        each = {name: words for name, words in ((name, self._words(name)) for name in entry.each or ()) if words}
        has_piece = entry.split is not None
        reader = ValueReader(self.contract, self.table, each, has_cell=entry.cell is not None, has_piece=has_piece)
        rows = Rows(
            table=self.table.name,
            source=self._source(sources),
            each=MappingProxyType(each),
            open_each=frozenset(name for name, words in (entry.each or {}).items() if words is None),
            cell=entry.cell,
            when_any=entry.when_any,
            repeats=entry.repeats[0] if entry.repeats else None,
            latest=entry.repeats[1] if entry.repeats else None,
            split=(entry.split.column, entry.split.by) if entry.split else None,
            blank_negative=entry.blank_means.negative if entry.blank_means else (),
            unlisted_absent=MappingProxyType(self._unlisted()),
            columns=MappingProxyType(self._columns(reader)),
            line=self.faults.top.nearest(self.place).line,
        )
        self._check_templates(reader)
        self._check_exceptions(rows)
        self._check_each_used(rows)
        return rows

    def _note(self, problem: str, mend: str, *at: str | int) -> None:
        self.faults.add((*self.place, *at), problem, mend)

    def _source(self, sources: tuple[str, ...]) -> str:
        chosen = self.entry.from_ or sources[0]
        if self.entry.from_ is None and len(sources) > 1:
            self._note("does not say which source it reads", f"add `from`: {', '.join(sources)}")
        if chosen not in sources and not self.faults.about(("sources",)):
            self._note(f"'{chosen}' is not a source of this file", nearest(chosen, sources), "from")
        return chosen

    def _words(self, name: str) -> Mapping[str, str]:
        """The words and codes of a name of `each`; those of the catalogue where the entry says so."""
        words = (self.entry.each or {})[name]
        if words is not None:
            return words
        if name in self.table.names and self.table.field(name).enum is not None:
            return vocabulary(self.contract, self.table, self.table.field(name))
        coded = [field.name for field in self.table.fields if field.enum is not None]
        self._note("the catalogue has no codes of that name", f"call it one of {', '.join(coded)}", "each", name)
        return {}

    def _unlisted(self) -> dict[str, tuple[str, ...]]:
        """The conditions of which the silence of each modality says something."""
        found = {}
        for modality, named in (self.entry.unlisted or {}).items():
            covered = tuple(self.contract.catalogue.modalities[modality].always_covers)
            for condition in (one for one in named or () if one not in covered and covered):
                mend = f"use {', '.join(covered)}"
                self._note(f"no {modality} covers {condition} by default", mend, "unlisted", modality)
            found[modality] = covered if named is None else named
        return found

    def _columns(self, reader: ValueReader) -> dict[str, Value]:
        read: dict[str, Value] = {}
        for name, entry in self.entry.columns.items():
            if name not in self.table.names:
                self._note(f"unknown key '{name}'", nearest(name, self.table.names), "columns", name)
                continue
            try:
                read[name] = reader.read(entry, self.table.field(name))
            except Fault as fault:
                self._note(fault.problem, fault.mend, "columns", name, *fault.at)
        missing = [one.name for one in self.table.fields if one.required and one.name not in self.entry.columns]
        if missing and not self.faults.about((*self.place, "columns")):
            problem = f"lacks columns that {self.table.name} needs ({', '.join(missing)})"
            self._note(problem, "say where they come from", "columns")
        return read

    def _check_templates(self, reader: ValueReader) -> None:
        """The names in braces of `cell` and `when_any` must be names of `each`."""
        texts: dict[Steps, str] = {("cell",): self.entry.cell or ""}
        if self.entry.repeats and self.entry.repeats[1]:
            texts["repeats", "latest"] = self.entry.repeats[1]
        texts |= {("when_any", index): text for index, text in enumerate(self.entry.when_any)}
        for at, text in texts.items():
            try:
                reader.template(text, *at)
            except Fault as fault:
                self._note(fault.problem, fault.mend, *fault.at)

    def _check_each_used(self, rows: Rows) -> None:
        if self.faults.about(self.place):
            return
        texts = [*rows.templates(), rows.cell or "", *rows.when_any]
        used = {name for text in texts for name in re.findall(r"\{([a-z0-9_]+)\}", text)}
        used |= {name for value in rows.columns.values() for name in names_of(value)}
        for name in rows.each:
            if name not in used:
                self._note("nothing uses this name", f"write {{{name}}} in a column name", "each", name)

    def _check_exceptions(self, rows: Rows) -> None:
        """What is not written counts only where it can, and where the export says that there was an exam or reading."""
        if self.entry.blank_means and self.table.name != "findings":
            self._note("only a finding can be charted by exception", "remove it", "blank_means")
        if self.entry.unlisted and self.table.name != "references":
            self._note("only a reference reading can leave conditions unlisted", "remove it", "unlisted")
        covering = [code for code, item in self.contract.catalogue.modalities.items() if item.always_covers]
        for modality in rows.unlisted_absent:
            if modality not in covering:
                mend = f"use {', '.join(covering)}"
                self._note("no reading of it covers a condition by default", mend, "unlisted", modality)
        for key, used, made in (
            ("blank_means", rows.blank_negative, "findings of a knee that was not examined"),
            ("unlisted", rows.unlisted_absent, "readings of a knee that was not imaged"),
        ):
            if used and rows.each and not rows.when_any:
                self._note(f"would make {made}", "add `when_any` with columns that say there was one", key)
