"""The tables an analysis writes, as declared in schemas/results/, and the check of a frame against its declaration."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cache, lru_cache
from types import MappingProxyType
from typing import TypeAlias

import polars as pl

from examtally.contracts.yamlfile import Node, load_yaml
from examtally.errors import ResultsError
from examtally.resources import resource

_CODES = "codes.yaml"
OPEN = {"group_by": "of_the_joint", "scenario": "modality_only"}
"""The sets of which the catalogue of a joint declares more, and the code that stands for those."""
_TYPES: Mapping[str, pl.DataType] = {
    "string": pl.String(),
    "integer": pl.Int64(),
    "number": pl.Float64(),
    "boolean": pl.Boolean(),
}


@dataclass(frozen=True)
class ResultColumn:
    """One column of a result table; `codes` maps each legal code to its meaning, None where the set is open.

    In a `set` of which the catalogue of a joint declares more, `open_at` is the code in whose place they stand.
    """

    name: str
    type: str
    description: str
    codes: Mapping[str, str] | None
    nullable: bool
    default: str | None
    set: str = ""
    open_at: str = ""

    @property
    def dtype(self) -> pl.DataType:
        """The Polars type of the column."""
        return _TYPES[self.type]


@dataclass(frozen=True)
class ResultTable:
    """One result table; `key` names the columns that tell its rows apart and give their order."""

    name: str
    title: str
    description: str
    key: tuple[str, ...]
    columns: tuple[ResultColumn, ...]

    @property
    def names(self) -> tuple[str, ...]:
        """Column names in declared order."""
        return tuple(column.name for column in self.columns)

    @property
    def schema(self) -> dict[str, pl.DataType]:
        """Column names and Polars types in declared order."""
        return {column.name: column.dtype for column in self.columns}

    def column(self, name: str) -> ResultColumn:
        """Return the column called `name`; KeyError where there is none."""
        return next(column for column in self.columns if column.name == name)


@lru_cache(maxsize=1)
def result_codes() -> Mapping[str, Mapping[str, str]]:
    """Every set of codes by name, each code with its meaning."""
    sets = _codes_file()["codes"].table("the name of a set of codes")
    return MappingProxyType(
        {
            name: MappingProxyType({code: meaning.text() for code, meaning in node.table().items()})
            for name, node in sets.items()
        }
    )


@lru_cache(maxsize=1)
def personal_groups() -> tuple[str, ...]:
    """The values of group_by whose rows are about persons."""
    return _codes_file()["persons"].codes("a group_by", tuple(result_codes()["group_by"]))


@lru_cache(maxsize=1)
def result_tables() -> Mapping[str, ResultTable]:
    """Every declared result table by name."""
    paths = sorted(path for path in (resource("schemas") / "results").glob("*.yaml") if path.name != _CODES)
    tables = [_table(load_yaml(path)) for path in paths]
    return MappingProxyType({table.name: table for table in tables})


def empty(name: str) -> pl.DataFrame:
    """Return the table `name` without rows."""
    return pl.DataFrame(schema=result_tables()[name].schema)


OwnCodes: TypeAlias = Mapping[str, Sequence[str]]
"""Codes that only one joint has, by the name of their set; see `Catalogue.own_codes`."""


def conform(
    name: str, frame: pl.DataFrame, *, status: str = "exploratory", own: OwnCodes = MappingProxyType({})
) -> pl.DataFrame:
    """Return `frame` as the declared table `name`: declared columns, types and order, sorted by its key.

    `status`, `flag` and `note` are added where they are absent, as are columns with a declared default. Columns with
    codes sort in the declared order of the codes, others by value. Raises ResultsError for a missing or undeclared
    column, a value of another type, a code outside its set, a missing value where none may be, a number that is not
    finite, and a key that is not unique. An empty text is a missing value.
    """
    table = result_tables()[name]
    frame = _with_defaults(table, frame, status)
    _same_columns(table, frame)
    frame = _typed(table, frame)
    if frame.select(table.key).is_duplicated().any():
        raise ResultsError(f"{name}: two rows share one key ({', '.join(table.key)})")
    return frame.sort([part for column in table.key for part in _order(table.column(column), own)])


def table_of(name: str, rows: Sequence[Mapping[str, object]], *, status: str = "exploratory") -> pl.DataFrame:
    """Return `rows` as the declared table `name`, as `conform` does.

    A nullable column that no row has is missing throughout, and NaN is a missing value.
    """
    if not rows:
        return empty(name)
    frame = pl.DataFrame(rows, infer_schema_length=None)
    absent = [one for one in result_tables()[name].columns if one.nullable and one.name not in frame.columns]
    return conform(
        name,
        frame.with_columns(
            pl.col(pl.Float64).fill_nan(None), *(pl.lit(None, one.dtype).alias(one.name) for one in absent)
        ),
        status=status,
    )


def _codes_file() -> dict[str, Node]:
    return load_yaml(resource("schemas") / "results" / _CODES).record(required=("title", "persons", "codes"))


def _table(top: Node) -> ResultTable:
    entries = top.record(required=("name", "title", "description", "key", "columns"))
    last = [
        ResultColumn(
            "status", "string", "Whether the analysis was prespecified.", result_codes()["status"], False, None
        ),
        ResultColumn(
            "flag", "string", "A code where a reader must know more; else empty.", result_codes()["flag"], True, None
        ),
        ResultColumn("note", "string", "A plain sentence, or empty.", None, True, None),
    ]
    columns = (*(_column(node) for node in entries["columns"].items()), *last)
    return ResultTable(
        name=entries["name"].text(),
        title=entries["title"].text(),
        description=entries["description"].text(),
        key=entries["key"].codes("a column of the table", tuple(column.name for column in columns)),
        columns=columns,
    )


def _column(node: Node) -> ResultColumn:
    entries = node.record(required=("name", "type", "description"), optional=("codes", "nullable", "default"))
    sets = result_codes()
    named = entries["codes"].code("a set of codes", tuple(sets)) if "codes" in entries else ""
    return ResultColumn(
        name=entries["name"].text(),
        type=entries["type"].code("a type", tuple(_TYPES)),
        description=entries["description"].text(),
        codes=sets[named] if named else None,
        nullable=entries["nullable"].flag() if "nullable" in entries else False,
        default=entries["default"].text() if "default" in entries else None,
        set=named,
        open_at=OPEN.get(named, ""),
    )


def _with_defaults(table: ResultTable, frame: pl.DataFrame, status: str) -> pl.DataFrame:
    values: dict[str, str | None] = {
        column.name: column.default for column in table.columns if column.default is not None
    }
    values |= {"status": status, "flag": None, "note": None}
    return frame.with_columns(
        pl.lit(value, dtype=pl.String).alias(name) for name, value in values.items() if name not in frame.columns
    )


def _same_columns(table: ResultTable, frame: pl.DataFrame) -> None:
    missing = [name for name in table.names if name not in frame.columns]
    undeclared = [name for name in frame.columns if name not in table.names]
    if missing or undeclared:
        parts = [
            f"{kind} {', '.join(names)}" for kind, names in (("lacks", missing), ("also has", undeclared)) if names
        ]
        raise ResultsError(f"{table.name}: {' and '.join(parts)}; declare the columns in schemas/results")


def _typed(table: ResultTable, frame: pl.DataFrame) -> pl.DataFrame:
    """All columns as declared, in one pass; what is wrong is said of the first column that is."""
    try:
        typed = frame.select(_as_declared(column.name, column.type) for column in table.columns)
    except pl.exceptions.PolarsError:
        wrong = next(column for column in table.columns if not _can_be(column, frame[column.name]))
        raise ResultsError(f"{table.name}.{wrong.name}: a value is not of type {wrong.type}") from None
    rules = [rule for column in table.columns for rule in _rules(column, frame.schema[column.name])]
    held = frame.select(rule.alias(str(number)) for number, (_, _, rule) in enumerate(rules)).row(0)
    for (name, message, _), holds in zip(rules, held, strict=True):
        if not holds:
            raise ResultsError(f"{table.name}.{name}: {message}")
    return typed


@cache
def _as_declared(name: str, kind: str) -> pl.Expr:
    value = pl.col(name).cast(_TYPES[kind], strict=True)
    if kind == "string":
        return pl.when(value != "").then(value).alias(name)
    if kind == "number":  # no negative zero
        return pl.when(value == 0.0).then(0.0).otherwise(value).alias(name)
    return value


def _can_be(column: ResultColumn, values: pl.Series) -> bool:
    try:
        values.cast(column.dtype, strict=True)
    except pl.exceptions.PolarsError:
        return False
    return True


def _rules(column: ResultColumn, given: pl.DataType) -> Iterator[tuple[str, str, pl.Expr]]:
    """Column, what is said where it is broken, and one value: whether every row keeps the rule."""
    value = _as_declared(column.name, column.type)
    if column.type == "integer" and given.is_float():
        yield column.name, "a value is not a whole number", (value == pl.col(column.name)).all()
    if column.type == "number":
        yield column.name, "a value is not finite; use null and a note", value.is_finite().all()
    if column.codes is not None and not column.open_at:
        legal = f"a code is not declared; the legal set is {', '.join(column.codes)}"
        yield column.name, legal, value.is_in(list(column.codes)).all()
    if not column.nullable:
        yield column.name, "a value is missing", value.is_not_null().all()


def _order(column: ResultColumn, own: OwnCodes) -> tuple[pl.Expr, ...]:
    """What a table is sorted by; codes of a joint that `own` does not name stand in their place by the alphabet."""
    code = pl.col(column.name)
    if column.codes is None:
        return (code,)
    codes = list(column.codes)
    if not column.open_at:
        return (code.replace_strict(codes, list(range(len(codes))), return_dtype=pl.Int32),)
    at = codes.index(column.open_at)
    codes[at : at + 1] = own.get(column.set, ()) or [column.open_at]
    return code.replace_strict(codes, list(range(len(codes))), default=at, return_dtype=pl.Int32), code
