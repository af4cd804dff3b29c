"""One export de-identified: coded identifiers, days on the participant's own clock, and nothing that nobody reads."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import duckdb
import polars as pl

from examtally.contracts.contract import Contract
from examtally.contracts.mapping.deidentify import Deidentify
from examtally.contracts.mapping.mapping import Constant, ExportMapping, FromColumn, FromEach, Joined, fold
from examtally.contracts.records.screening import shape_sql
from examtally.deidentification.coding import coded, normal, offsets, read_dates
from examtally.deidentification.keyfile import SiteKey
from examtally.deidentification.patterned import Patterned, patterned
from examtally.deidentification.undeclared import REMOVED, Declared, Undeclared
from examtally.errors import FileFault
from examtally.ingestion.mapping.export_text import Opened, load, open_export
from examtally.ingestion.mapping.exports import Export
from examtally.ingestion.mapping.header import Header
from examtally.ingestion.mapping.mapped import kept_lines
from examtally.ingestion.mapping.plan import SourcePlan, plan_source

FURTHEST_DAY = 36_500
TOP_AGE = 90
_OLDEST = 120
_FEW_VALUES = 12
_RECORD, _PERSON = "record", "person"


@dataclass(frozen=True)
class Cleaned:
    """What came of one export: `frame` holds text, its columns named as in the export; `months` a month a line.

    `dropped` are the columns that went no further, by name or, where the name itself is suspect, by place;
    `undeclared` are the cells that were replaced.
    """

    source: str
    frame: pl.DataFrame
    lines: int
    skipped: int
    without_person: int
    dropped: tuple[str, ...]
    undeclared: tuple[Undeclared, ...]


@dataclass(frozen=True)
class Cleaner:
    """De-identifies exports of one mapping with one key; `first_days` are those of the people in the exports so far."""

    con: duckdb.DuckDBPyConnection
    contract: Contract
    mapping: ExportMapping
    section: Deidentify
    key: SiteKey
    folder: Path
    first_days: dict[str, int] = field(default_factory=dict)

    def in_order(self, exports: Sequence[Export]) -> list[Export]:
        """The exports as they are to be cleaned: those with dates of birth and no visits last, for the ages in them."""
        return sorted(exports, key=self._lacks_visits)

    def _lacks_visits(self, export: Export) -> bool:
        age = self.section.age
        if age is None or age.born is None or age.at is None:
            return False
        try:
            header = open_export(
                self.con, replace(export, source=replace(export.source, ignore=("*",))), self.folder
            ).header
        except FileFault:
            return False  # told when it is cleaned
        return header.place(age.born) is not None and header.place(age.at) is None

    def clean(self, export: Export) -> Cleaned:
        """Return one export de-identified; raises FileFault, one line a fault, for what may not pass."""
        unread = replace(export, source=replace(export.source, ignore=("*",)))
        opened = open_export(self.con, unread, self.folder)
        raw = opened.header
        header = Header((*raw.names, *(name for name in self.section.made if raw.place(name) is None)))
        entries = tuple(rows for rows in self.mapping.rows if rows.source == export.source.name)
        withdrawn = self.mapping.withdrawn_by(export.source.name)
        plan = plan_source(replace(export.source, ignore=("*",)), entries, withdrawn, header, export.where)
        places = {place for place in plan.places if place <= len(raw.names)}
        self._check_identifiers_are_coded(opened, plan, header)
        declared = (*self.section.participant, *self.section.codes, *self.section.read_dates, *self._age_column())
        reading = places | {place for name in declared if (place := raw.place(name)) is not None}
        load(self.con, opened, reading)
        lines = self.con.sql(
            f"select rowid as {_RECORD}, * from {opened.table} where {kept_lines(export.source, plan)} order by rowid"
        ).pl()
        kept = self._with_person(lines, raw)
        frame = self._transformed(kept, opened, raw)
        by_patterns = patterned(plan, self.contract)
        frame, lessened = self._reduced(frame, opened, by_patterns)
        self._refuse_shapes(frame, opened, places - set(by_patterns))
        renewed = {raw.place(name) for name in declared}
        frame, undeclared = self._without_undeclared(frame, opened, plan, sorted(places - renewed - set(by_patterns)))
        self.con.execute(f"drop table {opened.table}")
        written = {f"c{place}": raw.names[place - 1] for place in sorted(places)}
        made = [name for name in self.section.made if name in frame.columns]
        left = {place: name for place, name in enumerate(raw.names, start=1) if place not in places and name.strip()}
        dropped = self._shown(left)
        return Cleaned(
            source=export.source.name,
            frame=frame.select([*written, *made]).rename(written),
            lines=opened.lines.records,
            skipped=opened.lines.records - lines.height,
            without_person=lines.height - kept.height,
            dropped=dropped,
            undeclared=(*lessened, *undeclared),
        )

    def _reduced(
        self, frame: pl.DataFrame, opened: Opened, columns: Mapping[int, Patterned]
    ) -> tuple[pl.DataFrame, tuple[Undeclared, ...]]:
        """Keep of cells that are read by patterns the words of the patterns; return the frame and where more stood."""
        found = []
        for place, one in columns.items():
            name = f"c{place}"
            kept = {cell: one.reduced(cell) for cell in _distinct(frame, name)}
            is_less = pl.col(name).is_in([cell for cell, text in kept.items() if REMOVED in text])
            lines = tuple(_line(opened, int(record)) for record in frame.filter(is_less)[_RECORD])
            found += [Undeclared(_column(opened, place), lines)] if lines else []
            frame = frame.with_columns(_replaced(name, kept, pl.String).alias(name))
        return frame, tuple(found)

    def _without_undeclared(
        self, frame: pl.DataFrame, opened: Opened, plan: SourcePlan, places: list[int]
    ) -> tuple[pl.DataFrame, tuple[Undeclared, ...]]:
        """Replace the cells that no reading declares; return the frame and where they stood."""
        declared = Declared(self.con, self.contract, plan, opened.export.source.decimal_comma)
        found = []
        self.con.register("cleaned", frame.select(_RECORD, *(f"c{place}" for place in places)).to_arrow())
        for place in places:
            others = declared.others(f"select distinct c{place} as s from cleaned", place)
            if others:
                is_other = pl.col(f"c{place}").is_in(sorted(others))
                lines = tuple(_line(opened, int(record)) for record in frame.filter(is_other)[_RECORD])
                found.append(Undeclared(_column(opened, place), lines))
                cell = pl.when(is_other).then(pl.lit(REMOVED)).otherwise(pl.col(f"c{place}"))
                frame = frame.with_columns(cell.alias(f"c{place}"))
        self.con.unregister("cleaned")
        return frame, tuple(found)

    def _age_column(self) -> tuple[str, ...]:
        return (self.section.age.column,) if self.section.age and not self.section.age.born else ()

    def _check_identifiers_are_coded(self, opened: Opened, plan: SourcePlan, header: Header) -> None:
        """A column that becomes a coded identifier must be declared as one; the old text would pass otherwise."""
        declared = {fold(name) for name in (*self.section.participant, *self.section.codes)}
        born = self.section.age.born if self.section.age else None
        faults = []
        for one in plan.plans:
            table = self.contract.tables[one.rows.table]
            for name, value in one.rows.columns.items():
                if isinstance(value, FromColumn) and table.field(name).is_pseudonym and value.codes is None:
                    places = {binding.places[value.column] for binding in one.bindings}
                    faults += [
                        f"{opened.export.where} column {place} is read for {table.name}.{name} and is not declared; "
                        "name it under `participant` or `codes` of `deidentify`"
                        for place in sorted(places)
                        if fold(header.names[place - 1]) not in declared
                    ]
        faults += [
            f"{opened.export.where} column {told.participant} is read for who has withdrawn and is not declared; "
            "name it under `participant` of `deidentify`"
            for told in plan.withdrawn
            if fold(header.names[told.participant - 1]) not in declared
        ]
        read = {fold(header.names[place - 1]) for place in plan.places}
        faults += [
            f"{opened.export.where} column {place} is read by patterns with wildcards, which let more than their words "
            "pass; write plain words, with | between them and \\b around them"
            for place, one in sorted(patterned(plan, self.contract).items())
            if not one.is_plain
        ]
        if born is not None and fold(born) in read:
            faults.append(f"{opened.export.where}: the mapping reads the date of birth; read the age instead")
        if faults:
            raise FileFault(*dict.fromkeys(faults))

    def _with_person(self, lines: pl.DataFrame, raw: Header) -> pl.DataFrame:
        """Add the person of each line; lines that name nobody have no clock and are left out."""
        named = [place for name in self.section.participant if (place := raw.place(name)) is not None]
        if not named:
            return lines.with_columns(pl.lit(None, pl.String).alias(_PERSON))
        return lines.with_columns(pl.col(f"c{named[0]}").alias(_PERSON)).filter(pl.col(_PERSON).is_not_null())

    def _transformed(self, lines: pl.DataFrame, opened: Opened, raw: Header) -> pl.DataFrame:
        section = self.section
        dates = {name: place for name in section.read_dates if (place := raw.place(name)) is not None}
        if dates and lines[_PERSON].null_count() == lines.height and lines.height:
            raise FileFault(f"{opened.export.where} has dates and no column of `participant`; their clock is unknown")
        frame = self._with_dates(lines, opened, dates)
        frame = frame.with_columns(*self._periods(frame, opened, dates), *self._between(dates))
        self._note_first_days(frame, dates)
        frame = self._with_age(frame, opened, raw, dates)
        shift = _replaced(_PERSON, offsets(self.key, _distinct(frame, _PERSON)), pl.Int64)
        days = {f"c{place}": pl.col(_day(name)) + shift for name, place in dates.items() if name in section.dates}
        frame = frame.with_columns(**days)
        if days:
            self._check_days(frame, opened, list(days))
        frame = frame.with_columns(pl.col(list(days)).cast(pl.String)) if days else frame
        kinds = dict.fromkeys(section.participant, "participant") | dict(section.codes)
        return frame.with_columns(
            **{
                f"c{place}": _replaced(f"c{place}", coded(self.key, kind, _distinct(frame, f"c{place}")), pl.String)
                for name, kind in kinds.items()
                if (place := raw.place(name)) is not None
            }
        )

    def _with_dates(self, lines: pl.DataFrame, opened: Opened, dates: Mapping[str, int]) -> pl.DataFrame:
        for name, place in dates.items():
            column = f"c{place}"
            found = read_dates(_distinct(lines, column), self.section.date_order)
            lines = lines.with_columns(_replaced(column, found, pl.Int64).alias(_day(name)))
            wrong = lines.filter(pl.col(column).is_not_null() & pl.col(_day(name)).is_null())
            if wrong.height:
                raise FileFault(
                    f"{opened.export.where} column {place} has {_lines(opened, wrong)} that hold no date of the form "
                    f"{self.section.date_order}; look at `date_order`, or mend the cells"
                )
        return lines

    def _periods(self, frame: pl.DataFrame, opened: Opened, dates: Mapping[str, int]) -> Iterator[pl.Expr]:
        period = self.section.period
        if period is None or period.from_ not in dates:
            return
        date = (pl.col(_day(period.from_)) - _EPOCH).cast(pl.Int32).cast(pl.Date)
        if period.as_ == "month":
            yield date.dt.strftime("%Y-%m").alias(period.column)
            return
        number = 12 * date.dt.year() + date.dt.month().cast(pl.Int32) - 1 - self.key.month_zero
        if frame.select(((number < 1) | (number > 999)).any()).item():
            raise FileFault(
                f"{opened.export.where} has dates outside the ordinal periods of the key; make it with --around"
            )
        yield pl.format("P{}", number.cast(pl.String).str.zfill(3)).alias(period.column)

    def _between(self, dates: Mapping[str, int]) -> Iterator[pl.Expr]:
        for column, (first, second) in self.section.between.items():
            if first in dates and second in dates:
                yield (pl.col(_day(second)) - pl.col(_day(first))).cast(pl.String).alias(column)

    def _note_first_days(self, frame: pl.DataFrame, dates: Mapping[str, int]) -> None:
        at = self.section.age.at if self.section.age else None
        if at is None or at not in dates:
            return
        by_person = frame.group_by(_PERSON).agg(pl.col(_day(at)).min().alias("first")).drop_nulls()
        for person, day in by_person.iter_rows():
            self.first_days[normal(person)] = min(day, self.first_days.get(normal(person), day))

    def _with_age(self, frame: pl.DataFrame, opened: Opened, raw: Header, dates: Mapping[str, int]) -> pl.DataFrame:
        age = self.section.age
        if age is None:
            return frame
        if age.born is None or age.at is None:
            place = raw.place(age.column)
            if place is None:
                return frame
            target, years = f"c{place}", pl.col(f"c{place}").str.extract(r"^\s*([0-9]{1,3})").cast(pl.Int64)
            written = pl.col(target).is_not_null()
        elif age.born in dates:
            known = {text: self.first_days.get(normal(text)) for text in _distinct(frame, _PERSON)}
            first = _replaced(_PERSON, known, pl.Int64)
            if age.at is not None and age.at in dates:
                first = pl.when(pl.col(_day(age.at)).is_not_null()).then(pl.col(_day(age.at)).min().over(_PERSON))
            target, years = age.column, _whole_years(pl.col(_day(age.born)), first)
            written = pl.col(_day(age.born)).is_not_null() & first.is_not_null()
        else:
            return frame
        frame = frame.with_columns(years.alias("years"))
        wrong = frame.filter(written & ~pl.col("years").is_between(0, _OLDEST).fill_null(value=False))
        if wrong.height:
            raise FileFault(f"{opened.export.where} has {_lines(opened, wrong)} whose age is no age; mend the cells")
        return frame.with_columns(pl.col("years").clip(upper_bound=TOP_AGE).cast(pl.String).alias(target))

    def _check_days(self, frame: pl.DataFrame, opened: Opened, days: list[str]) -> None:
        far = frame.filter(pl.any_horizontal(pl.col(days).abs() > FURTHEST_DAY))
        if far.height:
            raise FileFault(
                f"{opened.export.where} has {_lines(opened, far)} with a date that is a lifetime away; mend them"
            )

    def _refuse_shapes(self, frame: pl.DataFrame, opened: Opened, places: set[int]) -> None:
        """No other cell may look like a date, an address or a number of a person."""
        self._refuse_many_parts(frame, opened)
        if not places:
            return
        columns = [f"c{place}" for place in sorted(places)]
        self.con.register("cleaned", frame.select(_RECORD, *columns).to_arrow())
        values = " union ".join(f"select {name} as value from cleaned" for name in columns)
        # the patterns are made ready once, for the values of all columns
        self.con.execute(
            f"create temp table shaped as select * from (select value, {shape_sql('value')} as shape from ({values})) "
            "where shape is not null"
        )
        faults = []
        for place in sorted(places):
            found = self.con.execute(
                f"select shape, count(*), min({_RECORD}) from cleaned join shaped on c{place} = value "
                "group by shape order by shape"
            ).fetchall()
            faults += [
                f"{opened.export.where} column {place} has {count} line{'s' * (count > 1)} that look like "
                f"{shape.replace('_', ' ')} (first: line {_line(opened, first)}); declare the column under `dates` or "
                "`codes` of `deidentify`, or mend the cells"
                for shape, count, first in found
            ]
        self.con.execute("drop table shaped")
        self.con.unregister("cleaned")
        if faults:
            raise FileFault(*faults)

    def _refuse_many_parts(self, frame: pl.DataFrame, opened: Opened) -> None:
        """What is joined into an identifier without a code may only be a word of few, such as the side."""
        declared = {fold(name) for name in (*self.section.participant, *self.section.codes, *self.section.read_dates)}
        declared |= {fold(name) for name in self.section.made}
        names = {
            part.column
            for rows in self.mapping.rows
            if rows.source == opened.export.source.name
            for value in rows.columns.values()
            if isinstance(value, Joined)
            for part in value.parts
            if not isinstance(part, Constant | FromEach) and isinstance(part, FromColumn) and part.codes is None
        }
        for name in sorted(names):
            place = opened.header.place(name)
            if place is not None and fold(name) not in declared and frame[f"c{place}"].n_unique() > _FEW_VALUES:
                raise FileFault(
                    f"{opened.export.where} column {place} is joined into an identifier and is not declared; name it "
                    "under `codes` of `deidentify`"
                )

    def _shown(self, columns: Mapping[int, str]) -> tuple[str, ...]:
        """The names of dropped columns by their places; of one that looks like a value only the place."""
        asked = self.con.execute(
            f"select name, {shape_sql('name')} from (select unnest(?::varchar[]) as name)", [[*columns.values()]]
        )
        shapes = dict(asked.fetchall())
        plain = {name for name, shape in shapes.items() if shape is None and name.isprintable()}
        return tuple(name if name in plain else f"column {place}" for place, name in columns.items())


_EPOCH = 719_163  # the proleptic ordinal of 1970-01-01


def _day(name: str) -> str:
    return f"day of {name}"


def _distinct(frame: pl.DataFrame, column: str) -> list[str]:
    return frame[column].drop_nulls().unique().sort().to_list()


def _replaced(column: str, values: Mapping[str, object], kind: type[pl.DataType]) -> pl.Expr:
    return pl.col(column).replace_strict(list(values), list(values.values()), default=None, return_dtype=kind)


def _whole_years(born: pl.Expr, at: pl.Expr) -> pl.Expr:
    first, second = ((day - _EPOCH).cast(pl.Int32).cast(pl.Date) for day in (born, at))
    had_birthday = (100 * second.dt.month().cast(pl.Int32) + second.dt.day()) >= (
        100 * first.dt.month().cast(pl.Int32) + first.dt.day()
    )
    return (second.dt.year() - first.dt.year() - (~had_birthday).cast(pl.Int32)).cast(pl.Int64)


def _column(opened: Opened, place: int) -> int:
    """The column of a file as a person counts it: a sheet may hold blank ones, which are left out."""
    return place if opened.sheet is None else opened.sheet.columns[place - 1]


def _lines(opened: Opened, lines: pl.DataFrame) -> str:
    count, first = lines.height, int(lines[_RECORD].min())  # type: ignore[arg-type]  # a column of integers
    return f"{count} line{'s' * (count > 1)} (first: line {_line(opened, first)})"


def _line(opened: Opened, record: int) -> int:
    """The line of a file in which a record stands, as in all messages."""
    shift = next(shift for start, shift in reversed(opened.lines.shifts) if start <= record)
    return record + shift + opened.first_line - 1
