"""Row rules on staged text: what passes, what fails, and that no rule is ever NULL."""

from __future__ import annotations

import re

import duckdb
import pytest

from examtally.contracts.contract import load_contract
from examtally.contracts.dictionary.dictionary import data_dictionary
from examtally.contracts.records.ddl import create_statements, typed_columns
from examtally.contracts.records.pseudonym import load_pseudonym_rule
from examtally.contracts.records.rules import Rule, key_rule, pseudonym_sql, quoted, reference_rules, rules_for

CONTRACT = load_contract()
RULES = {rule.id: rule for table in CONTRACT.tables for rule in rules_for(CONTRACT, table)}


@pytest.fixture(scope="module")
def con() -> duckdb.DuckDBPyConnection:
    return duckdb.connect()


def _passes(con: duckdb.DuckDBPyConnection, rule: Rule, **cells: str | None) -> object:
    columns = ", ".join(f"?::varchar as {quoted(name)}" for name in CONTRACT.tables[rule.table].names)
    values = [cells.get(name) for name in CONTRACT.tables[rule.table].names]
    row = con.execute(f"select {rule.sql} from (select {columns})", values).fetchone()
    assert row is not None
    return row[0]


@pytest.mark.parametrize(
    ("text", "is_legal"),
    [
        ("P0001", True),
        ("E01", True),
        ("A99999999", True),
        ("A202603141", True),  # nine digits are no date
        ("X20260314-1", False),
        ("A18991231", True),  # a year no one is asked about
        ("JOHN-2", True),  # four letters and a digit: cannot be told from a code
        ("E1", False),
        ("SMITH1", False),
        ("ABCD", False),
        ("1ABC", False),
        ("AB 12", False),
        ("AB12\n", False),
        ("MRN123", False),
        ("PAT-77", False),
        ("ACC0099", False),
        ("A20260314", False),
        ("A31122020", False),
        ("A12312020", False),
        ("A-2026-03-14", False),
        ("P-12-03-2026", False),
        ("A2026-13-45", True),
        ("A" + "1" * 40, False),
        ("ÄB12", False),
    ],
)
def test_pseudonym(con: duckdb.DuckDBPyConnection, text: str, is_legal: bool) -> None:
    sql = f"select {pseudonym_sql('x', load_pseudonym_rule())} from (select ?::varchar as x)"
    assert con.execute(sql, [text]).fetchone() == (is_legal,)


@pytest.mark.parametrize(
    ("rule_id", "cells", "is_legal"),
    [
        ("exams.side.enum", {"side": "left"}, True),
        ("exams.side.enum", {"side": "Left"}, False),
        ("exams.period.pattern", {"period": "2026-03"}, True),
        ("exams.period.pattern", {"period": "P018"}, True),
        ("exams.period.pattern", {"period": "P000"}, False),
        ("exams.period.pattern", {"period": "2026-13"}, False),
        ("exams.period.pattern", {"period": "2026-03-01"}, False),
        ("exams.exam_day.type", {"exam_day": "-12"}, True),
        ("exams.exam_day.type", {"exam_day": "1.5"}, False),
        ("exams.exam_day.type", {"exam_day": "99999999999"}, False),
        ("exams.exam_day.range", {"exam_day": "36501"}, False),
        ("exams.exam_day.range", {"exam_day": "soon"}, True),  # the type rule speaks
        ("impressions.probability.type", {"probability": "nan"}, False),
        ("impressions.probability.type", {"probability": "0.35"}, True),
        ("impressions.probability.type", {"probability": ".5"}, True),
        ("impressions.probability.range", {"probability": "1.01"}, False),
        ("findings.grade.depends", {"maneuver": "lachman", "grade": "1"}, True),
        ("findings.grade.depends", {"maneuver": "lachman", "grade": "+01"}, True),
        ("findings.grade.depends", {"maneuver": "lachman", "grade": "5"}, False),
        ("findings.grade.depends", {"maneuver": None, "grade": "1"}, True),  # no maneuver is its fault
        ("findings.sign.depends", {"maneuver": "lachmann", "sign": "click"}, True),  # so is an unknown one
        ("findings.measure.depends", {"maneuver": "lachmann", "measure": "12"}, True),
        ("findings.grade.depends", {"maneuver": "lachman", "grade": "two"}, True),  # nor one that is no number
        ("findings.sign.depends", {"maneuver": "lachman", "sign": "laxity"}, True),
        ("findings.sign.depends", {"maneuver": "lachman", "sign": "click"}, False),
        ("findings.measure.depends", {"maneuver": "extension_deficit", "measure": "12"}, True),
        ("findings.measure.depends", {"maneuver": "mcmurray_medial", "measure": "12"}, False),
        ("references.severity.depends", {"condition": "acl_tear", "severity": "partial"}, True),
        ("references.severity.depends", {"condition": "acl_tear", "severity": "kl_2"}, False),
        ("references.severity.depends", {"condition": "acl_tear"}, True),
        ("findings.maneuver.enum", {"maneuver": "lachman"}, True),
        ("findings.maneuver.enum", {"maneuver": "Lachman"}, False),
    ],
)
def test_row_rule(con: duckdb.DuckDBPyConnection, rule_id: str, cells: dict[str, str | None], is_legal: bool) -> None:
    assert _passes(con, RULES[rule_id], **cells) is is_legal


