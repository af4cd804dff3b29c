"""A mapping file as it is written: sources, and where the value of each column comes from."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Annotated, Any, TypeAlias

from examtally.contracts.checks import Fault
from examtally.contracts.contract import Contract
from examtally.contracts.declaration import Section
from examtally.contracts.kinds import (
    Code,
    Distinct,
    Flag,
    Key,
    Line,
    Maybe,
    Name,
    Number,
    Short,
    Two,
    Whole,
)
from examtally.contracts.mapping.deidentify import Deidentify
from examtally.contracts.mapping.fhir import Step, fhir_shapes
from examtally.contracts.mapping.word_kinds import EachWords, Glue, Paths, RepeatsOf, Scalar, Unlisted, Words

VALUE_SOURCES = ("column", "value", "each", "join", "bmi")
_NAME = "[a-z][a-z0-9_]*"
_NUMBER = r"-?[0-9]+(\.[0-9]+)?"
_MOST_HEADER_ROWS = 20
_OF_COLUMN = ("codes", "parts", "matches", "number", "steps", "unit", "where_listed", "same_as", "unreadable")


def _column_name(value: Any, _contract: Contract) -> Any:
    return value if isinstance(value, dict) else {"column": value}


def _as_list(value: Any, _contract: Contract) -> Any:
    return [value] if isinstance(value, dict) else value


def _first_and_last(value: Any, _contract: Contract) -> Any:
    return value if isinstance(value, list) else [value, value]


Encoding: TypeAlias = Annotated[
    str, Code("an encoding", {"utf-8": "UTF-8", "latin-1": "ISO 8859-1", "cp1252": "Windows Western"})
]
Delimiter: TypeAlias = Annotated[
    str, Code("a delimiter", {"comma": ",", "semicolon": ";", "tab": "a tabulator", "bar": "|"})
]
Decimal: TypeAlias = Annotated[str, Code("a decimal sign", {"point": "1.5", "comma": "1,5"})]
Unit: TypeAlias = Annotated[
    str,
    Code(
        "a unit",
        {
            "inch": "inches to centimetres",
            "mm": "millimetres to centimetres",
            "percent": "percent to probability",
            "weeks": "weeks to days",
            "months": "months to days",
            "years": "years to days",
            "whole": "rounded to a whole number",
        },
    ),
]
WeightUnit: TypeAlias = Annotated[str, Code("a unit", {"kg": "kilograms", "lb": "pounds"})]
HeightUnit: TypeAlias = Annotated[str, Code("a unit", {"cm": "centimetres", "m": "metres", "inch": "inches"})]
ColumnName = Short(_column_name, ({"type": "string"},))
HeaderRows: TypeAlias = Annotated[
    tuple[int, int],
    Two(Whole(1, _MOST_HEADER_ROWS), "is not the first and the last row", "write [first, last]", is_rising=True),
    Short(_first_and_last, (Whole(1, _MOST_HEADER_ROWS).json(),)),
]
Steps: TypeAlias = Mapping[Annotated[str, Name("a number", _NUMBER)], Annotated[str, Scalar()]]


@dataclass(frozen=True, kw_only=True)
class SkipEntry(Section):
    """Lines to pass over."""

    column: Line
    """The column to look at."""
    blank: Annotated[bool, Flag()] = False
    """true: lines in which it is blank."""
    equals: Distinct[Line] = ()
    """List of words: lines in which it is one of them."""
    begins: Distinct[Line] = ()
    """List of words: lines in which it begins with one of them."""

    def faults(self, _contract: Contract) -> Iterator[Fault]:
        if not (self.blank or self.equals or self.begins):
            yield Fault("says no lines", "add blank, equals or begins")


@dataclass(frozen=True, kw_only=True)
class FhirEntry(Section):
    """Resources of HL7 FHIR R4, in Bulk Data files (NDJSON) or Bundles, read as lines."""

    resource: Annotated[str, Code("a resource", {name: f"FHIR resource {name}" for name in fhir_shapes().resources})]
    """The type of the resources."""
    rows: Maybe[Annotated[str, Name("an element", "[A-Za-z]+")]] = None
    """An element that repeats, such as component: a line for each; its paths begin with its name."""
    columns: Mapping[Annotated[str, Name("a column", r"(?s).*\S.*")], Annotated[tuple[tuple[Step, ...], ...], Paths()]]
    """{column: path}: code.coding.where(system='urn:x').code, subject.reference, valueQuantity.value; a list of paths
    takes the first that is filled. The tables below read these columns.
    """


@dataclass(frozen=True, kw_only=True)
class SourceEntry(Section):
    """One file or sheet of the export."""

    files: Line = "*"
    """Pattern of the file name with * for any letters; every file where left out."""
    sheet: Maybe[Line] = None
    """Name of the sheet of a workbook; the first where left out."""
    header_rows: HeaderRows = (1, 1)
    """Row, or [first, last] rows, that name the columns; 1 where left out. Several rows are joined from above, merged
    cells filled to the right.
    """
    header_at: Maybe[Line] = None
    """A column name: the first row that holds it names the columns. For titles of changing height above them."""
    ends_before: Distinct[Line] = ()
    """List of words: the first row below the header that begins with one of them ends the export, such as Totals."""
    encoding: Encoding = "utf-8"
    """How the text is coded."""
    delimiter: Delimiter = "comma"
    """What parts the cells."""
    decimal: Decimal = "point"
    """The decimal sign of numbers."""
    skip: tuple[SkipEntry, ...] = ()
    """List of lines to pass over, however many cells they have; see skip."""
    fhir: Maybe[FhirEntry] = None
    """Where the files hold FHIR resources; see fhir."""
    ignore: Distinct[Line] = ()
    """List of columns, or elements of resources, that are not read at all; * stands for any letters. Any other column
    that nothing reads is refused.
    """

    def faults(self, _contract: Contract) -> Iterator[Fault]:
        if self.header_at is not None and self.header_rows[0] != self.header_rows[1]:
            yield Fault("has header_at and several header_rows", "keep one of them", "header_at")


@dataclass(frozen=True, kw_only=True)
class BmiEntry(Section):
    """Body mass index from weight and height."""

    weight: Line
    """The column of the weight."""
    height: Line
    """The column of the height."""
    weight_unit: WeightUnit = "kg"
    """kg where left out."""
    height_unit: HeightUnit = "cm"
    """cm where left out."""


@dataclass(frozen=True, kw_only=True)
class PartEntry(Section):
    """A part of a joined value: a column, a constant, or the code of a name."""

    column: Maybe[Line] = None
    """The column to read; the cell where left out."""
    codes: Maybe[Annotated[Mapping[str, str], Words(may_be_blank=False)]] = None
    """What is written and what it becomes."""
    value: Maybe[Annotated[str, Scalar()]] = None
    """The same text in every row."""
    each: Maybe[Line] = None
    """The code of a name of `each`."""


@dataclass(frozen=True, kw_only=True)
class ValueEntry(Section):
    """Where the value of one column comes from."""

    column: Maybe[Line] = None
    """The column to read; the cell where left out."""
    codes: Maybe[Annotated[Mapping[str, str | None], Words()]] = None
    """What is written and the code it stands for; ~ for a blank."""
    parts: Maybe[Annotated[Mapping[str, str | None], Words()]] = None
    """Like codes, for cells that hold several things: `2+ soft`. Every part must be known to some column of the table.
    """
    matches: Maybe[Annotated[Mapping[str, str | None], Words()]] = None
    """Patterns (regular expressions, whatever the case) and the code of a cell that holds one; the first that matches
    counts; ~ for a blank: {complete: complete, "partial|grade 2": partial, ".": ~}.
    """
    unreadable: Maybe[
        Annotated[str, Code("what an unreadable cell is", {"blank": "the cell is held back, not the line"})]
    ] = None
    """blank: a cell that comes to nothing legal is left out, and the line goes in without it. The report says so.
    """
    number: Maybe[Annotated[bool, Flag()]] = None
    """true: the number among the parts of the cell."""
    steps: Maybe[Steps] = None
    """For numbers, the code from each number upward: {0: negative, 5: positive}."""
    unit: Maybe[Unit] = None
    """The unit of the export."""
    where_listed: Maybe[Annotated[bool, Flag()]] = None
    """true: left blank where the catalogue lists no such value for that maneuver or condition."""
    same_as: Maybe[Line] = None
    """A name of `each`: yes where `codes` gives its code or `both`, no where it gives another. For the «noun»
    complained of in a sheet for both.
    """
    value: Maybe[Annotated[str, Scalar()]] = None
    """The same value in every row."""
    each: Maybe[Line] = None
    """The code of a name of `each`."""
    join: Maybe[tuple[Annotated[PartEntry, ColumnName], ...]] = None
    """List to put together, such as a visit code and a side: names of columns, {column, codes}, {value} or {each},
    whose code counts by its first letters (left: L).
    """
    with_: Maybe[Annotated[str, Glue()]] = None
    """What stands between the joined parts; - where left out."""
    bmi: Maybe[BmiEntry] = None
    """Body mass index from weight and height; see bmi."""

    @property
    def source(self) -> str:
        """Which of VALUE_SOURCES it comes from; a column where nothing is said."""
        return next((key for key in VALUE_SOURCES if getattr(self, key) is not None), "column")

    def faults(self, _contract: Contract) -> Iterator[Fault]:
        given = [key for key in VALUE_SOURCES if getattr(self, key) is not None]
        if len(given) > 1:
            yield Fault(f"has {' and '.join(given)}", "keep one of them")
            return
        allowed = _OF_COLUMN if self.source == "column" else ("with",) if self.source == "join" else ()
        for key, name in [(key, key) for key in _OF_COLUMN] + [("with", "with_")]:
            if getattr(self, name) is not None and key not in allowed:
                yield Fault(f"'{key}' does not go with '{self.source}'", "remove it", key)
        if self.codes is not None and (self.parts is not None or self.number is not None):
            yield Fault("has codes and parts", "keep one of them")
        if self.matches is not None and (self.codes is not None or self.parts is not None):
            yield Fault("has matches beside codes or parts", "keep one of them")


@dataclass(frozen=True, kw_only=True)
class SplitEntry(Section):
    """A column that is taken in pieces."""

    column: Line
    """The column."""
    by: Annotated[str, Scalar()] = ";"
    """The sign, or signs, between two pieces; ; where left out."""


@dataclass(frozen=True, kw_only=True)
class BlankMeansEntry(Section):
    """Charting by exception."""

    negative: Distinct[Annotated[str, Code("a maneuver", "maneuvers")]]
    """Maneuvers whose blank is negative."""


@dataclass(frozen=True, kw_only=True)
class RowsEntry(Section):
    """How lines of one source become rows of one table."""

    from_: Maybe[Line] = None
    """The source; may be left out where there is only one."""
    each: Maybe[Mapping[Annotated[str, Name("a name", _NAME)], Annotated[Mapping[str, str] | None, EachWords()]]] = None
    """For each name, the words written in column names and the code each stands for: {side: {li: left, re: right}}.
    `catalogue` takes every code and synonym of the catalogue. The lines are read once for every combination; {side} in
    a column name stands for the word.
    """
    cell: Maybe[Line] = None
    """The column, with names of `each` in it, that holds the value: a blank cell makes no row."""
    when_any: tuple[Line, ...] = ()
    """List of columns (* for any letters): a line makes a row only where one of them is not blank."""
    repeats: Maybe[Annotated[tuple[str, str | None], RepeatsOf()]] = None
    """Where lines of the export repeat a key: same, first, filled, or {latest: column} for versions of one record."""
    split: Maybe[SplitEntry] = None
    """A column whose cells hold several things; a row for each piece, which values read where they name no column.
    """
    blank_means: Maybe[BlankMeansEntry] = None
    """{negative: [maneuvers]}: charting by exception. The report says so."""
    unlisted: Maybe[
        Mapping[
            Annotated[str, Key("a modality", "modalities")],
            Annotated[tuple[str, ...] | None, Unlisted()],
        ]
    ] = None
    """{mri: absent}: conditions that this reading always covers and does not list are absent; {mri: [acl_tear]}: only
    these. The report says so.
    """
    columns: Mapping[Annotated[str, Name("a column", _NAME)], Annotated[ValueEntry, ColumnName]]
    """For each column of the record table, where its value comes from: the name of a column, or see value."""


@dataclass(frozen=True, kw_only=True)
class WithdrawnEntry(Section):
    """Who has withdrawn, told by the lines of one source, such as FHIR Consent resources or a list."""

    from_: Maybe[Line] = None
    """The source; may be left out where there is only one."""
    participant: Line
    """The column of the participant, coded as in the records."""
    when: Line
    """The column that tells of the withdrawal, such as a status."""
    equals: Distinct[Line]
    """List of words that mean withdrawn there. Who has another line with another word has not withdrawn."""


@dataclass(frozen=True, kw_only=True)
class MappingFile(Section):
    """A mapping file as it is written: how a clinic's own export becomes record tables."""

    title: Line
    """What the export is, in a few words without names."""
    sources: Mapping[Annotated[str, Name("a source", _NAME)], SourceEntry]
    """The files or sheets of the export, each under a name of your own; see source."""
    held_back_limit: Maybe[Annotated[float, Number(0, 1)]] = None
    """Share of lines, from 0 to 1, that may be held back; 0.05 where left out. A batch with more is refused as a whole.
    """
    tables: Mapping[
        Annotated[str, Key("a table", "tables")],
        Annotated[tuple[RowsEntry, ...], Short(_as_list)],
    ]
    """For each record table, one entry of `rows` or a list of them; see rows."""
    withdrawn: Annotated[tuple[WithdrawnEntry, ...], Short(_as_list)] = ()
    """Who has withdrawn: nothing new is taken of them, in this batch and ever after. See withdrawn."""
    deidentify: Maybe[Deidentify] = None
    """For an export that still holds record numbers and dates; read by `examtally deidentify` only. See deidentify."""

    def faults(self, _contract: Contract) -> Iterator[Fault]:
        if not self.sources or not self.tables:
            yield Fault("names no source or no table", "name at least one of each")
