"""The `deidentify` section of a mapping file: which columns of an export identify a person or hold dates."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from types import MappingProxyType

from examtally.contracts.mapping.keys import mapping_form
from examtally.contracts.yamlfile import Node

_COLUMN = r"(?s).*\S.*"


@dataclass(frozen=True)
class Period:
    """A new column with the reporting period of a date; `form` is month or ordinal."""

    column: str
    date: str
    form: str


@dataclass(frozen=True)
class Age:
    """A column of ages: worked out from the date of birth at the first date `at`, or only top-coded."""

    column: str
    born: str | None
    at: str | None


@dataclass(frozen=True)
class Deidentify:
    """The whole section; `codes` gives the kind of each column, `between` the two dates of each new column."""

    participant: tuple[str, ...]
    codes: Mapping[str, str]
    dates: tuple[str, ...]
    date_order: str
    period: Period | None
    age: Age | None
    between: Mapping[str, tuple[str, str]]

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
        names += [self.period.date] if self.period else []
        names += [name for name in (self.age.born, self.age.at) if name] if self.age else []
        return tuple(dict.fromkeys(names))


def read_deidentify(top: Node) -> Deidentify:
    """Read the section of a whole mapping file; raises MappingError with file, line, path inside it and mend."""
    whole = mapping_form().record("mapping", top)
    if "deidentify" not in whole:
        raise top.fail("has no section `deidentify`", "add one that names the identifying columns and the dates")
    form = mapping_form()
    entries = form.record("deidentify", whole["deidentify"])
    codes = entries["codes"].table("a column", _COLUMN) if "codes" in entries else {}
    between = entries["between"].table("a column", _COLUMN) if "between" in entries else {}
    return Deidentify(
        participant=entries["participant"].texts(),
        codes=MappingProxyType({name: node.code("a kind", form.legal["kinds"]) for name, node in codes.items()}),
        dates=entries["dates"].texts() if "dates" in entries else (),
        date_order=entries["date_order"].code("an order", form.legal["date_orders"])
        if "date_order" in entries
        else "year_first",
        period=_period(entries["period"]) if "period" in entries else None,
        age=_age(entries["age"]) if "age" in entries else None,
        between=MappingProxyType({name: _two(node) for name, node in between.items()}),
    )


def _period(node: Node) -> Period:
    form = mapping_form()
    entries = form.record("period", node)
    kind = entries["as"].code("a form of periods", form.legal["periods"]) if "as" in entries else "month"
    return Period(entries["column"].text(), entries["from"].text(), kind)


def _age(node: Node) -> Age:
    entries = mapping_form().record("age", node)
    if ("born" in entries) != ("at" in entries):
        raise node.fail("has one of `born` and `at`", "give both, or neither where the column holds ages already")
    born, at = (entries[key].text() if key in entries else None for key in ("born", "at"))
    return Age(entries["column"].text(), born, at)


def _two(node: Node) -> tuple[str, str]:
    names = node.texts()
    if len(names) != 2:
        raise node.fail("is not two columns", "write [date, later date]")
    return names[0], names[1]
