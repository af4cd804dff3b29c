"""Index tests of a study as findings of their own: each rule over an exam's recorded findings, in one pass.

A rule gives positive, negative, equivocal, not done, or nothing where what it asks was not recorded. Not done is not
done. Otherwise a finding is positive where every part that the rule names holds, negative where one does not. A part
that is blank does not hold where the finding is negative (sign, grade) and is not known elsewhere; an equivocal finding
is equivocal where the rule needs its result or a blank part.
Any-of and all-of need every part unless one decides; what is undecided is not recorded, not done or equivocal, in this
order.
"""

from __future__ import annotations

from examtally.cohort.cells import RESULTS
from examtally.contracts.records.engine import Engine
from examtally.contracts.study.parts import Every, IndexTest, Leaf, Rule, leaves

_POSITIVE, _NEGATIVE, _EQUIVOCAL, _NOT_DONE = range(len(RESULTS))
_FROM_ONE = ("reason", "sign", "pain", "grade", "measure", "measured_by", "flexion_deg", "end_point", "done_order")


def write_index_tests(con: Engine, tests: tuple[IndexTest, ...]) -> None:
    """Write a finding for every exam and index test whose rule says something, and add them to `used_findings`."""
    con.execute("alter view used_findings rename to recorded_findings")
    asked = list(dict.fromkeys(leaf for test in tests for leaf in leaves(test.rule)))
    values: list[object] = []
    columns = []
    for place, leaf in enumerate(asked):
        sql, bound = _leaf(leaf)
        columns.append(f"max({sql}) filter (maneuver = ?) as v{place}")
        values += [*bound, leaf.maneuver]
    con.execute(
        f"create temp table rule_parts as select exam_id, max(batch_no) as batch_no, {', '.join(columns)} "
        "from recorded_findings group by exam_id",
        values,
    )
    con.execute("create temp table index_test_findings as select * from recorded_findings limit 0")
    for test in tests:
        _write_test(con, test, {leaf: f"v{place}" for place, leaf in enumerate(asked)})
    con.execute("drop table rule_parts")
    con.execute(
        "create temp view used_findings as select * from recorded_findings union all by name from index_test_findings"
    )


def _write_test(con: Engine, test: IndexTest, columns: dict[Leaf, str]) -> None:
    """A test of one maneuver keeps the other columns of its finding."""
    names = " ".join(f"when {place} then '{result}'" for place, result in enumerate(RESULTS))
    value = _value(test.rule, columns)
    result, known = f"case {value} {names} end as result", f"{value} is not null"
    if isinstance(test.rule, Leaf):
        kept = ", ".join(f"f.{name}" for name in _FROM_ONE)
        con.execute(
            f"insert into index_test_findings by name select l.exam_id, ? as maneuver, {result}, {kept}, f.batch_no "
            f"from rule_parts l join recorded_findings f on f.exam_id = l.exam_id and f.maneuver = ? where {known}",
            [test.code, test.rule.maneuver],
        )
        return
    con.execute(
        f"insert into index_test_findings by name select exam_id, ? as maneuver, {result}, batch_no from rule_parts "
        f"where {known}",
        [test.code],
    )


def _leaf(leaf: Leaf) -> tuple[str, list[object]]:
    """What a finding says under the leaf, as the number of a result or null, and its parameters."""
    parts: list[str] = []
    values: list[object] = []

    def ask(sql: str, *bound: object) -> None:
        parts.append(sql)
        values.extend(bound)

    unless_negative = "case when result = 'negative' then false end"
    if leaf.result is not None:
        ask(
            f"case when result in ({_places(leaf.result)}) then true when result <> 'equivocal' then false end",
            *leaf.result,
        )
    if leaf.sign is not None:
        ask(f"coalesce(result <> 'negative' and sign in ({_places(leaf.sign)}), {unless_negative})", *leaf.sign)
    if leaf.pain is not None:
        ask("nullif(pain, 'unknown') = ?", leaf.pain)
    if leaf.grade_at_least is not None:
        ask(f"coalesce(grade >= ?, {unless_negative})", leaf.grade_at_least)
    if leaf.measure_at_least is not None:
        ask("measure >= ?", leaf.measure_at_least)
    if leaf.measure_at_most is not None:
        ask("measure <= ?", leaf.measure_at_most)
    if leaf.end_point is not None:
        ask(f"nullif(end_point, 'unknown') in ({_places(leaf.end_point)})", *leaf.end_point)
    holds = " and ".join(f"({part})" for part in parts)
    return (
        f"case when result = 'not_done' then {_NOT_DONE} else case ({holds}) when true then {_POSITIVE} "
        f"when false then {_NEGATIVE} else case when result = 'equivocal' then {_EQUIVOCAL} end end end",
        values,
    )


def _value(rule: Rule, columns: dict[Leaf, str]) -> str:
    """SQL for the result of a rule over the columns of its leaves."""
    if isinstance(rule, Leaf):
        return columns[rule]
    parts = [f"({_value(part, columns)})" for part in rule.parts]
    deciding, otherwise = (_NEGATIVE, _POSITIVE) if isinstance(rule, Every) else (_POSITIVE, _NEGATIVE)
    return (
        f"case when {_any(parts, f'= {deciding}')} then {deciding} when {_any(parts, 'is null')} then null "
        f"when {_any(parts, f'= {_NOT_DONE}')} then {_NOT_DONE} when {_any(parts, f'= {_EQUIVOCAL}')} "
        f"then {_EQUIVOCAL} else {otherwise} end"
    )


def _any(parts: list[str], test: str) -> str:
    return " or ".join(f"coalesce({part} {test}, false)" for part in parts)


def _places(values: tuple[str, ...]) -> str:
    return ", ".join("?" * len(values))
