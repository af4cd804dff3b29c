"""The declared temporary tables: every one that the SQL makes or reads, with the columns that it has."""

from __future__ import annotations

import re
from dataclasses import replace
from pathlib import Path
from typing import Any

import duckdb
import pytest
from clinic import connect, small_contract
from random_clinic import random_clinic

import examtally.cohort
from examtally.cohort.cohort import Cohort, build_cohort
from examtally.cohort.monitoring import read_watched
from examtally.cohort.pairs import read_pairs
from examtally.cohort.scenarios import read_scenarios
from examtally.cohort.status_frame import read_status_frames
from examtally.cohort.tables import TABLES
from examtally.contracts.protocol.protocol import Protocol
from examtally.contracts.study.study import load_study

SOURCE = {path.name: path.read_text(encoding="utf-8") for path in Path(examtally.cohort.__path__[0]).glob("*.py")}
MADE = re.compile(r"(?:create (?:or replace )?temp (?:table|view)|rename to) (\w*(?:\{\w+\})?)")
READ = re.compile(r"\b(?:from|join|insert into|update) \(?(?!select\b|values\b)([a-z]\w*)\b(?!\.| import|\()")
WITHIN = re.compile(r"\b(\w+) as (?:materialized )?\(")
BY_NAME = {"{declaration}": ["conditions", "pairs", "accepted_modalities", "barring_modalities"]}
for _kind in ("used_versions_", "used_"):
    BY_NAME[f"{_kind}{{table}}"] = [f"{_kind}{table}" for table in ("exams", "findings", "impressions")]
ASKED = {
    "study": "least",
    "title": "Accuracy of one test",
    "tests": {"classic": {"rule": {"maneuver": "lachman"}}},
    "target": {"condition": "acl_tear", "severity": ["complete"], "other_severity": "absent"},
    "primary": [{"name": "main", "kind": "accuracy", "tests": ["classic"]}],
}


def test_every_table_that_is_made_is_declared_and_the_other_way_round() -> None:
    made = {name for text in SOURCE.values() for each in MADE.findall(text) for name in BY_NAME.get(each, [each])}
    assert made == set(TABLES)


@pytest.mark.parametrize("name", sorted(set(SOURCE) - {"tables.py"}))
def test_every_table_that_is_read_is_declared(name: str) -> None:
    statements = [text for text in re.findall(r'"""(.*?)"""', SOURCE[name], re.S) if " select " in f" {text} "]
    within = set(WITHIN.findall(SOURCE[name]))
    read = {table for text in statements for table in READ.findall(text)}
    assert read - within - set(TABLES) == set()


class Watched:
    """A connection that notes the columns of every temporary table before it is dropped."""

    def __init__(self, con: duckdb.DuckDBPyConnection) -> None:
        self.con = con
        self.seen: dict[str, list[str]] = {}

    def look(self) -> None:
        """Note the tables of now."""
        found = "select table_name, list(column_name order by column_index) from duckdb_columns() "
        found += "where database_name = 'temp' and not internal group by all"
        self.seen |= dict(self.con.execute(found).fetchall())

    def execute(self, sql: str, *rest: Any) -> Any:
        """Run a statement; look first where it drops something."""
        if "drop table" in sql:
            self.look()
        return self.con.execute(sql, *rest)

    def sql(self, *rest: Any, **named: Any) -> Any:
        """Run a query."""
        return self.con.sql(*rest, **named)


def _declared(name: str) -> set[str]:
    return {column for column in TABLES[name].columns.split() if not column.endswith("*")}


def _same(seen: list[str], name: str) -> bool:
    open_ended = [column.rstrip("*") for column in TABLES[name].columns.split() if column.endswith("*")]
    others = set(seen) - _declared(name)
    return _declared(name) <= set(seen) and all(any(map(column.startswith, open_ended)) for column in others)


def test_tables_have_the_columns_that_are_declared() -> None:
    contract = small_contract()
    protocol = Protocol.defaults(contract)
    with connect(contract, random_clinic(7, contract)) as con, build_cohort(con, contract, protocol) as cohort:
        watched = Watched(cohort.con)
        seen: Cohort = replace(cohort, con=watched)  # type: ignore[arg-type]
        watched.look()
        read_pairs(watched, protocol, with_examiners=False)  # type: ignore[arg-type]
        read_watched(watched, contract, protocol)  # type: ignore[arg-type]
        read_status_frames(watched, contract, protocol)  # type: ignore[arg-type]
        list(read_scenarios(seen, con, contract, protocol))
    checked = {name for name, table in TABLES.items() if table.columns and name in watched.seen}
    assert {name for name in checked if name != "used_exams" and not _same(watched.seen[name], name)} == set()
    brief = {name for name, table in TABLES.items() if table.is_brief} - {"rule_parts"}
    assert brief <= checked


def test_tables_of_a_study_have_the_columns_that_are_declared(contract: Any) -> None:
    study = load_study(ASKED, contract)
    records = random_clinic(7, small_contract())
    with connect(contract, type(records)()) as con:
        cohort = build_cohort(con, study.contract, study.protocol, study.selection)
        watched = Watched(cohort.con)
        watched.look()
    assert _same(watched.seen["population_filters"], "population_filters")
    assert _same(watched.seen["target_severities"], "target_severities")


def test_every_meaning_is_one_line_of_its_own() -> None:
    meanings = [table.meaning for table in TABLES.values()]
    assert len(set(meanings)) == len(meanings)
    assert all(meaning and "\n" not in meaning for meaning in meanings)
