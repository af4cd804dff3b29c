"""The dirty export: every line that is not stored is accounted for, and nothing else was touched."""

from __future__ import annotations

import json
from collections import Counter
from pathlib import Path
from typing import Any

import duckdb
import numpy as np
import polars as pl
import pytest

import examtally as et
from examtally.contracts.contract import load_contract
from examtally.contracts.records.rules import key_rule, reference_rules, rules_for
from examtally.synthesis import SynthesisReport
from examtally.synthesis.faults import Faults, load_faults
from examtally.synthesis.planted_faults import Soiling

CONTRACT = load_contract()


@pytest.fixture(scope="module")
def expected(written: SynthesisReport) -> dict[str, Any]:
    """The account of the dirty export."""
    account: dict[str, Any] = json.loads((written.out / "dirty" / "expected.json").read_text(encoding="utf-8"))
    return account


def _lines(folder: Path, table: str) -> list[str]:
    return (folder / f"{table}.csv").read_text(encoding="utf-8").splitlines()


@pytest.mark.parametrize(
    ("counted", "place", "elsewhere"),
    [("tables", "outcome", "stored"), ("tables_after_records", "after_records", "unchanged")],
)
def test_the_account_adds_up(
    written: SynthesisReport, expected: dict[str, Any], counted: str, place: str, elsewhere: str
) -> None:
    for table, counts in expected[counted].items():
        assert counts["lines"] == written.dirty[table] == len(_lines(written.out / "dirty", table)) - 1
        assert counts["lines"] == sum(value for name, value in counts.items() if name != "lines")
        named = Counter(line[place] for line in expected["lines"] if line["table"] == table)
        assert {name: counts[name] for name in named if name != elsewhere} == {
            name: count for name, count in named.items() if name != elsewhere
        }
    places = [(line["table"], line["line"]) for line in expected["lines"]]
    assert len(places) == len(set(places))


def test_lines_without_an_account_are_the_clean_ones(written: SynthesisReport, expected: dict[str, Any]) -> None:
    for table in CONTRACT.tables:
        spoken_for = {line["line"] for line in expected["lines"] if line["table"] == table}
        clean = set(_lines(written.out / "records", table))
        dirty = list(enumerate(_lines(written.out / "dirty", table), 1))
        strange = [number for number, line in dirty if number not in spoken_for and line not in clean]
        assert strange == []


def test_every_kind_of_rule_is_broken_somewhere(expected: dict[str, Any]) -> None:
    declared = {rule.id for table in CONTRACT.tables for rule in rules_for(CONTRACT, table)}
    declared |= {key_rule(CONTRACT, table).id for table in CONTRACT.tables}
    declared |= {rule.id for table in CONTRACT.tables for rule in reference_rules(CONTRACT, table)}
    broken = {line["rule"] for line in expected["lines"] if line["rule"]}
    assert broken <= declared
    kinds = {(rule.split(".")[0], rule.rpartition(".")[2]) for rule in broken}
    assert kinds >= {(table, "unique") for table in CONTRACT.tables}
    assert {kind for _, kind in kinds} == {rule.rpartition(".")[2] for rule in declared}


def test_identifiers_are_planted_in_the_dirty_files_only(written: SynthesisReport, expected: dict[str, Any]) -> None:
    folders = {
        name: "\n".join("\n".join(_lines(written.out / name, table)) for table in CONTRACT.tables)
        for name in ("records", "dirty")
    }
    assert len(expected["planted"]) > 40
    for text in expected["planted"]:
        assert len(text) >= 8
        assert text in folders["dirty"]
        assert text not in folders["records"]
    assert any("@" in text for text in expected["planted"])
    named = [fault.text for fault in load_faults(CONTRACT).faults if fault.identifying]
    assert set(named) <= set(expected["planted"])


def _held_lines(registry: Path, kind: str) -> list[tuple[str, int, str, str]]:
    with duckdb.connect(str(registry), read_only=True) as con:
        return con.execute(
            'select "table", line, "column", rule from held_back where batch_no = '
            "(select max(batch_no) from held_back) and kind = ? order by all",
            [kind],
        ).fetchall()


@pytest.mark.parametrize(
    ("first", "counted", "place"),
    [
        pytest.param(None, "tables", "outcome", marks=pytest.mark.study),
        ("records", "tables_after_records", "after_records"),
    ],
)
def test_ingestion_puts_every_line_where_the_account_says(
    written: SynthesisReport, expected: dict[str, Any], tmp_path: Path, first: str | None, counted: str, place: str
) -> None:
    registry = tmp_path / "registry.duckdb"
    if first:
        et.ingest([written.out / first], registry)
    report = et.ingest([written.out / "dirty"], registry)
    names = ("lines", "stored", "unchanged", "conflict", "waiting", "held_back")
    assert {table.table: {name: getattr(table, name) for name in names} for table in report.tables} == expected[counted]
    held = [line for line in expected["lines"] if line[place] == "held_back"]
    due = {(line["table"], line["line"], line["rule"]) for line in held}
    found = {(table, number, rule) for table, number, _, rule in _held_lines(registry, "held_back")}
    assert due <= found
    # a line may be screened for what looks like a person's as well; no other line is held back
    assert {line[:2] for line in found} == {line[:2] for line in due}
    assert all(".screen_" in rule for _, _, rule in found - due)
    changed = [line for line in expected["lines"] if line[place] == "conflict"]
    found = [(table, number, column) for table, number, column, _ in _held_lines(registry, "conflict")]
    assert found == sorted((line["table"], line["line"], line["column"]) for line in changed)


def test_the_same_faults_fall_on_a_clinic_of_another_size(tmp_path: Path, expected: dict[str, Any]) -> None:
    et.synthesize(tmp_path, scenario=Path("young"))
    young = json.loads((tmp_path / "dirty" / "expected.json").read_text(encoding="utf-8"))
    planted = pl.Series([line["rule"] for line in young["lines"]]).unique()
    assert set(planted) == {line["rule"] for line in expected["lines"]}


def test_a_value_in_place_of_a_blank_fills_it_and_is_no_conflict() -> None:
    records = {
        name: pl.DataFrame([dict.fromkeys(table.names)], schema=dict.fromkeys(table.names, pl.String))
        for name, table in CONTRACT.tables.items()
    }
    faults = load_faults(CONTRACT)
    (changed,) = (one for one in faults.changed if one.place.column == "pain_now")
    for said, place in ((None, "stored"), ("5", "conflict")):
        records["exams"] = records["exams"].with_columns(pain_now=pl.lit(said, pl.String))
        soiling = Soiling(records, CONTRACT, np.random.default_rng(1))
        dirty = soiling.soil(Faults((), (changed,), {}, ()))["exams"]
        assert [account.after_records for account in dirty.accounts.values()] == [place]
