"""FHIR resources read as a table of text: one row a resource, or one an element that repeats, a column a path.

DuckDB's JSON reader streams the file; a resource is never held whole in Python. Resources that were entered in error
are left out, and of several versions of one resource in a file the last one counts.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import chain
from pathlib import Path

import duckdb

from examtally.contracts.mapping.fhir import FhirColumn, ResourceShape, Step, fhir_shapes
from examtally.contracts.mapping.mapping import ExportSource
from examtally.contracts.records.rules import in_list, literal, quoted
from examtally.ingestion.reading.limits import MOST_BYTES, TextError, check_size
from examtally.ingestion.reading.lines import Lines
from examtally.ingestion.reading.sheet import shifts
from examtally.registry.faults import is_full

_LARGEST = 1 << 26
_FEW = 100_000  # rows at a time, where a file may have millions
_FILE = "fhir_file"
_IS_NAME = "regexp_full_match(name, '_?[a-z][A-Za-z0-9]{0,63}')"
_IS_TYPE = "kinds[1] = 'VARCHAR' and regexp_full_match(texts[1], '[A-Z][A-Za-z]{0,63}')"
_IS_ID = "kinds[2] = 'VARCHAR' and regexp_full_match(texts[2], '[A-Za-z0-9.-]{1,64}')"
_VERSION = ("id", "status", "meta.versionId", "meta.lastUpdated")  # what tells versions of one resource apart
_SHOWN = 12
_AGAIN = "export it again as Bulk Data (NDJSON) or a Bundle"


@dataclass(frozen=True)
class FhirTable:
    """The rows made of a file: `table` has c1, c2, … in the order of the columns; `read` counts the resources."""

    table: str
    lines: Lines


def read_fhir(con: duckdb.DuckDBPyConnection, path: Path, ending: str, source: ExportSource, number: int) -> FhirTable:
    """Read the resources of one type; raises TextError, a line a fault, where a file or a resource is none."""
    assert source.fhir is not None
    shape = fhir_shapes().resources[source.fhir.resource]
    check_size(path.stat().st_size, MOST_BYTES)
    table = quoted(f"fhir_{number}")
    try:
        _list_resources(con, path, ending, tuple(shape.required))
        _check_resources(con, source, shape)
        con.execute(f"create temp table {table} as {_select(source, shape)}")
        _keep_standing(con, table)
        ((records,),) = con.execute(f"select count(*) from {table}").fetchall()
        con.execute(f"select line from {table}")
        rows = chain.from_iterable(iter(lambda: con.fetchmany(_FEW), []))
        lines = Lines(tuple(column.name for column in source.fhir.columns), records, shifts(line for (line,) in rows))
    except duckdb.Error as error:
        if is_full(error):
            raise
        raise TextError(f"is not whole JSON of FHIR resources; {_AGAIN}") from None
    return FhirTable(table, lines)


def resource_types(con: duckdb.DuckDBPyConnection, path: Path, ending: str) -> list[str]:
    """Return the types of the resources of a file; raises TextError where it holds none."""
    try:
        _list_resources(con, path, ending)
        rows = con.execute(f"select distinct type from {_FILE} where type is not null order by type").fetchall()
    except duckdb.Error as error:
        if is_full(error):
            raise
        raise TextError(f"is not whole JSON of FHIR resources; {_AGAIN}") from None
    return [name for (name,) in rows]


def _list_resources(con: duckdb.DuckDBPyConnection, path: Path, ending: str, required: tuple[str, ...] = ()) -> None:
    """Make the view of the resources of a file: `json`, `type` and the line, or the place in its Bundle.

    `texts` are those of resourceType, id and status, `kinds` the JSON types of the first two and of what is `required`:
    each list is one look at the resource.
    """
    form = "newline_delimited" if ending.startswith(".ndjson") else "unstructured"
    rows = (
        f"select json, row_number() over () as line from read_json_objects({literal(str(path.absolute()))}, "
        f"format = '{form}', compression = '{'gzip' if ending.endswith('.gz') else 'none'}', "
        f"maximum_object_size = {_LARGEST})"
    )
    if form == "unstructured":
        con.execute(f"create or replace temp table fhir_bundle as {rows}")
        is_bundle = "json->>'$.resourceType' is not distinct from 'Bundle'"
        if con.execute(f"select 1 from fhir_bundle where not ({is_bundle}) limit 1").fetchall():
            raise TextError(f"is no Bundle of FHIR resources; {_AGAIN}")
        entries = "select unnest(json_extract(json, '$.entry[*].resource')) as json from fhir_bundle"
        rows = f"select json, row_number() over () as line from ({entries})"
    con.execute(
        f"create or replace temp view {_FILE} as select *, case when {_IS_TYPE} then texts[1] end as type from ("
        f"select *, json_extract_string(json, {_paths(('resourceType', 'id', 'status'))}) as texts, "
        f"json_type(json, {_paths(('resourceType', 'id', *required))}) as kinds from ({rows}))"
    )


def _paths(names: Iterable[str]) -> str:
    return f"[{', '.join(literal(f'$.{name}') for name in names)}]"


def _check_resources(con: duckdb.DuckDBPyConnection, source: ExportSource, shape: ResourceShape) -> None:
    """Raise TextError for resources without what their type requires, else for elements that nothing reads."""
    assert source.fhir is not None
    own = source.fhir.resource
    con.execute(
        "create or replace temp table fhir_kinds as select type, elements, status, types, is_id, count(*) as n, "
        f"min(line) as first from (select type, case when type = {literal(own)} then json_keys(json) end as elements, "
        f"case when type = {literal(own)} then texts[3] end as status, "
        f"case when type = {literal(own)} then kinds[3:] end as types, coalesce({_IS_ID}, true) as is_id, line "
        f"from {_FILE}) group by all"
    )
    faults = _counted(con, "resource", "that is none: it has no resourceType of FHIR", "type is null")
    for words, sql in _tests(shape).items():
        faults += _counted(con, own, words, f"type = {literal(own)} and ({sql})")
    if faults:
        raise TextError(f"has {', '.join(faults)}; {_AGAIN}")
    unread = _unread(con, source)
    if unread:
        raise TextError(
            f"has {', '.join(unread)}, which nothing reads; name them under `ignore` of the source, or de-identify the "
            "export first"
        )


def _tests(shape: ResourceShape) -> dict[str, str]:
    """What is wrong with a resource of a type, in words, and the condition of it."""
    tests = {
        "without an id that FHIR allows": "not is_id",
        "with an element that no name of FHIR has": f"len(list_filter(elements, lambda name: not {_IS_NAME})) > 0",
    }
    for place, (name, kind) in enumerate(shape.required.items(), start=1):
        tests[f"without the {name} that FHIR requires"] = f"types[{place}] is distinct from {literal(kind)}"
    if shape.status:
        is_text = f"types[{list(shape.required).index('status') + 1}] = 'VARCHAR'"
        tests["with a status that FHIR R4 does not know"] = f"{is_text} and status not in {in_list(shape.status)}"
    return tests


def _unread(con: duckdb.DuckDBPyConnection, source: ExportSource) -> list[str]:
    """The elements that nothing reads, each with the number of resources that have it; long lists are cut."""
    assert source.fhir is not None
    if "*" in source.ignore:
        return []
    read = {step[0].name for column in source.fhir.columns for step in column.paths}
    known = [*read, *fhir_shapes().quiet, *source.ignore]
    found = con.execute(
        f"select element, sum(n)::bigint from (select unnest(elements) as element, n from fhir_kinds) "
        f"where element not in {in_list(known)} group by element order by element"
    ).fetchall()
    shown = [f"{source.fhir.resource}.{name} in {_resources(count)}" for name, count in found[:_SHOWN]]
    return [*shown, *([f"{len(found) - _SHOWN} elements more"] if len(found) > _SHOWN else [])]


def _resources(count: int) -> str:
    return f"{count:,} resource{'s' * (count > 1)}"


def _counted(con: duckdb.DuckDBPyConnection, noun: str, words: str, condition: str) -> list[str]:
    ((count, first),) = con.execute(f"select sum(n)::bigint, min(first) from fhir_kinds where {condition}").fetchall()
    return [f"{count:,} {noun}{'s' * (count > 1)} {words} (first: number {first})"] if count else []


def _select(source: ExportSource, shape: ResourceShape) -> str:
    """The query of the rows, once for each element that is wanted, with what tells versions of one resource apart."""
    assert source.fhir is not None
    element = source.fhir.rows
    rows = f"select json, line from {_FILE} where type = {literal(source.fhir.resource)}"
    if element is not None:
        rows = f"select json, line, unnest(json_extract(json, '$.{element}[*]')) as element from ({rows})"
    texts = _Texts(shape, element)
    columns = ", ".join(f"{texts.column(one)} as c{at}" for at, one in enumerate(source.fhir.columns, start=1))
    arrays = "".join(f", {sql} as {name}" for name, sql in texts.arrays.items())
    return (
        f"select {columns}, line, told[1] as id, told[2] as status, "
        "(coalesce(told[4], ''), coalesce(try_cast(told[3] as integer), 0), line) as age "
        f"from (select *, json_extract_string(json, {_paths(texts.plain)}) as told{arrays} from ({rows}))"
    )


def _keep_standing(con: duckdb.DuckDBPyConnection, table: str) -> None:
    """Of several versions of a resource keep the last; then leave out what was entered in error."""
    latest = f"select id, arg_max(line, age) as line from {table} group by id having min(line) <> max(line)"
    con.execute(
        f"delete from {table} using ({latest}) latest where {table}.id = latest.id and {table}.line <> latest.line"
    )
    con.execute(f"delete from {table} where status in {in_list(fhir_shapes().void)}")


class _Texts:
    """SQL of the texts behind paths; arrays from which several paths choose are taken out once.

    `plain` are the paths that lead straight to a text of the resource, read by one look at it as the list `told`.
    """

    def __init__(self, shape: ResourceShape, element: str | None) -> None:
        self._shape, self._element = shape, element
        self.plain = list(_VERSION)
        self.arrays: dict[str, str] = {}
        self._names: dict[str, str] = {}

    def column(self, column: FhirColumn) -> str:
        """The text of the first path that is filled."""
        texts = list(dict.fromkeys(self._path(path) for path in column.paths))
        return f"coalesce({', '.join(texts)})" if len(texts) > 1 else texts[0]

    def _path(self, steps: tuple[Step, ...]) -> str:
        root, repeating = "json", self._shape.repeating
        if self._element is not None and steps[0].name == self._element:
            root, steps, repeating = "element", steps[1:], self._shape.nested
        plain: list[str] = []
        value = root
        for at, step in enumerate(steps):
            is_last = at == len(steps) - 1
            plain.append(step.name)
            if step.where is not None:
                array = self._array(value, ".".join(plain))
                where = "$." + "".join(self._walked(step.where.split(".")))
                value = f"list_filter({array}, lambda x: x->>'{where}' = {literal(step.text)})[1]"
                plain = []
            elif step.name in repeating and not is_last:
                plain[-1] += "[0]"
            repeating = self._shape.nested
        text = self._text(value, ".".join(plain)) if plain else f"cast({value} as varchar)"
        return f"regexp_replace({text}, '^.*[/:]', '')" if steps[-1].name == "reference" else text

    def _text(self, value: str, path: str) -> str:
        if value != "json":
            return f"json_extract_string({value}, '$.{path}')"
        if path not in self.plain:
            self.plain.append(path)
        return f"told[{self.plain.index(path) + 1}]"

    def _array(self, value: str, path: str) -> str:
        sql = f"json_extract({value}, '$.{path}[*]')"
        if value not in ("json", "element"):
            return sql
        name = self._names.setdefault(sql, f"array_{len(self._names)}")
        self.arrays[name] = sql
        return name

    def _walked(self, names: list[str]) -> Iterator[str]:
        for at, name in enumerate(names):
            is_list = name in self._shape.nested and at < len(names) - 1
            yield f"{name}{'[0]' if is_list else ''}{'.' if at < len(names) - 1 else ''}"