@pytest.mark.parametrize("rule_id", RULES)
def test_a_blank_line_fails_only_required_rules(con: duckdb.DuckDBPyConnection, rule_id: str) -> None:
    assert _passes(con, RULES[rule_id]) is (RULES[rule_id].kind != "required")


def test_every_rule_speaks_and_is_named_once() -> None:
    assert len(RULES) == sum(len(rules_for(CONTRACT, table)) for table in CONTRACT.tables)
    assert all(rule.legal and rule.mend for rule in RULES.values())


def test_cross_rules_follow_the_declared_keys() -> None:
    assert key_rule(CONTRACT, "findings").columns == ("exam_id", "maneuver")
    assert {(rule.id, rule.unknown) for table in CONTRACT.tables for rule in reference_rules(CONTRACT, table)} == {
        ("exams.participant_id.reference", "hold"),
        ("exams.examiner_id.reference", "hold"),
        ("history.exam_id.reference", "wait"),
        ("findings.exam_id.reference", "wait"),
        ("impressions.exam_id.reference", "wait"),
        ("references.participant_id.reference", "hold"),
    }


def test_checked_text_casts_into_the_stored_tables() -> None:
    con = duckdb.connect()
    con.execute("attach ':memory:' as reg")
    for statement in create_statements(CONTRACT):
        con.execute(statement)
    table = CONTRACT.tables["exams"]
    cells = {"exam_id": "X01", "participant_id": "P01", "side": "left", "examiner_id": "E01", "period": "P001"}
    cells |= {"exam_day": "7"}
    columns = ", ".join(f"{cells.get(name)!r}::varchar as {name}".replace("None", "null") for name in table.names)
    con.execute(f"insert into reg.exams select {', '.join(typed_columns(table))}, 1 from (select {columns})")
    assert con.execute("select episode, exam_day, batch_no, complaint from reg.exams").fetchall() == [(1, 7, 1, None)]
    with pytest.raises(duckdb.ConstraintException):
        con.execute("insert into reg.examiners (examiner_id, role, batch_no) values ('E01', 'king', 1)")


def test_no_mend_of_a_required_column_is_to_leave_it_blank() -> None:
    """A blank there would break the next rule; elsewhere it is the way out."""
    advised = {
        rule.id: "blank" in rule.mend
        for name, table in CONTRACT.tables.items()
        for rule in rules_for(CONTRACT, name)
        if rule.kind in ("type", "range") and table.field(rule.column).required
    }
    assert advised.keys() >= {"exams.exam_day.type", "exams.exam_day.range", "impressions.probability.type"}
    assert not any(advised.values())
    (days,) = [rule for rule in rules_for(CONTRACT, "exams") if rule.id == "exams.days_since_onset.type"]
    assert days.mend.endswith("or leave the cell blank")


def test_a_list_of_codes_is_pointed_to_by_its_table() -> None:
    """The whole dictionary has thousands of lines; the part that is named holds the code that would have been right."""
    named = {rule.id: re.findall(r"`examtally dictionary([^`]*)`", rule.mend) for rule in RULES.values()}
    assert named["findings.maneuver.enum"] == [" --table findings"]
    assert named["findings.sign.depends"] == [" --table maneuvers"]
    assert {rule.rsplit(".", 1)[1] for rule, said in named.items() if said} == {"enum", "depends"}
    for rule, (said, *_) in ((rule, said) for rule, said in named.items() if said):
        listed = data_dictionary(CONTRACT, said.removeprefix(" --table "))
        codes = RULES[rule].expectation.kwargs["value_set"] if rule.endswith(".enum") else ["lachman", "acl_tear"]
        assert set(codes) & {*listed["choice"], *listed["name"]}, rule
