"""A mapping as SQL: one SELECT makes the rows of one record table from one export.

Every line is read once for each binding; texts that need translation are looked up in a dictionary of their distinct
values. A made row keeps `record` (the line it comes from, from 0), `binding` and whether it was `assumed`.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

from examtally.contracts.contract import Contract
from examtally.contracts.mapping.mapping import (
    CELL,
    PIECE,
    BodyMass,
    Constant,
    FromColumn,
    FromEach,
    Joined,
    Value,
    columns_of,
    fold,
    names_of,
)
from examtally.contracts.records.rules import in_list, literal, quoted
from examtally.contracts.records.tables import Field, Table
from examtally.ingestion.mapping.plan import Binding, Plan
from examtally.ingestion.mapping.translate import dictionary, is_translated, unread

MADE = ("record", "binding", "assumed")
_LISTED = ("condition", "status", "severity", "pattern")


@dataclass(frozen=True)
class Compiler:
    """Makes the SELECT of a plan; `lines` is the relation of the lines of the export, with `record`."""

    contract: Contract
    table: Table
    plan: Plan
    lines: str
    decimal_comma: bool
    first_binding: int

    def select(self) -> str:
        """Return the query of the rows: the mapped columns, then those of MADE."""
        rows = self.plan.rows
        with_tables = self._with_tables()
        joins = " ".join(f"left join words{at} on rows.s{at} = words{at}.s" for at in self._dictionaries())
        values = ", ".join(f"{self._value(value, name)} as {quoted(name)}" for name, value in rows.columns.items())
        latest = f", rows.s{self._templates.index(rows.latest)} as latest" if rows.latest else ""
        made = f"select {values}, rows.record, rows.binding, {self._assumed()} as assumed{latest} from rows {joins}"
        if rows.unlisted_absent:
            made = f"select * from ({made}) where condition is not null or status is not null"
        passed_over = self._passed_over()
        if passed_over:
            made = f"select * from ({made}) where {' and '.join(f'{quoted(name)} is not null' for name in passed_over)}"
        query = f"with {with_tables} {self._finished(made)}"
        return self._once(query)

    def _passed_over(self) -> list[str]:
        """Required columns of which a pattern makes a blank: such a piece of a cell makes no row."""
        return [
            name
            for name, value in self.plan.rows.columns.items()
            if self.table.field(name).required and isinstance(value, FromColumn) and value.column == PIECE
            if any(not code for _, code in value.matches)
        ]

    def unread(self) -> str | None:
        """Return the query of how many cells of each column were no legal value and are left out."""
        counts = [
            f"select {literal(field.name)} as column_name, count(*) as lines from rows join words{at} on "
            f"rows.s{at} = words{at}.s where words{at}.{quoted(unread(field.name))}"
            for at, wanted in self._dictionaries().items()
            for field, value in wanted
            if value.unreadable
        ]
        return f"with {self._with_tables()} {' union all '.join(counts)}" if counts else None

    def _with_tables(self) -> str:
        """The rows, and a dictionary for each text that is looked up."""
        parts = [f"rows as materialized ({self._rows()})"]
        for at, wanted in self._dictionaries().items():
            distinct = f"select distinct s{at} as s from rows where s{at} is not null"
            words = dictionary(distinct, wanted, decimal_comma=self.decimal_comma)
            parts.append(f"words{at} as materialized ({words})")
        return ", ".join(parts)

    def unlisted(self, known: str) -> str:
        """Return the query of the rows that readings leave unsaid: covered conditions that the table `known` lacks."""
        rows = self.plan.rows
        columns = {name: value for name, value in rows.columns.items() if name not in _LISTED}
        reading_rows = replace(rows, columns=columns, unlisted_absent={}, repeats=None, latest=None)
        readings = replace(
            self,
            plan=Plan(reading_rows, self._readings(columns)),
            first_binding=self.first_binding + len(self.plan.bindings),
        )
        covered = " union all ".join(
            f"select {literal(code)} as modality, {literal(condition)} as condition"
            for code, conditions in rows.unlisted_absent.items()
            for condition in conditions
        )
        names = ", ".join(f"reading.{quoted(name)}" for name in columns)
        return (
            f"select {names}, covered.condition, 'absent' as status, min(reading.record) as record, "
            f"min(reading.binding) as binding, true as assumed "
            f"from ({readings.select()}) reading join ({covered}) covered using (modality) "
            f"where (reading.reference_id, covered.condition) not in "
            f"(select reference_id, condition from {known} where reference_id is not null and condition is not null) "
            f"group by {names}, covered.condition order by record, covered.condition"
        )

    def _readings(self, columns: dict[str, Value]) -> tuple[Binding, ...]:
        """One binding for each different reading, whatever conditions its columns list."""
        unlike: dict[tuple[object, ...], Binding] = {}
        names = {name for value in columns.values() for name in names_of(value)}
        templates = {template for value in columns.values() for template in columns_of(value)}
        for one in self.plan.bindings:
            codes = {name: code for name, code in one.codes.items() if name in names}
            places = {name: place for name, place in one.places.items() if name in templates}
            key = (tuple(codes.items()), tuple(places.items()), one.when_any)
            unlike.setdefault(key, Binding(codes, places, one.when_any))
        return tuple(unlike.values())

    def _rows(self) -> str:
        """The lines once for each binding: the texts that are read and the codes of its names."""
        return " union all ".join(self._bound(number, one) for number, one in enumerate(self.plan.bindings))

    def _bound(self, number: int, binding: Binding) -> str:
        columns = ["record", f"{self.first_binding + number}::smallint as binding"]
        texts = {name: "piece" if name == PIECE else f"c{binding.places[name]}" for name in self._templates}
        columns += [f"{texts[name]} as s{at}" for at, name in enumerate(self._templates)]
        for name, code in binding.codes.items():
            columns += [f"{literal(code)} as {quoted('each_' + name)}"]
            columns += [f"{literal(_initials(code))} as {quoted('initials_' + name)}"]
        conditions = []
        if binding.when_any:
            conditions.append(f"coalesce({', '.join(f'c{place}' for place in binding.when_any)}) is not null")
        if CELL in binding.places and not self._may_be_blank(binding):
            conditions.append(f"c{binding.places[CELL]} is not null")
        lines = self.lines
        if self.plan.rows.split is not None and PIECE in binding.places:
            pieces = f"unnest(string_split(c{binding.places[PIECE]}, {literal(self.plan.rows.split[1])}))"
            lines = f"(select *, trim(piece_text) as piece from (select *, {pieces} as piece_text from {lines}))"
            conditions.append("piece <> ''")
        where = f" where {' and '.join(conditions)}" if conditions else ""
        return f"select {', '.join(columns)} from {lines}{where}"

    def _may_be_blank(self, binding: Binding) -> bool:
        """Whether a blank cell of this binding can mean negative; known here where the maneuver is one of `each`."""
        rows = self.plan.rows
        maneuver = rows.columns.get("maneuver")
        if not rows.blank_negative:
            return False
        return not isinstance(maneuver, FromEach) or binding.codes[maneuver.name] in rows.blank_negative

    @property
    def _templates(self) -> tuple[str, ...]:
        return self.plan.rows.templates()

    def _dictionaries(self) -> dict[int, list[tuple[Field, FromColumn]]]:
        """The fields that are looked up, by the number of the text they are looked up by."""
        found: dict[int, list[tuple[Field, FromColumn]]] = {}
        for name, value in self.plan.rows.columns.items():
            field = self.table.field(name)
            if isinstance(value, FromColumn) and is_translated(field, value):
                found.setdefault(self._templates.index(value.column), []).append((field, value))
        return found

    def _value(self, value: Value, name: str) -> str:
        field = self.table.field(name)
        if isinstance(value, FromColumn) and is_translated(field, value):
            word = f"words{self._templates.index(value.column)}.{quoted(name)}"
            return word if value.same_as is None else _same(word, value, value.same_as)
        text = self._text(value)
        return f"upper({text})" if field.is_pseudonym else text

    def _text(self, value: Value) -> str:
        if isinstance(value, Constant):
            return literal(value.text)
        if isinstance(value, FromEach):
            return f"rows.{quoted('each_' + value.name)}"
        if isinstance(value, Joined):
            return f" || {literal(value.glue)} || ".join(self._joined(part) for part in value.parts)
        if isinstance(value, BodyMass):
            return self._body_mass(value)
        text = f"rows.s{self._templates.index(value.column)}"
        if value.codes is None:
            return text
        folded = f"trim(regexp_replace(replace(lower({text}), '_', ' '), '\\s+', ' ', 'g'))"
        cases = " ".join(f"when {literal(fold(word))} then {literal(code)}" for word, code in value.codes.items())
        return f"case {folded} {cases} else {text} end"

    def _joined(self, part: Value) -> str:
        """A code counts by its first letters, since an identifier may hold no word."""
        return f"rows.{quoted('initials_' + part.name)}" if isinstance(part, FromEach) else self._text(part)

    def _body_mass(self, value: BodyMass) -> str:
        weight, height = (self._number(name) for name in (value.weight, value.height))
        metres = f"nullif({height} * {value.to_m!r}, 0)"
        return f"cast(try_cast(round({weight} * {value.to_kg!r} / ({metres} * {metres})) as integer) as varchar)"

    def _number(self, template: str) -> str:
        text = f"rows.s{self._templates.index(template)}"
        text = f"replace({text}, ',', '.')" if self.decimal_comma else text
        return f"try_cast({text} as double)"

    def _assumed(self) -> str:
        """Whether a blank was read as negative."""
        rows = self.plan.rows
        result = rows.columns.get("result")
        if not rows.blank_negative or not isinstance(result, FromColumn):
            return "false"
        maneuver = self._value(rows.columns["maneuver"], "maneuver")
        blank = f"rows.s{self._templates.index(result.column)} is null"
        return f"coalesce({blank} and {maneuver} in {in_list(rows.blank_negative)}, false)"

    def _finished(self, made: str) -> str:
        """What depends on other columns of the row: a blank that means negative, values the catalogue does not list."""
        replaced = []
        if self.plan.rows.blank_negative:
            replaced.append("case when assumed then 'negative' else result end as result")
        for name, value in self.plan.rows.columns.items():
            if isinstance(value, FromColumn) and value.where_listed:
                replaced.append(f"{self._where_listed(self.table.field(name))} as {quoted(name)}")
        return f"select * replace ({', '.join(replaced)}) from ({made})" if replaced else made

    def _where_listed(self, field: Field) -> str:
        assert field.depends is not None
        other, name = quoted(field.depends.column), quoted(field.name)
        if field.depends.any_value:
            return f"case when {other} in {in_list(tuple(field.depends.allowed))} then {name} end"
        pairs = [f"{code}|{one}" for code, values in field.depends.allowed.items() for one in sorted(values)]
        return f"case when {other} || '|' || {name} in {in_list(pairs)} then {name} end"

    def _once(self, query: str) -> str:
        """Lines that repeat a key, taken once where the mapping says so."""
        repeats = self.plan.rows.repeats
        if repeats is None:
            return query
        names = ", ".join(quoted(name) for name in self.plan.rows.columns)
        if repeats == "same":
            return (
                f"select {names}, min(record) as record, arg_min(binding, record) as binding, "
                f"bool_or(assumed) as assumed from ({query}) group by {names} order by record, binding"
            )
        keys = ", ".join(quoted(name) for name in self.table.primary_key if name in self.plan.rows.columns)
        if repeats == "filled":
            return self._filled(query, keys)
        order = "record, binding"
        if repeats == "latest":
            order = "try_cast(latest as double) desc nulls last, latest desc nulls last, record desc, binding"
        return (
            f"select {names}, {', '.join(MADE)} from ({query}) "
            f"qualify row_number() over (partition by {keys} order by {order}) = 1 order by record, binding"
        )

    def _filled(self, query: str, keys: str) -> str:
        """Lines of one key that do not contradict each other as one, with what any of them says."""
        others = [quoted(name) for name in self.plan.rows.columns if name not in self.table.primary_key]
        agree = " and ".join(f"count(distinct {name}) <= 1" for name in others) or "true"
        said = "".join(f", max({name}) over one_key as {name}" for name in others)
        return (
            f"with made as ({query}), agreed as (select {keys} from made group by {keys} having {agree}) "
            f"select * from (select {keys}{said}, {', '.join(MADE)} from made where ({keys}) in (from agreed) "
            f"window one_key as (partition by {keys}) "
            f"qualify row_number() over (partition by {keys} order by record, binding) = 1) union all by name "
            f"(select * from made where ({keys}) not in (from agreed)) order by record, binding"
        )


def _initials(code: str) -> str:
    return "".join(word[:1] for word in code.split("_")).upper()


def _same(word: str, value: FromColumn, name: str) -> str:
    """Yes or no, whether a code is that of a name of `each`; text without a code stays."""
    known = in_list(tuple(dict.fromkeys((value.codes or {}).values())))
    return (
        f"case when {word} in ('both', rows.{quoted('each_' + name)}) then 'yes' "
        f"when {word} in {known} then 'no' else {word} end"
    )
