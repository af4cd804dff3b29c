"""Row rules: what one line of a record file must satisfy, derived from the declared tables and the catalogue.

A rule is a boolean SQL expression over *staged text*: every column VARCHAR, blank already NULL, identifiers already
upper-cased. It is true where the line passes and never NULL, so that `not (rule)` finds exactly the failing lines.
The same rule carries the expectation that reports it a second time, by another engine, as counts.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache
from typing import Any

from examtally.contracts.contract import Contract
from examtally.contracts.records.pseudonym import PseudonymRule, load_pseudonym_rule
from examtally.contracts.records.tables import JOINT, Field, Table

INTEGER_PATTERN = r"[+-]?[0-9]{1,9}"
NUMBER_PATTERN = r"[+-]?([0-9]{1,15}(\.[0-9]{0,15})?|\.[0-9]{1,15})([eE][+-]?[0-9]{1,2})?"
JOINT_OF_EXAM = "joint_of_exam"
"""The column of staged lines of an exam that names the joint of that exam."""
_TYPE_PATTERNS = {"integer": INTEGER_PATTERN, "number": NUMBER_PATTERN}
_TYPE_WORDS = {"integer": "a whole number", "number": "a number"}


@dataclass(frozen=True)
class Expectation:
    """What the second engine checks: an expectation `type` on a `column` of the staged frame.

    `column` is the field itself, `<field>__num` (the number where the text is one, else missing) or the rule's own
    0/1 column, named by `Rule.flag_column`.
    """

    type: str
    column: str
    kwargs: Mapping[str, Any]


@dataclass(frozen=True)
class Rule:
    """One check of one line. `legal` and `mend` are words for the person who sent the file; never a value.

    `reads` are the columns it looks at, its own first.
    """

    id: str
    table: str
    column: str
    kind: str
    sql: str
    legal: str
    mend: str
    expectation: Expectation
    reads: tuple[str, ...]

    @property
    def flag_column(self) -> str:
        """Name of the 0/1 column that carries this rule to the second engine, where it needs one."""
        return f"{self.column}__{self.kind}"


@dataclass(frozen=True)
class CrossRule:
    """One check of a line against other lines: `unique` (one line a key) or `reference` (the key exists elsewhere)."""

    id: str
    table: str
    columns: tuple[str, ...]
    kind: str
    target: str
    unknown: str
    legal: str
    mend: str


@lru_cache(maxsize=256)
def rules_for(contract: Contract, table: str) -> tuple[Rule, ...]:
    """Return the row rules of `table` in column order: required, type, pattern, legal set, range, dependence.

    Where several joints come together, a rule that differs between them asks for the joint of the line.
    """
    declared = contract.tables[table]
    if not contract.joints:
        return tuple(rule for field in declared.fields for rule in _field_rules(declared, field))
    own = {joint: one.tables[table] for joint, one in contract.joints.items()}
    rules = []
    for field in declared.fields:
        by_joint = {joint: _rules_of(other, field) for joint, other in own.items()}
        for kind in dict.fromkeys(kind for found in by_joint.values() for kind in found):
            rules.append(_of_joints(declared, {joint: by_joint[joint].get(kind) for joint in own}))
    return tuple(rules)


def _rules_of(table: Table, field: Field) -> dict[str, Rule]:
    """The rules of a column in one joint by kind; a column that only another joint has stays blank."""
    if field.name == JOINT:
        return {rule.kind: rule for rule in _field_rules(table, field)}
    if field.name in table.names:
        return {rule.kind: rule for rule in _field_rules(table, table.field(field.name))}
    foreign = _rule(
        table,
        field,
        JOINT,
        f"{quoted(field.name)} is null",
        "blank for this joint",
        "leave the cell blank, or check the joint of the exam",
        Expectation("expect_column_values_to_be_in_set", f"{field.name}__{JOINT}", {"value_set": [1]}),
    )
    return {JOINT: foreign}


def _of_joints(table: Table, rules: Mapping[str, Rule | None]) -> Rule:
    """One rule of the rules of each joint; that of a line whose joint is not known yet is any of them."""
    given = [rule for rule in rules.values() if rule is not None]
    if len(rules) == len(given) and len({rule.sql for rule in given}) == 1:
        return given[0]
    cases = " ".join(f"when {literal(joint)} then {rule.sql if rule else 'true'}" for joint, rule in rules.items())
    known = JOINT if JOINT in table.names else JOINT_OF_EXAM
    either = " or ".join(rule.sql if rule else "true" for rule in rules.values())
    first = given[0]
    return replace(
        first,
        sql=f"case {quoted(known)} {cases} else {either} end",
        legal=first.legal if len({rule.legal for rule in given}) == 1 else "a code of the catalog of that joint",
        expectation=Expectation("expect_column_values_to_be_in_set", first.flag_column, {"value_set": [1]}),
        reads=tuple(dict.fromkeys([*first.reads, known])),
    )


def key_rule(contract: Contract, table: str) -> CrossRule:
    """Return the rule that `table` has one line a primary key; that the joint is part of one goes without saying."""
    key = contract.tables[table].primary_key
    named = [name for name in key if name != JOINT]
    return CrossRule(
        id=f"{table}.{'+'.join(named)}.unique",
        table=table,
        columns=key,
        kind="unique",
        target=table,
        unknown="hold",
        legal=f"one line for each {' + '.join(named)}",
        mend="keep the line that is right and remove the others that differ from it",
    )


def reference_rules(contract: Contract, table: str) -> tuple[CrossRule, ...]:
    """Return the rules that the foreign keys of `table` exist; `unknown` says whether a line waits or is held back."""
    return tuple(
        CrossRule(
            id=f"{table}.{'+'.join(key.columns)}.reference",
            table=table,
            columns=key.columns,
            kind="reference",
            target=key.table,
            unknown=key.unknown,
            legal=f"a {' + '.join(key.columns)} that is in {key.table}",
            mend=f"send the missing line of {key.table}, mend it where it is held back itself, or correct the code",
        )
        for key in contract.tables[table].foreign_keys
    )


def withdrawn_rule(contract: Contract, table: str) -> CrossRule | None:
    """Return the rule that a line is of nobody who has withdrawn; None for tables that speak of no participant."""
    for column, target in (("participant_id", "participants"), ("exam_id", "exams")):
        if column in contract.tables[table].names:
            return CrossRule(
                id=f"{table}.{column}.withdrawn",
                table=table,
                columns=(column,),
                kind="withdrawn",
                target=target,
                unknown="hold",
                legal="a participant who has not withdrawn",
                mend="leave the lines of this participant out",
            )
    return None


def number_sql(field: Field) -> str:
    """Return SQL for the number a text column holds, NULL where the text is none."""
    column = quoted(field.name)
    pattern = literal(_TYPE_PATTERNS[field.type])
    return f"case when regexp_full_match({column}, {pattern}) then try_cast({column} as double) end"


def quoted(name: str) -> str:
    """Return `name` as an SQL identifier."""
    return '"' + name.replace('"', '""') + '"'


def literal(text: str) -> str:
    """Return `text` as an SQL string literal."""
    return "'" + text.replace("'", "''") + "'"


def in_list(codes: Iterable[str]) -> str:
    """Return an SQL list of string literals, sorted."""
    return "(" + ", ".join(literal(code) for code in sorted(codes)) + ")"


def _field_rules(table: Table, field: Field) -> list[Rule]:
    rules: list[Rule] = []
    if field.required:
        rules.append(_required(table, field))
    if field.type in _TYPE_PATTERNS:
        rules.append(_type(table, field))
    if field.is_pseudonym:
        rules.append(_pseudonym(table, field, load_pseudonym_rule()))
    if field.pattern is not None:
        rules.append(_pattern(table, field))
    if field.enum is not None:
        rules.append(_enum(table, field))
    if field.minimum is not None or field.maximum is not None:
        rules.append(_range(table, field))
    if field.depends is not None:
        rules.append(_depends(table, field))
    return rules


def _rule(
    table: Table, field: Field, kind: str, sql: str, legal: str, mend: str, expectation: Expectation, *also: str
) -> Rule:
    """A rule of one column; `also` are the other columns that it looks at."""
    reads = (field.name, *also)
    return Rule(f"{table.name}.{field.name}.{kind}", table.name, field.name, kind, sql, legal, mend, expectation, reads)


def _required(table: Table, field: Field) -> Rule:
    return _rule(
        table,
        field,
        "required",
        f"{quoted(field.name)} is not null",
        "a value",
        "fill the cell in, or leave the line out",
        Expectation("expect_column_values_to_not_be_null", field.name, {}),
    )


def _regex(field: Field, pattern: str) -> tuple[str, Expectation]:
    sql = f"coalesce(regexp_full_match({quoted(field.name)}, {literal(pattern)}), true)"
    return sql, Expectation("expect_column_values_to_match_regex", field.name, {"regex": rf"^(?:{pattern})\Z"})


def _type(table: Table, field: Field) -> Rule:
    sql, expectation = _regex(field, _TYPE_PATTERNS[field.type])
    words = _TYPE_WORDS[field.type]
    return _rule(table, field, "type", sql, words, f"write {words} without a unit{_or_blank(field)}", expectation)


def _or_blank(field: Field) -> str:
    """The other mend of a cell that may be blank."""
    return "" if field.required else ", or leave the cell blank"


def _pattern(table: Table, field: Field) -> Rule:
    assert field.pattern is not None
    sql, expectation = _regex(field, field.pattern)
    return _rule(table, field, "pattern", sql, field.pattern_words, "rewrite the cell in that form", expectation)


def _enum(table: Table, field: Field) -> Rule:
    assert field.enum is not None
    legal = ", ".join(field.enum) if len(field.enum) <= 15 else f"a code of the catalog ({len(field.enum)} codes)"
    return _rule(
        table,
        field,
        "enum",
        f"coalesce({quoted(field.name)} in {in_list(field.enum)}, true)",
        legal,
        f"use one of these codes as written; `examtally dictionary --table {table.name}` lists them",
        Expectation("expect_column_values_to_be_in_set", field.name, {"value_set": list(field.enum)}),
    )


def _range(table: Table, field: Field) -> Rule:
    low, high = field.minimum, field.maximum
    bounds = [f"{number_sql(field)} >= {low}"] if low is not None else []
    bounds += [f"{number_sql(field)} <= {high}"] if high is not None else []
    legal = f"{low} to {high}" if None not in (low, high) else f"at least {low}" if high is None else f"at most {high}"
    unit = f" {field.unit}" if field.unit else ""
    return _rule(
        table,
        field,
        "range",
        f"coalesce({' and '.join(bounds)}, true)",
        legal + unit,
        f"check the value and its unit{_or_blank(field)}",
        Expectation("expect_column_values_to_be_between", f"{field.name}__num", {"min_value": low, "max_value": high}),
    )


def _depends(table: Table, field: Field) -> Rule:
    assert field.depends is not None
    other, allowed = field.depends.column, field.depends.allowed
    if field.depends.any_value:
        holds = f"{quoted(other)} in {in_list(allowed)}" if allowed else "false"
        legal = f"blank unless the catalog gives that {other} a unit"
    else:
        pairs = [f"{code}|{value}" for code, values in allowed.items() for value in values]
        value = f"cast(try_cast({quoted(field.name)} as integer) as varchar)" if field.type == "integer" else ""
        text = value or quoted(field.name)
        holds = f"{quoted(other)} || '|' || {text} in {in_list(pairs)}" if pairs else "false"
        if value:  # what is no number breaks that rule alone
            holds = f"{number_sql(field)} is null or {holds}"
        legal = f"what the catalog lists for that {other}"
    return _rule(
        table,
        field,
        "depends",
        f"({quoted(field.name)} is null or {_misfit(table.field(other))} or coalesce({holds}, false))",
        legal,
        f"check {field.name} and {other} together; `examtally dictionary --table {other}s` lists what goes with what",
        Expectation("expect_column_values_to_be_in_set", f"{field.name}__depends", {"value_set": [1]}),
        other,
    )


def _misfit(field: Field) -> str:
    """SQL of whether a cell breaks a rule of its own, which says all: what depends on it cannot be told."""
    is_known = f"{quoted(field.name)} in {in_list(field.enum)}" if field.enum is not None else "true"
    return f"not coalesce({is_known}, {'false' if field.required else 'true'})"


def _pseudonym(table: Table, field: Field, rule: PseudonymRule) -> Rule:
    return _rule(
        table,
        field,
        "pseudonym",
        f"({quoted(field.name)} is null or {pseudonym_sql(field.name, rule)})",
        rule.words,
        "give the patient, examiner or record a code that says nothing, the same in every file",
        Expectation("expect_column_values_to_be_in_set", f"{field.name}__pseudonym", {"value_set": [1]}),
    )


def pseudonym_sql(column: str, rule: PseudonymRule) -> str:
    """Return SQL that is true where the (upper-cased, not NULL) text of `column` is a coded identifier."""
    text = quoted(column)
    run = rule.letters_in_a_row_at_most + 1
    first, last = rule.date_years
    reads_as_date = " or ".join(
        f"coalesce(year(try_strptime(digits, {literal(form)})) between {first} and {last}, false)"
        for form in rule.date_formats
    )
    runs = f"list_filter(regexp_extract_all({text}, '[0-9]+'), lambda digits: length(digits) = 8 and ({reads_as_date}))"
    separated = "|".join(f"({pattern})" for pattern in rule.separated_dates)
    checks = [
        f"regexp_full_match({text}, {literal(rule.pattern)})",
        f"regexp_matches({text}, {literal(rule.needs)})",
        f"not regexp_matches({text}, '[A-Z]{{{run}}}')",
        f"not regexp_matches({text}, {literal('^(' + '|'.join(rule.prefixes) + ')')})",
        f"case when regexp_matches({text}, '(^|[^0-9])[0-9]{{8}}([^0-9]|$)') then len({runs}) = 0 else true end",
        f"case when contains({text}, '-') then not regexp_full_match({text}, {literal(separated)}) else true end",
    ]
    return "(" + " and ".join(checks) + ")"
