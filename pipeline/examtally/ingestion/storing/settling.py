"""A line beside what is stored under its key: the same, more than is stored, a wanted correction, or a conflict.

A blank never replaces a value, and a value fills a blank. What a column declares as `again` is settled by rule: `known`
takes `unknown` as a blank; `first` keeps what came first; `clock` keeps the age at the first exam, and a later line may
differ by as many years as the exams of that person lie apart, and one. Anything else that differs is a conflict, unless
an amendment of that column is wanted.

`settled_<table>` has a row for each line whose key is known: rid, place and the columns that clash. `merged_<table>`
holds the rows that are stored instead.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass

import duckdb

from examtally.contracts.checks import nearest
from examtally.contracts.contract import Contract
from examtally.contracts.records.rules import quoted
from examtally.contracts.records.tables import Field, Table
from examtally.errors import ExamtallyError
from examtally.ingestion.reading.staging import Staged
from examtally.registry.workspace import have_rows

UNCHANGED, CONFLICT, AMENDED, FILLED = "unchanged", "conflict", "amended", "filled"
UNKNOWN = "unknown"
EVERYTHING = "all"
_YEAR = 365.25


@dataclass(frozen=True)
class Amendment:
    """Which columns of stored lines may be replaced: (table, column) with `*` for every one that is in conflict.

    `with_blanks` lets a blank of a column that the files have replace a value too.
    """

    wanted: frozenset[tuple[str, str]] = frozenset()
    with_blanks: bool = False

    @classmethod
    def read(cls, words: bool | str | Iterable[str], contract: Contract, *, with_blanks: bool = False) -> Amendment:
        """Read `all`, tables and columns such as `participants.bmi`; raises ExamtallyError for what is neither."""
        if isinstance(words, bool):
            words = [EVERYTHING] if words else []
        texts = [words] if isinstance(words, str) else list(words)
        wanted: set[tuple[str, str]] = set()
        for word in (part.strip() for text in texts for part in text.split(",") if part.strip()):
            table, _, column = word.partition(".")
            if word == EVERYTHING:
                wanted |= {(name, "*") for name in contract.tables}
                continue
            if table not in contract.tables:
                raise ExamtallyError(
                    f"--amend: '{table}' is no table; {nearest(table, [*contract.tables, EVERYTHING])}"
                )
            declared = contract.tables[table]
            legal = [name for name in declared.names if name not in declared.primary_key]
            if column and column not in legal:
                raise ExamtallyError(
                    f"--amend: {table} has no column '{column}' to amend; {nearest(column, legal) if legal else ''}"
                )
            wanted.add((table, column or "*"))
        if with_blanks and not wanted:
            raise ExamtallyError("--blank-is-a-correction goes with --amend; name the tables or columns to correct")
        return cls(frozenset(wanted), with_blanks)

    def takes(self, table: Table, field: Field) -> bool:
        """Whether a value in conflict is replaced."""
        return not {(table.name, "*"), (table.name, field.name)}.isdisjoint(self.wanted)

    def names(self, table: Table, field: Field) -> bool:
        """Whether the column itself is named, so that what is settled by rule is replaced too."""
        return (table.name, field.name) in self.wanted


def settled(table: Table) -> str:
    """The temporary table of the lines whose key is known."""
    return quoted(f"settled_{table.name}")


def merged(table: Table) -> str:
    """The temporary table of the lines that replace what is stored, in stored types."""
    return quoted(f"merged_{table.name}")


def known_text(field: Field, text: str) -> str:
    """SQL of a value, NULL where it says nothing."""
    return f"nullif({text}, '{UNKNOWN}')" if field.again is not None and UNKNOWN in (field.enum or ()) else text


def settle(
    con: duckdb.DuckDBPyConnection,
    staged: Mapping[str, Staged],
    one: Staged,
    known: str,
    condition: str,
    amendment: Amendment,
) -> None:
    """Settle the lines of a table that `condition` chooses, against the rows of the query `known`.

    What `no_settled` has made is filled.
    """
    table = one.table
    others = [field for field in table.fields if field.name not in table.primary_key]
    typed = ", ".join(f"{_typed(field)} as {quoted(field.name)}" for field in table.fields)
    keys = ", ".join(map(quoted, table.primary_key))
    lines = f"select rid, {typed} from {one.view} where {condition}"
    judged = [_Judged(table, field, amendment, field.name in one.supplied) for field in others]
    clock, joined = "", ""
    if any(field.again == "clock" for field in others):
        clock, joined = ", back, span", f" left join ({_spans(staged)}) using (participant_id)"
    values = ", ".join([f"{item.merged} as {quoted(item.field.name)}" for item in judged])
    clashing = ", ".join(f"case when {item.clashes} then '{item.field.name}' end" for item in judged)
    names = [quoted(field.name) for field in others]
    same = " and ".join(f"s.{name} is not distinct from k.{name}" for name in names) or "true"
    amends = " or ".join(item.amends for item in judged) or "false"
    fills = " or ".join(item.fills for item in judged) or "false"
    con.execute(
        f"""create or replace temp table compared as
        select rid, same, case when not same then s end as s, case when not same then k end as k{clock} from (
            select s.rid as rid, {same} as same, s, k{clock} from ({lines}) s join ({known}) k using ({keys}){joined}
        )"""
    )
    con.execute(f"insert into {settled(table)} select rid, [], '{UNCHANGED}' from compared where same")
    if not any(have_rows(con, ["compared where not same"])):
        return
    con.execute(
        f"""create or replace temp table beside as
        select *, list_filter([{clashing}]::varchar[], lambda name: name is not null) as clashing,
            {amends} as amends, {fills} as fills
        from compared where not same"""
    )
    con.execute(
        f"""insert into {settled(table)}
        select rid, clashing, case when len(clashing) > 0 then '{CONFLICT}' when amends then '{AMENDED}'
            when fills then '{FILLED}' else '{UNCHANGED}' end as place from beside"""
    )
    key_values = ", ".join(f"s.{quoted(name)} as {quoted(name)}" for name in table.primary_key)
    con.execute(
        f"create or replace temp table {merged(table)} as select rid, not amends as is_fill, {key_values}"
        f"{', ' * bool(values)}{values} from beside where len(clashing) = 0 and (amends or fills)"
    )


def no_settled(con: duckdb.DuckDBPyConnection, table: Table) -> None:
    """Make the tables of a record table none of whose keys is known."""
    columns = ", ".join(f"{quoted(field.name)} {field.sql_type}" for field in table.fields)
    con.execute(f"create or replace temp table {settled(table)} (rid bigint, clashing varchar[], place varchar)")
    con.execute(f"create or replace temp table {merged(table)} (rid bigint, is_fill boolean, {columns})")


@dataclass(frozen=True)
class _Judged:
    """SQL about one column of a line `s` and of what is stored, `k`."""

    table: Table
    field: Field
    amendment: Amendment
    is_supplied: bool

    @property
    def _sent(self) -> str:
        return known_text(self.field, f"s.{quoted(self.field.name)}")

    @property
    def _kept(self) -> str:
        return known_text(self.field, f"k.{quoted(self.field.name)}")

    @property
    def _differs(self) -> str:
        sent, kept = self._sent, self._kept
        if self.field.again == "first":
            return "false"
        if self.field.again == "clock":
            low, high = f"{kept} - 1 - coalesce(back, 0)", f"{kept} + 1 + coalesce(span, 0)"
            return f"coalesce({sent} < {low} or {sent} > {high}, false)"
        return f"coalesce({sent} <> {kept}, false)"

    @property
    def clashes(self) -> str:
        """Whether the line is a conflict for this column."""
        return "false" if self.amendment.takes(self.table, self.field) else self._differs

    @property
    def amends(self) -> str:
        """Whether the line replaces a value."""
        if not self.amendment.takes(self.table, self.field):
            return "false"
        is_named = self.amendment.names(self.table, self.field)
        replaces = f"coalesce({self._sent} <> {self._kept}, false)" if is_named else self._differs
        return f"({replaces} or {self._blanks})"

    @property
    def fills(self) -> str:
        """Whether the line says what was blank."""
        return f"({self._sent} is not null and {self._kept} is null)"

    @property
    def _blanks(self) -> str:
        may = self.amendment.with_blanks and self.is_supplied and not self.field.required and self.field.default is None
        return f"({self._sent} is null and {self._kept} is not null)" if may else "false"

    @property
    def merged(self) -> str:
        """What is stored."""
        name = quoted(self.field.name)
        return f"case when {self.amends} or {self.fills} then s.{name} else k.{name} end"


def _typed(field: Field) -> str:
    """The value of a line that passes; lines that do not are read too, and must not raise. A blank has no default."""
    text = quoted(field.name)
    return text if field.type == "string" else f"try_cast({text} as {field.sql_type})"


def _spans(staged: Mapping[str, Staged]) -> str:
    """SQL of the years from the first stored exam of a person back to the first known one, and on to the last."""
    sent = (
        f"select participant_id, try_cast(exam_day as integer) from {staged['exams'].view}" if "exams" in staged else ""
    )
    union = f" union all select *, false from ({sent})" if sent else ""
    return (
        "select participant_id, (first_stored - first) / year as back, (last - first_stored) / year as span from ("
        "select participant_id, min(exam_day) as first, max(exam_day) as last, "
        f"coalesce(min(exam_day) filter (is_stored), min(exam_day)) as first_stored, {_YEAR} as year from ("
        f"select participant_id, exam_day, true as is_stored from reg.exams{union}) group by participant_id)"
    )
