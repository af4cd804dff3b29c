"""The `deidentify` section of a mapping file: which columns of an export identify a person or hold dates."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Annotated, TypeAlias

from examtally.contracts.checks import Fault
from examtally.contracts.contract import Contract
from examtally.contracts.declaration import Section
from examtally.contracts.kinds import Code, Distinct, Line, Maybe, Name, Text, Two, nothing

IdKind: TypeAlias = Annotated[
    str,
    Code(
        "a kind",
        {
            "participant": "a person examined",
            "examiner": "an examiner, and the same person as a reader",
            "exam": "an exam or a visit",
            "reference": "a reading, an accession number",
            "site": "a site",
        },
    ),
]
DateOrder: TypeAlias = Annotated[
    str,
    Code(
        "an order",
        {
            "year_first": "2031-03-14",
            "day_first": "14.03.2031, 14/3/2031 or 14-Mar-2031",
            "month_first": "3/14/2031 or Mar 14, 2031",
        },
    ),
]
PeriodForm: TypeAlias = Annotated[
    str,
    Code("a form of periods", {"month": "2031-03", "ordinal": "P087, counted from a month that only the key knows"}),
]
Column: TypeAlias = Annotated[str, Name("a column", r"(?s).*\S.*")]
TwoDates: TypeAlias = Annotated[tuple[str, str], Two(Text(), "is not two columns", "write [date, later date]")]


@dataclass(frozen=True, kw_only=True)
class Period(Section):
    """A new column with the reporting period of a date."""

    column: Line
    """Name of the new column."""
    from_: Line
    """The column with the date."""
    as_: PeriodForm = "month"
    """month where left out."""


@dataclass(frozen=True, kw_only=True)
class Age(Section):
    """A column of ages: worked out from the date of birth at the first date `at`, or only top-coded."""

    column: Line
    """Name of the column; a new one where `born` is given."""
    born: Maybe[Line] = None
    """The column with the date of birth. The age is that at the patient's first date in `at`, of this or another file.
    """
    at: Maybe[Line] = None
    """The column with the date of the visit; needed with `born`."""

    def faults(self, _contract: Contract) -> Iterator[Fault]:
        if (self.born is None) != (self.at is None):
            yield Fault("has one of `born` and `at`", "give both, or neither where the column holds ages already")


@dataclass(frozen=True, kw_only=True)
class Deidentify(Section):
    """Which columns identify a person or hold dates.

    `codes` gives the kind of each column, `between` the two dates of each new column.
    """

    participant: Distinct[Line]
    """List of the columns that say who was examined, one for each source that has one."""
    codes: Mapping[Column, IdKind] = field(default_factory=nothing)
    """{column: kind}: every other record number, name or code of a person or record; each becomes a coded identifier.
    """
    dates: Distinct[Line] = ()
    """List of columns with dates: they become whole days on the participant's own clock."""
    date_order: DateOrder = "year_first"
    """How dates are written; dates such as 2031-03-14 are always read."""
    period: Maybe[Period] = None
    """A new column with the reporting period; see period."""
    age: Maybe[Age] = None
    """A column with whole years, 90 for 90 and over; see age."""
    between: Mapping[Column, TwoDates] = field(default_factory=nothing)
    """{column: [date, later date]}: a new column with the days from one date to the other."""

    @property
    def made(self) -> tuple[str, ...]:
        """The new columns, in a fixed order."""
        period = (self.period.column,) if self.period else ()
        age = (self.age.column,) if self.age and self.age.born else ()
        return (*period, *age, *self.between)

    @property
    def read_dates(self) -> tuple[str, ...]:
        """Every column that is read as dates, each once."""
        names = [*self.dates, *(name for pair in self.between.values() for name in pair)]
        names += [self.period.from_] if self.period else []
        names += [name for name in (self.age.born, self.age.at) if name] if self.age else []
        return tuple(dict.fromkeys(names))
