"""A mapping: how the files of a clinic's own export become record tables, as frozen objects.

Read by `mapping_file.load_mapping`. Column names may hold names of `each` in braces; words match folded (`fold`).
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import TypeAlias

from examtally.contracts.mapping.deidentify import Deidentify
from examtally.contracts.mapping.fhir import FhirColumn

CELL = "{cell}"
PIECE = "{piece}"


def fold(text: str) -> str:
    """Return a written word in the one form in which words are compared: no capitals, single spaces, no underscores."""
    return " ".join(text.replace("_", " ").replace("\u00a0", " ").lower().split())


@dataclass(frozen=True)
class Skip:
    """Lines to pass over: where `column` is blank, equals one of the words, or begins with one."""

    column: str
    blank: bool
    equals: tuple[str, ...]
    begins: tuple[str, ...]


@dataclass(frozen=True)
class FhirSource:
    """Resources of one type read as lines: a column a path; one line an element of `rows`, where that is named."""

    resource: str
    columns: tuple[FhirColumn, ...]
    rows: str | None = None


@dataclass(frozen=True)
class ExportSource:
    """One file or sheet of the export; `header_rows` are the first and last row that name the columns, from 1.

    `header_at` names a column in that row instead; the first row that begins with one of `ends_before` ends the export.
    """

    name: str
    files: str
    sheet: str | None
    header_rows: tuple[int, int]
    encoding: str
    delimiter: str
    decimal_comma: bool
    skip: tuple[Skip, ...]
    ignore: tuple[str, ...]
    header_at: str | None = None
    ends_before: tuple[str, ...] = ()
    fhir: FhirSource | None = None


@dataclass(frozen=True)
class FromColumn:
    """The value of a column: translated by `codes` (whole) or `parts` (in pieces), by `steps`, or times `factor`.

    `matches` are patterns and what a text that holds one becomes, the first that matches; with `unreadable` a text that
    comes to nothing legal is a blank. With `same_as` it is yes or no: whether the code is that of a name of `each`.
    """

    column: str
    codes: Mapping[str, str] | None = None
    parts: Mapping[str, str] | None = None
    is_number: bool = False
    steps: tuple[tuple[float, str], ...] = ()
    factor: float | None = None
    where_listed: bool = False
    same_as: str | None = None
    matches: tuple[tuple[str, str], ...] = ()
    unreadable: bool = False

    @property
    def in_parts(self) -> bool:
        """Whether it takes one piece of a cell that may hold several."""
        return self.parts is not None or self.is_number


@dataclass(frozen=True)
class Constant:
    """The same value in every row."""

    text: str


@dataclass(frozen=True)
class FromEach:
    """The code of a name of `each`."""

    name: str


@dataclass(frozen=True)
class Joined:
    """Values put together, blank where one of them is."""

    parts: tuple[Value, ...]
    glue: str


@dataclass(frozen=True)
class BodyMass:
    """Body mass index from the columns of weight and height and their factors to kilograms and metres."""

    weight: str
    height: str
    to_kg: float
    to_m: float


Value: TypeAlias = FromColumn | Constant | FromEach | Joined | BodyMass


@dataclass(frozen=True)
class Rows:
    """How lines of one source become rows of one table.

    `each` maps a name to its words and their codes; names in `open_each` take whatever words the header has.
    `blank_negative` are maneuvers whose blank is negative, `unlisted_absent` modalities whose silence is absent, with
    the conditions it speaks of. `split` is a column whose pieces, parted by a sign, make a row each; `latest` the
    column that tells which of several lines counts.
    """

    table: str
    source: str
    each: Mapping[str, Mapping[str, str]]
    open_each: frozenset[str]
    cell: str | None
    when_any: tuple[str, ...]
    repeats: str | None
    blank_negative: tuple[str, ...]
    unlisted_absent: Mapping[str, tuple[str, ...]]
    columns: Mapping[str, Value]
    line: int | None
    split: tuple[str, str] | None = None
    latest: str | None = None

    def templates(self) -> tuple[str, ...]:
        """Return the column names it reads, names of `each` still in braces, cell and piece as such; each once."""
        names = [name for value in self.columns.values() for name in columns_of(value)]
        return tuple(dict.fromkeys([*names, *([self.latest] if self.latest else [])]))


@dataclass(frozen=True)
class Withdrawn:
    """Who has withdrawn: `participant` of lines of `source` whose column `when` holds one of the folded `words`."""

    source: str
    participant: str
    when: str
    words: tuple[str, ...]


@dataclass(frozen=True)
class ExportMapping:
    """A whole mapping file; `held_back_limit` is the share of lines that may be held back, None for the usual one.

    `deidentify` is None for an export that holds coded identifiers and days already.
    """

    title: str
    sources: Mapping[str, ExportSource]
    rows: tuple[Rows, ...]
    held_back_limit: float | None = None
    deidentify: Deidentify | None = None
    withdrawn: tuple[Withdrawn, ...] = ()

    def withdrawn_by(self, source: str) -> tuple[Withdrawn, ...]:
        """Return what the lines of `source` say of withdrawals."""
        return tuple(one for one in self.withdrawn if one.source == source)


def columns_of(value: Value) -> Iterator[str]:
    """Yield the column names that a value reads, names of `each` still in braces."""
    if isinstance(value, FromColumn):
        yield value.column
    elif isinstance(value, BodyMass):
        yield value.weight
        yield value.height
    elif isinstance(value, Joined):
        for part in value.parts:
            yield from columns_of(part)


def names_of(value: Value) -> Iterator[str]:
    """Yield the names of `each` whose code a value takes."""
    if isinstance(value, FromEach):
        yield value.name
    elif isinstance(value, FromColumn) and value.same_as is not None:
        yield value.same_as
    elif isinstance(value, Joined):
        for part in value.parts:
            yield from names_of(part)
